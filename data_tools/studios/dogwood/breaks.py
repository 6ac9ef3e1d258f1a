"""How sleeves break: every break is a lower height of what is left of the rim, and pieces bent aside.

A sleeve's rim is a height over angle and radius. A bite, a missing sector, a slanting fracture, a slit and a
sleeve broken off at the root all only lower that height, so they share one mesh and combine freely.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from data_tools.studios.dogwood.build import Sleeve
from data_tools.studios.dogwood.mesh import smoothstep

Grid = NDArray[np.floating]

# the severities that a style of break can have
STYLES: dict[str, tuple[float, float]] = {
    "bite": (0.1, 0.5),
    "bites": (0.25, 0.75),
    "sector": (0.3, 0.95),
    "slant": (0.3, 0.9),
    "slits": (0.25, 0.65),
    "flake": (0.35, 0.8),
    "bent": (0.3, 0.75),
    "root": (0.8, 1.0),
}


@dataclass(frozen=True)
class Break:
    """One broken sleeve: number of its contact, severity 0 to 1, style of break, seed of its details."""

    contact: int
    severity: float
    style: str
    seed: int

    def rng(self) -> Generator:
        """The same generator each time, so that the truth's twin and the flake agree with the rim."""
        return np.random.default_rng(self.seed)


def draw_break(rng: Generator, contact: int, severity: float) -> Break:
    """Draw a style that fits ``severity`` and its details."""
    fitting = [style for style, (low, high) in STYLES.items() if low <= severity <= high]
    return Break(contact, severity, fitting[rng.integers(len(fitting))], int(rng.integers(1 << 31)))


def turn(angle: Grid, centre: float) -> Grid:
    """Signed angle from ``centre``, -pi to pi."""
    return np.asarray((angle - centre + np.pi) % (2 * np.pi) - np.pi)


def jagged(rng: Generator, angle: Grid, rough: float, finest: int = 70) -> Grid:
    """A crooked line over ``angle`` that closes on itself, about ``rough`` high."""
    waves = rng.integers(2, finest, 14)
    heights = rough * rng.normal(0, 1, 14) / np.sqrt(waves) * 1.1
    phases = rng.uniform(0, 2 * np.pi, 14)
    return np.asarray(sum(h * np.cos(w * angle + p) for h, w, p in zip(heights, waves, phases, strict=True)))


@dataclass(frozen=True)
class Left:
    """What is left of a broken sleeve. ``heights`` is of the shape given; ``flake`` is cut out of the intact
    sleeve by its own heights and hangs turned by ``hinge`` (angle, lean in rad, drop in mm)."""

    heights: Grid
    flake: Grid | None = None
    hinge: tuple[float, float, float] = (0.0, 0.0, 0.0)


def what_is_left(damage: Break, sleeve: Sleeve, angle: Grid, radius: Grid, intact: Grid) -> Left:
    """Lower the ``intact`` heights of a rim over ``angle`` (columns) and ``radius`` (rows, columns)."""
    rng, severity = damage.rng(), damage.severity
    tall = min(sleeve.top - sleeve.root - 0.4, 15.0)
    centre = rng.uniform(0, 2 * np.pi)
    rough = rng.uniform(0.12, 0.45)
    crumble = jagged(rng, angle + radius * 0.25, rough)
    if damage.style in ("bite", "bites"):
        left = _bites(rng, damage, sleeve, angle, radius, intact, centre)
    elif damage.style == "slits":
        left = _slits(rng, severity, angle, radius, intact, centre, tall)
    elif damage.style == "bent":
        width = 0.5 + 1.6 * severity
        gap = 0.05 + 0.08 * severity
        low = intact - tall * (0.5 + 0.4 * severity)
        edge = np.abs(np.abs(turn(angle + 0.04 * crumble, centre)) - width / 2) < gap
        left = np.where(edge, low, intact)
    elif damage.style == "slant":
        deep = min(tall, 1.2 + 7.5 * severity)
        across = (radius * np.cos(turn(angle, centre)) / sleeve.outer + 1) / 2
        start = rng.uniform(0.3, 0.55)  # part of the rim stays, to tell the rest from a shorter sleeve
        left = sleeve.top + 0.3 - (across - start) / (1 - start) * deep + crumble * 2
    elif damage.style == "root":
        fang = rng.uniform(0.0, 0.7) * tall * smoothstep(0.9, 0.15, np.abs(turn(angle, centre)))
        left = sleeve.top - tall + 0.5 + fang + crumble * 1.6
    else:
        return _sector(rng, damage, sleeve, angle, radius, intact, crumble, centre, tall)
    return Left(np.clip(left, sleeve.root + 0.15, intact))


def _bites(
    rng: Generator, damage: Break, sleeve: Sleeve, angle: Grid, radius: Grid, intact: Grid, centre: float
) -> Grid:
    """Shell-shaped pieces struck off the rim."""
    count = 1 if damage.style == "bite" else int(rng.integers(2, 6))
    size = (1.3 + 6.0 * damage.severity) / count**0.4
    wander = jagged(rng, angle, 0.16)
    left = intact.copy()
    for _ in range(count):
        at, reach = centre, size * rng.uniform(0.75, 1.1)
        middle = rng.choice(
            [sleeve.outer, sleeve.inner, (sleeve.outer + sleeve.inner) / 2], p=[0.4, 0.15, 0.45]
        )
        away = np.hypot(
            radius * np.cos(turn(angle, at)) - middle,
            radius * np.sin(turn(angle, at)) * rng.uniform(0.7, 1.2),
        )
        depth = rng.uniform(0.7, 1.3) * np.sqrt(np.maximum(reach**2 - (away + wander) ** 2, 0))
        left = np.minimum(left, sleeve.top + 0.25 - depth)
        centre += rng.choice([rng.uniform(0.35, 1.1), rng.uniform(0, 2 * np.pi)])
    return left


def _slits(
    rng: Generator, severity: float, angle: Grid, radius: Grid, intact: Grid, centre: float, tall: float
) -> Grid:
    """Cracks along the sleeve, narrow, wandering through the wall."""
    left = intact
    for _ in range(int(rng.integers(1, 3 + (severity > 0.45)))):
        half = rng.uniform(0.2, 0.35) + 0.5 * severity
        lean = rng.uniform(-0.12, 0.12)
        path = turn(angle, centre + lean * (radius - radius.mean()) / 1.5) * radius
        path = path + jagged(rng, radius * 1.4, 0.12)
        deep = tall * rng.uniform(0.45, 0.95)
        left = np.where(np.abs(path) < half, intact - deep * (1.15 - np.abs(path) / half * 0.5), left)
        centre += rng.uniform(0.9, 2.6)
    return left


def _sector(
    rng: Generator,
    damage: Break,
    sleeve: Sleeve,
    angle: Grid,
    radius: Grid,
    intact: Grid,
    crumble: Grid,
    centre: float,
    tall: float,
) -> Left:
    """A sector of the wall gone, its flanks steep or slanting; a flake of it may still hang there."""
    width = 0.5 + 4.6 * damage.severity * rng.uniform(0.7, 1.1)
    deep = min(tall, 1.3 + 9.0 * damage.severity * rng.uniform(0.6, 1.2))
    slope = rng.choice([0.06, rng.uniform(0.15, 0.7)])
    off = turn(angle + 0.1 * crumble + rng.uniform(-0.1, 0.1) * (radius - sleeve.inner), centre)
    inside = smoothstep(width / 2 + slope, width / 2, np.abs(off))
    tilt = rng.uniform(-0.25, 0.25) * deep * off / max(width, 0.5)
    heights = np.clip(intact - inside * (deep + tilt + crumble * 1.3), sleeve.root + 0.15, intact)
    if damage.style == "sector":
        return Left(heights)
    kept = width * rng.uniform(0.35, 0.7)
    shift = rng.uniform(-0.5, 0.5) * (width - kept)
    in_flake = np.abs(turn(off, shift)) < kept / 2
    flake = np.where(in_flake, intact, sleeve.root - 0.5)
    return Left(
        heights, flake, (centre + shift, float(rng.uniform(0.16, 0.42)), float(rng.uniform(0.2, 1.2)))
    )


def bend(damage: Break, sleeve: Sleeve, angle: Grid, z: Grid) -> Grid:
    """How far (mm, outwards) a cracked wall has moved at ``angle`` and height ``z``."""
    if damage.style not in ("slits", "bent"):
        return np.zeros(np.broadcast(angle, z).shape)
    rng = damage.rng()
    centre = rng.uniform(0, 2 * np.pi)
    tall = min(sleeve.top - sleeve.root - 0.4, 15.0)
    above = np.clip((z - sleeve.top) / (tall * 0.9) + 1, 0, 1.2)
    off = np.abs(turn(angle, centre))
    if damage.style == "slits":
        return np.asarray((0.25 + 0.8 * damage.severity) * np.exp(-off / 0.45) * above**1.5)
    inside = smoothstep(0.5 + 1.6 * damage.severity, 0.44 + 1.6 * damage.severity, off * 2)
    way = 1.0 if damage.seed % 3 else -0.6  # most hang outwards
    return np.asarray(way * (0.9 + 2.2 * damage.severity) * inside * above**1.3)
