"""Freeze -> fine-tune -> compare on couplers that were never learnt -> promote or hold, with the reason."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from data_tools import jobs, model_side, registry
from data_tools.access import Actor, Permission
from data_tools.model_side import Comparison, LabelCheck
from data_tools.training_set import TRAIN, FrozenSet, freeze
from data_tools.workspace import Workspace
from model.errors import BadRequestError, RoundsError

Progress = Callable[[float, str], None]
"""Called with the share done (0..1) and what is being done; may raise to stop."""

SAMPLES = Path(__file__).parents[1] / "synthetic_samples" / "manifest.jsonl"


@dataclass(frozen=True)
class RetrainOutcome:
    """What came of a retrain. ``candidate`` is the version entered in the registry; ``labels`` says whether
    the confirmed labels fit together, ``limits`` for each damage how many photos its limit needs and has."""

    promoted: bool
    reason: str
    candidate: str
    comparison: Comparison
    training_set: FrozenSet
    labels: str
    limits: tuple[str, ...]

    @property
    def lines(self) -> Iterator[str]:
        """All of it for reading, the decision first."""
        yield f"{self.candidate}: {self.reason}"
        yield from (self.labels, *self.comparison.notes, *(f"Limits: {line}." for line in self.limits))


def retrain(
    ws: Workspace, actor: Actor, *, progress: Progress | None = None, seed: int = 0
) -> RetrainOutcome:
    """Teach the live model what people confirmed, and let it go live only if nothing gets worse.

    Interrupted at any point it can be called again: with the same decisions and live version it goes on from
    the last checkpoint, otherwise it starts anew. Nothing goes live before the last step, which is one
    transaction.

    Raises:
        BadRequestError: too few confirmed photos.
        ArtefactError: the live model's file cannot be used.
        ManifestError: the replay or gate manifest cannot be used.
    """
    actor.require(Permission.MANAGE_MODELS)
    tell = progress or _silent
    tell(0.0, "freezing the training set")
    frozen = freeze(ws, actor)
    _refuse_too_few(frozen, ws.settings.min_confirmed_photos)
    live = ws.live_artefact() or model_side.shipped_artefact()
    labels = model_side.check_labels(
        live, frozen.manifest, progress=_stage(tell, 0.0, 0.05, "checking the labels")
    )
    candidate = model_side.fine_tune(
        live,
        frozen.manifest,
        _run_folder(ws, frozen),
        replay=_rendered(ws.settings.replay_manifest),
        progress=_stage(tell, 0.05, 0.80, "learning"),
        seed=seed,
    )
    comparison = model_side.compare(
        candidate,
        live,
        [frozen.held_out, frozen.never_regress],
        frozen_test=_rendered(ws.settings.gate_manifest),
        progress=_stage(tell, 0.80, 0.90, "comparing with the live version"),
    )
    if labels.too_many:
        return _settle(ws, actor, candidate, comparison, frozen, labels, f"Held: {labels.words}", ())
    if not comparison.promote:
        return _settle(ws, actor, candidate, comparison, frozen, labels, comparison.reason, ())
    candidate, limits = _with_limits(ws, candidate, frozen, tell)
    return _settle(ws, actor, candidate, comparison, frozen, labels, comparison.reason, limits)


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
        frozen_test=_rendered(ws.settings.gate_manifest),
        progress=_stage(tell, 0.95, 1.0, "checking the limits"),
    )
    if check.worse:
        return candidate, (*words, "the earlier ones stay, since with the new ones more would be missed")
    return limits.artefact, words


def _settle(
    ws: Workspace,
    actor: Actor,
    candidate: Path,
    comparison: Comparison,
    frozen: FrozenSet,
    labels: LabelCheck,
    reason: str,
    limits: tuple[str, ...],
) -> RetrainOutcome:
    metrics: dict[str, object] = {
        "compared_on": comparison.n,
        **{f"trained_on {k}": v for k, v in frozen.counts.items()},
    }
    metrics |= {"labels": labels.words, "limits": list(limits), "notes": list(comparison.notes)}
    note = f"Fine-tuned on {frozen.counts[TRAIN]} confirmed photos."
    version = registry.register(
        ws, actor, candidate, note, metrics=metrics, training_set=frozen.digest
    ).version
    promoted = reason.startswith("Promoted")
    if promoted:
        registry.promote(ws, actor, version, reason)
    else:
        registry.hold(ws, actor, version, reason)
    return RetrainOutcome(promoted, reason, version, comparison, frozen, labels.words, limits)


def _stage(tell: Progress, start: float, end: float, name: str) -> model_side.StepProgress:
    """Return a teller of steps that fills the share from ``start`` to ``end``."""
    tell(start, name)
    return lambda done, total: tell(start + (end - start) * done / max(1, total), name)


def run_job(ws: Workspace, actor: Actor, job_id: int) -> RetrainOutcome:
    """Retrain as the job ``job_id``: progress, stop requests and the result go through its row."""
    actor.require(Permission.MANAGE_MODELS)
    try:
        outcome = retrain(ws, actor, progress=jobs.beating(ws, job_id))
    except RoundsError as error:
        jobs.close_job(ws, job_id, str(error))
        raise
    except BaseException as error:
        jobs.close_job(ws, job_id, f"It failed unexpectedly ({type(error).__name__}). Nothing has changed.")
        raise
    jobs.close_job(ws, job_id, outcome.reason)
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
    return ws.folder / "runs" / frozen.digest[:16]


def _rendered(path: str) -> Path | None:
    """Return the manifest of rendered photos a setting names; by default the samples beside the packages."""
    if path:
        return Path(path)
    return SAMPLES if SAMPLES.is_file() else None


def _silent(_share: float, _stage: str) -> None:
    return None
