"""Smooth noise in space, and noise pictures that repeat."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

_WAVES = 14


class Noise:
    """A smooth random field of points in 3-D, about -1 to 1, whose features are ``size`` mm wide."""

    def __init__(self, rng: np.random.Generator, size: float, octaves: int = 2) -> None:
        way = rng.normal(size=(_WAVES * octaves, 3))
        way /= np.linalg.norm(way, axis=1, keepdims=True)
        level = np.repeat(np.arange(octaves), _WAVES)
        self._waves = way * (np.pi / size * 1.9**level * rng.uniform(0.6, 1.4, len(way)))[:, None]
        self._phase = rng.uniform(0, 2 * np.pi, len(way))
        self._weight = 0.55**level * np.sqrt(2.0 / _WAVES)

    def __call__(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the field at N x 3 points, mm."""
        return np.asarray(np.sin(points @ self._waves.T + self._phase) @ self._weight)


def cloud(rng: np.random.Generator, side: int, cells: float, octaves: int = 4) -> NDArray[np.float32]:
    """Return a noise picture (``side`` x ``side``, about -1 to 1) with ``cells`` features across."""
    total = np.zeros((side, side), np.float32)
    for k in range(octaves):
        count = int(min(max(2, cells * 2**k), side))
        small = rng.normal(size=(count, count)).astype(np.float32)
        total += 0.6**k * cv2.resize(np.pad(small, 1, "wrap"), (side, side), interpolation=cv2.INTER_CUBIC)
    return total / 1.2
