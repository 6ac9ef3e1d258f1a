"""What the early layers see in augmented views, kept so that it is computed once and used often.

A fine-tune leaves the early layers as they are, so their output for a view never changes. Kept in half
precision it takes 302 kB a view; ``BUDGET_BYTES`` bounds all views kept at one time. They lie in files that
are mapped into memory: the system lets go of them where memory is short, and after a crash they are still
there.
"""

from __future__ import annotations

import copy
import math
import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import torch
from torch import Tensor, nn
from torch.nn.utils.fusion import fuse_conv_bn_eval

from model.augment import Photometric
from model.checkpoint import load_state, room_on_disk, save_state
from model.config import TrainConfig
from model.dataset import MAX_PLACES, PhotoBank, Targets, family_boxes
from model.errors import StorageError
from model.geometry import CANONICAL_PIXELS
from model.manifest import LabelledPhoto
from model.network import CLOSE_GRID, Backbone, ConditionNet, for_places
from model.preprocess import TrainPreset, normalise
from model.views import Draw, condition_views

BUDGET_BYTES = 512 * 2**20
"""Room for kept features; the photos behind them are decoded in groups and let go of."""
VIEW_BYTES = 2 * (Backbone.channels[0] * (CANONICAL_PIXELS // 8) ** 2
                  + Backbone.channels[1] * (CANONICAL_PIXELS // 16) ** 2
                  + (MAX_PLACES + 1) * Backbone.channels[0] * CLOSE_GRID**2)  # fmt: skip
PRESET = TrainPreset(oversample=1, photometric=0.7)
"""Sampled once a pixel: the views of a fine-tune are made on a CPU."""
MAPPED, READY = ("low.bin", "middle.bin", "near.bin"), "targets.pt"
"""Files of kept features; the last one is written when the others are whole."""
_GROUP = 32
_BATCH = 16

Rooted = tuple[LabelledPhoto, Path]
"""A labelled photo and the folder that its file is relative to."""


@dataclass(frozen=True)
class Features:
    """``low`` Vx40xS/8xS/8 and ``middle`` Vx112xS/16xS/16 of the view, ``near`` Vx(P+1)x40xC/8xC/8 of the
    close-ups, float16, and the V rows of ``targets``."""

    low: Tensor
    middle: Tensor
    near: Tensor
    targets: Targets

    def __len__(self) -> int:
        return len(self.low)

    def some(self, rows: Tensor) -> Features:
        """Return the features of ``rows`` alone."""
        return Features(self.low[rows], self.middle[rows], self.near[rows], self.targets.take(rows))

    def take(self, rows: Tensor) -> tuple[Tensor, Tensor, Tensor, Targets]:
        """Return the float32 maps and the targets of ``rows``."""
        low, middle = self.low[rows].float(), self.middle[rows].float()
        last = torch.channels_last
        return (
            low.contiguous(memory_format=last),
            middle.contiguous(memory_format=last),
            self.near[rows].float(),
            self.targets.take(rows),
        )


def frozen_front(network: ConditionNet) -> nn.Sequential:
    """Return a copy of the early layers (of the view to 1/8 and to 1/16, of close-ups to 1/8) for evaluation,
    each normalisation folded into its convolution."""
    backbone = network.backbone
    front = copy.deepcopy(nn.Sequential(backbone.low, backbone.middle, network.detail.low)).eval()
    _fold(front)
    return front.requires_grad_(False).to(memory_format=torch.channels_last)


def _fold(module: nn.Module) -> None:
    children = list(module.named_children())
    for (name, child), (after, following) in zip(children, children[1:], strict=False):
        if isinstance(child, nn.Conv2d) and isinstance(following, nn.BatchNorm2d):
            setattr(module, name, fuse_conv_bn_eval(child, following))
            setattr(module, after, nn.Identity())
    for child in module.children():
        _fold(child)


def make_features(
    front: nn.Sequential,
    photos: Sequence[Rooted],
    rows: Sequence[int],
    seed: int,
    config: TrainConfig,
    tell: Callable[[int], None] = lambda _done: None,
    folder: Path | None = None,
) -> Features:
    """Return the features of one random view for each of ``rows`` (numbers of ``photos``, repeats allowed).

    The same arguments give the same features, so that they can be made again after a crash. Features lie in
    the order of the sorted rows. ``tell`` is told the views done; what it raises ends the work. ``folder``
    is where the mapped files are made (see ``kept_features``); without it they lie in memory.

    Raises:
        StorageError: the disk has no room for them.
    """
    ordered = sorted(rows)
    draw = Draw(torch.Generator().manual_seed(seed), torch.device("cpu"))
    photometric = Photometric(draw.generator, PRESET.photometric)
    low, middle, near = _maps(len(ordered), folder)
    valid = family_boxes(torch.device("cpu"))[2]
    targets: list[Targets] = []
    for start in range(0, len(ordered), _GROUP):
        group = ordered[start : start + _GROUP]
        distinct = sorted(set(group))
        bank = load_bank([photos[row] for row in distinct], config)
        index = torch.tensor([distinct.index(row) for row in group])
        for at in range(0, len(group), _BATCH):
            part = index[at : at + _BATCH]
            here = slice(start + at, start + at + len(part))
            with torch.inference_mode():
                views, closes, truth = condition_views(bank, part, draw, PRESET)
                views, closes = (normalise(x) for x in photometric.together(views, closes))
                low[here], middle[here], near[here] = early(front, views, closes, truth, valid)
            targets.append(Targets(**{name: value.clone() for name, value in truth.__dict__.items()}))
            tell(here.stop)
    return Features(low, middle, near, joined(targets))


def early(
    front: nn.Sequential, views: Tensor, closes: Tensor, targets: Targets, valid: Tensor
) -> tuple[Tensor, Tensor, Tensor]:
    """Return what ``frozen_front`` makes of normalised views and close-ups, float16 (see ``Features``);
    ``valid`` (F,P+1) says which places a family has."""
    low = front[0](views.contiguous(memory_format=torch.channels_last))
    near = for_places(front[2], closes, valid[targets.family.clamp(min=0)])
    return low.half(), front[1](low).half(), near.half()


def kept_features(folder: Path, name: str, make: Callable[[Path], Features]) -> Features:
    """Return the features kept in ``folder`` under ``name``, else those that ``make`` makes in it.

    They count as kept only once all of them are on the disk: what a crash left half made is made again.

    Raises:
        StorageError: the disk has no room for them; none of them stays.
    """
    ready = folder / READY
    known = load_state(ready)
    if known is not None and known["name"] == name:
        targets = Targets(**known["targets"])
        with suppress(OSError, RuntimeError):
            return Features(*_maps(len(targets.family), folder, there=True), targets)
    ready.unlink(missing_ok=True)
    try:
        with room_on_disk(folder):
            folder.mkdir(parents=True, exist_ok=True)
        features = make(folder)
        for part in MAPPED:
            with room_on_disk(folder / part), (folder / part).open("rb") as file:
                os.fsync(file.fileno())
        save_state(ready, {"name": name, "targets": features.targets.__dict__})
    except StorageError:
        with suppress(OSError):
            forget_features(folder)
        raise
    return features


def forget_features(folder: Path) -> None:
    """Remove what ``kept_features`` left in ``folder``."""
    for name in (READY, *MAPPED):
        (folder / name).unlink(missing_ok=True)
    with suppress(OSError):
        folder.rmdir()


def _maps(views: int, folder: Path | None, *, there: bool = False) -> tuple[Tensor, Tensor, Tensor]:
    """Return room for the maps of so many views, in memory or in new files of ``folder`` (or those there)."""
    fine, coarse = CANONICAL_PIXELS // 8, CANONICAL_PIXELS // 16
    low, middle = (views, Backbone.channels[0], fine, fine), (views, Backbone.channels[1], coarse, coarse)
    near = (views, MAX_PLACES + 1, Backbone.channels[0], CLOSE_GRID, CLOSE_GRID)
    if folder is None:
        rooms = [torch.empty(shape, dtype=torch.float16) for shape in (low, middle, near)]
    else:
        shapes = zip(MAPPED, (low, middle, near), strict=True)
        rooms = [_mapped(folder / name, shape, there) for name, shape in shapes]
    return rooms[0], rooms[1], rooms[2]


def _mapped(path: Path, shape: tuple[int, ...], there: bool) -> Tensor:
    size = math.prod(shape)
    if there and path.stat().st_size < 2 * size:
        raise OSError(f"{path.name} is cut off")
    if not there:
        path.unlink(missing_ok=True)
        with room_on_disk(path), path.open("wb") as file:
            # Without this a full disk would show only while writing, as a fault that nothing can catch.
            os.posix_fallocate(file.fileno(), 0, max(1, 2 * size))
    return torch.from_file(str(path), shared=True, size=size, dtype=torch.float16).view(shape)


def joined(parts: Sequence[Targets]) -> Targets:
    """Return the rows of several targets as one."""
    names = parts[0].__dict__
    return Targets(**{name: torch.cat([getattr(part, name) for part in parts]) for name in names})


def load_bank(photos: Sequence[Rooted], config: TrainConfig) -> PhotoBank:
    """Decode photos from several folders into one bank."""
    labels = [replace(label, file=str(root.resolve() / label.file)) for label, root in photos]
    # An absolute file replaces the root when the two are joined.
    return PhotoBank.load(labels, Path(), config, torch.device("cpu"), threads=2)
