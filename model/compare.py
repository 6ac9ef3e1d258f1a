"""Candidate against live on the same photos: may it take over? Never quietly worse.

Paired and exact: for each damage the photos that only one of the two finds are counted, and the one-sided
sign test (the exact form of McNemar's test) says whether losing more than gaining could be chance. This is
asked of the operator's held-out couplers, of the never-regress list and of the rendered test, each by
itself: a gain on one does not pay for a loss on another.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from scipy.stats import binom

from model.artefact import load_model
from model.evaluate import evaluate, proportion
from model.manifest import LabelledPhoto, read_manifest
from model.predict import Classifier
from model.scorebook import Scored, score_labelled
from model.vocabulary import FindingKind, Triage

MARGIN, INTACT_MARGIN = 0.005, 0.01
"""A damage's recall may fall by at most the first share, that of intact photos not flagged by at most the
second, even when it could be chance: a false alarm is a visit for nothing, a miss can hurt somebody."""
SIGNIFICANCE = 0.05
MOST_ECE = 0.05
"""Calibration error above which probabilities are no longer trusted, with at least ``ECE_FROM`` photos."""
ECE_FROM = 200
UNSEEN_FROM = 0.03
"""A damage shown by so few photos that a loss of this share could pass unseen is named (fewer than 99)."""
MOST_COMPARED = 1000
"""Of a larger set of own photos all that show damage are judged, up to this many, and a draw of the others:
the time of a comparison does not grow with years of confirmed photos."""
INTACT = "intact"
RENDERED = "the rendered test"
SETS = ("your held-out couplers", "the never-regress list")
"""What the operator's own manifests are called in reasons, in the order in which they are given."""

Progress = Callable[[int, int], None]


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
    def better_p(self) -> float:
        """One-sided exact p that the candidate gains as many or more by chance alone."""
        return Paired(self.both, self.only_candidate, self.only_live, self.neither).worse_p

    @property
    def drop(self) -> float:
        """Fall of the share right from live to candidate; negative when the candidate is better."""
        return (self.only_live - self.only_candidate) / self.n if self.n else 0.0

    def worse(self, margin: float = MARGIN) -> bool:
        """Whether the candidate falls by more than ``margin`` (share of the cases) or beyond chance."""
        return self.only_live > self.only_candidate and (self.drop > margin or self.worse_p < SIGNIFICANCE)


Pairs = dict[str, dict[str, Paired]]
"""For each set of photos by its name, for each damage (and ``intact``) by its word."""


@dataclass(frozen=True)
class Comparison:
    """The result, in numbers and plain words. ``promote`` is false when anything got worse.

    ``notes`` say what the decision could not be based on; ``sets`` hold the counts behind it.
    """

    promote: bool
    reason: str
    n: int
    worse: tuple[str, ...]
    better: tuple[str, ...]
    notes: tuple[str, ...] = ()
    sets: Pairs = field(default_factory=dict)
    report: dict[str, object] = field(default_factory=dict)


def compare(
    candidate: Path,
    live: Path,
    manifests: Sequence[Path],
    *,
    frozen_test: Path | None = None,
    progress: Progress | None = None,
) -> Comparison:
    """Judge every photo of the manifests with both model files and decide.

    ``manifests`` are the operator's own: held-out couplers, then the never-regress list. Of ``frozen_test``,
    a manifest of rendered photos, only the photos of split ``test`` are used. ``progress`` is told (photos
    judged, photos in all); what it raises ends the work.
    """
    classifiers = (Classifier(load_model(candidate)), Classifier(load_model(live)))
    cases = _cases(manifests, frozen_test)
    total = len(classifiers) * sum(len(labels) for _, _, labels in cases)
    sets: Pairs = {}
    judged: dict[str, Scored] = {}
    done = 0
    for name, manifest, labels in cases:
        books = []
        for classifier in classifiers:
            books.append(
                score_labelled(classifier, labels, manifest.parent, progress=_from(done, total, progress))
            )
            done += len(labels)
        sets[name] = _pairs(*books)
        judged |= {str(manifest.parent / scored.label.file): scored for scored in books[0]}
    # A photo in two sets counts once in the calibration of the whole.
    report = evaluate(classifiers[0], list(judged.values()))
    return _decide(sets, report, len(judged))


def _cases(
    manifests: Sequence[Path], frozen_test: Path | None
) -> list[tuple[str, Path, list[LabelledPhoto]]]:
    names = [*SETS, *(manifest.stem for manifest in manifests[len(SETS) :])]
    cases = [
        (name, manifest, drawn(read_manifest(manifest)))
        for name, manifest in zip(names, manifests, strict=False)
    ]
    if frozen_test is not None:
        rendered = [photo for photo in read_manifest(frozen_test) if photo.split == "test"]
        cases.append((RENDERED, frozen_test, rendered))
    return cases


def drawn(labels: list[LabelledPhoto], most: int = MOST_COMPARED) -> list[LabelledPhoto]:
    """Return at most ``most`` photos, those with damage first, in the order given.

    Frozen sets are ordered by the photos' hashes, so that the first ones are a random draw.
    """
    if len(labels) <= most:
        return labels
    damaged = [photo for photo in labels if photo.findings][:most]
    others = [photo for photo in labels if not photo.findings][: most - len(damaged)]
    taken = {id(photo) for photo in (*damaged, *others)}
    return [photo for photo in labels if id(photo) in taken]


def _from(before: int, total: int, progress: Progress | None) -> Progress | None:
    return (lambda done, _of: progress(before + done, total)) if progress is not None else None


def _pairs(candidate: list[Scored], live: list[Scored]) -> dict[str, Paired]:
    both = [(new, old) for new, old in zip(candidate, live, strict=True) if new.good]
    pairs = {
        kind.value: _pair(
            [(_found(new, kind), _found(old, kind)) for new, old in both if new.visible_findings(kind)]
        )
        for kind in FindingKind
    }
    pairs[INTACT] = _pair(
        [
            (new.judgement.triage is not Triage.FLAG, old.judgement.triage is not Triage.FLAG)
            for new, old in both
            if not new.label.findings
        ]
    )
    return pairs


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


def _decide(sets: Pairs, report: dict[str, object], n: int) -> Comparison:
    every = [(where, what, pair) for where, pairs in sets.items() for what, pair in pairs.items()]
    worse = [case for case in every if case[2].worse(INTACT_MARGIN if case[1] == INTACT else MARGIN)]
    better = [case for case in every if case[2].only_candidate > case[2].only_live]
    unproven = _never_seen(sets)
    uncalibrated = _uncalibrated(report)
    if unproven:
        reason = (
            f"Held: no photo to compare on shows {_words(unproven)}, neither of your held-out couplers nor "
            "in the rendered test. Name a rendered test that does (setting gate_manifest), or confirm some."
        )
    elif worse:
        reason = f"Held: the candidate is worse. {_sentences(worse)}."
    elif uncalibrated:
        reason = f"Held: its probabilities are no longer right for {_words(uncalibrated)}."
    elif not better:
        reason = "Held: no better than the live version on any damage or on intact photos."
    else:
        reason = (
            f"Promoted: no damage is found less often beyond {MARGIN:.1%}, and intact photos are not flagged "
            f"more often beyond {INTACT_MARGIN:.1%}. {_sentences(better)}."
        )
    promote = reason.startswith("Promoted")
    notes = (*_notes(sets), *_blind(sets))
    return Comparison(promote, reason, n, _kinds(worse), _kinds(better), notes, sets, report)


def _kinds(cases: list[tuple[str, str, Paired]]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(what for _, what, _ in cases))


def _never_seen(sets: Pairs) -> tuple[str, ...]:
    kinds = [*(kind.value for kind in FindingKind), INTACT]
    return tuple(what for what in kinds if not any(pairs[what].n for pairs in sets.values()))


def _notes(sets: Pairs) -> tuple[str, ...]:
    """Say which damages only the rendered test speaks for: that is enough, but the operator should know."""
    own = [pairs for where, pairs in sets.items() if where != RENDERED]
    kinds = [*(kind.value for kind in FindingKind), INTACT]
    lacking = tuple(what for what in kinds if own and not any(pairs[what].n for pairs in own))
    if not lacking or RENDERED not in sets:
        return ()
    return (
        f"None of your held-out couplers shows {_words(lacking)} yet: for that the comparison rests on "
        "rendered photos alone, until such a coupler is among the one in five that are held out.",
    )


def _uncalibrated(report: dict[str, object]) -> tuple[str, ...]:
    kinds = report["kinds"]
    assert isinstance(kinds, dict)
    return tuple(
        name
        for name, row in kinds.items()
        if row["ece"] is not None and row["auroc"]["n"] >= ECE_FROM and row["ece"] > MOST_ECE
    )


def _blind(sets: Pairs) -> tuple[str, ...]:
    """Say how large a loss could have passed unseen, where a damage is shown by too few photos to tell.
    The never-regress list does not count: its photos may have been learnt from, and were chosen.

    Of n photos drawn alike none is lost with a chance of (1 - share)^n, whatever share would be in the long
    run: the largest one that leaves ``SIGNIFICANCE`` (the exact bound of Clopper and Pearson for 0 of n).
    """
    drawn_alike = [pairs for where, pairs in sets.items() if where != SETS[1]]
    seen = {kind.value: sum(pairs[kind.value].n for pairs in drawn_alike) for kind in FindingKind}
    bounds = {what: 1 - SIGNIFICANCE ** (1 / n) for what, n in seen.items() if n}
    few = {what: bound for what, bound in bounds.items() if bound > UNSEEN_FROM}
    if not few:
        return ()
    told = ", ".join(f"{_words((what,))} {bound:.0%} ({seen[what]} photos)" for what, bound in few.items())
    return (
        "So few photos were compared that a version could lose this share of a damage and the comparison "
        f"would hardly show it: {told}. Render a larger test and name it (setting gate_manifest).",
    )


def _words(names: tuple[str, ...]) -> str:
    return ", ".join("an intact coupler" if n == INTACT else n.replace("_", " ") for n in names)


def _sentences(cases: list[tuple[str, str, Paired]]) -> str:
    return "; ".join(_sentence(where, what, pair) for where, what, pair in cases)


def _sentence(where: str, what: str, pair: Paired) -> str:
    doing = "intact photos not flagged" if what == INTACT else f"{what.replace('_', ' ')} found"
    before = proportion(
        [True] * (pair.both + pair.only_live) + [False] * (pair.only_candidate + pair.neither)
    )
    after = proportion([True] * (pair.both + pair.only_candidate) + [False] * (pair.only_live + pair.neither))
    return (
        f"{doing} on {where}: {after['count']} of {pair.n}, before {before['count']} "
        f"(exact p {min(pair.worse_p, pair.better_p):.3f})"
    )
