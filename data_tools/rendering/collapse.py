"""How softened sleeves give way: folded like pleats, sunk on one side, or swollen into lumps.

Each is drawn from a stream of its own, so that all else about a seed stays as it was.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.rendering.sdf import Array

PLEATED = 0.25
"""Share of melts whose sleeve shrank onto its contact in folds."""
SUNK = 0.3
"""Share of melts that gave way on one side."""
LUMPY = 0.3
"""Share of melts whose rim swelled into lumps."""
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
