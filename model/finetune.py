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
from model.schedule import MOST_STEPS, Plan, plan
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
    most_steps: int = MOST_STEPS,
    batch: int = 16,
    budget: int = BUDGET_BYTES,
    weighting: Weighting | None = None,
) -> Path:
    """Fine-tune the condition networks of the model file ``live`` on the train photos of ``manifest``.

    Args:
        live: model file to start from; it is not changed.
        manifest: confirmed photos; those of split ``train`` (or none) are learnt, but for faces that are not
            located.
        out_dir: the candidate is written here. What an interrupted run with the same live version, photos
            and settings left here is gone on with.
        replay: manifest of rendered photos mixed into every batch, half and half.
        progress: told (work done, work in all) each step; what it raises stops the work for later.
        steps: optimiser steps; by default about eight passes, at least 40 and at most ``most_steps``.
        budget: bytes of features kept at one time (see ``model.features``).
        weighting: how strongly rare labels and small sites are favoured.

    Returns:
        The path of ``candidate.safetensors``. Its calibration is the live one's; ``model.compare`` checks it.

    Raises:
        ManifestError: nothing to learn from, or nothing in ``replay``.
        StorageError: the disk has no room for the candidate or for what is kept on the way.
    """
    model, how = load_model(live), weighting or Weighting()
    own, old = _confirmed(manifest), _replayed(replay) if replay else []
    todo = plan(len(own), len(old), steps, batch, budget, most_steps)
    name = _fingerprint(model, [manifest, *([replay] if replay else [])], todo, seed, how)
    path = out_dir / CANDIDATE
    learners = {n: network for n, network in model.networks.items() if isinstance(network, ConditionNet)}
    kept = _gone_on_with(out_dir, name, list(learners))
    if path.is_file() and all(at is not None and at.done == todo.steps for at in kept.values()):
        return path
    learnt = dict[str, ConditionNet]()
    for turn, (part, network) in enumerate(learners.items()):
        tuner = Tuner(network, todo, tune_config(seed + turn, batch), out_dir / part / CHECKPOINT, name)
        learnt[part] = _taught(tuner, own, old, how, kept[part], _in_turn(progress, turn, len(learners)))
    _write(path, replace(model, **learnt), manifest, len(own))  # type: ignore[arg-type]  # its networks
    return path


def _gone_on_with(out_dir: Path, name: str, parts: list[str]) -> dict[str, Checkpoint | None]:
    """Return the checkpoints of the run ``name``; without any, another run's candidate is removed: it must
    not be taken for this one's, should this one be killed at its end."""
    kept = {part: load_checkpoint(out_dir / part / CHECKPOINT, name) for part in parts}
    if not any(kept.values()):
        (out_dir / CANDIDATE).unlink(missing_ok=True)
    return kept


def _taught(
    tuner: Tuner,
    own: list[Rooted],
    old: list[Rooted],
    how: Weighting,
    kept: Checkpoint | None,
    tell: Progress,
) -> ConditionNet:
    """Return what one network has learnt; only its checkpoint stays on the disk."""
    tuner.learn(own, old, photo_weights([label for label, _ in own], how), kept, tell)
    assert tuner.file is not None
    forget_features(tuner.file.parent / OWN)
    forget_features(tuner.file.parent / OLD)
    return tuner.result()


def _in_turn(progress: Progress | None, turn: int, turns: int) -> Progress:
    """Return what tells the progress of one of several equal parts of the work."""

    def tell(done: int, work: int) -> None:
        if progress:
            progress(turn * work + done, turns * work)

    return tell


def _rooted(manifest: Path) -> list[Rooted]:
    labels = read_manifest(manifest)
    return [(label, manifest.parent) for label in labels if label.split in (None, "train") and label.teaches]


def _confirmed(manifest: Path) -> list[Rooted]:
    photos = _rooted(manifest)
    if not photos:
        raise ManifestError("at least one labelled photo to learn", "none", "Check the manifest's splits.")
    return photos


def _replayed(manifest: Path) -> list[Rooted]:
    photos = _rooted(manifest)
    if not photos:
        wanted = f"rendered photos of split train to replay in {manifest.name}"
        raise ManifestError(wanted, "none", "Name a set to learn from.")
    return photos


def _fingerprint(model: Model, manifests: list[Path], todo: Plan, seed: int, how: Weighting) -> str:
    """Name everything that the result depends on: a checkpoint of another run is not gone on with."""
    parts = [model.card.version, *(sha256(m.read_bytes()).hexdigest() for m in manifests), todo, seed, how]
    return sha256(repr(parts).encode()).hexdigest()


def _write(path: Path, model: Model, manifest: Path, learnt: int) -> None:
    card = replace(
        model.card,
        parent=model.card.version,
        made_at=datetime.now(UTC).isoformat(timespec="seconds"),
        data_hash=sha256(manifest.read_bytes()).hexdigest(),
        trained_on=learnt,
        metrics={},
    )
    save_model(path, replace(model, card=card))
