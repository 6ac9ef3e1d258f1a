"""Surfaces behind and under the coupler: a colour picture (linear albedo) and heights of each."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from data_tools.studios.cedar.meshes import Array

SIZE = 448
Surface = tuple[Array, Array, float]
"""Albedo SIZE x SIZE x 3, height SIZE x SIZE (-1..1), roughness."""


def cloud(rng: np.random.Generator, cells: int, stretch: float = 1.0) -> Array:
    """Return smooth noise, about unit variance; ``stretch`` > 1 draws it out sideways."""
    small = rng.normal(0, 1, (max(int(cells), 2), max(int(cells / stretch), 2))).astype(np.float32)
    return np.asarray(cv2.resize(small, (SIZE, SIZE), interpolation=cv2.INTER_CUBIC), np.float32)


def layered(rng: np.random.Generator, cells: int, octaves: int = 3) -> Array:
    """Return noise of several octaves."""
    return np.asarray(sum(cloud(rng, cells * 2**i) * 0.55**i for i in range(octaves)), np.float32)


def _tint(value: Array, colour: tuple[float, float, float], depth: float) -> Array:
    return np.asarray(np.array(colour) * (1 + depth * value[..., None]), np.float32).clip(0.005, 0.95)


def gravel(rng: np.random.Generator) -> Surface:
    """Stones: Voronoi cells with domed tops, each of its own grey."""
    count = int(rng.integers(300, 2200))
    seeds = np.ones((SIZE, SIZE), np.uint8)
    at = rng.integers(0, SIZE, (count, 2))
    seeds[at[:, 0], at[:, 1]] = 0
    away, labels = cv2.distanceTransformWithLabels(seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    size = SIZE / np.sqrt(count)
    dome = np.clip(1 - (away / (size * 0.62)) ** 2, 0, 1).astype(np.float32)
    greys = rng.uniform(0.12, 0.6, int(labels.max()) + 1)[:, None] * rng.uniform(
        0.85, 1.1, (int(labels.max()) + 1, 3)
    )
    colour = greys[labels] * (0.25 + 0.75 * dome[..., None] ** 0.5) * rng.uniform(0.7, 1.2)
    lift = rng.uniform(-0.4, 0.6, int(labels.max()) + 1)[labels]
    return colour.astype(np.float32).clip(0.01, 0.9), (dome * 0.8 + lift * dome).astype(np.float32), 0.85


def snow(rng: np.random.Generator) -> Surface:
    """Snow with prints, dirt and thawed patches."""
    height = layered(rng, 5, 4) * 0.4
    colour = _tint(layered(rng, 40, 2), (0.82, 0.86, 0.92), 0.04)
    for _ in range(int(rng.integers(0, 5))):
        start = rng.integers(0, SIZE, 2)
        mask = np.zeros((SIZE, SIZE), np.uint8)
        for step in range(6):
            centre = start + step * np.array([60, 25]) + rng.integers(-8, 8, 2)
            cv2.ellipse(mask, tuple(int(c) for c in centre), (30, 12), 20, 0, 360, 255, -1)
        print_ = cv2.GaussianBlur(mask, (0, 0), 4).astype(np.float32) / 255
        height -= print_ * 0.8
        colour *= 1 - 0.15 * print_[..., None]
    thaw = np.clip(layered(rng, 4) - rng.uniform(0.2, 2.0), 0, 0.4)[..., None] / 0.4
    earth = _tint(layered(rng, 60, 2), (0.13, 0.1, 0.07), 0.4)
    return (colour * (1 - thaw) + earth * thaw).astype(np.float32), height - thaw[..., 0] * 0.3, 0.7


def mud(rng: np.random.Generator) -> Surface:
    """Mud with ruts and wet patches."""
    height = layered(rng, 8, 4) * 0.5
    lines = np.sin(np.linspace(0, rng.uniform(8, 30), SIZE))[None] * cloud(rng, 4)
    height = (height + 0.4 * lines * (rng.random() < 0.6)).astype(np.float32)
    base = (rng.uniform(0.12, 0.26), rng.uniform(0.09, 0.17), rng.uniform(0.05, 0.1))
    return _tint(height + 0.4 * layered(rng, 70, 2), base, 0.3), height, float(rng.uniform(0.25, 0.8))


def asphalt(rng: np.random.Generator) -> Surface:
    """Asphalt: speckle, cracks, a painted line."""
    speckle = rng.normal(0, 1, (SIZE, SIZE)).astype(np.float32)
    level = float(rng.uniform(0.05, 0.2))
    colour = _tint(
        cv2.GaussianBlur(speckle, (0, 0), 0.9) + 0.3 * layered(rng, 6), (level, level, level * 1.03), 0.4
    )
    if rng.random() < 0.5:
        left, wide = int(rng.integers(0, SIZE)), int(rng.integers(40, 120))
        paint = np.clip(1.2 - 0.8 * np.abs(layered(rng, 50)[:, left : left + wide]), 0, 1)[..., None]
        stripe = np.array(
            [(0.75, 0.75, 0.72), (0.8, 0.6, 0.08), (0.1, 0.3, 0.7), (0.1, 0.5, 0.2)][int(rng.integers(4))]
        )
        colour[:, left : left + wide] = colour[:, left : left + wide] * (1 - paint) + stripe * paint
    for _ in range(int(rng.integers(0, 4))):
        path = np.cumsum(rng.normal(0, 12, (30, 2)) + rng.normal(0, 8, 2), 0) + rng.integers(0, SIZE, 2)
        cv2.polylines(colour, [path.astype(np.int32)], False, (0.02, 0.02, 0.02), int(rng.integers(1, 4)))
    return colour, speckle * 0.15, 0.85


def grass(rng: np.random.Generator) -> Surface:
    """Blades drawn over each other; summer green to winter straw."""
    fresh = np.array([0.10, 0.2, 0.04]) if rng.random() < 0.6 else np.array([0.3, 0.26, 0.12])
    colour = np.full((SIZE, SIZE, 3), 0.03, np.float32) * fresh.astype(np.float32) * 5
    at = rng.uniform(0, SIZE, (2600, 2))
    way = rng.normal(0, 8, (2600, 2)) + [0, -14]
    tints = fresh * rng.uniform(0.4, 2.0, (2600, 1)) * rng.uniform(0.8, 1.2, (2600, 3))
    for start, end, tint in zip(at, at + way, tints, strict=True):
        cv2.line(
            colour,
            (int(start[0]), int(start[1])),
            (int(end[0]), int(end[1])),
            tuple(map(float, tint)),
            2,
            cv2.LINE_AA,
        )
    return colour.clip(0.005, 0.8), layered(rng, 60, 2) * 0.5, 0.9


def hedge(rng: np.random.Generator) -> Surface:
    """Leaves of a hedge, or bare twigs in winter."""
    colour = np.full((SIZE, SIZE, 3), 0.012, np.float32)
    winter = rng.random() < 0.4
    for shade in np.linspace(0.4, 1.5, 3):
        for x, y, a in rng.uniform(0, 1, (450, 3)):
            centre = (int(x * SIZE), int(y * SIZE))
            tint = (
                shade
                * (np.array([0.14, 0.09, 0.05]) if winter else np.array([0.07, 0.16, 0.04]))
                * rng.uniform(0.6, 1.5)
            )
            size = (14, 1) if winter else (9, 5)
            cv2.ellipse(colour, centre, size, a * 360, 0, 360, tuple(map(float, tint)), -1, cv2.LINE_AA)
    return colour, layered(rng, 40, 2), 0.6


def wood(rng: np.random.Generator) -> Surface:
    """Boards with grain, gaps and knots."""
    boards = int(rng.integers(3, 10))
    tall = SIZE // boards + 1
    base = np.array(
        [(0.34, 0.2, 0.1), (0.3, 0.28, 0.25), (0.16, 0.08, 0.04), (0.35, 0.07, 0.05), (0.5, 0.4, 0.26)][
            int(rng.integers(5))
        ]
    )
    colour, height = np.zeros((SIZE, SIZE, 3), np.float32), np.zeros((SIZE, SIZE), np.float32)
    for i in range(boards):
        rows = slice(i * tall, min((i + 1) * tall, SIZE))
        count = rows.stop - rows.start
        grain = (cloud(rng, 160, 40) + 0.6 * cloud(rng, 60, 20))[:count]
        colour[rows] = base * rng.uniform(0.75, 1.25) * (1 + 0.22 * grain[..., None])
        height[rows] = 0.1 * grain
        colour[rows.stop - 3 : rows.stop] *= 0.12
        height[rows.stop - 3 : rows.stop] = -1
        x, y = int(rng.integers(SIZE)), rows.start + count // 2
        cv2.ellipse(colour, (x, y), (9, 6), 0, 0, 360, tuple(float(c) for c in base * 0.35), -1, cv2.LINE_AA)
    if rng.random() < 0.5:
        colour, height = colour.transpose(1, 0, 2).copy(), height.T.copy()
    return colour.clip(0.005, 0.9), height, float(rng.uniform(0.5, 0.9))


def sheet(rng: np.random.Generator) -> Surface:
    """Corrugated sheet with runs of rust."""
    waves = np.sin(np.linspace(0, 2 * np.pi * rng.integers(6, 26), SIZE)).astype(np.float32)
    if rng.random() < 0.5:
        waves = np.tanh(3 * waves)
    base = [(0.5, 0.52, 0.54), (0.15, 0.25, 0.2), (0.3, 0.06, 0.05), (0.6, 0.58, 0.5), (0.1, 0.17, 0.3)][
        int(rng.integers(5))
    ]
    height = np.tile(waves, (SIZE, 1))
    colour = _tint(layered(rng, 10) * 0.3 + height * 0.6, base, 0.25)
    rust = np.clip(cloud(rng, 30, 0.12) + layered(rng, 4) - rng.uniform(0.8, 3), 0, 1)[..., None]
    colour = colour * (1 - rust) + np.array([0.23, 0.09, 0.03]) * rust
    return colour.astype(np.float32).clip(0.005, 0.9), height, float(rng.uniform(0.25, 0.6))


def brick(rng: np.random.Generator) -> Surface:
    """Bricks or blocks in running bond."""
    rows = int(rng.integers(5, 14))
    tall, wide = SIZE / rows, SIZE / rows * rng.uniform(1.6, 3)
    y, x = np.mgrid[0:SIZE, 0:SIZE].astype(np.float32)
    row = np.floor(y / tall)
    shifted = x + (row % 2) * wide / 2
    column = np.floor(shifted / wide)
    joint = np.minimum(
        np.minimum(y % tall, tall - y % tall), np.minimum(shifted % wide, wide - shifted % wide)
    )
    base = np.array(
        [(0.36, 0.13, 0.07), (0.4, 0.36, 0.3), (0.22, 0.1, 0.07), (0.7, 0.68, 0.64)][int(rng.integers(4))]
    )
    each = rng.uniform(0.7, 1.2, 4096)[((row * 61 + column * 7) % 4096).astype(int)]
    colour = base * (each * (1 + 0.15 * layered(rng, 60, 2)))[..., None]
    mortar = (joint < 2.5)[..., None]
    colour = np.where(mortar, np.array([0.42, 0.4, 0.37]), colour)
    return colour.astype(np.float32).clip(0.01, 0.9), np.where(joint < 2.5, -0.6, 0.0).astype(np.float32), 0.9


def plaster(rng: np.random.Generator) -> Surface:
    """Plaster or concrete, stained, sometimes with a joint or two."""
    base = tuple(rng.uniform(0.25, 0.75) * rng.uniform(0.85, 1.05, 3))
    height = 0.3 * layered(rng, 70, 2)
    colour = _tint(0.5 * layered(rng, 5) + height, base, 0.12)
    colour *= (1 - 0.35 * np.clip(cloud(rng, 40, 0.15) - 0.9, 0, 1))[..., None]
    for _ in range(int(rng.integers(0, 3))):
        at = int(rng.integers(SIZE))
        colour[at : at + 3] *= 0.35
    return colour.clip(0.01, 0.9), height, 0.85


def cabinet(rng: np.random.Generator) -> Surface:
    """A charging cabinet: flat panels, a seam, vent slots, a lamp, a plain sign."""
    base = np.array(
        [(0.8, 0.8, 0.8), (0.2, 0.21, 0.22), (0.08, 0.2, 0.13), (0.55, 0.56, 0.57), (0.12, 0.2, 0.4)][
            int(rng.integers(5))
        ]
    )
    colour = _tint(0.3 * layered(rng, 4), tuple(base), 0.08)
    for at in rng.integers(0, SIZE, int(rng.integers(1, 4))):
        colour[:, at : at + 2] *= 0.2
    x, y = (int(v) for v in rng.integers(30, SIZE - 160, 2))
    for i in range(int(rng.integers(0, 9))):
        cv2.rectangle(colour, (x, y + i * 14), (x + 110, y + i * 14 + 6), (0.02, 0.02, 0.02), -1)
    for _ in range(int(rng.integers(1, 4))):
        a, b = (int(v) for v in rng.integers(0, SIZE - 90, 2))
        tint = tuple(float(c) for c in rng.uniform(0.03, 0.85, 3))
        cv2.rectangle(
            colour, (a, b), (a + int(rng.integers(20, 150)), b + int(rng.integers(16, 110))), tint, -1
        )
    cv2.circle(
        colour, (int(rng.integers(SIZE)), int(rng.integers(SIZE))), 10, (0.1, 0.9, 0.3), -1, cv2.LINE_AA
    )
    return colour.clip(0.005, 0.95), np.zeros((SIZE, SIZE), np.float32), float(rng.uniform(0.2, 0.5))


def car(rng: np.random.Generator) -> Surface:
    """A car's flank or bumper: lacquer in a shade, gaps, a dark lower part, a lamp, a wheel."""
    base = np.array(
        [
            (0.75, 0.75, 0.76),
            (0.03, 0.03, 0.035),
            (0.4, 0.02, 0.02),
            (0.03, 0.07, 0.25),
            (0.3, 0.31, 0.32),
            (0.12, 0.2, 0.15),
        ][int(rng.integers(6))]
    )
    fall = np.linspace(1.1, 0.7, SIZE)[:, None, None] * np.ones((1, SIZE, 1))
    colour = np.asarray(base * fall, np.float32)
    low = int(rng.integers(SIZE // 2, SIZE))
    colour[low:] = 0.02
    for _ in range(int(rng.integers(1, 4))):
        points = np.stack(
            [np.linspace(0, SIZE, 12), rng.uniform(0, low) + np.cumsum(rng.normal(0, 7, 12))], 1
        )
        cv2.polylines(colour, [points.astype(np.int32)], False, (0.01, 0.01, 0.01), 3, cv2.LINE_AA)
    if rng.random() < 0.5:
        centre = (int(rng.integers(SIZE)), int(rng.integers(SIZE // 2)))
        cv2.ellipse(
            colour, centre, (90, 34), float(rng.uniform(-15, 15)), 0, 360, (0.55, 0.03, 0.02), -1, cv2.LINE_AA
        )
    if rng.random() < 0.5:
        centre = (int(rng.integers(SIZE)), SIZE - 20)
        cv2.circle(colour, centre, 120, (0.015, 0.015, 0.015), -1, cv2.LINE_AA)
        cv2.circle(colour, centre, 70, (0.4, 0.4, 0.42), 22, cv2.LINE_AA)
    return colour.clip(0.005, 0.9), np.zeros((SIZE, SIZE), np.float32), 0.18


GROUNDS: dict[str, Callable[[np.random.Generator], Surface]] = {
    "gravel": gravel,
    "snow": snow,
    "mud": mud,
    "asphalt": asphalt,
    "grass": grass,
    "wood": wood,
}
WALLS: dict[str, Callable[[np.random.Generator], Surface]] = {
    "wood": wood,
    "sheet": sheet,
    "brick": brick,
    "plaster": plaster,
    "cabinet": cabinet,
    "car": car,
    "hedge": hedge,
}
