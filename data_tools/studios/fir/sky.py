"""Skies and lamps as pictures of all directions: daylight, canopies, garages, street lamps, night."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from data_tools.studios.fir.noise import cloud

LIGHTS = ("overcast", "shade", "sun", "canopy", "garage", "sodium", "dusk", "flash", "rain")
SHARES = (0.11, 0.12, 0.14, 0.16, 0.14, 0.09, 0.08, 0.1, 0.06)
_HIGH, _WIDE = 256, 512
Sky = NDArray[Any]
_ROW, _COLUMN = np.mgrid[:_HIGH, :_WIDE].astype(np.float32)
_UP = np.cos(np.pi * (_ROW + 0.5) / _HIGH)
_TURN = 2 * np.pi * (_COLUMN + 0.5) / _WIDE
_FRONT = -np.cos(_TURN) * np.sqrt(1 - _UP**2)
"""How far each direction points at whoever looks at the coupler: there his body stands."""


def paint_sky(rng: np.random.Generator, light: str) -> Sky:
    """Return the light from all directions (256 x 512 x 3, linear, +y up, the viewer at +z)."""
    top, level, floor = {
        "overcast": (1.0, 0.8, 0.14), "shade": (0.75, 0.5, 0.12), "sun": (0.5, 0.7, 0.25),
        "rain": (0.6, 0.45, 0.1), "canopy": (0.1, 0.35, 0.06), "garage": (0.14, 0.1, 0.06),
        "sodium": (0.004, 0.01, 0.004), "dusk": (0.16, 0.3, 0.03), "flash": (0.002, 0.006, 0.002),
    }[light]  # fmt: skip
    height = np.clip(_UP, 0, 1) ** 0.6
    sky = np.where(_UP > 0, level + (top - level) * height, floor)[..., None] * np.ones(3)
    blue = rng.uniform(0.1, 0.5) if light in ("shade", "sun", "dusk") else rng.uniform(-0.03, 0.12)
    sky = sky * (1 + blue * height[..., None] * np.array([-0.7, 0, 1.0]))
    if light == "dusk":
        sky = sky * (
            1 + np.exp(-((_UP / 0.15) ** 2))[..., None] * rng.uniform(0.5, 2) * np.array([1.0, 0.2, -0.5])
        )
    noise = np.clip(1 + 0.35 * cv2.resize(cloud(rng, _HIGH, 3), (_WIDE, _HIGH)), 0.2, 2)
    sky = sky * noise[..., None]
    _houses(rng, sky, level)
    _lamps(rng, sky, light)
    body = np.clip((_FRONT - 0.55) * 4, 0, 1) * np.clip((0.45 - _UP) * 3, 0, 1)
    sky *= (1 - rng.uniform(0.4, 0.9) * body)[..., None]
    return np.ascontiguousarray(np.clip(sky, 0, None), np.float32)


def _houses(rng: np.random.Generator, sky: NDArray[np.float64], level: float) -> None:
    """Blocks along the horizon, some bright, some dark, and openings."""
    for _ in range(rng.integers(3, 14)):
        at, wide, high = rng.uniform(0, 2 * np.pi), rng.uniform(0.05, 0.5), rng.uniform(0.03, 0.5)
        here = (np.abs((_TURN - at + np.pi) % (2 * np.pi) - np.pi) < wide) & (high > _UP) & (_UP > -0.1)
        sky[here] = level * rng.uniform(0.1, 1.4) * rng.uniform(0.8, 1.2, 3)


def _spot(
    sky: NDArray[np.float64], turn: float, up: float, wide: float, high: float, light: NDArray[np.float64]
) -> None:
    """Add a lamp; sizes in radians."""
    aside = np.abs((_TURN - turn + np.pi) % (2 * np.pi) - np.pi) * np.sqrt(1 - _UP**2)
    above = np.abs(np.arcsin(_UP) - up)
    sky += (np.clip((wide - aside) * 80 + 0.5, 0, 1) * np.clip((high - above) * 80 + 0.5, 0, 1))[
        ..., None
    ] * light


def _lamps(rng: np.random.Generator, sky: NDArray[np.float64], light: str) -> None:
    warm = np.array([1.0, 0.5, 0.12])
    cool = np.array([0.92, 1.0, rng.uniform(0.85, 1.2)])
    green = np.array([0.9, 1.0, rng.uniform(0.6, 0.85)])
    turns = rng.uniform(0, 2 * np.pi, 16)
    if light == "sun":
        _spot(
            sky,
            turns[0],
            rng.uniform(0.35, 1.25),
            0.016,
            0.016,
            rng.uniform(1500, 3500) * np.array([1, 0.93, 0.82]),
        )
    if light == "canopy":
        for k in range(rng.integers(2, 8)):
            size = rng.uniform(0.04, 0.16)
            _spot(
                sky,
                turns[k],
                rng.uniform(0.4, 1.4),
                size,
                size * rng.uniform(0.3, 1),
                rng.uniform(8, 40) * cool,
            )
    if light == "garage":
        for k in range(rng.integers(2, 6)):
            _spot(
                sky, turns[k], rng.uniform(0.3, 1.3), rng.uniform(0.2, 0.5), 0.02, rng.uniform(8, 30) * green
            )
    if light in ("sodium", "dusk"):
        tint = warm if rng.random() < 0.7 else cool
        for k in range(rng.integers(1, 4)):
            _spot(sky, turns[k], rng.uniform(0.4, 1.3), 0.03, 0.025, rng.uniform(20, 120) * tint)
    if light in ("sodium", "dusk", "flash", "canopy"):
        for turn in turns[8 : 8 + rng.integers(2, 8)]:
            tint = (warm, cool, green, np.array([1, 0.1, 0.08]))[rng.integers(4)]
            _spot(sky, turn, rng.uniform(-0.05, 0.3), 0.012, 0.012, rng.uniform(0.3, 4) * tint)
