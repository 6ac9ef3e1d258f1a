"""Plastic that has run: strings and bridges between sleeves, drips down a wall, a bore filled up.

A hot sleeve does not only bend: what drips off it sticks to its neighbour, hangs from its rim, or closes its
own mouth. Every piece is a round bar between two spots, thicker at one end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_tools.rendering.sdf import Array, smooth_min

Spot = tuple[float, float, float]
LEAST_SEVERITY = 0.3
"""Below, plastic softens and does not run; by eye."""
_WIDEST_GAP = 20.0
"""Sleeves with axes farther apart than this (mm) are not bridged."""
_BLEND = 1.6


@dataclass(frozen=True)
class Run:
    """A bar of plastic from ``start`` to ``end`` (mm), ``thick`` and ``thin`` mm in radius there.

    ``to`` is the number of the neighbour that it sticks to, -1 for none.
    """

    start: Spot
    end: Spot
    thick: float
    thin: float
    to: int = -1

    def field(self, x: Array, y: Array, z: Array) -> Array:
        """Return the signed distance of the bar, mm, about."""
        (ax, ay, az), (bx, by, bz) = self.start, self.end
        long = max((bx - ax) ** 2 + (by - ay) ** 2 + (bz - az) ** 2, 1e-6)
        along = (x - ax) * (bx - ax) + (y - ay) * (by - ay) + (z - az) * (bz - az)
        t = np.clip(along / np.float32(long), 0.0, 1.0)
        dx, dy, dz = x - ax - t * (bx - ax), y - ay - t * (by - ay), z - az - t * (bz - az)
        result: Array = np.sqrt(dx * dx + dy * dy + dz * dz) - (self.thick + t * (self.thin - self.thick))
        return result.astype(np.float32)


def joined(field: Array, runs: Sequence[Run], at: tuple[Array, Array, Array], uneven: Array) -> Array:
    """Return ``field`` with the bars flowed onto it, their walls ``uneven`` (mm)."""
    for run in runs:
        field = smooth_min(field, run.field(*at) + uneven, _BLEND)
    return field


@dataclass(frozen=True)
class Sleeve:
    """A pin housing as far as plastic can run from it or to it, mm."""

    centre: tuple[float, float]
    radius: float
    bore: float
    floor: float


def draw_runs(
    rng: np.random.Generator, hot: int, sleeves: Sequence[Sleeve], pull: NDArray[np.float64], severity: float
) -> list[Run]:
    """Draw what runs off sleeve number ``hot``: nothing, mostly; ``pull`` (x, y) is downwards."""
    if severity < LEAST_SEVERITY:
        return []
    runs = []
    if rng.random() < 0.22:
        runs += _bridge(rng, hot, sleeves, severity)
    if rng.random() < 0.2:
        down = float(np.arctan2(pull[1], pull[0]))
        runs += [_drip(rng, sleeves[hot], down, severity) for _ in range(rng.integers(1, 4))]
    if rng.random() < 0.16:
        runs.append(_plug(rng, sleeves[hot]))
    return runs


def _bridge(rng: np.random.Generator, hot: int, sleeves: Sequence[Sleeve], severity: float) -> list[Run]:
    own = sleeves[hot]
    gaps = [float(np.hypot(s.centre[0] - own.centre[0], s.centre[1] - own.centre[1])) for s in sleeves]
    near = [n for n, gap in enumerate(gaps) if n != hot and gap < _WIDEST_GAP]
    if not near:
        return []
    to = int(rng.choice(near))
    other, gap = sleeves[to], gaps[to]
    ahead = np.array(other.centre) - np.array(own.centre)
    side = np.array([-ahead[1], ahead[0]]) / gap * rng.normal(0, 0.25 * own.radius)
    start = np.array(own.centre) + ahead / gap * rng.uniform(0.55, 0.95) * own.radius + side
    end = np.array(other.centre) - ahead / gap * rng.uniform(0.8, 1.05) * other.radius + side
    high, low = -rng.uniform(0.3, 2.5), -rng.uniform(0.5, 6.0)
    thick = 0.6 + 1.7 * severity * rng.uniform(0.4, 1.0)
    middle = 0.5 * (start + end)
    waist = thick * rng.uniform(0.3, 0.9)
    belly = 0.5 * (high + low) - rng.uniform(0.0, 2.0)

    def spot(plane: NDArray[np.float64], z: float) -> Spot:
        return float(plane[0]), float(plane[1]), float(z)

    return [
        Run(spot(start, high), spot(middle, belly), thick, waist, to),
        Run(spot(middle, belly), spot(end, low), waist, thick * rng.uniform(0.6, 1.1), to),
    ]


def _drip(rng: np.random.Generator, own: Sleeve, down: float, severity: float) -> Run:
    angle = down + rng.normal(0, 0.9)
    away = own.radius * rng.uniform(0.92, 1.08)
    x, y = own.centre[0] + away * np.cos(angle), own.centre[1] + away * np.sin(angle)
    long = min(own.floor, rng.uniform(1.5, 3.0 + 7.0 * severity))
    thin = rng.uniform(0.5, 0.9)
    lean = rng.uniform(0.0, 2.5) * np.array([np.cos(down), np.sin(down)])
    start = (float(x), float(y), float(-rng.uniform(0.0, 1.0)))
    return Run(start, (float(x + lean[0]), float(y + lean[1]), -long), thin, thin * rng.uniform(1.0, 2.0))


def _plug(rng: np.random.Generator, own: Sleeve) -> Run:
    lean, far = rng.uniform(-np.pi, np.pi), rng.uniform(0.0, 0.5) * own.bore
    x, y = own.centre[0] + far * np.cos(lean), own.centre[1] + far * np.sin(lean)
    high = -rng.uniform(0.8, 3.0)
    radius = own.bore * rng.uniform(0.75, 1.05)
    return Run((float(x), float(y), high), (float(x), float(y), high - 3.0), radius, radius)
