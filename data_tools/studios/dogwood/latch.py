"""The latch above a nose: the hood of the body, the lever that comes out of it, and how they are lost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.dogwood.breaks import jagged
from data_tools.studios.dogwood.build import Build, Latch
from data_tools.studios.dogwood.mesh import Noise, Part, block, join, smoothstep

LATCH_LOSSES = {"root": (0.75, 1.0), "gone": (0.8, 1.0), "head": (0.6, 0.9), "half": (0.3, 0.6)}
"""What can happen to a latch, and how severe it then is."""


@dataclass(frozen=True)
class LatchLoss:
    """A damaged latch: severity, what happened (``root``, ``head``, ``half``, ``gone``), seed of details."""

    severity: float
    style: str
    seed: int


def hood_and_lever(latch: Latch, loss: LatchLoss | None, owner: int, build: Build) -> list[Part]:
    """The hood of the body, with the slot that the lever comes out of, and what is left of the lever."""
    half = latch.width / 2
    hood = block(
        (-half - 5.0, 17.0, -70.0), (half + 5.0, latch.high + 4.0, latch.hood), 3.0, build.body, cells=44
    )
    x, y = hood.points[:, 0], hood.points[:, 1]
    slot = (np.abs(x) < half + 1.0) & (y > latch.low - 1.2) & (y < latch.high + 1.2)
    slot &= hood.points[:, 2] > latch.hood - 3
    hood.points[slot, 2] -= 22.0
    hood.paint(slot.astype(np.float32) * 0.7, 0.01)
    # a loss of the whole lever takes the lever's mesh away, but keeps its points: the twin has the same ones
    lever = _lever(latch, owner)
    if loss is not None:
        _lose(lever, latch, loss)
    return [hood, lever]


def _lever(latch: Latch, owner: int) -> Part:
    half, wide = latch.width / 2, latch.head_width / 2
    arm = block(
        (-half, latch.low, -60.0),
        (half, latch.high, latch.tip - 0.6),
        latch.rounding,
        latch.finish,
        owner,
        22,
    )
    arm.points[:, 2] = np.where(arm.points[:, 2] < -59, -60, arm.points[:, 2])
    head = block(
        (-wide, latch.head_low, latch.tip - latch.head_long),
        (wide, latch.head_high, latch.tip),
        latch.rounding,
        latch.finish,
        owner,
        26,
    )
    rise = (head.points[:, 1] - latch.head_low) / (latch.head_high - latch.head_low)
    fore = (head.points[:, 2] - latch.tip) / latch.head_long + 1
    head.points[:, 2] -= latch.slant * 4.0 * np.clip(rise, 0, 1) * np.clip(fore, 0, 1)
    for k in range(latch.ribs):
        at = latch.head_low + (k + 1) / (latch.ribs + 1) * (latch.head_high - latch.head_low)
        head.points[:, 2] += 0.5 * smoothstep(0.5, 0.2, np.abs(head.points[:, 1] - at)) * (fore > 0.8)
    return join([arm, head])


def _lose(lever: Part, latch: Latch, loss: LatchLoss) -> None:
    """Break the lever: nothing of it stands above a rough surface any more."""
    rng = np.random.default_rng(loss.seed)
    x, y = lever.points[:, 0], lever.points[:, 1]
    rough = 0.5 * Noise(loss.seed)(np.stack([x, y, 0 * x], axis=1), 2.0, 3)
    slope = rng.uniform(-0.35, 0.35) * x + rng.uniform(-0.5, 0.5) * (y - latch.low)
    if loss.style == "gone":
        left = np.full(len(x), latch.hood - 16.0)
    elif loss.style == "root":
        left = latch.hood + rng.uniform(-3.0, 1.5) + slope + rough
    elif loss.style == "head":
        left = (
            np.maximum(latch.tip - latch.head_long - rng.uniform(1.0, 5.0), latch.hood + 1.5) + slope + rough
        )
    else:
        edge = rng.uniform(-0.15, 0.15) * latch.head_width + 0.6 * jagged(rng, y / 2, 0.5)
        torn = (x - edge) * rng.choice([-1.0, 1.0]) > 0
        left = np.where(torn, latch.tip - latch.head_long - 2.0 + slope + rough, 99.0)
    low = lever.points[:, 2] > left
    lever.fresh = (low & (lever.normals[:, 2] > -0.5)).astype(np.float32)
    moved = lever.points.copy()
    moved[:, 2] = np.minimum(moved[:, 2], left)
    if loss.style in ("root", "gone"):  # the head's width goes with it
        keep = latch.width / 2 - 0.1
        moved[:, 0] = np.where(low, np.clip(moved[:, 0], -keep, keep), moved[:, 0])
    moved[:, 1] = np.where(low, np.clip(moved[:, 1], latch.low + 0.1, latch.high - 0.1), moved[:, 1])
    lever.move(moved)
    pale = rng.uniform(0.04, 0.22)
    lever.paint(lever.fresh * 0.9, np.asarray(latch.finish.colour) * 0.8 + pale)
    lever.polish(lever.fresh, 0.9)
    lever.metallic = lever.metallic * (1 - 0.5 * lever.fresh)
