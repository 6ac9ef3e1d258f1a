"""What does a retrain bring at a site whose plastics, light and cameras the model has never seen?

``python -m data_tools.trials.new_site MANIFEST OUT``: of a labelled set of that site some photos are
confirmed through the store's own verbs, the model retrains, and live version and candidate are measured on
other couplers of the site that nobody confirmed and no version has learnt from.

An error is a usable photo of a coupler that is refused, or whose label is not the true one. Photos of one
coupler are alike. McNemar's exact test therefore takes one photo of each coupler (the first by name); all
photos are reported beside it with an exact sign test by coupler and an interval from drawing couplers.
"""

from __future__ import annotations

import json
import random
import time
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import click
import numpy as np
from numpy.typing import NDArray
from scipy.stats import binomtest

from data_tools import model_side, registry
from data_tools.cli.frame import share_bar
from data_tools.jobs import Beat
from data_tools.retrain import RetrainOutcome, retrain
from data_tools.settings import Settings
from data_tools.sites import list_sites
from data_tools.training_set import KEPT, rendered, unlearnt
from data_tools.trials.operator import LEAD, SECOND, SEEN_FROM, TECHNICIAN, confirm, send
from data_tools.workspace import Workspace, init_workspace
from model.errors import ManifestError, told_plainly
from model.gate import SetName
from model.judgement import Judgement
from model.manifest import LabelledPhoto, read_manifest
from model.metrics import clopper_pearson
from model.paired import paired
from model.vocabulary import Outcome, Triage, summary_label

DRAWS = 2000
TESTS = {
    "mcnemar": "exact McNemar test, two-sided, on one photo of each coupler",
    "by_coupler": "exact sign test, two-sided, on all photos: each coupler once, by the sum of its photos",
}


@dataclass(frozen=True)
class Split:
    """Photos to confirm and photos to measure on, of different couplers."""

    confirmed: list[LabelledPhoto]
    measured: list[LabelledPhoto]


def split(labels: Sequence[LabelledPhoto], confirm_photos: int, couplers: int, seed: int = 0) -> Split:
    """Draw whole couplers until ``confirm_photos`` photos are together, then up to ``couplers`` others.

    Only couplers with a usable photo are measured on, and only their usable photos.
    """
    by_coupler: dict[str, list[LabelledPhoto]] = defaultdict(list)
    for label in labels:
        by_coupler[label.coupler].append(label)
    names = sorted(by_coupler)
    random.Random(seed).shuffle(names)
    confirmed: list[LabelledPhoto] = []
    while names and len(confirmed) < confirm_photos:
        confirmed += by_coupler[names.pop()][: confirm_photos - len(confirmed)]
    usable = {name: sorted(filter(_usable, by_coupler[name]), key=lambda p: p.file) for name in names}
    chosen = [name for name in names if usable[name]][:couplers]
    return Split(confirmed, [photo for name in chosen for photo in usable[name]])


def refuse_known(parts: Split, manifests: Sequence[Path]) -> None:
    """Refuse to measure on couplers that a retrain replays, sets its limits on or is judged by.

    Raises:
        ManifestError: one of ``manifests`` shows a coupler that would be measured on.
    """
    measured = {photo.coupler for photo in parts.measured}
    for manifest in manifests:
        known = measured & {photo.coupler for photo in read_manifest(manifest)}
        if known:
            raise ManifestError(
                "couplers to measure on that no version is made with",
                f"{len(known)} that {manifest} shows too",
                "Name other photos (--limits, --replay, --frozen-test).",
            )


def _usable(photo: LabelledPhoto) -> bool:
    """Whether the photo ought to be judged and its truth is plain (nothing between seen and unseen)."""
    plain = all(not 0 < finding.visible < SEEN_FROM for finding in photo.findings)
    return photo.family is not None and photo.reason is None and plain


@dataclass(frozen=True)
class Answers:
    """For each measured photo: whether the label is wrong, damage was called clear, intact was flagged, the
    photo was sent to a person, or refused."""

    wrong: NDArray[np.bool_]
    missed: NDArray[np.bool_]
    false_alarm: NDArray[np.bool_]
    unsure: NDArray[np.bool_]
    refused: NDArray[np.bool_]


def answers(artefact: Path, photos: Sequence[LabelledPhoto], root: Path) -> Answers:
    """Judge the photos with a model file."""
    from model.predict import Classifier
    from model.scorebook import score_labelled

    rows = [
        _answer(scored.label, scored.judgement)
        for scored in score_labelled(Classifier.load(artefact), photos, root)
    ]
    return Answers(*np.array(rows, dtype=bool).reshape(len(photos), 5).T)


def _answer(label: LabelledPhoto, judged: Judgement) -> tuple[bool, bool, bool, bool, bool]:
    truth = {finding.kind for finding in label.findings if finding.visible >= SEEN_FROM}
    refused = judged.outcome is Outcome.CANNOT_JUDGE
    return (
        refused or judged.label is not summary_label(truth),
        bool(truth) and judged.triage is Triage.CLEAR,
        not truth and judged.triage is Triage.FLAG,
        judged.triage is Triage.UNSURE,
        refused,
    )


def compared(before: Answers, after: Answers, photos: Sequence[LabelledPhoto]) -> dict[str, Any]:
    """Return errors before and after with exact intervals, both ``TESTS``, and the fall of the errors with a
    95 % interval from drawing couplers with replacement."""
    first = np.array([n == 0 or p.coupler != photos[n - 1].coupler for n, p in enumerate(photos)])
    table: dict[str, Any] = {"tests": TESTS}
    for name in ("wrong", "missed", "false_alarm", "unsure", "refused"):
        old, new = getattr(before, name), getattr(after, name)
        table[name] = {
            "before": asdict(clopper_pearson(int(old[first].sum()), int(first.sum()))),
            "after": asdict(clopper_pearson(int(new[first].sum()), int(first.sum()))),
            "all_photos": [int(old.sum()), int(new.sum()), len(photos)],
            "by_coupler": _by_coupler(old, new, photos),
        }
    only_before = int((before.wrong & ~after.wrong)[first].sum())
    only_after = int((after.wrong & ~before.wrong)[first].sum())
    table["mcnemar"] = {"only_before_wrong": only_before, "only_after_wrong": only_after}
    if only_before + only_after:
        table["mcnemar"]["p_two_sided"] = binomtest(only_before, only_before + only_after).pvalue
    table["fall_of_errors"] = _fall(before.wrong, after.wrong, first)
    return table


def _by_coupler(
    old: NDArray[np.bool_], new: NDArray[np.bool_], photos: Sequence[LabelledPhoto]
) -> dict[str, Any]:
    """Return on how many couplers fewer and more photos are errors than before, and the exact p of that."""
    pair = paired((not n, not o, photo.coupler) for n, o, photo in zip(new, old, photos, strict=True))
    return {
        "better_on": pair.better_on,
        "worse_on": pair.worse_on,
        "couplers": pair.couplers,
        "p_two_sided": pair.coupler_p,
    }


def _fall(old: NDArray[np.bool_], new: NDArray[np.bool_], first: NDArray[np.bool_]) -> dict[str, Any]:
    block = np.cumsum(first) - 1
    before, after = np.bincount(block, old), np.bincount(block, new)
    draw = np.random.default_rng(0).integers(0, len(before), (DRAWS, len(before)))
    # A draw without errors before has no share that they fell by.
    drawn = before[draw].sum(1)
    falls = 1 - after[draw].sum(1)[drawn > 0] / drawn[drawn > 0]
    low, high = np.percentile(falls, (2.5, 97.5)) if len(falls) else (np.nan, np.nan)
    one = 1 - new[first].sum() / max(1, old[first].sum())
    return {
        "one_photo_each": one,
        "all_photos": 1 - after.sum() / max(1, before.sum()),
        "low": low,
        "high": high,
    }


def recalls(outcome: RetrainOutcome) -> dict[str, dict[str, Any]]:
    """Return for each damage (and intact) and what was asked of it how many of the frozen test both, one or
    neither version gets right: the gate's own counts, of the file that was promoted or held."""
    pairs: dict[str, Any] = outcome.comparison.sets[SetName.RENDERED]  # type: ignore[attr-defined]
    return {name: {**asdict(pair), "n": pair.n, "fall": pair.drop} for name, pair in pairs.items()}


def trial(
    ws: Workspace, manifest: Path, parts: Split, progress: Beat, *, two_people: bool = False
) -> dict[str, Any]:
    """Confirm, retrain and measure; return the report. What an interrupted trial confirmed stays confirmed,
    and its retrain is gone on with. ``two_people``: every photo is confirmed by a second person too."""
    live = ws.live_artefact() or model_side.shipped_artefact()
    start = time.perf_counter()
    if not list_sites(ws, LEAD):
        reviewers = (TECHNICIAN, SECOND) if two_people else (TECHNICIAN,)
        confirm(ws, send(ws, parts.confirmed, manifest.parent), reviewers)
    sent_s, start = time.perf_counter() - start, time.perf_counter()
    outcome = retrain(ws, LEAD, progress=progress)
    retrain_s = time.perf_counter() - start
    candidate = _file_of(ws, outcome)
    before, after = (answers(file, parts.measured, manifest.parent) for file in (live, candidate))
    return {
        "confirmed": {"photos": len(parts.confirmed), **outcome.training_set.counts},
        "measured": {"photos": len(parts.measured), "couplers": len({p.coupler for p in parts.measured})},
        "promoted": outcome.promoted,
        "lines": list(outcome.lines),
        "seconds": {"sending and confirming": round(sent_s), "retraining": round(retrain_s)},
        "new_site": compared(before, after, parts.measured),
        "frozen_test": recalls(outcome),
    }


def _file_of(ws: Workspace, outcome: RetrainOutcome) -> Path:
    versions = registry.list_versions(ws, LEAD)
    return ws.folder / next(v.path for v in versions if v.version == outcome.candidate)


@click.command()
@click.argument("manifest", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.argument("out", type=click.Path(path_type=Path, file_okay=False))
@click.option("--confirm", "photos", type=int, default=150, show_default=True, help="Photos to confirm.")
@click.option("--couplers", type=int, default=300, show_default=True, help="Other couplers to measure on.")
@click.option("--frozen-test", type=click.Path(path_type=Path, exists=True), help="Default: our own.")
@click.option("--replay", type=click.Path(path_type=Path, exists=True), help="Default: our own.")
@click.option("--limits", type=click.Path(path_type=Path, exists=True), help="Default: our own.")
@click.option("--seed", type=int, default=0, show_default=True, help="Which couplers are drawn.")
@click.option("--two-people", is_flag=True, help="Every photo is confirmed by two people.")
@told_plainly()
def main(
    manifest: Path,
    out: Path,
    photos: int,
    couplers: int,
    frozen_test: Path | None,
    replay: Path | None,
    limits: Path | None,
    seed: int,
    two_people: bool,
) -> None:
    """Confirm photos of MANIFEST in a new workspace under OUT, retrain, and measure on other couplers."""
    test = frozen_test or KEPT
    settings = Settings(
        workspace=out / "workspace", gate_manifest=str(test), replay_manifest=str(replay or ""),
        limits_manifest=str(limits or ""), blind_audit_share=0.0,
    )  # fmt: skip
    parts = split(read_manifest(manifest), photos, couplers, seed)
    used = (test, rendered(settings.replay_manifest), unlearnt(settings.limits_manifest))
    refuse_known(parts, [path for path in used if path is not None])
    with share_bar("retraining") as progress:
        report = trial(init_workspace(settings), manifest, parts, progress, two_people=two_people)
    text = json.dumps(report, indent=1, default=float)
    (out / "new-site.json").write_text(text, encoding="utf-8")
    click.echo(text)


if __name__ == "__main__":
    main()
