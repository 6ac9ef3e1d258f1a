"""The phone's camera: where it stands, and how the face plane maps to its pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Camera:
    """A pinhole at ``position`` (3,) mm; ``axes`` rows are right, down and forward; ``focal`` in pixels."""

    width: int
    height: int
    focal: float
    position: Array
    axes: Array

    def project(self, points: NDArray[np.floating]) -> Array:
        """Pixels (N, 2) of points (N, 3) mm; the centre of the first pixel is at (.5, .5)."""
        seen = (points - self.position) @ self.axes.T
        return seen[:, :2] / seen[:, 2:] * self.focal + (self.width / 2, self.height / 2)

    def homography(self) -> Array:
        """The matrix (3, 3) from face-plane mm (x, y, 1) to pixels, its last element 1."""
        lens = np.array([[self.focal, 0, self.width / 2], [0, self.focal, self.height / 2], [0, 0, 1.0]])
        matrix = lens @ np.column_stack([self.axes[:, 0], self.axes[:, 1], -self.axes @ self.position])
        return np.asarray(matrix / matrix[2, 2])

    def rays(self, pixels: NDArray[np.floating]) -> Array:
        """Unit directions (N, 3) through pixels (N, 2)."""
        local = np.column_stack(
            [(pixels - (self.width / 2, self.height / 2)) / self.focal, np.ones(len(pixels))]
        )
        world = local @ self.axes
        return np.asarray(world / np.linalg.norm(world, axis=1, keepdims=True))


def draw_camera(
    rng: Generator, centre: tuple[float, float], size: float, scale: float
) -> tuple[Camera, float]:
    """Draw a camera that looks at something ``size`` mm high round ``centre``; also its tilt in degrees."""
    long = int(rng.integers(512, 1001) * scale)
    short = int(long * rng.choice([0.75, 0.5625, 1.0], p=[0.7, 0.2, 0.1]))
    width, height = (short, long) if rng.random() < 0.6 else (long, short)
    focal = long / 2 / np.tan(np.radians(rng.uniform(50, 72)) / 2)
    share = rng.uniform(0.28, 0.85) if rng.random() < 0.7 else rng.uniform(0.45, 0.75)
    distance = size / (share * short) * focal
    tilt = np.radians(np.clip(rng.gamma(2.0, 7.5), 0, 38))
    side = rng.uniform(0, 2 * np.pi)
    away = np.array([np.sin(tilt) * np.cos(side), np.sin(tilt) * np.sin(side), np.cos(tilt)])
    target = np.array([*centre, 0.0])
    position = target + away * distance
    # turned any way round, more often about upright
    roll = rng.normal(0, 0.3) if rng.random() < 0.55 else rng.uniform(-np.pi, np.pi)
    right = np.array([np.cos(roll), np.sin(roll), 0.0])
    right -= away * (right @ away)
    right /= np.linalg.norm(right)
    down = np.cross(-away, right)
    # aim beside it: the face lands off-centre, now and then partly outside
    spare = max(1 - share, 0.05) / 2 if rng.random() < 0.88 else 0.6
    off = rng.uniform(-1, 1, 2) * spare * short / focal * distance
    aimed = -away * distance + right * off[0] + down * off[1]
    forward = aimed / np.linalg.norm(aimed)
    right = right - forward * (right @ forward)
    right /= np.linalg.norm(right)
    axes = np.stack([right, np.cross(forward, right), forward])
    return Camera(width, height, float(focal), position, axes), float(np.degrees(tilt))
