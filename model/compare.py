"""Candidate against live on the same photos: may it take over? Never quietly worse.

Paired and exact: for each damage the photos that only one of the two finds are counted, and the one-sided
sign test (the exact form of McNemar's test) says whether losing more than gaining could be chance.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from scipy.stats import binom

from model.artefact import load_model
from model.evaluate import evaluate, proportion
from model.manifest import LabelledPhoto, read_manifest
from model.predict import Classifier
from model.scorebook import Scored, score_labelled
from model.vocabulary import FindingKind, Triage

MARGIN = 0.005
"""A damage's recall may fall by at most this share, even when the fall could be chance."""
SIGNIFICANCE = 0.05
MOST_ECE = 0.05
"""Calibration error above which probabilities are no longer trusted, with at least ``ECE_FROM`` photos."""
ECE_FROM = 200


@dataclass(frozen=True)
class Paired:
    """How two models did on the same cases: right by both, by one only, by neither."""

    both: int
    only_live: int
    only_candidate: int
    neither: int

    @property
    def n(self) -> int:
        """Number of cases."""
        return self.both + self.only_live + self.only_candidate + self.neither

    @property
    def worse_p(self) -> float:
        """One-sided exact p that the candidate loses as many or more by chance alone."""
        discordant = self.only_live + self.only_candidate
        return float(binom.sf(self.only_live - 1, discordant, 0.5)) if discordant else 1.0

    @property
    def drop(self) -> float:
        """Fall of the share right from live to candidate; negative when the candidate is better."""
        return (self.only_live - self.only_candidate) / self.n if self.n else 0.0

    @property
    def worse(self) -> bool:
        """Whether the candidate falls beyond the margin or beyond chance."""
        return self.only_live > self.only_candidate and (self.drop > MARGIN or self.worse_p < SIGNIFICANCE)


@dataclass(frozen=True)
class Comparison:
    """The result, in numbers and plain words. ``promote`` is false when anything got worse."""

    promote: bool
    reason: str
    n: int
    worse: tuple[str, ...]
    better: tuple[str, ...]
    per_kind: dict[str, Paired] = field(default_factory=dict)
    report: dict[str, object] = field(default_factory=dict)


def compare(
    candidate: Path, live: Path, manifests: Sequence[Path], *, frozen_test: Path | None = None
) -> Comparison:
    """Judge every photo of the manifests with both model files and decide.

    ``manifests`` are the operator's own: held-out couplers and the never-regress list. Of ``frozen_test``, a
    manifest of rendered photos, only the photos of split ``test`` are used.
    """
    books: dict[str, list[Scored]] = {"candidate": [], "live": []}
    classifiers = {"candidate": Classifier(load_model(candidate)), "live": Classifier(load_model(live))}
    for manifest, labels in _cases(manifests, frozen_test):
        for name, classifier in classifiers.items():
            books[name] += score_labelled(classifier, labels, manifest.parent)
    pairs = {
        kind.value: _pair([(_found(new, kind), _found(old, kind)) for new, old in _both(books, kind)])
        for kind in FindingKind
    }
    pairs["intact"] = _pair(
        [
            (new.judgement.triage is not Triage.FLAG, old.judgement.triage is not Triage.FLAG)
            for new, old in zip(books["candidate"], books["live"], strict=True)
            if new.good and not new.label.findings
        ]
    )
    report = evaluate(classifiers["candidate"], books["candidate"])
    return _decide(pairs, report, len(books["live"]))


def _cases(manifests: Sequence[Path], frozen_test: Path | None) -> Iterator[tuple[Path, list[LabelledPhoto]]]:
    for manifest in manifests:
        yield manifest, read_manifest(manifest)
    if frozen_test is not None:
        yield frozen_test, [photo for photo in read_manifest(frozen_test) if photo.split == "test"]


def _both(books: dict[str, list[Scored]], kind: FindingKind) -> list[tuple[Scored, Scored]]:
    pairs = zip(books["candidate"], books["live"], strict=True)
    return [(new, old) for new, old in pairs if new.good and new.visible_findings(kind)]


def _found(scored: Scored, kind: FindingKind) -> bool:
    return any(finding.kind is kind for finding in scored.judgement.findings)


def _pair(cases: list[tuple[bool, bool]]) -> Paired:
    """Count cases given as (candidate right, live right)."""
    return Paired(
        sum(new and old for new, old in cases),
        sum(old and not new for new, old in cases),
        sum(new and not old for new, old in cases),
        sum(not new and not old for new, old in cases),
    )


def _decide(pairs: dict[str, Paired], report: dict[str, object], n: int) -> Comparison:
    worse = tuple(name for name, pair in pairs.items() if pair.worse)
    better = tuple(name for name, pair in pairs.items() if pair.only_candidate > pair.only_live)
    unproven = tuple(name for name, pair in pairs.items() if pair.n == 0)
    uncalibrated = _uncalibrated(report)
    if unproven:
        reason = f"Held: nothing to compare on for {_words(unproven)}. Confirm some on held-out couplers."
    elif worse:
        details = "; ".join(_sentence(name, pairs[name]) for name in worse)
        reason = f"Held: the candidate is worse. {details}."
    elif uncalibrated:
        reason = f"Held: its probabilities are no longer right for {_words(uncalibrated)}."
    elif not better:
        reason = "Held: no better than the live version on any damage or on intact photos."
    else:
        details = "; ".join(_sentence(name, pairs[name]) for name in better)
        reason = f"Promoted: nothing is worse beyond {MARGIN:.1%}. {details}."
    return Comparison(reason.startswith("Promoted"), reason, n, worse, better, pairs, report)


def _uncalibrated(report: dict[str, object]) -> tuple[str, ...]:
    kinds = report["kinds"]
    assert isinstance(kinds, dict)
    return tuple(
        name
        for name, row in kinds.items()
        if row["ece"] is not None and row["auroc"]["n"] >= ECE_FROM and row["ece"] > MOST_ECE
    )


def _words(names: tuple[str, ...]) -> str:
    return ", ".join(name.replace("_", " ") for name in names)


def _sentence(name: str, pair: Paired) -> str:
    what = "intact photos not flagged" if name == "intact" else f"{name.replace('_', ' ')} found"
    before = proportion(
        [True] * (pair.both + pair.only_live) + [False] * (pair.only_candidate + pair.neither)
    )
    after = proportion([True] * (pair.both + pair.only_candidate) + [False] * (pair.only_live + pair.neither))
    return f"{what}: {after['count']} of {pair.n}, before {before['count']} (exact p {pair.worse_p:.3f})"
