"""Train the networks from a labelled set: ``train(config, manifest, out)`` reads as a recipe.

Runs on a GPU where there is one; the same command runs, small, on a CPU.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import torch
from torch import Tensor, nn

from model.artefact import load_model
from model.augment import Photometric
from model.config import TrainConfig
from model.dataset import FAMILY_KEYS, USABLE, PhotoBank, family_boxes, split_of
from model.errors import ManifestError, told_plainly
from model.losses import condition_loss, locator_loss, softened
from model.manifest import LabelledPhoto, read_manifest
from model.network import Backbone, ConditionNet, LocatorNet, state_on_cpu
from model.optimise import Keep, Log, optimise
from model.preprocess import TrainPreset, normalise
from model.views import Draw, condition_views, locator_truth, locator_views

Start = Callable[[nn.Module], None]
"""Fills a fresh network before its first step."""
PARTS = ("locator", "condition", "second")
"""The networks of a model, by the names of their files."""


def pick_device(name: str | None = None) -> torch.device:
    """Return the named device, or the GPU where there is one, else the CPU."""
    return torch.device(name or ("cuda" if torch.cuda.is_available() else "cpu"))


def autocast(device: torch.device) -> AbstractContextManager[object]:
    """Return bfloat16 autocast on a GPU, nothing on a CPU."""
    return torch.autocast("cuda", dtype=torch.bfloat16) if device.type == "cuda" else nullcontext()


def train_locator(
    bank: PhotoBank,
    config: TrainConfig,
    log: Log,
    start_from: Start | None = None,
    keep: Keep | None = None,
) -> LocatorNet:
    """Train ``LocatorNet`` on every photo of ``bank``."""
    torch.manual_seed(config.seed)
    network = LocatorNet(len(FAMILY_KEYS))
    if start_from:
        start_from(network)
    network = network.to(bank.device, memory_format=torch.channels_last)  # type: ignore[call-overload]
    draw = Draw(torch.Generator(bank.device).manual_seed(config.seed + 1), bank.device)
    preset = TrainPreset()
    photometric = Photometric(draw.generator, preset.photometric)

    def loss(rows: Tensor) -> Tensor:
        with torch.no_grad():
            views, matrices = locator_views(bank, rows, draw, preset)
            targets = bank.targets.take(rows)
            mask, where = locator_truth(targets, matrices, preset.locator_pixels)
            views = normalise(photometric(views))
        with autocast(bank.device):
            out = network(views)
        return locator_loss(out, targets, mask, where)

    kept = optimise(
        network, loss, lambda: len(bank), steps=config.locator_steps, batch=config.locator_batch,
        config=config, device=bank.device, log=lambda line: log("locator " + line), keep=keep,
    )  # fmt: skip
    assert isinstance(kept, LocatorNet)
    return kept


def train_condition(
    bank: PhotoBank,
    config: TrainConfig,
    log: Log,
    start_from: Start | None = None,
    network: ConditionNet | None = None,
    teacher: nn.Module | None = None,
    keep: Keep | None = None,
) -> ConditionNet:
    """Train ``ConditionNet`` (a given ``network`` goes on learning) on every photo of ``bank``.

    What it is taught is the truth, mixed by ``config.heed`` with what ``teacher``, where there is one, says
    of the very same view (Hinton et al. 2015, arXiv 1503.02531)."""
    torch.manual_seed(config.seed)
    if network is None:
        network = ConditionNet(len(USABLE), config.design, siblings=config.siblings)
        if start_from:
            start_from(network)
    network = network.to(bank.device, memory_format=torch.channels_last)  # type: ignore[call-overload]
    if teacher is not None:
        teacher = teacher.to(bank.device, memory_format=torch.channels_last).eval()  # type: ignore[call-overload]
    learner = network
    draw = Draw(torch.Generator(bank.device).manual_seed(config.seed + 2), bank.device)
    preset = TrainPreset()
    photometric = Photometric(draw.generator, preset.photometric)
    parts, latches, valid = family_boxes(bank.device)

    def loss(rows: Tensor) -> Tensor:
        with torch.no_grad():
            views, closes, targets = condition_views(bank, rows, draw, preset)
            views, closes = (normalise(x) for x in photometric.together(views, closes))
            family = targets.family.clamp(min=0)
            boxes = parts[family], latches[family], valid[family]
            if teacher is not None:
                with autocast(bank.device):
                    known = teacher(views, closes, *boxes)
                targets = softened(targets, known, config.heed)
        with autocast(bank.device):
            out = learner(views, closes, *boxes)
        return condition_loss(out, targets, valid[family])

    kept = optimise(
        network, loss, lambda: len(bank), steps=config.condition_steps, batch=config.condition_batch,
        config=config, device=bank.device, log=lambda line: log("condition " + line), keep=keep,
    )  # fmt: skip
    assert isinstance(kept, ConditionNet)
    return kept


def pick_split(labels: list[LabelledPhoto], name: str) -> list[LabelledPhoto]:
    """Return the photos of one split."""
    return [label for label in labels if split_of(label) == name]


def train(
    config: TrainConfig,
    manifest: Path,
    out: Path,
    *,
    start_from: Start | None = None,
    device: torch.device | None = None,
    parts: tuple[str, ...] = PARTS,
    log: Log = print,
) -> Path:
    """Train the named networks on the train split of ``manifest`` and save their weights into ``out``.

    Returns ``out``, holding a state dict for each of ``parts`` (``locator.pt``, ``condition.pt``,
    ``second.pt``), ``config.json`` and ``training.json``; ``model.assemble`` turns them into a checked model
    file.
    """
    check_parts(parts)
    device = device or pick_device()
    out.mkdir(parents=True, exist_ok=True)
    labels = [label for label in pick_split(read_manifest(manifest), "train") if label.teaches]
    bank = PhotoBank.load(labels, manifest.parent, config, device, threads=16)
    log(f"bank: {len(bank)} photos on {device}")
    for part in parts:
        torch.save(state_on_cpu(train_part(part, bank, config, log, start_from)), out / f"{part}.pt")
    (out / "config.json").write_text(json.dumps(config.to_json(), indent=1), encoding="utf-8")
    learnt = {"data_hash": sha256(manifest.read_bytes()).hexdigest(), "trained_on": len(bank)}
    (out / "training.json").write_text(json.dumps(learnt, indent=1), encoding="utf-8")
    return out


def check_parts(parts: tuple[str, ...]) -> None:
    """Refuse names that are not of ``PARTS``, before any photo is read.

    Raises:
        ManifestError: no such part.
    """
    for part in parts:
        if part not in PARTS:
            raise ManifestError(f"networks of {', '.join(PARTS)}", repr(part), "Name one of these.")


def train_part(
    part: str,
    bank: PhotoBank,
    config: TrainConfig,
    log: Log,
    start_from: Start | None = None,
    teacher: nn.Module | None = None,
    keep: Keep | None = None,
) -> nn.Module:
    """Train one of ``PARTS`` on every photo of ``bank``; ``keep`` is told the network on its way.

    Raises:
        ManifestError: no such part.
    """
    check_parts((part,))
    if part == "locator":
        return train_locator(bank, config, log, start_from, keep)
    # Another order and another start of the new layers: two that err alike are of no use to each other.
    apart = replace(config, seed=config.seed + PARTS.index(part))
    return train_condition(bank, apart, log, start_from, teacher=teacher, keep=keep)


def pretrained_start(path: Path) -> Start:
    """Return a function that fills a network's backbones from a state dict file of the same architecture."""
    state = torch.load(path, map_location="cpu", weights_only=True)
    tensors = [v for k, v in state.items() if not k.endswith("num_batches_tracked")]

    def fill(network: nn.Module) -> None:
        for backbone in (module for module in network.modules() if isinstance(module, Backbone)):
            backbone.load_in_order(tensors)

    return fill


def continued_start(path: Path, part: str | None = None) -> Start:
    """Return a function that fills a whole network from a model file, to go on learning from there: from its
    ``part`` (one of ``PARTS``), by default the first of the same sort.

    Raises:
        ManifestError: the file has no such part.
    """
    networks = load_model(path).networks
    if part is not None and part not in networks:
        raise ManifestError(f"a model file with {part} weights", path.name, "Start it from another.")

    def fill(network: nn.Module) -> None:
        known = networks[part] if part else next(n for n in networks.values() if type(n) is type(network))
        # A network may learn to compare siblings later: until then that layer says nothing.
        fresh = {k: v for k, v in network.state_dict().items() if k.startswith("siblings.")}
        network.load_state_dict(fresh | known.state_dict())

    return fill


@told_plainly()
def main() -> None:
    """Command line: ``python -m model.train MANIFEST OUT [--set key=value ...]``."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("manifest", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--pretrained", type=Path, help="state dict of the backbone to start from")
    parser.add_argument("--continue-from", type=Path, help="model file to start from")
    parser.add_argument("--device")
    parser.add_argument("--parts", default=",".join(PARTS))
    parser.add_argument("--set", nargs="*", default=[], help="training settings, key=value (JSON values)")
    arguments = parser.parse_args()
    train(
        parse_config(arguments.set), arguments.manifest, arguments.out, start_from=_start(arguments),
        device=pick_device(arguments.device), parts=tuple(arguments.parts.split(",")),
        log=lambda line: print(line, flush=True),
    )  # fmt: skip


def _start(arguments: argparse.Namespace) -> Start | None:
    if arguments.continue_from:
        return continued_start(arguments.continue_from)
    return pretrained_start(arguments.pretrained) if arguments.pretrained else None


def parse_config(items: list[str]) -> TrainConfig:
    """Return the settings given as ``key=value``, the values as JSON or plain text.

    Raises:
        ManifestError: a key that is no setting, or no ``=``.
    """
    bare = [item for item in items if "=" not in item]
    if bare:
        raise ManifestError("settings as key=value", ", ".join(bare), "Write, for instance, seed=1.")
    pairs = dict(item.split("=", 1) for item in items)
    return TrainConfig.from_json({k: _json_or_text(v) for k, v in pairs.items()})


def _json_or_text(text: str) -> object:
    try:
        return json.loads(text)
    except ValueError:
        return text


if __name__ == "__main__":
    main()
