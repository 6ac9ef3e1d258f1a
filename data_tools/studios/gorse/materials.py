"""Pictures of what is behind: walls, grounds, clothes, paint, benches, painted by numbers."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from data_tools.studios.gorse.make import rgb
from data_tools.studios.gorse.solids import Array

SIDE = 640
"""Pixels of a picture's side."""

MATERIALS: dict[str, tuple[float, float]] = {
    "brick": (0.07, 0.85), "grass": (0.08, 0.8), "snow": (0.07, 0.7), "sand": (0.05, 0.85),
    "gravel": (0.05, 0.8), "asphalt": (0.07, 0.8), "steel": (0.09, 0.3), "plain": (0.11, 0.5),
    "wood": (0.07, 0.5), "bench": (0.07, 0.45), "van": (0.06, 0.5), "car": (0.06, 0.15),
    "shirt": (0.06, 0.85), "hivis": (0.06, 0.8),
    "overall": (0.03, 0.85),
}  # fmt: skip
"""By name: how often it is drawn, and how rough it is."""


def noise(rng: np.random.Generator, cells: float, octaves: int = 4, stretch: float = 1.0) -> Array:
    """Return noise of mean 0, about -1..1, with ``cells`` spots across, ``stretch`` times fewer upright."""
    total = np.zeros((SIDE, SIDE), np.float32)
    for octave in range(octaves):
        across = int(np.clip(cells * 2**octave, 2, SIDE))
        down = int(np.clip(cells * 2**octave / stretch, 2, SIDE))
        spots = rng.normal(0, 0.6, (down, across)).astype(np.float32)
        total += cv2.resize(spots, (SIDE, SIDE), interpolation=cv2.INTER_CUBIC) * 0.65**octave
    return total


def picture(rng: np.random.Generator, material: str, side: float) -> tuple[Array, float]:
    """Return a picture (linear RGB) of ``side`` mm of a material, and its roughness."""
    y, x = (np.mgrid[0:SIDE, 0:SIDE] * np.float32(side / SIDE)).astype(np.float32)
    look = {"brick": _brick, "wood": _wood, "bench": _bench, "van": _bench, "hivis": _hivis, "steel": _steel}
    if material in look:
        colour = look[material](rng, x, y)
    elif material in ("shirt", "overall"):
        colour = _cloth(rng, x, y)
    elif material in ("plain", "car"):
        colour = _bold(rng) * (1 + 0.1 * noise(rng, 2, 5))[..., None]
    else:
        colour = _ground(rng, material, side)
    return np.clip(colour, 0.004, 0.92).astype(np.float32), MATERIALS[material][1]


def _bold(rng: np.random.Generator) -> Any:
    return rgb(rng.uniform(), rng.uniform(0.5, 0.95), rng.uniform(0.35, 0.95))


def _brick(rng: np.random.Generator, x: Array, y: Array) -> Any:
    row = np.floor(y / 75).astype(int)
    column = np.floor((x + 115 * (row % 2)) / 230).astype(int)
    joint = (np.mod(y, 75) < 10) | (np.mod(x + 115 * (row % 2), 230) < 10)
    shade = rng.uniform(0.6, 1.2, 997)[(row * 31 + column * 17) % 997]
    base = rgb(rng.choice([0.02, 0.05, 0.1]), rng.uniform(0.3, 0.65), rng.uniform(0.45, 0.75))
    wall = base * shade[..., None] * (1 + 0.3 * noise(rng, 40))[..., None]
    return np.where(joint[..., None], rgb(0.1, 0.08, rng.uniform(0.4, 0.75)), wall)


def _wood(rng: np.random.Generator, x: Array, y: Array) -> Any:
    plank = np.floor(x / rng.uniform(90, 180)).astype(int)
    grain = np.sin(noise(rng, 30, 3, 14) * 5 + plank * 2.0)
    base = rgb(rng.uniform(0.05, 0.11), rng.uniform(0.3, 0.7), rng.uniform(0.35, 0.8))
    shade = rng.uniform(0.75, 1.15, 97)[plank % 97] * (1 + 0.18 * grain)
    gap = np.mod(x / 120, 1) < 0.03
    return base * np.where(gap, 0.2, shade)[..., None]


def _bench(rng: np.random.Generator, x: Array, y: Array) -> Any:
    """A bench top or the shelves of a van: boxes, papers, strips and tools seen from above."""
    colour = np.empty((SIDE, SIDE, 3), np.float32)
    base = rgb(rng.uniform(), rng.uniform(0, 0.5), rng.uniform(0.15, 0.8))
    colour[:] = base
    for _ in range(int(rng.integers(4, 22))):
        at, size = rng.uniform(0, SIDE, 2), rng.uniform(8, 130, 2)
        corners = cv2.boxPoints(
            (tuple(map(float, at)), tuple(map(float, size)), float(rng.choice([0, rng.uniform(0, 90)])))
        )
        tint = rgb(rng.uniform(), rng.choice([0.03, 0.1, 0.3, 0.75]), rng.uniform(0.08, 0.95))
        cv2.fillPoly(colour, [corners.astype(np.int32)], [float(v) for v in tint], cv2.LINE_AA)
    return colour * (1 + 0.12 * noise(rng, 60))[..., None]


def _steel(rng: np.random.Generator, x: Array, y: Array) -> Any:
    """Painted sheet steel: ribs, runs of rust, a warning stripe."""
    colour = _bold(rng) * np.ones((SIDE, SIDE, 1), np.float32)
    pitch = rng.uniform(60, 300)
    colour *= (1 - 0.35 * (np.mod(x, pitch) < pitch * 0.15))[..., None]
    rust = np.clip(noise(rng, 12, 4, 4) * 2 - 1.4, 0, 1)[..., None] * rng.uniform(0, 1)
    colour = colour + rust * (rgb(0.05, 0.75, 0.4) - colour)
    if rng.uniform() < 0.35:
        band = np.abs(y - rng.uniform(0.2, 0.8) * y.max()) < 60
        stripe = np.where(np.mod(x + y, 120)[..., None] < 60, rgb(0.13, 0.95, 0.95), np.float32(0.02))
        colour = np.where(band[..., None], stripe, colour)
    return colour


def _cloth(rng: np.random.Generator, x: Array, y: Array) -> Any:
    colour = _bold(rng) if rng.uniform() < 0.6 else rgb(0.6, rng.uniform(0, 0.5), rng.uniform(0.1, 0.6))
    weave = 1 + 0.12 * np.sin(x * 2.2) * np.sin(y * 2.2) + 0.15 * noise(rng, 160, 2)
    cloth = colour * weave[..., None]
    if rng.uniform() < 0.4:
        pitch = rng.uniform(15, 60)
        lines = (np.mod(y, pitch) < pitch * 0.35) | (
            (np.mod(x, pitch) < pitch * 0.35) & (rng.uniform() < 0.5)
        )
        cloth = np.where(lines[..., None], cloth * rng.uniform(0.25, 2.0), cloth)
    return cloth


def _hivis(rng: np.random.Generator, x: Array, y: Array) -> Any:
    bright = rgb(rng.choice([0.19, 0.06, 0.03]), 0.92, 1.0)
    cloth = bright * (1 + 0.08 * np.sin(x * 3) + 0.08 * noise(rng, 120, 2))[..., None]
    band = np.abs(np.mod(y + rng.uniform(0, 180), 180) - 90) < 25
    upright = np.abs(x - x.max() * rng.uniform(0.3, 0.7)) < 25
    return np.where((band | upright)[..., None], rgb(0.6, 0.03, 0.82), cloth)


def _ground(rng: np.random.Generator, material: str, side: float) -> Any:
    cells = side / 25
    rough, coarse = noise(rng, cells * 4, 3), noise(rng, 5, 4)
    base, swing = {
        "grass": (rgb(rng.uniform(0.2, 0.3), 0.65, rng.uniform(0.3, 0.6)), 0.55),
        "snow": (rgb(0.58, 0.05, 0.93), 0.06),
        "sand": (rgb(0.09, 0.4, rng.uniform(0.6, 0.85)), 0.2),
        "gravel": (rgb(0.09, 0.1, rng.uniform(0.45, 0.7)), 0.6),
    }.get(material, (rgb(0.6, 0.05, rng.uniform(0.25, 0.5)), 0.4))
    colour = base * np.exp(swing * rough + 0.2 * coarse)[..., None]
    colour = np.ascontiguousarray(colour, np.float32)
    if material == "grass":
        for _ in range(2600):
            p, way = rng.uniform(0, SIDE, 2), rng.normal(0, 1, 2) * min(40, 6000 / side)
            tint = base * rng.uniform(0.5, 1.9) + rng.uniform(0, 0.05, 3)
            ends = [tuple(int(v) for v in q) for q in (p, p + way)]
            cv2.line(colour, ends[0], ends[1], [float(v) for v in tint], int(rng.integers(1, 3)), cv2.LINE_AA)
    if material == "gravel":
        size = 12 * SIDE / side
        for _ in range(2600):
            stone = rng.uniform(0, SIDE, 2) + size * rng.uniform(0.4, 1.6) * rng.normal(0, 1, (7, 2))
            tint = base * rng.uniform(0.35, 1.7) * rng.uniform(0.9, 1.1, 3)
            hull = cv2.convexHull(stone.astype(np.int32))
            cv2.fillConvexPoly(colour, hull, [float(v) for v in tint], cv2.LINE_AA)
    if material == "asphalt" and rng.uniform() < 0.4:
        a, b = (tuple(int(v) for v in rng.uniform(0, SIDE, 2)) for _ in range(2))
        cv2.line(colour, a, b, [float(v) for v in rgb(rng.choice([0.13, 0.6]), 0.1, 0.9)], 28, cv2.LINE_AA)
    return colour
