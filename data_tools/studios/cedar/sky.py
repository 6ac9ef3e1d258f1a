"""Light: a painted high-dynamic-range surrounding (world frame, y up), a sun, a flash."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from data_tools.studios.cedar.meshes import Array

HEIGHT, WIDTH = 160, 320
KINDS = (
    "low sun",
    "low sun",
    "high sun",
    "overcast",
    "overcast",
    "snow light",
    "dusk",
    "night lamps",
    "canopy",
    "canopy",
    "garage",
    "hall",
    "back light",
)


@dataclass(frozen=True)
class Light:
    """One light: ``surround`` HEIGHT x WIDTH x 3 radiance, ``sun`` irradiance, ``to_sun`` unit (world)."""

    kind: str
    surround: Array
    sun: tuple[float, float, float]
    to_sun: np.ndarray
    flash: float


def _soft(rng: np.random.Generator, rows: int, columns: int) -> Array:
    small = rng.normal(0, 1, (rows, columns + 1)).astype(np.float32)
    small[:, -1] = small[:, 0]
    return np.asarray(cv2.resize(small, (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC), np.float32)


def _elevation() -> Array:
    return np.asarray(np.pi / 2 - (np.arange(HEIGHT) + 0.5) / HEIGHT * np.pi, np.float32)[:, None]


def pixel_of(direction: np.ndarray) -> tuple[int, int]:
    """Return the column and row of a world direction in the surround (Mitsuba's layout)."""
    x, y, z = direction / np.linalg.norm(direction)
    u = (np.arctan2(x, -z) / (2 * np.pi)) % 1.0
    v = np.arccos(np.clip(y, -1, 1)) / np.pi
    return int(u * WIDTH) % WIDTH, min(int(v * HEIGHT), HEIGHT - 1)


def _sky(rng: np.random.Generator, top: Array, horizon: Array, ground: Array, clouds: float) -> Array:
    up = _elevation()[..., None]
    share = np.clip(np.sin(np.clip(up, 0, None)), 0, 1) ** 0.6
    picture = horizon * (1 - share) + top * share
    veil = np.clip(_soft(rng, 10, 16) + 0.5 * _soft(rng, 24, 40), 0, 2)[..., None] * clouds
    picture = picture * (1 - 0.4 * veil) + 0.4 * veil * horizon.mean() * 1.3
    uneven = 1 + 0.18 * _soft(rng, 30, 60)[..., None]
    return np.asarray(np.where(up > 0, picture, ground * uneven), np.float32)


def _treeline(rng: np.random.Generator, picture: Array, colour: Array, high: float) -> None:
    edge = high * (0.5 + 0.5 * np.abs(_soft(rng, 1, 24)[0]) + 0.3 * np.abs(_soft(rng, 1, 90)[0]))
    up = _elevation()
    trees = (up > -0.02) & (up < edge[None])
    texture = 1 + 0.4 * rng.normal(0, 1, (HEIGHT, WIDTH))
    picture[trees] = (colour * texture.clip(0.2, 2)[..., None])[trees]


def _houses(rng: np.random.Generator, picture: Array, level: float, lit: float) -> None:
    for _ in range(int(rng.integers(2, 7))):
        left, wide = int(rng.integers(0, WIDTH - 12)), int(rng.integers(10, 44))
        tall = int(rng.integers(6, 26))
        tint = rng.uniform(0.3, 1.0, 3) * level
        row = HEIGHT // 2
        picture[row - tall : row + 2, left : left + wide] = tint
        for y in range(row - tall + 2, row - 3, 5):
            for x in range(left + 2, min(left + wide - 2, WIDTH - 2), 5):
                glow = np.array([1.0, 0.7, 0.35]) * lit if rng.random() < 0.35 else tint * 0.3
                picture[y : y + 3, x : x + 2] = glow


def _lamp_rows(rng: np.random.Generator, picture: Array, power: float, tint: Array) -> None:
    """Paint rows of lamps under a roof, running away from the viewer."""
    height, heading = rng.uniform(1.6, 3.2), rng.uniform(-0.6, 0.6)
    pitch, long_lamp = rng.uniform(2.5, 5), rng.random() < 0.5
    for x in rng.choice([-4.5, -2.0, 0.4, 2.4, 5.0], int(rng.integers(2, 4)), replace=False):
        for k in np.arange(-5, 6):
            z = k * pitch + 0.7
            way = np.array(
                [
                    x * np.cos(heading) + z * np.sin(heading),
                    height,
                    -x * np.sin(heading) + z * np.cos(heading),
                ]
            )
            column, row = pixel_of(way)
            far = float(np.linalg.norm(way))
            size = (max(int((9 if long_lamp else 3) * 3 / far), 1), max(int(6 / far), 1))
            cv2.ellipse(picture, (column, row), size, 0, 0, 360, tuple(float(c) for c in tint * power), -1)


def _room(rng: np.random.Generator, level: float) -> Array:
    """Return a hall or garage: floor, walls with uneven panels, pillars, ceiling."""
    up = _elevation()[..., None]
    wall, floor, ceiling = (rng.uniform(0.15, 0.7) * rng.uniform(0.8, 1.1, 3) * level for _ in range(3))
    picture = np.where(up > 0.6, ceiling, np.where(up < -0.35, floor, wall)) * np.ones((1, WIDTH, 1))
    picture = picture * (1 + 0.15 * _soft(rng, 8, 20)[..., None])
    for _ in range(int(rng.integers(2, 8))):
        left, wide = int(rng.integers(0, WIDTH)), int(rng.integers(4, 26))
        picture[HEIGHT // 3 : HEIGHT * 2 // 3, left : left + wide] *= rng.uniform(0.2, 1.6, 3)
    return np.asarray(picture.clip(0.001), np.float32)


def _direction(elevation: float, azimuth: float) -> np.ndarray:
    """Azimuth 0 is behind the viewer's back (+z), radians."""
    flat = np.cos(elevation)
    return np.array([flat * np.sin(azimuth), np.sin(elevation), flat * np.cos(azimuth)])


def _outdoors(rng: np.random.Generator, kind: str, snow: bool) -> Light:
    blue = np.array([0.35, 0.55, 0.95]) * rng.uniform(0.7, 1.2)
    earth = (
        rng.uniform(0.55, 0.8) * np.array([0.95, 0.98, 1.05])
        if snow
        else rng.uniform(0.08, 0.25) * np.array([1.0, 0.93, 0.8])
    )
    warm = np.array([1.0, rng.uniform(0.6, 0.85), rng.uniform(0.35, 0.65)])
    sun, elevation = np.zeros(3), 0.2
    if kind in ("low sun", "back light"):
        elevation = float(rng.uniform(0.08, 0.4))
        picture = _sky(rng, blue * 0.6, np.array([1.0, 0.85, 0.7]), earth * 0.8, rng.uniform(0, 0.5))
        sun = warm * rng.uniform(2.0, 6)
    elif kind == "high sun":
        elevation = float(rng.uniform(0.5, 1.1))
        picture = _sky(rng, blue, np.array([0.8, 0.9, 1.0]), earth * 1.2, rng.uniform(0, 0.6))
        sun = np.array([1.0, 0.95, 0.86]) * rng.uniform(2.5, 7)
    elif kind == "dusk":
        glow = np.array([0.9, 0.45, 0.3]) * rng.uniform(0.3, 1.0)
        picture = _sky(rng, np.array([0.08, 0.13, 0.28]), glow, earth * 0.15, 0.5)
    else:
        grey = np.array([0.85, 0.92, 1.0])
        picture = _sky(rng, grey * rng.uniform(0.8, 1.3), grey * rng.uniform(0.5, 0.9), earth * 0.9, 0.5)
    level = float(picture[: HEIGHT // 2].mean())
    _treeline(rng, picture, np.array([0.06, 0.08, 0.05]) * level + 0.04 * snow, rng.uniform(0.05, 0.3))
    if rng.random() < 0.6:
        _houses(rng, picture, level * 0.6, 3.0 if kind == "dusk" else 0.1)
    side = rng.uniform(2.2, 4.1) if kind == "back light" else rng.normal(0, 0.95)
    flash = float(rng.uniform(0.4, 1.2)) if kind == "dusk" and rng.random() < 0.4 else 0.0
    return Light(kind, picture, tuple(sun), _direction(elevation, side), flash)  # type: ignore[arg-type]


def draw_light(rng: np.random.Generator, snow: bool) -> Light:
    """Draw the light of one place."""
    kind = str(KINDS[int(rng.integers(len(KINDS)))])
    tint = np.array([1.0, rng.uniform(0.72, 0.98), rng.uniform(0.45, 1.0)])
    if kind in ("garage", "hall"):
        picture = _room(rng, float(rng.uniform(0.3, 0.8)))
        _lamp_rows(rng, picture, float(rng.uniform(8, 25)), tint)
        flash = float(rng.uniform(0.3, 1.0)) if rng.random() < 0.25 else 0.0
        return Light(kind, picture, (0.0, 0.0, 0.0), _direction(0.9, 0.0), flash)
    if kind in ("night lamps", "canopy"):
        night = kind == "night lamps" or rng.random() < 0.4
        level = 0.03 if night else 0.8
        top = (
            np.array([0.05, 0.06, 0.1]) if kind == "night lamps" else np.array([0.12, 0.11, 0.1]) * level * 2
        )
        picture = _sky(
            rng,
            top * (0.4 if night else 1),
            np.array([0.9, 0.95, 1.0]) * level,
            np.array([0.3, 0.3, 0.3]) * max(level * 0.6, 0.05),
            0.2,
        )
        _treeline(rng, picture, np.array([0.03, 0.035, 0.03]) * max(level, 0.1), 0.15)
        _houses(rng, picture, level * 0.4, 1.5 if night else 0.1)
        _lamp_rows(rng, picture, float(rng.uniform(10, 30)), tint)
        flash = float(rng.uniform(0.4, 1.5)) if night and rng.random() < 0.55 else 0.0
        return Light(kind, picture, (0.0, 0.0, 0.0), _direction(0.7, float(rng.normal(0, 1))), flash)
    return _outdoors(rng, kind, snow or kind == "snow light")
