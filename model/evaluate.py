"""Measure a classifier on a labelled set: recall, false alarms, places, calibration, refusals, with n.

``evaluate`` gives numbers, ``model.model_card`` their text and ``model.card_plots`` their pictures. Every
proportion has its exact binomial 95 % interval (Clopper and Pearson 1934).
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from model.against import against
from model.assemble import load_any
from model.bars import bars
from model.baseline import PlainScore, load_scores
from model.dataset import split_of
from model.errors import ManifestError, told_plainly
from model.families import FAMILIES
from model.manifest import LabelledPhoto, read_manifest
from model.metrics import auroc_score, expected_calibration_error, reliability_bins
from model.metrics import proportion as proportion
from model.predict import Classifier
from model.scorebook import SEVERE_FROM, Scored, is_book, load_book, score_labelled
from model.slices import by_place, by_severity, by_visibility, slices
from model.summary_tables import confusion, risk_coverage_table
from model.vocabulary import FindingKind, Triage

Progress = Callable[[int, int], None]
Report = dict[str, Any]


def evaluate(
    classifier: Classifier, book: Sequence[Scored], baseline: Sequence[PlainScore] | None = None
) -> Report:
    """Return the whole report as a JSON-able dict; ``model.model_card`` says how to read it.

    Raises:
        ManifestError: ``baseline`` does not fit the photos of ``book``.
    """
    good = [s for s in book if s.good]
    report = {
        "model_version": classifier.version,
        "photos": len(book),
        "good": len(good),
        "couplers": len({s.label.coupler for s in good}),
        "sources": sorted({s.label.source for s in book}),
        "splits": sorted({split_of(s.label) for s in book}),
        "kinds": {kind.value: _kind_report(classifier, good, kind) for kind in FindingKind},
        **_photo_figures(book, good),
        "refusals": _refusals(book),
        "refused_by_reason": _refused_by_reason(book),
        "confusion": confusion(book),
        "risk_coverage": risk_coverage_table(good),
        "slices": slices(classifier, good),
        "places": by_place(classifier, good),
    }
    if baseline is not None:
        report["baseline"] = against(classifier, book, baseline)
    return {**report, "bars": bars(report)}


def _photo_figures(book: Sequence[Scored], good: list[Scored]) -> dict[str, Any]:
    judged = [s for s in good if s.scored]
    intact = [s for s in judged if not s.label.findings]
    severe = [s for s in judged if any(s.visible_findings(kind, SEVERE_FROM) for kind in FindingKind)]
    strangers = [s for s in book if s.label.family is None]
    unusable = [s for s in book if s.label.family is not None and s.label.reason is not None]
    faces = [(s.seen.face.family.key, s.label.family) for s in good if s.seen.face is not None]
    return {
        "damaged_flagged": proportion(s.judgement.triage is Triage.FLAG for s in severe),
        "damaged_unsure": proportion(s.judgement.triage is Triage.UNSURE for s in severe),
        "damaged_clear": proportion(s.judgement.triage is Triage.CLEAR for s in severe),
        "intact_flagged": proportion(s.judgement.triage is Triage.FLAG for s in intact),
        "intact_unsure": proportion(s.judgement.triage is Triage.UNSURE for s in intact),
        "unsure": proportion(s.judgement.triage is Triage.UNSURE for s in judged),
        "good_refused": proportion(not s.scored for s in good),
        "strangers_refused": proportion(not s.scored for s in strangers),
        "unusable_refused": proportion(not s.scored for s in unusable),
        "family_right": proportion(said == true for said, true in faces),
    }


def _kind_report(classifier: Classifier, good: list[Scored], kind: FindingKind) -> dict[str, Any]:
    severe = [s for s in good if s.visible_findings(kind, SEVERE_FROM)]
    judged = [s for s in severe if s.scored]
    known = [s for s in good if s.scored and s.truth(kind) is not None and _can_have(s, kind)]
    probabilities = [s.judgement.probabilities[kind] for s in known]
    truths = [bool(s.truth(kind)) for s in known]
    flagged = [s for s in known if s.answer(classifier, kind) is Triage.FLAG]
    area = auroc_score(truths, probabilities)
    return {
        "flagged": proportion(s.answer(classifier, kind) is Triage.FLAG for s in judged),
        "not_called_clear": proportion(s.answer(classifier, kind) is not Triage.CLEAR for s in judged),
        "severe_refused": proportion(not s.scored for s in severe),
        "intact_flagged": proportion(
            s.answer(classifier, kind) is Triage.FLAG
            for s in good
            if s.scored and not s.label.findings and _can_have(s, kind)
        ),
        "flag_right": proportion(bool(s.truth(kind)) for s in flagged),
        "by_severity": by_severity(classifier, good, kind),
        "by_visibility": by_visibility(classifier, good, kind),
        "place_right": _place_right(judged, kind, classifier),
        "auroc": {"value": area.value, "low": area.low, "high": area.high, "n": area.n},
        "ece": expected_calibration_error(probabilities, truths),
        "damaged": sum(truths),
        "reliability": [
            {"low": b.low, "high": b.high, "mean_probability": b.mean_probability,
             "count": b.observed.count, "n": b.observed.n, "observed": b.observed.estimate,
             "observed_low": b.observed.low, "observed_high": b.observed.high}
            for b in reliability_bins(probabilities, truths)
        ],
    }  # fmt: skip


def _can_have(scored: Scored, kind: FindingKind) -> bool:
    """Whether a photo's family has the part at all: a Type 2 counts neither for nor against latches."""
    return kind is not FindingKind.MISSING_LATCH or FAMILIES[str(scored.label.family)].has_latch


def _place_right(found: list[Scored], kind: FindingKind, classifier: Classifier) -> dict[str, Any]:
    """Whether the likeliest named place is truly damaged, among photos where the damage was found."""
    hits = []
    for scored in found:
        if scored.answer(classifier, kind) is Triage.CLEAR:
            continue
        named = [f for f in scored.judgement.findings if f.kind is kind]
        true = {f.place for f in scored.label.findings if f.kind is kind}
        hits.append(bool(named) and max(named, key=lambda f: f.probability).place in true)
    return proportion(hits)


def _true_reason(scored: Scored) -> str:
    if scored.label.reason is not None:
        return scored.label.reason.value
    return "good" if scored.good else "no_coupler_face"


def _refusals(book: Sequence[Scored]) -> dict[str, dict[str, int]]:
    """Count the given reasons for each true reason (``good`` for usable photos)."""
    table: dict[str, dict[str, int]] = {}
    for scored in book:
        said = scored.judgement.reason.value if scored.judgement.reason else "scored"
        row = table.setdefault(_true_reason(scored), {})
        row[said] = row.get(said, 0) + 1
    return table


def _refused_by_reason(book: Sequence[Scored]) -> dict[str, dict[str, Any]]:
    """For each true reason how many were refused, and how many of those with that very reason."""
    table = {}
    for reason in sorted({_true_reason(s) for s in book} - {"good"}):
        rows = [s for s in book if _true_reason(s) == reason]
        refused = [s for s in rows if not s.scored]
        table[reason] = {
            "refused": proportion(not s.scored for s in rows),
            "reason_right": proportion(s.judgement.reason == reason for s in refused),
        }
    return table


def chosen(labels: Sequence[LabelledPhoto], split: str | None) -> list[LabelledPhoto]:
    """Return the photos of ``split``: ``all`` of them, or by default the test split where the labels name one
    and all where they do not.

    Raises:
        ManifestError: there are none.
    """
    if split is None:
        split = "test" if any(label.split == "test" for label in labels) else "all"
    found = [label for label in labels if split in {"all", split_of(label)}]
    if not found:
        there = ", ".join(sorted({split_of(label) for label in labels})) or "none"
        raise ManifestError(
            f"photos of the split {split}", f"none in {len(labels)} photos", f"Its splits: {there}."
        )
    return found


def evaluate_file(
    model: Path | None,
    source: Path,
    *,
    split: str | None = None,
    baseline: Sequence[Path] = (),
    device: str = "cpu",
    threads: int = 2,
    progress: Progress | None = None,
) -> Report:
    """Load a model file (default: the shipped one) and evaluate it.

    Args:
        source: a labelled folder (with ``manifest.jsonl``), a manifest, or a saved book.
        split: which photos, see ``chosen``.
        baseline: files of a baseline's answers (``model.baseline``), to be set beside ours.

    Raises:
        ArtefactError, ManifestError, PhotoError: a file is missing or not what it should be.
    """
    plain = [score for path in baseline for score in load_scores(path)]
    classifier = Classifier(load_any(model, device))
    path = source / "manifest.jsonl" if source.is_dir() else source
    if is_book(path):
        known = {id(s.label): s for s in load_book(path, classifier)}
        book = [known[id(label)] for label in chosen([s.label for s in known.values()], split)]
    else:
        labels = chosen(read_manifest(path), split)
        book = score_labelled(classifier, labels, path.parent, threads=threads, progress=progress)
    return evaluate(classifier, book, plain if baseline else None)


@told_plainly()
def main() -> None:
    """Command line: ``python -m model.evaluate SOURCE OUT [--model FILE] [--split test]``."""
    from model.model_card import write_card

    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("source", type=Path, help="labelled folder, manifest or saved book")
    parser.add_argument("out", type=Path, help="folder for card.md, card.json and the plots")
    parser.add_argument("--model", type=Path)
    parser.add_argument("--split", help="a split, or 'all'")
    parser.add_argument("--baseline", type=Path, action="append", default=[])
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--threads", type=int, default=2)
    a = parser.parse_args()
    report = evaluate_file(
        a.model, a.source, split=a.split, baseline=a.baseline, device=a.device, threads=a.threads
    )
    write_card(report, a.out)
    print(json.dumps({"card": str(a.out / "card.md"), "photos": report["photos"]}))


if __name__ == "__main__":
    main()
