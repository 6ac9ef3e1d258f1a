"""Smooth random fields in space, looked up in one periodic lattice."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from scipy.ndimage import map_coordinates, zoom

from data_tools.studios.alder.mesh import Array

_FEATURES = 20
_STEPS = 4


@lru_cache(maxsize=1)
def _lattice() -> Array:
    """Return the 80 x 80 x 80 periodic lattice; four steps a feature, mean 0, deviation 1."""
    raw = np.random.default_rng(404).standard_normal((_FEATURES,) * 3)
    padded = np.pad(raw, 3, mode="wrap")
    fine = zoom(padded, _STEPS, order=3, mode="grid-constant", grid_mode=True)
    cut = fine[3 * _STEPS : -3 * _STEPS, 3 * _STEPS : -3 * _STEPS, 3 * _STEPS : -3 * _STEPS]
    return np.asarray((cut - cut.mean()) / cut.std(), np.float32)


def noise(points: Array, feature: float, seed: int) -> Array:
    """Return noise (mean 0, deviation about 1) at ...x3 mm; ``feature`` is the size of a lump in mm."""
    shift = np.random.default_rng(seed).uniform(0, _FEATURES * _STEPS, 3)
    where = np.moveaxis(points, -1, 0) * (_STEPS / feature) + shift.reshape(3, *([1] * (points.ndim - 1)))
    return np.asarray(map_coordinates(_lattice(), where.astype(np.float32), order=1, mode="grid-wrap"))


def rough_noise(points: Array, feature: float, seed: int, octaves: int = 3) -> Array:
    """Return noise of several sizes, each half as large and half as strong as the one before."""
    total = noise(points, feature, seed)
    for k in range(1, octaves):
        total = total + noise(points, feature / 2**k, seed + 7 * k) / 2**k
    return np.asarray(total)


def flat_noise(height: int, width: int, feature: float, rng: np.random.Generator, octaves: int = 4) -> Array:
    """Return a height x width picture of noise; ``feature`` is the size of the largest lump in pixels."""
    total = np.zeros((height, width), np.float32)
    for k in range(octaves):
        size = max(feature / 2**k, 1.0)
        coarse = rng.standard_normal((int(height / size) + 4, int(width / size) + 4)).astype(np.float32)
        scale = (int(coarse.shape[1] * size) + 1, int(coarse.shape[0] * size) + 1)
        fine = cv2.resize(coarse, scale, interpolation=cv2.INTER_CUBIC)
        total += fine[:height, :width] * np.float32(1.3 / 2**k)
    return total
