"""Candidate against live on the same photos: may it take over? Never quietly worse.

Both versions judge every photo of the operator's held-out couplers, of the never-regress list and of the
rendered test; what each gets right is counted in pairs, and ``model.gate`` decides from the counts.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from model.artefact import load_model
from model.evaluate import evaluate
from model.gate import (
    INTACT,
    OF_DAMAGE,
    OF_INTACT,
    Asked,
    Counts,
    Measure,
    SetName,
    Verdict,
    decide,
)
from model.manifest import LabelledPhoto, read_manifest
from model.paired import Paired, paired
from model.predict import Classifier
from model.scorebook import Scored, score_labelled
from model.vocabulary import FindingKind, Outcome, Triage

MOST_ECE = 0.05
"""Calibration error above which probabilities are no longer trusted, with at least ``ECE_FROM`` photos."""
ECE_FROM = 200
MOST_COMPARED = 1000
"""Of a larger set of own photos all that show damage are judged, up to this many, and a draw of the others:
the time of a comparison does not grow with years of confirmed photos."""

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Comparison:
    """The gate's decision in numbers and plain words; only ``Verdict.PROMOTE`` lets the candidate go live.

    ``notes`` say what the decision could not be based on, and what was lost and let pass; ``sets`` hold the
    counts behind it on ``n`` photos, each named in words; ``report`` is the candidate's evaluation.
    """

    verdict: Verdict
    reason: str
    n: int
    worse: tuple[str, ...]
    better: tuple[str, ...]
    notes: tuple[str, ...]
    sets: dict[SetName, dict[str, Paired]]
    report: dict[str, object]


def compare(
    candidate: Path, live: Path, sets: Mapping[SetName, Path], progress: Progress | None = None
) -> Comparison:
    """Judge every photo of the manifests with both model files and decide.

    Of the rendered test only the photos of split ``test`` are used. ``progress`` is told (photos judged,
    photos in all); what it raises ends the work.
    """
    classifiers = (Classifier(load_model(candidate)), Classifier(load_model(live)))
    labels = {name: _labels(name, manifest) for name, manifest in sets.items()}
    total = len(classifiers) * sum(map(len, labels.values()))
    counts: dict[SetName, Counts] = {}
    judged: dict[str, Scored] = {}
    done = 0
    for name, manifest in sets.items():
        books = []
        for classifier in classifiers:
            tell = _from(done, total, progress)
            books.append(score_labelled(classifier, labels[name], manifest.parent, progress=tell))
            done += len(labels[name])
        counts[name] = count_pairs(*books)
        judged |= {str(manifest.parent / scored.label.file): scored for scored in books[0]}
    # A photo in two sets counts once in the calibration of the whole.
    report = evaluate(classifiers[0], list(judged.values()))
    decision = decide(counts, uncalibrated(report))
    return Comparison(
        decision.verdict,
        decision.reason,
        len(judged),
        tuple(case.words for case in decision.worse),
        tuple(case.words for case in decision.better),
        decision.notes,
        {name: {asked.words: pair for asked, pair in of.items()} for name, of in counts.items()},
        report,
    )


def _labels(name: SetName, manifest: Path) -> list[LabelledPhoto]:
    photos = read_manifest(manifest)
    if name is SetName.RENDERED:
        return [photo for photo in photos if photo.split == "test"]
    return drawn(photos)


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


def count_pairs(candidate: Sequence[Scored], live: Sequence[Scored]) -> Counts:
    """Count what both, one or neither version gets right of the usable photos; both books in one order."""
    both = [(new, old) for new, old in zip(candidate, live, strict=True) if new.good]
    showing = {kind: [pair for pair in both if pair[0].visible_findings(kind)] for kind in FindingKind}
    intact = [pair for pair in both if not pair[0].label.findings]
    counts = {
        Asked(kind.value, measure): _paired(pairs, measure, kind)
        for kind, pairs in showing.items()
        for measure in OF_DAMAGE
    }
    return counts | {Asked(INTACT, measure): _paired(intact, measure) for measure in OF_INTACT}


def _right(scored: Scored, measure: Measure, kind: FindingKind | None = None) -> bool:
    judged = scored.judgement
    match measure:
        case Measure.FOUND:
            return any(finding.kind is kind for finding in judged.findings)
        case Measure.NOT_CLEARED:
            return judged.triage is not Triage.CLEAR
        case Measure.CLEARED:
            return judged.triage is Triage.CLEAR
        case Measure.FLAGGED:
            return judged.triage is Triage.FLAG
        case Measure.NOT_FLAGGED:
            return judged.triage is not Triage.FLAG
        case Measure.JUDGED:
            return judged.outcome is Outcome.SCORED


def _paired(pairs: list[tuple[Scored, Scored]], measure: Measure, kind: FindingKind | None = None) -> Paired:
    """Count photos given as (candidate, live), and their couplers."""
    return paired(
        (_right(new, measure, kind), _right(old, measure, kind), new.label.coupler) for new, old in pairs
    )


def uncalibrated(report: Mapping[str, object]) -> tuple[str, ...]:
    """Return the damages whose probabilities in an evaluation are no longer right."""
    kinds = report["kinds"]
    assert isinstance(kinds, dict)
    return tuple(
        name
        for name, row in kinds.items()
        if row["ece"] is not None and row["auroc"]["n"] >= ECE_FROM and row["ece"] > MOST_ECE
    )
