"""Teach the live model the operator's own couplers on a CPU, without forgetting what it knew.

Only the late layers learn; rendered photos are replayed beside the confirmed ones; the early layers and
all running statistics stay as they are.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path

import torch
from torch import Tensor, nn

from model.artefact import load_model, save_model
from model.augment import Photometric
from model.config import TrainConfig
from model.dataset import PhotoBank, family_boxes
from model.losses import condition_loss
from model.manifest import LabelledPhoto, read_manifest
from model.network import ConditionNet
from model.preprocess import TrainPreset, normalise
from model.train import optimise
from model.views import Draw, condition_views

Progress = Callable[[int, int], None]
CANDIDATE = "candidate.safetensors"


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
) -> Path:
    """Fine-tune the condition network of the model file ``live`` on the train photos of ``manifest``.

    Args:
        live: model file to start from; it is not changed.
        manifest: confirmed photos; those of split ``train`` (or without a split) are learnt.
        out_dir: the candidate is written here as ``candidate.safetensors``.
        replay: manifest of rendered photos mixed into every batch, half and half.
        progress: told (steps done, steps in all).
        steps: optimiser steps; by default about four passes, at least 40 and at most 1,000.

    Returns:
        The candidate's path. Its calibration is the live one's; ``model.compare`` checks that it holds.
    """
    torch.manual_seed(seed)
    model = load_model(live)
    own = [label for label in read_manifest(manifest) if label.split in (None, "train")]
    old = [label for label in read_manifest(replay) if label.split in (None, "train")] if replay else []
    rooted = [(label, manifest.parent) for label in own] + [(label, replay.parent) for label in old if replay]
    config = TrainConfig(seed=seed, learning_rate=3e-4, bank_side=640, condition_batch=batch, ema=0.98)
    bank = _bank(rooted, config)
    count = steps or max(40, min(1000, 4 * len(own) * 2 // batch))
    network = _learn(model.condition, bank, len(own), count, config, progress)
    card = replace(
        model.card,
        parent=model.card.version,
        made_at=datetime.now(UTC).isoformat(timespec="seconds"),
        data_hash=sha256(manifest.read_bytes()).hexdigest(),
        trained_on=len(own),
        metrics={},
    )
    path = out_dir / CANDIDATE
    save_model(path, model.locator, network, card)
    return path


def _bank(rooted: list[tuple[LabelledPhoto, Path]], config: TrainConfig) -> PhotoBank:
    labels = [replace(label, file=str(root.resolve() / label.file)) for label, root in rooted]
    # An absolute file replaces the root when the two are joined.
    return PhotoBank.load(labels, Path(), config, torch.device("cpu"), threads=2)


def _learn(
    network: ConditionNet,
    bank: PhotoBank,
    own: int,
    steps: int,
    config: TrainConfig,
    progress: Progress | None,
) -> ConditionNet:
    for early in (network.backbone.low, network.backbone.middle):
        early.requires_grad_(False)
    draw = Draw(torch.Generator().manual_seed(config.seed + 3), bank.device)
    # Sampled once a pixel: the views of a fine-tune are made on a CPU.
    preset = TrainPreset(oversample=1, photometric=0.7)
    photometric = Photometric(draw.generator, preset.photometric)
    parts, latches, valid = family_boxes(bank.device)

    def loss(rows: Tensor) -> Tensor:
        _freeze_statistics(network)
        mixed = _replayed(rows, own, len(bank), draw)
        with torch.no_grad():
            views, targets = condition_views(bank, mixed, draw, preset)
            views = normalise(photometric(views))
            family = targets.family.clamp(min=0)
        out = network(views, parts[family], latches[family], valid[family])
        return condition_loss(out, targets, valid[family])

    done = 0

    def log(line: str) -> None:
        nonlocal done
        done = int(line.split()[1].split("/")[0])
        if progress:
            progress(done, steps)

    kept = optimise(
        network,
        loss,
        own,
        steps=steps,
        batch=config.condition_batch,
        config=config,
        device=bank.device,
        log=log,
    )
    assert isinstance(kept, ConditionNet)
    return kept


def _replayed(rows: Tensor, own: int, total: int, draw: Draw) -> Tensor:
    """Replace the second half of a batch of confirmed photos by rendered ones, where there are any."""
    if total == own:
        return rows
    half = len(rows) // 2
    old = torch.randint(own, total, (len(rows) - half,), generator=draw.generator)
    return torch.cat([rows[:half], old])


def _freeze_statistics(network: nn.Module) -> None:
    """Keep batch normalisation at its running statistics: a batch of 16 from one site is no sample of all."""
    for module in network.modules():
        if isinstance(module, nn.BatchNorm2d):
            module.eval()
