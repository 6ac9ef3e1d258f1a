"""Freeze -> fine-tune -> compare on couplers that were never learnt -> promote or hold, with the reason."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from data_tools import jobs, model_side, registry
from data_tools.access import Actor, Permission
from data_tools.model_side import Comparison
from data_tools.settings import Settings
from data_tools.training_set import TRAIN, FrozenSet, freeze, rendered, unlearnt
from data_tools.workspace import Workspace
from model.errors import BadRequestError
from model.manifest import read_manifest
from model.weighting import Weighting, photo_weights, weights_in_words

Progress = Callable[[float, str], None]
"""Called with the share done (0..1) and what is being done; may raise to stop."""
RUNS_KEPT_S = 86_400.0


@dataclass(frozen=True)
class RetrainOutcome:
    """What came of a retrain. ``candidate`` is the version entered in the registry; ``labels`` says whether
    the confirmed labels fit together, ``limits`` which were lowered and how many photos each damage's needs
    and has, ``weights`` how often the photos of each label and site were learnt from, ``aside`` what the gate
    said of the version that was tried and left: all of what was learnt, or half of it."""

    promoted: bool
    reason: str
    candidate: str
    comparison: Comparison
    training_set: FrozenSet
    labels: str
    limits: tuple[str, ...]
    weights: str = ""
    aside: str = ""

    @property
    def lines(self) -> Iterator[str]:
        """All of it for reading, the decision first."""
        yield f"{self.candidate}: {self.reason}"
        if self.aside:
            yield self.aside
        yield from (self.labels, *self.comparison.notes, *(f"Limits: {line}." for line in self.limits))
        if self.weights:
            yield self.weights


def retrain(
    ws: Workspace, actor: Actor, *, progress: Progress | None = None, seed: int = 0
) -> RetrainOutcome:
    """Teach the live model what people confirmed, and let it go live only if nothing gets worse.

    Interrupted at any point it can be called again: with the same decisions, settings and live version it
    goes on from the last checkpoint, otherwise it starts anew. Nothing goes live before the last step, which
    is one transaction.

    Raises:
        BadRequestError: too few confirmed photos, or weights that make no sense.
        ArtefactError: the live model's file cannot be used.
        ManifestError: the replay, limits or gate manifest cannot be used.
        StorageError: the disk has no room for what is kept on the way or for the candidate.
    """
    actor.require(Permission.MANAGE_MODELS)
    how = weighting(ws.settings)
    tell = progress or (lambda _share, _stage: None)
    tell(0.0, "freezing the training set")
    frozen = freeze(ws, actor)
    _refuse_too_few(frozen, ws.settings.min_confirmed_photos)
    live = ws.live_artefact() or model_side.shipped_artefact()
    checking = _stage(tell, 0.0, 0.05, "checking the labels")
    labels = model_side.check_labels(live, frozen.manifest, progress=checking)
    candidate = model_side.fine_tune(
        live,
        frozen.manifest,
        _run_folder(ws, frozen),
        replay=rendered(ws.settings.replay_manifest),
        progress=_stage(tell, 0.05, 0.78, "learning"),
        seed=seed,
        weighting=how,
        most_steps=ws.settings.learn_most_steps,
    )
    candidate, lowered = _lowered(ws, live, candidate, tell)
    candidate, comparison, aside = _gated(ws, live, candidate, frozen, tell, whole_only=labels.too_many)
    reason, limits = comparison.reason, tuple[str, ...]()
    if labels.too_many:
        reason = f"Held: {labels.words}"
    elif comparison.promote:
        candidate, limits = _with_limits(ws, candidate, frozen, tell)
    told = RetrainOutcome(
        reason.startswith("Promoted"), reason, "", comparison, frozen, labels.words, (*lowered, *limits),
        _weights_in_words(frozen, how), aside,
    )  # fmt: skip
    return _settle(ws, actor, candidate, told)


def _lowered(ws: Workspace, live: Path, candidate: Path, tell: Progress) -> tuple[Path, tuple[str, ...]]:
    """Lower the candidate's limits with its answers, so that it clears no more boldly than the live one."""
    photos = unlearnt(ws.settings.limits_manifest)
    if photos is None:
        return candidate, ()
    limits = model_side.lower_limits(
        live, candidate, photos, candidate.with_name("lowered.safetensors"),
        progress=_stage(tell, 0.78, 0.80, "lowering the limits"),
    )  # fmt: skip
    return limits.artefact or candidate, tuple(row.words for row in limits.rows)


def _gated(
    ws: Workspace, live: Path, candidate: Path, frozen: FrozenSet, tell: Progress, *, whole_only: bool
) -> tuple[Path, Comparison, str]:
    """Compare all of what was learnt with the live version and, where something is worse, half of it.

    Returns the version to go on with, its comparison and what is to be told of the other. A second try is a
    second chance to pass by luck, but of a version that has changed half as much.
    """

    def gate(file: Path, start: float, end: float, stage: str) -> Comparison:
        return model_side.compare(
            file,
            live,
            [frozen.held_out, frozen.never_regress],
            frozen_test=rendered(ws.settings.gate_manifest),
            progress=_stage(tell, start, end, stage),
        )

    whole = gate(candidate, 0.80, 0.85, "comparing with the live version")
    if whole.promote or whole_only or not whole.worse:
        return candidate, whole, ""
    nearer = model_side.half_way(live, candidate, candidate.with_name("half-way.safetensors"))
    half = gate(nearer, 0.85, 0.90, "comparing half of what was learnt")
    if half.promote:
        return nearer, half, f"Half of what was learnt is taken. Of all of it: {whole.reason}"
    return candidate, whole, f"Half of what was learnt was tried too. {half.reason}"


def weighting(settings: Settings) -> Weighting:
    """Return how photos are weighted by these settings; raises ``BadRequestError``."""
    return Weighting(settings.learn_label_power, settings.learn_site_power, settings.learn_weight_cap)


def _weights_in_words(frozen: FrozenSet, how: Weighting) -> str:
    learnt = [photo for photo in read_manifest(frozen.manifest) if photo.split == TRAIN]
    return weights_in_words(learnt, photo_weights(learnt, how))


def _with_limits(
    ws: Workspace, candidate: Path, frozen: FrozenSet, tell: Progress
) -> tuple[Path, tuple[str, ...]]:
    """Set the limits again; kept only if no damage is found less often for it outside the photos used."""
    stage = _stage(tell, 0.90, 0.95, "setting the limits")
    limits = model_side.follow_limits(
        candidate, frozen.held_out, candidate.with_name("with-limits.safetensors"), progress=stage
    )
    words = tuple(row.words for row in limits.rows)
    if limits.artefact is None:
        return candidate, words
    check = model_side.compare(
        limits.artefact,
        candidate,
        [frozen.never_regress],
        frozen_test=rendered(ws.settings.gate_manifest),
        progress=_stage(tell, 0.95, 1.0, "checking the limits"),
    )
    if check.worse:
        return candidate, (*words, "the earlier ones stay, since with the new ones more would be missed")
    return limits.artefact, words


def _settle(ws: Workspace, actor: Actor, candidate: Path, told: RetrainOutcome) -> RetrainOutcome:
    """Enter the candidate with all that was found, and promote or hold it: one transaction."""
    counts = told.training_set.counts
    metrics: dict[str, object] = {"compared_on": told.comparison.n}
    metrics |= {f"trained_on {name}": count for name, count in counts.items()}
    metrics |= {"labels": told.labels, "limits": list(told.limits), "notes": list(told.comparison.notes)}
    metrics |= {"weights": told.weights, "aside": told.aside}
    version = registry.settle(
        ws,
        actor,
        candidate,
        f"Fine-tuned on {counts[TRAIN]} confirmed photos.",
        promote=told.promoted,
        why=told.reason,
        metrics=metrics,
        training_set=told.training_set.digest,
    )
    _forget_other_runs(ws, told.training_set)
    return replace(told, candidate=version.version)


def _forget_other_runs(ws: Workspace, frozen: FrozenSet) -> None:
    """Remove what earlier retrains left on their way; what they came to is in the registry.

    One that was at work within the last day stays: it may be running, or waiting to be gone on with.
    """
    keep, limit = _run_folder(ws, frozen), time.time() - RUNS_KEPT_S
    for folder in ws.runs.glob("*"):
        if folder != keep and folder.stat().st_mtime < limit:
            shutil.rmtree(folder, ignore_errors=True)


def _stage(tell: Progress, start: float, end: float, name: str) -> model_side.StepProgress:
    """Return a teller of steps that fills the share from ``start`` to ``end``."""
    tell(start, name)
    return lambda done, total: tell(start + (end - start) * done / max(1, total), name)


def run_job(ws: Workspace, actor: Actor, job_id: int) -> RetrainOutcome:
    """Retrain as the job ``job_id``: progress, stop requests and the result go through its row."""
    actor.require(Permission.MANAGE_MODELS)
    with jobs.running(ws, job_id) as job:
        outcome = retrain(ws, actor, progress=job.beat)
        job.message = outcome.reason
    return outcome


def _refuse_too_few(frozen: FrozenSet, least: int) -> None:
    count = frozen.counts[TRAIN]
    if count < least:
        raise BadRequestError(
            f"at least {least} confirmed photos to learn from",
            f"{count} (others are held out or undecided: {frozen.counts})",
            "Review more photos first.",
        )


def _run_folder(ws: Workspace, frozen: FrozenSet) -> Path:
    """One folder a frozen set; ``model.finetune`` tells runs from different live versions apart in it."""
    return ws.runs / frozen.digest[:16]
