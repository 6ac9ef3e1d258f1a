"""What the early layers see in augmented views, kept in memory so that it is computed once and used often.

A fine-tune leaves the early layers as they are, so their output for a view never changes. Kept in half
precision it takes 218 kB a view; ``BUDGET_BYTES`` bounds all views held at one time.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import torch
from torch import Tensor, nn
from torch.nn.utils.fusion import fuse_conv_bn_eval

from model.augment import Photometric
from model.config import TrainConfig
from model.dataset import PhotoBank, Targets
from model.geometry import CANONICAL_PIXELS
from model.manifest import LabelledPhoto
from model.network import Backbone, ConditionNet
from model.preprocess import TrainPreset, normalise
from model.views import Draw, condition_views

BUDGET_BYTES = 512 * 2**20
"""Memory for kept features; the photos behind them are decoded in groups and let go of."""
VIEW_BYTES = 2 * (Backbone.channels[0] * (CANONICAL_PIXELS // 8) ** 2
                  + Backbone.channels[1] * (CANONICAL_PIXELS // 16) ** 2)  # fmt: skip
PRESET = TrainPreset(oversample=1, photometric=0.7)
"""Sampled once a pixel: the views of a fine-tune are made on a CPU."""
_GROUP = 48
_BATCH = 16

Rooted = tuple[LabelledPhoto, Path]
"""A labelled photo and the folder that its file is relative to."""


@dataclass(frozen=True)
class Features:
    """``low`` Vx40xS/8xS/8 and ``middle`` Vx112xS/16xS/16, float16, and the V rows of ``targets``."""

    low: Tensor
    middle: Tensor
    targets: Targets

    def __len__(self) -> int:
        return len(self.low)

    def take(self, rows: Tensor) -> tuple[Tensor, Tensor, Targets]:
        """Return the float32 maps and the targets of ``rows``."""
        low, middle = self.low[rows].float(), self.middle[rows].float()
        last = torch.channels_last
        return (
            low.contiguous(memory_format=last),
            middle.contiguous(memory_format=last),
            self.targets.take(rows),
        )


def frozen_front(network: ConditionNet) -> nn.Sequential:
    """Return a copy of the early layers for evaluation, each normalisation folded into its convolution."""
    front = copy.deepcopy(nn.Sequential(network.backbone.low, network.backbone.middle)).eval()
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
) -> Features:
    """Return the features of one random view for each of ``rows`` (numbers of ``photos``, repeats allowed).

    The same arguments give the same features, so that they can be made again after a crash. Features lie in
    the order of the sorted rows. ``tell`` is told the views done; what it raises ends the work.
    """
    ordered = sorted(rows)
    draw = Draw(torch.Generator().manual_seed(seed), torch.device("cpu"))
    photometric = Photometric(draw.generator, PRESET.photometric)
    side = CANONICAL_PIXELS
    low = torch.empty((len(ordered), Backbone.channels[0], side // 8, side // 8), dtype=torch.float16)
    middle = torch.empty((len(ordered), Backbone.channels[1], side // 16, side // 16), dtype=torch.float16)
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
                views, truth = condition_views(bank, part, draw, PRESET)
                views = normalise(photometric(views)).contiguous(memory_format=torch.channels_last)
                seen = front[0](views)
                low[here], middle[here] = seen.half(), front[1](seen).half()
            targets.append(Targets(**{name: value.clone() for name, value in truth.__dict__.items()}))
            tell(here.stop)
    return Features(low, middle, joined(targets))


def joined(parts: Sequence[Targets]) -> Targets:
    """Return the rows of several targets as one."""
    names = parts[0].__dict__
    return Targets(**{name: torch.cat([getattr(part, name) for part in parts]) for name in names})


def load_bank(photos: Sequence[Rooted], config: TrainConfig) -> PhotoBank:
    """Decode photos from several folders into one bank."""
    labels = [replace(label, file=str(root.resolve() / label.file)) for label, root in photos]
    # An absolute file replaces the root when the two are joined.
    return PhotoBank.load(labels, Path(), config, torch.device("cpu"), threads=2)
