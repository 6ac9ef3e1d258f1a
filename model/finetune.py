"""Teach the live model the operator's own couplers on a CPU, without forgetting what it knew.

Only the late layers learn; rendered photos are replayed beside the confirmed ones; the early layers and
all running statistics stay as they are. The work goes in stretches: the early layers' output for a bounded
number of views is made once (``model.features``), then many cheap steps use it. How often each confirmed
photo is learnt from follows its weight (``model.weighting``). What the live network says of rendered photos
is kept, and the candidate lies most of the way from the live to the learnt weights. After a crash it goes on
from the last checkpoint and ends with the same weights as if nothing had happened.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path

from model.artefact import Model, load_model, save_model
from model.checkpoint import Checkpoint, load_checkpoint
from model.errors import ManifestError
from model.features import BUDGET_BYTES, Rooted, forget_features
from model.manifest import read_manifest
from model.network import ConditionNet
from model.schedule import Plan, plan
from model.tuner import OLD, OWN, Progress, Tuner, tune_config
from model.weighting import Weighting, photo_weights

CANDIDATE = "candidate.safetensors"
CHECKPOINT = "checkpoint.pt"


def fine_tune(
    live: Path,
    manifest: Path,
    out_dir: Path,
    *,
    replay: Path | None = None,
    progress: Progress | None = None,
    seed: int = 0,
    steps: int | None = None,
    batch: int = 16,
    budget: int = BUDGET_BYTES,
    weighting: Weighting | None = None,
) -> Path:
    """Fine-tune the condition network of the model file ``live`` on the train photos of ``manifest``.

    Args:
        live: model file to start from; it is not changed.
        manifest: confirmed photos; those of split ``train`` (or none) are learnt.
        out_dir: the candidate is written here. What an interrupted run with the same live version, photos
            and settings left here is gone on with; what another one left is not.
        replay: manifest of rendered photos mixed into every batch, half and half.
        progress: told (work done, work in all) each step; what it raises stops the work for later.
        steps: optimiser steps; by default about eight passes, at least 40 and at most 1,000.
        budget: bytes of features kept at one time (see ``model.features``).
        weighting: how strongly rare labels and small sites are favoured.

    Returns:
        The path of ``candidate.safetensors``. Its calibration is the live one's; ``model.compare`` checks it.

    Raises:
        ManifestError: nothing to learn from.
        StorageError: the disk has no room for what is kept on the way.
    """
    model, how = load_model(live), weighting or Weighting()
    own, old = _rooted(manifest), _rooted(replay) if replay else []
    if not own:
        raise ManifestError("at least one labelled photo to learn", "none", "Check the manifest's splits.")
    todo = plan(len(own), len(old), steps, batch, budget)
    name = _fingerprint(model, [manifest, *([replay] if replay else [])], todo, seed, how)
    path = out_dir / CANDIDATE
    kept = _gone_on_with(out_dir, name)
    if kept is not None and kept.done == todo.steps and path.is_file():
        return path
    tuner = Tuner(model.condition, todo, tune_config(seed, batch), out_dir / CHECKPOINT, name)
    weights = photo_weights([label for label, _ in own], how)
    tuner.learn(own, old, weights, kept, progress or (lambda _done, _total: None))
    _write(path, model, tuner.result(), manifest, len(own))
    forget_features(out_dir / OWN)
    forget_features(out_dir / OLD)
    return path


def _gone_on_with(out_dir: Path, name: str) -> Checkpoint | None:
    """Return the checkpoint of the run ``name``; without one, another run's candidate is removed: it must not
    be taken for this one's, should this one be killed at its end."""
    kept = load_checkpoint(out_dir / CHECKPOINT, name)
    if kept is None:
        (out_dir / CANDIDATE).unlink(missing_ok=True)
    return kept


def _rooted(manifest: Path) -> list[Rooted]:
    labels = read_manifest(manifest)
    return [(label, manifest.parent) for label in labels if label.split in (None, "train")]


def _fingerprint(model: Model, manifests: list[Path], todo: Plan, seed: int, how: Weighting) -> str:
    """Name everything that the result depends on: a checkpoint of another run is not gone on with."""
    parts = [model.card.version, *(sha256(m.read_bytes()).hexdigest() for m in manifests), todo, seed, how]
    return sha256(repr(parts).encode()).hexdigest()


def _write(path: Path, model: Model, network: ConditionNet, manifest: Path, learnt: int) -> None:
    card = replace(
        model.card,
        parent=model.card.version,
        made_at=datetime.now(UTC).isoformat(timespec="seconds"),
        data_hash=sha256(manifest.read_bytes()).hexdigest(),
        trained_on=learnt,
        metrics={},
    )
    part = path.with_suffix(".part")
    save_model(part, model.locator, network, card)
    part.replace(path)
