"""Signed-distance fields (mm, negative inside) on grids, and their surfaces by marching cubes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.ndimage import map_coordinates
from skimage.measure import marching_cubes

from data_tools.studios.alder.mesh import Array


@dataclass(frozen=True)
class Grid:
    """A regular grid: ``low`` corner (mm), ``cell`` (mm), and the ...x3 points of its nodes."""

    low: Array
    cell: float
    points: Array

    @classmethod
    def over(cls, low: Array, high: Array, cell: float) -> Grid:
        """Return the grid from ``low`` to ``high`` (mm)."""
        axes = [np.arange(a, b + cell, cell, dtype=np.float32) for a, b in zip(low, high, strict=True)]
        return cls(np.asarray(low, float), cell, np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1))

    def at(self, field: Array, points: Array) -> Array:
        """Return ``field`` (on the nodes) read at Nx3 points (mm)."""
        where = ((points - self.low) / self.cell).T
        return np.asarray(map_coordinates(field, where, order=1, mode="nearest"))


def surface(grid: Grid, field: Array) -> tuple[Array, Array]:
    """Return points (Nx3 mm) and faces of the zero surface, closed at the ends of the grid."""
    solid = field.astype(np.float32).copy()
    for axis in range(3):
        for end in (0, -1):
            index: list[slice | int] = [slice(None)] * 3
            index[axis] = end
            solid[tuple(index)] = np.maximum(solid[tuple(index)], 0.05)
    if solid.min() >= 0:
        return np.zeros((0, 3)), np.zeros((0, 3), np.int32)
    march: Any = marching_cubes  # untyped in its library
    points, faces, _, _ = march(solid, 0.0, spacing=(grid.cell,) * 3, gradient_direction="ascent")
    return points + grid.low, faces


def smooth_max(a: Array, b: Array, round_mm: float) -> Array:
    """Return the meeting of two solids with its edge rounded over about ``round_mm``."""
    h = np.maximum(round_mm - np.abs(a - b), 0.0) / max(round_mm, 1e-6)
    return np.asarray(np.maximum(a, b) + h * h * round_mm * 0.25)


def smooth_min(a: Array, b: Array, round_mm: float) -> Array:
    """Return the union of two solids, fused over about ``round_mm``."""
    return -smooth_max(-a, -b, round_mm)


def away(points: Array, centre: Array | tuple[float, ...]) -> Array:
    """Return the distance of ...x3 points from ``centre`` (mm)."""
    x, y, z = (points[..., k] - np.float32(centre[k]) for k in range(3))
    return np.asarray(np.sqrt(x * x + y * y + z * z))


def ball(points: Array, centre: Array | tuple[float, ...], radius: float) -> Array:
    """Return the distance field of a ball (mm)."""
    return away(points, centre) - np.float32(radius)


def capsule(points: Array, a: Array, b: Array, radius_a: float, radius_b: float) -> Array:
    """Return the distance field of a capsule from ``a`` to ``b`` whose radius changes evenly (mm)."""
    span = np.asarray(b - a, np.float32)
    x, y, z = (points[..., k] - np.float32(a[k]) for k in range(3))
    along = (x * span[0] + y * span[1] + z * span[2]) / np.float32(max(float(span @ span), 1e-9))
    along = np.clip(along, 0.0, 1.0)
    x, y, z = x - along * span[0], y - along * span[1], z - along * span[2]
    return np.asarray(np.sqrt(x * x + y * y + z * z) - (radius_a + (radius_b - radius_a) * along))


def slab(points: Array, low: Array | tuple[float, ...], high: Array | tuple[float, ...]) -> Array:
    """Return the field of an axis-aligned box (mm)."""
    middle, half = (np.add(low, high) / 2).astype(np.float32), (np.subtract(high, low) / 2).astype(np.float32)
    x, y, z = (np.abs(points[..., k] - middle[k]) - half[k] for k in range(3))
    outside = sum(np.maximum(side, 0) ** 2 for side in (x, y, z))
    return np.asarray(np.sqrt(outside) + np.minimum(np.maximum(np.maximum(x, y), z), 0))


def polygon(x: Array, y: Array, corners: Array) -> Array:
    """Return the signed distance (negative inside) of points to a Kx2 polygon; ``x``, ``y`` mm."""
    gap = np.full(x.shape, np.inf)
    inside = np.zeros(x.shape, bool)
    for (ax, ay), (bx, by) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        ex, ey = bx - ax, by - ay
        t = np.clip(((x - ax) * ex + (y - ay) * ey) / max(ex * ex + ey * ey, 1e-9), 0, 1)
        gap = np.minimum(gap, np.hypot(x - ax - t * ex, y - ay - t * ey))
        crosses = (ay > y) != (by > y)
        inside ^= crosses & (x < ex * (y - ay) / (ey if abs(ey) > 1e-9 else 1e-9) + ax)
    return np.where(inside, -gap, gap)
