"""Smooth random fields in space, looked up in one periodic lattice."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from scipy.ndimage import zoom

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


@lru_cache(maxsize=1)
def _flat() -> Array:
    """Return the lattice with its first layers once more behind the last, as one row."""
    return np.pad(_lattice(), ((0, 1),) * 3, mode="wrap").ravel()


def noise(points: Array, feature: float, seed: int) -> Array:
    """Return noise (mean 0, deviation about 1) at ...x3 mm; ``feature`` is the size of a lump in mm."""
    side = np.float32(_FEATURES * _STEPS)
    shift = np.random.default_rng(seed).uniform(0, float(side), 3)
    shares, cells = [], []
    for axis in range(3):
        where = (points[..., axis] * (_STEPS / feature) + shift[axis]).astype(np.float32)
        cell = np.floor(where)
        shares.append(where - cell)
        cells.append((cell - side * np.floor(cell / side)).astype(np.int32))
    row = _FEATURES * _STEPS + 1
    first = (cells[0] * row + cells[1]) * row + cells[2]
    return _between(_flat(), first, (row * row, row, 1), shares)


def _between(values: Array, first: Array, steps: tuple[int, ...], shares: list[Array]) -> Array:
    """Return ``values`` between their index ``first`` and the ones ``steps`` on, by these shares (0..1)."""
    if not steps:
        return np.asarray(values.take(first))
    near = _between(values, first, steps[1:], shares[1:])
    far = _between(values, first + steps[0], steps[1:], shares[1:])
    far -= near
    far *= shares[0]
    near += far
    return near


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
