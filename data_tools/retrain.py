"""Freeze -> fine-tune -> compare on couplers that were never learnt -> promote or hold, with the reason."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from data_tools import jobs, model_side, registry
from data_tools.access import Actor, Permission
from data_tools.model_side import Comparison
from data_tools.training_set import TRAIN, FrozenSet, freeze
from data_tools.workspace import Workspace
from model.errors import BadRequestError, RoundsError

Progress = Callable[[float, str], None]
"""Called with the share done (0..1) and what is being done; may raise to stop."""

SAMPLES = Path(__file__).parents[1] / "synthetic_samples" / "manifest.jsonl"
_TUNING_SHARE = 0.85


@dataclass(frozen=True)
class RetrainOutcome:
    """What came of a retrain. ``candidate`` is the version entered in the registry."""

    promoted: bool
    reason: str
    candidate: str
    comparison: Comparison
    training_set: FrozenSet


def retrain(
    ws: Workspace, actor: Actor, *, progress: Progress | None = None, seed: int = 0
) -> RetrainOutcome:
    """Teach the live model what people confirmed, and let it go live only if nothing gets worse.

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
    candidate = model_side.fine_tune(
        live,
        frozen.manifest,
        _run_folder(ws, frozen),
        replay=_rendered(ws.settings.replay_manifest),
        progress=lambda done, total: tell(_TUNING_SHARE * done / max(1, total), "learning"),
        seed=seed,
    )
    tell(_TUNING_SHARE, "comparing with the live version")
    comparison = model_side.compare(
        candidate,
        live,
        [frozen.held_out, frozen.never_regress],
        frozen_test=_rendered(ws.settings.gate_manifest),
    )
    return _settle(ws, actor, candidate, comparison, frozen)


def _settle(
    ws: Workspace, actor: Actor, candidate: Path, comparison: Comparison, frozen: FrozenSet
) -> RetrainOutcome:
    metrics = {"compared_on": comparison.n, **{f"trained_on {k}": v for k, v in frozen.counts.items()}}
    note = f"Fine-tuned on {frozen.counts[TRAIN]} confirmed photos."
    version = registry.register(
        ws, actor, candidate, note, metrics=metrics, training_set=frozen.digest
    ).version
    if comparison.promote:
        registry.promote(ws, actor, version, comparison.reason)
    else:
        registry.hold(ws, actor, version, comparison.reason)
    return RetrainOutcome(comparison.promote, comparison.reason, version, comparison, frozen)


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
    return ws.folder / "runs" / frozen.digest[:16]


def _rendered(path: str) -> Path | None:
    """Return the manifest of rendered photos a setting names; by default the samples beside the packages."""
    if path:
        return Path(path)
    return SAMPLES if SAMPLES.is_file() else None


def _silent(_share: float, _stage: str) -> None:
    return None
