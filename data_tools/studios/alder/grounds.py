"""What lies behind the coupler: painted pictures of walls, ground, hedges, cars (linear albedo 0..1)."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from data_tools.studios.alder.mesh import Array
from data_tools.studios.alder.noise import flat_noise

SIDE = 640
Painter = Callable[[np.random.Generator], tuple[Array, float]]
"""Returns the picture (SIDE x SIDE x 3) and how many mm its side is in the world."""


def _shade(base: Array | tuple[float, ...], amount: Array) -> Array:
    return np.asarray(np.asarray(base, np.float32) * np.clip(1 + amount, 0.05, 3)[..., None], np.float32)


def _speckle(
    rng: np.random.Generator, sizes: tuple[float, float], count: int, low: float, high: float
) -> Array:
    """Return stones: overlapping blobs of random grey, each a little lit from one side."""
    picture = np.full((SIDE, SIDE), 0.05, np.float32)
    for size in np.linspace(sizes[1], sizes[0], 6):
        for _ in range(count // 6):
            x, y = int(rng.integers(SIDE)), int(rng.integers(SIDE))
            axes = (int(size * rng.uniform(0.6, 1.2)) + 1, int(size * rng.uniform(0.5, 1)) + 1)
            turn, grey = float(rng.uniform(0, 180)), float(rng.uniform(low, high))
            cv2.ellipse(picture, (x, y), axes, turn, 0, 360, grey * 0.5, -1)
            cv2.ellipse(
                picture, (x - 1, y - 1), (max(axes[0] - 1, 1), max(axes[1] - 1, 1)), turn, 0, 360, grey, -1
            )
    return picture


def asphalt(rng: np.random.Generator) -> tuple[Array, float]:
    """Paint asphalt, sometimes with a worn line of paint."""
    grey = float(rng.uniform(0.05, 0.16))
    stones = _speckle(rng, (1, 4), 5200, grey * 0.5, grey * 1.9)
    picture = _shade((1.0, 0.98, 0.95), 0.2 * flat_noise(SIDE, SIDE, 160, rng)) * stones[..., None]
    if rng.random() < 0.45:
        start, thick = int(rng.integers(0, SIDE)), int(rng.integers(40, 110))
        worn = flat_noise(SIDE, SIDE, 12, rng) > -0.9
        line = np.zeros((SIDE, SIDE), bool)
        line[:, start : start + thick] = True
        picture[line & worn] = [(0.62, 0.62, 0.58), (0.6, 0.42, 0.05), (0.08, 0.16, 0.4)][
            int(rng.integers(3))
        ]
    if rng.random() < 0.4:  # wet patches
        picture *= np.where(flat_noise(SIDE, SIDE, 200, rng) > 0.2, 0.5, 1.0)[..., None]
    return picture, float(rng.uniform(500, 900))


def gravel(rng: np.random.Generator) -> tuple[Array, float]:
    """Paint gravel."""
    stones = _speckle(rng, (5, 15), 3000, 0.1, 0.55)
    tint = np.array([1.0, rng.uniform(0.88, 1), rng.uniform(0.7, 0.95)])
    return _shade(tint, 0.1 * flat_noise(SIDE, SIDE, 60, rng)) * stones[..., None], float(
        rng.uniform(300, 600)
    )


def grass(rng: np.random.Generator) -> tuple[Array, float]:
    """Paint grass or leaves: many thin strokes in greens."""
    picture = np.full((SIDE, SIDE, 3), (0.012, 0.02, 0.006), np.float32)
    leaf = rng.random() < 0.5
    for k in range(5200):
        x, y = rng.integers(0, SIDE, 2)
        length, turn = rng.uniform(6, 30), rng.normal(np.pi / 2, 0.6)
        bright = (0.25 + 0.75 * k / 5200) * rng.uniform(0.5, 1.3)
        colour = (rng.uniform(0.06, 0.13) * bright, rng.uniform(0.11, 0.17) * bright, 0.045 * bright)
        if leaf:
            axes = (int(length / 4) + 2, int(length / 8) + 1)
            cv2.ellipse(picture, (int(x), int(y)), axes, float(np.degrees(turn)), 0, 360, colour, -1)
        else:
            end = (int(x + length * np.cos(turn)), int(y - length * np.sin(turn)))
            cv2.line(picture, (int(x), int(y)), end, colour, int(rng.integers(1, 3)))
    return picture, float(rng.uniform(400, 1100))


def brick(rng: np.random.Generator) -> tuple[Array, float]:
    """Paint a brick wall, or paving slabs."""
    high = int(rng.integers(32, 60))
    long = int(high * rng.uniform(2.2, 3.6))
    base = np.array(
        [(0.32, 0.1, 0.06), (0.4, 0.22, 0.12), (0.3, 0.29, 0.27), (0.5, 0.4, 0.28)][int(rng.integers(4))]
    )
    mortar = np.array([1.0, 0.97, 0.92]) * rng.uniform(0.2, 0.5)
    picture: Array = np.tile(mortar.astype(np.float32), (SIDE, SIDE, 1))
    for row in range(SIDE // high + 1):
        for column in range(-1, SIDE // long + 2):
            x0, y0 = int(column * long + (row % 2) * long / 2), row * high
            colour = np.clip(base * rng.normal(1, 0.18) * rng.normal(1, 0.04, 3), 0, 1)
            cv2.rectangle(picture, (x0 + 3, y0 + 3), (x0 + long - 3, y0 + high - 3), colour.tolist(), -1)
    picture = picture * (1 + 0.16 * flat_noise(SIDE, SIDE, 20, rng))[..., None]
    return np.clip(picture, 0, 1), float(SIDE * rng.uniform(65, 110) / high)


def plaster(rng: np.random.Generator) -> tuple[Array, float]:
    """Paint plaster or concrete with stains, sometimes a pipe or a joint."""
    base = np.array(
        [(0.6, 0.58, 0.52), (0.4, 0.4, 0.39), (0.55, 0.45, 0.3), (0.25, 0.26, 0.27)][int(rng.integers(4))]
    )
    stain = np.minimum(flat_noise(SIDE, SIDE, 220, rng), 0.4) * 0.22 + 0.05 * flat_noise(SIDE, SIDE, 6, rng)
    picture = _shade(base, stain)
    for _ in range(int(rng.integers(0, 3))):
        at = int(rng.integers(0, SIDE))
        picture[:, at : at + int(rng.integers(2, 6))] *= 0.4
    if rng.random() < 0.3:
        at, thick = int(rng.integers(0, SIDE - 60)), int(rng.integers(14, 40))
        round_ = np.sin(np.linspace(0.2, np.pi - 0.2, thick))[None, :, None]
        picture[:, at : at + thick] = np.array([0.4, 0.4, 0.42], np.float32) * round_
    return np.clip(picture, 0, 1), float(rng.uniform(700, 1800))


def cabinet(rng: np.random.Generator) -> tuple[Array, float]:
    """Paint the front of a charging cabinet: panel gaps, a dark screen, a coloured band, screws, a vent."""
    base = np.array(
        [(0.75, 0.75, 0.74), (0.08, 0.085, 0.09), (0.35, 0.36, 0.37), (0.1, 0.2, 0.12)][int(rng.integers(4))]
    )
    picture = _shade(base, 0.03 * flat_noise(SIDE, SIDE, 200, rng))
    band = np.clip(rng.uniform(0, 0.6, 3), 0, 1)
    y = int(rng.integers(0, SIDE - 80))
    picture[y : y + int(rng.integers(15, 80))] = band
    x, y = rng.integers(40, SIDE - 220, 2)
    cv2.rectangle(picture, (int(x), int(y)), (int(x + 180), int(y + 110)), (0.01, 0.012, 0.015), -1)
    cv2.rectangle(picture, (int(x), int(y)), (int(x + 180), int(y + 110)), (base * 0.5).tolist(), 3)
    for k in range(int(rng.integers(0, 12))):
        row = 420 + 12 * k
        cv2.line(picture, (80, row), (300, row), (base * 0.15).tolist(), 4)
    for at in rng.integers(0, SIDE, 2):
        picture[:, at : at + 3] *= 0.25
    for _ in range(4):
        cv2.circle(picture, tuple(int(v) for v in rng.integers(0, SIDE, 2)), 6, (0.3, 0.3, 0.3), -1)
    dirt = np.clip(flat_noise(SIDE, SIDE, 90, rng) - 0.8, 0, 1)[..., None]
    return np.clip(picture * (1 - 0.5 * dirt), 0, 1), float(rng.uniform(500, 1000))


def car_side(rng: np.random.Generator) -> tuple[Array, float]:
    """Paint the side or rear of a car nearby: paint with soft reflections, gaps, lamp, bumper, wheel."""
    paints = ((0.6, 0.6, 0.6), (0.02, 0.02, 0.025), (0.3, 0.02, 0.02), (0.03, 0.07, 0.25), (0.2, 0.21, 0.22))
    base = np.array(paints[int(rng.integers(len(paints)))])
    y = np.linspace(0, 1, SIDE)[:, None] * np.ones((1, SIDE))
    bend = y + 0.06 * np.sin(np.linspace(0, 3, SIDE))[None] + 0.02 * flat_noise(SIDE, SIDE, 300, rng)
    shine = 0.6 * np.exp(-((bend - 0.3) ** 2) / 0.004) + 0.25 * np.exp(-((bend - 0.12) ** 2) / 0.01)
    picture = base[None, None] * (0.65 + 0.5 * (1 - bend))[..., None] + 0.3 * shine[..., None]
    for at in rng.integers(0, SIDE, 2):
        picture[:, at : at + 4] *= 0.15
    low = int(rng.integers(380, 520))
    picture[low:] = picture[low:] * 0.1 + 0.015
    if rng.random() < 0.6:
        centre = (int(rng.integers(0, SIDE)), low + 60)
        cv2.circle(picture, centre, 150, (0.01, 0.01, 0.01), -1)
        cv2.circle(picture, centre, 95, (0.35, 0.35, 0.36), -1)
        for k in range(5):
            turn = 2 * np.pi * k / 5
            end = (int(centre[0] + 90 * np.cos(turn)), int(centre[1] + 90 * np.sin(turn)))
            cv2.line(picture, centre, end, (0.03, 0.03, 0.03), 22)
    if rng.random() < 0.5:
        at = (int(rng.integers(0, SIDE)), int(rng.integers(150, 300)))
        cv2.ellipse(picture, at, (70, 34), 5, 0, 360, (0.45, 0.02, 0.02), -1)
    return np.clip(picture, 0, 0.95).astype(np.float32), float(rng.uniform(1000, 1800))


def car_park(rng: np.random.Generator) -> tuple[Array, float]:
    """Paint a far view over a car park: pale sky, trees or a hall, rows of cars, asphalt."""
    picture = np.zeros((SIDE, SIDE, 3), np.float32)
    horizon = int(rng.integers(240, 380))
    sky = np.array([(0.55, 0.7, 0.92), (0.85, 0.87, 0.9), (0.75, 0.75, 0.78)][int(rng.integers(3))])
    picture[:] = sky
    if rng.random() < 0.6:
        crown = horizon - 60 - 40 * flat_noise(1, SIDE, 90, rng)[0]
        trees = np.arange(SIDE)[:, None] > crown[None]
        picture[trees] = (0.05, 0.09, 0.03)
    else:
        at = int(rng.integers(0, 300))
        cv2.rectangle(
            picture, (at, horizon - 150), (at + 400, horizon), rng.uniform(0.2, 0.6, 3).tolist(), -1
        )
        for k in range(8):
            cv2.rectangle(
                picture,
                (at + 15 + 48 * k, horizon - 120),
                (at + 45 + 48 * k, horizon - 80),
                (0.05, 0.07, 0.1),
                -1,
            )
    picture[horizon:] = np.array([0.12, 0.12, 0.125]) * rng.uniform(0.6, 2.0)
    for _ in range(8):
        x, size = int(rng.integers(-60, SIDE)), int(rng.integers(50, 130))
        floor = horizon + int(size * 0.5)
        paint = (np.array([1, 1, 1]) * rng.choice([0.02, 0.2, 0.6, 0.7]) * rng.uniform(0.6, 1, 3)).tolist()
        cv2.rectangle(picture, (x, floor - size // 2), (x + 2 * size, floor - size // 6), paint, -1)
        cv2.ellipse(
            picture,
            (x + size, floor - size // 2),
            (int(size * 0.6), size // 3),
            0,
            180,
            360,
            (0.04, 0.05, 0.06),
            -1,
        )
        for wheel in (0.4, 1.6):
            cv2.circle(picture, (int(x + wheel * size), floor - size // 7), size // 6, (0.01, 0.01, 0.01), -1)
    for k in range(6):
        cv2.line(picture, (110 * k, SIDE), (220 + 40 * k, horizon + 60), (0.55, 0.55, 0.52), 4)
    return np.clip(picture * (1 + 0.06 * flat_noise(SIDE, SIDE, 15, rng))[..., None], 0, 0.95), 0.0


def planks(rng: np.random.Generator) -> tuple[Array, float]:
    """Paint wooden planks or a ribbed shutter of metal."""
    wide = int(rng.integers(40, 110))
    base = np.array([(0.35, 0.2, 0.1), (0.22, 0.19, 0.16), (0.4, 0.42, 0.44)][int(rng.integers(3))])
    picture = _shade(base, 0.25 * np.repeat(flat_noise(1, SIDE, 4, rng), SIDE, axis=0))
    picture = picture * (1 + 0.1 * flat_noise(SIDE, SIDE, 50, rng))[..., None]
    for at in range(0, SIDE, wide):
        picture[:, at : at + wide] *= rng.uniform(0.7, 1.2)
        picture[:, at : at + 4] *= 0.25
    turned = picture.transpose(1, 0, 2) if rng.random() < 0.5 else picture
    return np.clip(np.ascontiguousarray(turned), 0, 0.9), float(SIDE * 100 / wide)


WALLS: tuple[Painter, ...] = (brick, plaster, cabinet, car_side, car_park, planks, grass, car_park, car_side)
FLOORS: tuple[Painter, ...] = (asphalt, asphalt, gravel, grass, brick, plaster, planks)
