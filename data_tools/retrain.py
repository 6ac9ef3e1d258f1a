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
from data_tools.training_set import LOST, TRAIN, FrozenSet, freeze, rendered, unlearnt
from data_tools.workspace import Workspace
from model.errors import BadRequestError
from model.gate import SetName, Verdict
from model.manifest import read_manifest
from model.weighting import Weighting, photo_weights, weights_in_words

Progress = Callable[[float, str], None]
"""Called with the share done (0..1) and what is being done; may raise to stop."""
RUNS_KEPT_S = 86_400.0


@dataclass(frozen=True)
class RetrainOutcome:
    """What came of a retrain. ``candidate`` is the version entered in the registry; ``labels`` says whether
    the confirmed labels fit together, ``limits`` which were lowered and how many couplers each damage's needs
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
        lost = self.training_set.counts.get(LOST, 0)
        if lost:
            yield f"Left out: {lost} confirmed photos whose originals are lost. Run `rounds verify`."


def retrain(
    ws: Workspace, actor: Actor, *, progress: Progress | None = None, seed: int = 0
) -> RetrainOutcome:
    """Teach the live model what people confirmed, and let it go live only if nothing gets worse.

    Interrupted at any point it can be called again: with the same decisions, settings and live version it
    goes on from the last checkpoint, otherwise it starts anew. Nothing goes live before the last step, which
    is one transaction. One at a time: it is a job like one started from the screen.

    Raises:
        ConflictError: another retrain is at work.
        BadRequestError: too few confirmed photos, or weights that make no sense.
        ArtefactError: the live model's file cannot be used.
        ManifestError: the replay, limits or gate manifest cannot be used.
        StorageError: the disk has no room for what is kept on the way or for the candidate.
        StopAskedError, ReplacedError: somebody stopped it, or started another while it was not heard of.
    """
    actor.require(Permission.MANAGE_MODELS)
    job = jobs.open_job(ws, actor, jobs.RETRAIN)
    return run_job(ws, actor, job.id, progress=progress, seed=seed)


def run_job(
    ws: Workspace, actor: Actor, job_id: int, *, progress: Progress | None = None, seed: int = 0
) -> RetrainOutcome:
    """Retrain as the job ``job_id``: progress, stop requests and the result go through its row."""
    actor.require(Permission.MANAGE_MODELS)
    with jobs.running(ws, job_id) as job:

        def tell(share: float, stage: str) -> None:
            job.beat(share, stage)
            if progress is not None:
                progress(share, stage)

        outcome = _retrained(ws, actor, job_id, tell, seed)
        job.message = outcome.reason
    return outcome


def _retrained(ws: Workspace, actor: Actor, job_id: int, tell: Progress, seed: int) -> RetrainOutcome:
    how = weighting(ws.settings)
    tell(0.0, "freezing the training set")
    frozen = freeze(ws, actor)
    _refuse_too_few(frozen, ws.settings.min_confirmed_photos)
    live = registry.live_version(ws)
    file = ws.folder / live.path if live.path else model_side.shipped_artefact()
    checking = _stage(tell, 0.0, 0.05, "checking the labels")
    labels = model_side.check_labels(file, frozen.manifest, progress=checking)
    candidate = model_side.fine_tune(
        file,
        frozen.manifest,
        _run_folder(ws, frozen),
        replay=rendered(ws.settings.replay_manifest),
        progress=_stage(tell, 0.05, 0.78, "learning"),
        seed=seed,
        weighting=how,
        most_steps=ws.settings.learn_most_steps,
    )
    candidate, lowered = _lowered(ws, file, candidate, tell)
    tried, aside = _tried(_Gate(ws, file, frozen, tell), candidate, doubtful=labels.too_many)
    told = RetrainOutcome(
        tried.comparison.verdict is Verdict.PROMOTE and not labels.too_many,
        f"Held: {labels.words}" if labels.too_many else tried.comparison.reason,
        "", tried.comparison, frozen, labels.words, (*lowered, *tried.limits),
        _weights_in_words(frozen, how), aside,
    )  # fmt: skip
    return _settle(ws, actor, job_id, live.version, tried.file, told)


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


@dataclass(frozen=True)
class _Tried:
    """A version as it would go live, what the gate says of it, and what is to be told of its limits."""

    file: Path
    comparison: Comparison
    limits: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Gate:
    """Compares whole files with the live one, on all sets: what is compared is what would go live."""

    ws: Workspace
    live: Path
    frozen: FrozenSet
    tell: Progress

    def compared(self, file: Path, start: float, end: float, stage: str) -> Comparison:
        """Compare one model file with the live one."""
        sets = {SetName.HELD_OUT: self.frozen.held_out, SetName.NEVER_REGRESS: self.frozen.never_regress}
        test = rendered(self.ws.settings.gate_manifest)
        sets |= {SetName.RENDERED: test} if test is not None else {}
        return model_side.compare(file, self.live, sets, progress=_stage(self.tell, start, end, stage))

    def with_own_limits(self, file: Path, start: float, end: float, what: str = "") -> _Tried:
        """Try it with the limits set again on the operator's held-out couplers, where there are enough, and
        with its earlier ones where it does not pass so. The held-out photos then say nothing for the new
        limits, which were set on them, but may still speak against."""
        middle = start + (end - start) / 2
        limits = model_side.follow_limits(
            file, self.frozen.held_out, file.with_name(f"{file.stem}-limits.safetensors"),
            progress=_stage(self.tell, start, start, f"setting the limits{what}"),
        )  # fmt: skip
        words = tuple(row.words for row in limits.rows)
        stage = f"comparing with the live version{what}"
        if limits.artefact is None:
            return _Tried(file, self.compared(file, start, end, stage), words)
        new = self.compared(limits.artefact, start, middle, stage)
        if new.verdict is Verdict.PROMOTE:
            return _Tried(limits.artefact, new, words)
        stay = f"the earlier ones stay; with the new ones: {new.reason.rstrip('.')}"
        earlier = self.compared(file, middle, end, f"comparing with the earlier limits{what}")
        return _Tried(file, earlier, (*words, stay))


def _tried(gate: _Gate, candidate: Path, *, doubtful: bool) -> tuple[_Tried, str]:
    """Compare all of what was learnt with the live version and, where something is worse, half of it.

    Returns what to go on with and what is to be told of the other. A second try is a second chance to pass
    by luck, but of a version that has changed half as much. Where the labels are ``doubtful`` nothing goes
    live, and no limit is set on them.
    """
    if doubtful:
        return _Tried(candidate, gate.compared(candidate, 0.80, 1.0, "comparing with the live version")), ""
    whole = gate.with_own_limits(candidate, 0.80, 0.90)
    if whole.comparison.verdict is not Verdict.WORSE:
        return whole, ""
    nearer = model_side.half_way(gate.live, candidate, candidate.with_name("half-way.safetensors"))
    half = gate.with_own_limits(nearer, 0.90, 1.0, ", half of what was learnt")
    if half.comparison.verdict is Verdict.PROMOTE:
        return half, f"Half of what was learnt is taken. Of all of it: {whole.comparison.reason}"
    return whole, f"Half of what was learnt was tried too. {half.comparison.reason}"


def weighting(settings: Settings) -> Weighting:
    """Return how photos are weighted by these settings; raises ``BadRequestError``."""
    return Weighting(settings.learn_label_power, settings.learn_site_power, settings.learn_weight_cap)


def _weights_in_words(frozen: FrozenSet, how: Weighting) -> str:
    learnt = [photo for photo in read_manifest(frozen.manifest) if photo.split == TRAIN and photo.teaches]
    return weights_in_words(learnt, photo_weights(learnt, how))


def _settle(
    ws: Workspace, actor: Actor, job_id: int, live: str, candidate: Path, told: RetrainOutcome
) -> RetrainOutcome:
    """Enter the candidate with all that was found, and promote or hold it: one transaction. It is held where
    another version than ``live`` is live by then, and then the outcome says so."""
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
        compared_with=live,
        job_id=job_id,
        metrics=metrics,
        training_set=told.training_set.digest,
    )
    _forget_other_runs(ws, told.training_set)
    told = replace(told, candidate=version.version)
    overtaken = told.promoted and not version.live
    return replace(told, promoted=False, reason=version.note) if overtaken else told


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


def _refuse_too_few(frozen: FrozenSet, least: int) -> None:
    count = frozen.counts[TRAIN]
    if count < least:
        others = [f"{n} {name.replace('_', ' ')}" for name, n in frozen.counts.items() if name != TRAIN and n]
        raise BadRequestError(
            f"at least {least} confirmed photos to learn from",
            f"{count}" + (f" (besides {', '.join(others)})" if others else ""),
            "Review more photos first.",
        )


def _run_folder(ws: Workspace, frozen: FrozenSet) -> Path:
    """One folder a frozen set; ``model.finetune`` tells runs from different live versions apart in it."""
    return ws.runs / frozen.digest[:16]
