"""Measure a classifier on a labelled set: recall, false alarms, places, calibration, refusals, with n.

``evaluate`` gives numbers, ``model_card`` the text of them. Every proportion has its exact binomial 95 %
interval (Clopper and Pearson 1934).
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from model.manifest import read_manifest
from model.metrics import Proportion, auroc_score, clopper_pearson, expected_calibration_error
from model.predict import Classifier
from model.scorebook import Scored, score_labelled
from model.train import pick_split
from model.vocabulary import FindingKind, Triage

SEVERE_FROM = 0.3
BANDS = ((0.0, 0.3), (0.3, 0.6), (0.6, 1.01))


def proportion(flags: Sequence[bool]) -> dict[str, Any]:
    """Return count, n, estimate and exact 95 % interval of a list of yes and no."""
    return _as_dict(clopper_pearson(sum(flags), len(flags)))


def _as_dict(p: Proportion) -> dict[str, Any]:
    return {"count": p.count, "n": p.n, "estimate": p.estimate, "low": p.low, "high": p.high}


def evaluate(classifier: Classifier, book: Sequence[Scored]) -> dict[str, Any]:
    """Return the whole report as a JSON-able dict; see ``model_card`` for its reading."""
    good = [s for s in book if s.good]
    intact = [s for s in good if not s.label.findings]
    strangers = [s for s in book if s.label.family is None]
    return {
        "model_version": classifier.version,
        "photos": len(book),
        "kinds": {kind.value: _kind_report(classifier, good, kind) for kind in FindingKind},
        "intact_flagged": proportion([s.judgement.triage is Triage.FLAG for s in intact]),
        "intact_unsure": proportion([s.judgement.triage is Triage.UNSURE for s in intact]),
        "good_refused": proportion([not s.scored for s in good]),
        "strangers_refused": proportion([not s.scored for s in strangers]),
        "family_right": proportion(
            [s.seen.face.family.key == s.label.family for s in good if s.seen.face is not None]
        ),
        "refusals": _refusals(book),
        "slices": _slices(classifier, good),
    }


def _kind_report(classifier: Classifier, good: list[Scored], kind: FindingKind) -> dict[str, Any]:
    severe = [s for s in good if s.visible_findings(kind, SEVERE_FROM)]
    scored = [s for s in severe if s.scored]
    known = [s for s in good if s.scored and s.truth(kind) is not None]
    probabilities = [s.judgement.probabilities[kind] for s in known]
    truths = [bool(s.truth(kind)) for s in known]
    area = auroc_score(truths, probabilities)
    return {
        "flagged": proportion([s.answer(classifier, kind) is Triage.FLAG for s in scored]),
        "not_called_clear": proportion([s.answer(classifier, kind) is not Triage.CLEAR for s in scored]),
        "severe_refused": proportion([not s.scored for s in severe]),
        "by_severity": {
            f"{low:.1f}-{min(high, 1.0):.1f}": proportion(
                [
                    s.answer(classifier, kind) is not Triage.CLEAR
                    for s in good
                    if s.scored and _severity_within(s, kind, low, high)
                ]
            )
            for low, high in BANDS
        },
        "place_right": _place_right(scored, kind, classifier),
        "auroc": {"value": area.value, "low": area.low, "high": area.high, "n": area.n},
        "ece": expected_calibration_error(probabilities, truths),
    }


def _severity_within(scored: Scored, kind: FindingKind, low: float, high: float) -> bool:
    worst = max((f.severity for f in scored.visible_findings(kind)), default=-1.0)
    return low <= worst < high


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


def _refusals(book: Sequence[Scored]) -> dict[str, dict[str, int]]:
    """Count the given reasons for each true reason (``good`` for usable photos)."""
    table: dict[str, dict[str, int]] = {}
    for scored in book:
        true = (
            scored.label.reason.value if scored.label.reason else "good" if scored.good else "no_coupler_face"
        )
        said = scored.judgement.reason.value if scored.judgement.reason else "scored"
        row = table.setdefault(true, {})
        row[said] = row.get(said, 0) + 1
    return table


def _slices(classifier: Classifier, good: list[Scored]) -> dict[str, dict[str, Any]]:
    """Report misses and false alarms by family and by each attribute that takes few values."""
    table: dict[str, dict[str, Any]] = {}
    names = {"family"} | {
        name for s in good for name, value in s.label.attributes.items() if isinstance(value, str)
    }
    for name in sorted(names):
        values = {_slice_of(s, name) for s in good}
        if not 2 <= len(values) <= 24:
            continue
        table[name] = {
            value: _slice(classifier, [s for s in good if _slice_of(s, name) == value]) for value in values
        }
    return table


def _slice_of(scored: Scored, name: str) -> str:
    return str(scored.label.family if name == "family" else scored.label.attributes.get(name, "unknown"))


def _slice(classifier: Classifier, part: list[Scored]) -> dict[str, Any]:
    damaged = [
        s.answer(classifier, kind) is not Triage.CLEAR
        for s in part
        for kind in FindingKind
        if s.scored and s.visible_findings(kind, SEVERE_FROM)
    ]
    intact = [s.judgement.triage is Triage.FLAG for s in part if not s.label.findings]
    return {"found": proportion(damaged), "intact_flagged": proportion(intact)}


def model_card(report: dict[str, Any]) -> str:
    """Return the report as Markdown."""
    lines = [
        f"# Model card: {report['model_version']}",
        "",
        f'{report["photos"]} labelled photos. Intervals are exact binomial, 95 %. "Intact" means no visible',
        "damage found; it never means safe.",
        "",
        "| damage, visible, severity from 0.3 | flagged | not called clear | place right | AUROC | ECE |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for kind, row in report["kinds"].items():
        lines.append(
            f"| {kind.replace('_', ' ')} | {_percent(row['flagged'])} | {_percent(row['not_called_clear'])} "
            f"| {_percent(row['place_right'])} | {_number(row['auroc']['value'])} | {_number(row['ece'])} |"
        )
    for key, title in (
        ("intact_flagged", "Intact photos flagged"),
        ("intact_unsure", "Intact photos sent to a person as unsure"),
        ("good_refused", "Good photos refused"),
        ("strangers_refused", "Photos of other things refused"),
        ("family_right", "Family right"),
    ):
        lines.append(f"\n{title}: {_percent(report[key])}")
    for name, values in report["slices"].items():
        lines += [
            "",
            f"## By {name.replace('_', ' ')}",
            "",
            f"| {name} | damage found | intact flagged |",
            "| --- | --- | --- |",
        ]
        for value, row in sorted(values.items()):
            lines.append(f"| {value} | {_percent(row['found'])} | {_percent(row['intact_flagged'])} |")
    return "\n".join(lines) + "\n"


def _percent(p: dict[str, Any]) -> str:
    if p["estimate"] is None:
        return "no cases"
    return f"{p['estimate']:.1%} ({p['low']:.1%} to {p['high']:.1%}, n {p['n']})"


def _number(value: float | None) -> str:
    return "undefined" if value is None else f"{value:.4f}"


def write_report(report: dict[str, Any], out: Path) -> None:
    """Write ``report.json`` and ``card.md`` into the folder ``out``."""
    out.mkdir(parents=True, exist_ok=True)
    (out / "report.json").write_text(json.dumps(report, indent=1), encoding="utf-8")
    (out / "card.md").write_text(model_card(report), encoding="utf-8")


def evaluate_file(
    model: Path | None,
    manifest: Path,
    *,
    split: str | None = "test",
    device: str = "cpu",
    threads: int = 2,
    progress: Callable[[int, int], None] | None = None,
) -> dict[str, Any]:
    """Load a model file (default: the shipped one) and evaluate it on a split of a manifest (None: all)."""
    classifier = Classifier.load(model)
    for network in (classifier.model.locator, classifier.model.condition):
        network.to(device)
    labels = read_manifest(manifest)
    labels = pick_split(labels, split) if split else labels
    book = score_labelled(classifier, labels, manifest.parent, threads=threads, batch=64, progress=progress)
    return evaluate(classifier, book)


def main() -> None:
    """Command line: ``python -m model.evaluate MANIFEST OUT [--model FILE] [--split test]``."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("manifest", type=Path)
    parser.add_argument("out", type=Path, help="folder for report.json and card.md")
    parser.add_argument("--model", type=Path)
    parser.add_argument("--split", default="test", help="a split, or 'all'")
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--threads", type=int, default=2)
    a = parser.parse_args()
    split = None if a.split == "all" else a.split
    report = evaluate_file(a.model, a.manifest, split=split, device=a.device, threads=a.threads)
    write_report(report, a.out)
    print(model_card(report))


if __name__ == "__main__":
    main()
