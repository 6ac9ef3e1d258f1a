"""How softened sleeves give way: folded like pleats, sunk on one side, swollen into lumps, their rim rolled
outwards, or run down into a puddle on the floor.

Each is drawn from a stream of its own, so that all else about a seed stays as it was.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.rendering.noise import smoothstep
from data_tools.rendering.sdf import Array

PLEATED = 0.25
"""Share of melts whose sleeve shrank onto its contact in folds."""
SUNK = 0.3
"""Share of melts that gave way on one side."""
LUMPY = 0.3
"""Share of melts whose rim swelled into lumps."""
ROLLED = 0.3
"""Share of melts whose rim alone softened and rolled outwards: a collar on a wall that still stands."""
PUDDLED = 0.25
"""Share of melts, from a severity of 0.4, with plastic that ran down and set at the foot of the sleeve."""
OWN_COLOUR = 0.55
"""Share of the sunk and lumpy ones that kept the plastic's colour, whatever was drawn before: other hands
model melts so, and shape alone must do."""


@dataclass(frozen=True)
class Pleats:
    """Folds around a hot contact, as where a sleeve shrinks onto it: a star when seen from the front.

    ``count`` folds, the first at ``turn`` rad, ``deep`` mm out and in and ``low`` mm down; the whole wall is
    ``drawn`` mm inwards.
    """

    count: int
    turn: float
    deep: float
    low: float
    drawn: float

    def fold(self, around: Array) -> Array:
        """Return how each angle (rad) lies in its fold: 1 on the crest, -1 in the valley."""
        result: Array = np.cos(np.float32(self.count) * around + np.float32(self.turn)).astype(np.float32)
        return result


@dataclass(frozen=True)
class Sinking:
    """A sleeve that gives way on one side: ``deep`` mm down and ``out`` mm outwards at the angle ``toward``
    (rad), less the farther from there, over the part of the circle that ``narrow`` leaves."""

    toward: float
    deep: float
    out: float
    narrow: float

    def share(self, around: Array) -> Array:
        """Return how much of it there is at each angle (rad), 0..1."""
        half = 0.5 + 0.5 * np.cos(around - np.float32(self.toward))
        result: Array = np.power(half, np.float32(self.narrow)).astype(np.float32)
        return result


@dataclass(frozen=True)
class Lump:
    """A swelling of the rim: at the angle ``around`` (rad), ``away`` from the sleeve's axis in its radii,
    ``depth`` mm below the mouth, of ``radius`` mm."""

    around: float
    away: float
    depth: float
    radius: float


@dataclass(frozen=True)
class RolledRim:
    """A rim that softened: its uppermost ``high`` mm stand ``out`` mm out of the wall below and reach
    ``shut`` mm into the bore, in bumps of ``pitch`` mm that are ``lumpy`` times (0..1) as high."""

    high: float
    out: float
    shut: float
    lumpy: float
    pitch: float

    def push(self, below: Array, wall: Array, bump: Array) -> Array:
        """Return how far the plastic moved outwards, mm (inwards below 0): ``below`` mm under the mouth, at
        the share ``wall`` of the way from the bore to the outside, with noise ``bump`` (-1..1)."""
        soft = smoothstep(self.high + 0.5, self.high - 0.5, below + np.float32(0.8) * bump)
        uneven = np.maximum(1 + np.float32(self.lumpy) * bump, 0)
        result: Array = soft * uneven * (wall * np.float32(self.out + self.shut) - np.float32(self.shut))
        return result


@dataclass(frozen=True)
class Puddle:
    """Plastic that set on the floor: ``wide`` mm about (x, y), ``high`` mm, rippled."""

    x: float
    y: float
    wide: float
    high: float

    def field(self, x: Array, y: Array, z: Array, floor: float, ripple: Array) -> Array:
        """Return the signed distance, mm, about; ``floor`` mm below the mouths, ``ripple`` -1..1."""
        away = np.hypot(x - np.float32(self.x), y - np.float32(self.y))
        edge = away - np.float32(self.wide) * (1 + np.float32(0.35) * ripple)
        height = np.float32(self.high) * (1 + np.float32(0.5) * ripple)
        result: Array = np.maximum(0.6 * edge, z + np.float32(floor) - height).astype(np.float32)
        return result


def draw_pleats(rng: np.random.Generator, grown: float) -> Pleats | None:
    """Draw folds, or none; ``grown`` (0..1) is how far the deformation went."""
    if rng.random() > PLEATED:
        return None
    return Pleats(
        int(rng.integers(3, 9)),
        float(rng.uniform(0, 2 * np.pi)),
        float(rng.uniform(0.3, 1.3)) * grown,
        float(rng.uniform(0.2, 3.0)) * grown,
        float(rng.uniform(0.0, 1.6)) * grown,
    )


def draw_sinking(rng: np.random.Generator, grown: float) -> Sinking | None:
    """Draw a side that sinks, or none; ``grown`` as above."""
    if rng.random() > SUNK:
        return None
    return Sinking(
        float(rng.uniform(-np.pi, np.pi)),
        float(rng.uniform(1.5, 8.0)) * grown,
        float(rng.uniform(-1.0, 2.5)) * grown,
        float(rng.uniform(0.8, 5.0)),
    )


def draw_lumps(rng: np.random.Generator, severity: float) -> list[Lump]:
    """Draw the lumps of a rim, or none; slight melts have none."""
    if rng.random() > LUMPY or severity < 0.25:
        return []
    return [
        Lump(
            float(rng.uniform(-np.pi, np.pi)),
            float(rng.uniform(0.6, 1.1)),
            float(rng.uniform(-0.3, 1.8)),
            float(rng.uniform(0.7, 1.1 + 1.5 * severity)),
        )
        for _ in range(int(rng.integers(2, 8)))
    ]


def draw_rolled_rim(rng: np.random.Generator, grown: float) -> RolledRim | None:
    """Draw a rolled rim, or none; ``grown`` as above."""
    if rng.random() > ROLLED:
        return None
    return RolledRim(
        float(rng.uniform(1.2, 6.0)),
        float(rng.uniform(0.5, 2.4)) * grown,
        float(rng.uniform(0.0, 1.2)) * grown,
        float(rng.uniform(0.2, 1.0)),
        float(rng.uniform(1.6, 3.6)),
    )


def draw_puddle(
    rng: np.random.Generator, centre: tuple[float, float], radius: float, severity: float
) -> Puddle | None:
    """Draw a puddle at the foot of the sleeve of that centre and ``radius`` (mm), or none."""
    if rng.random() > PUDDLED or severity < 0.4:
        return None
    x, y = np.array(centre) + rng.normal(0, 0.5 * radius, 2)
    return Puddle(float(x), float(y), radius * float(rng.uniform(1.1, 1.9)), float(rng.uniform(0.6, 2.2)))
