"""Solids as signed distances (mm, negative inside) on a stretched grid, and their surfaces as meshes.

Sleeves, latch and head are all meshed this way, whole or damaged, so that the mesh itself never tells a
damaged part from an intact one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skimage.measure import marching_cubes

Array = NDArray[Any]


def graded(fine_low: float, fine_high: float, step: float, low: float, high: float, growth: float) -> Array:
    """Return grid positions, ``step`` apart in the fine range and growing by ``growth`` outside it, in mm."""
    middle = np.arange(fine_low, fine_high + step / 2, step)

    def outward(start: float, distance: float) -> list[float]:
        found, gap, at = [], step, 0.0
        while at < distance:
            gap = min(gap * growth, 2.0)
            at += gap
            found.append(start + at)
        return found

    above = outward(middle[-1], high - middle[-1])
    below = [2 * middle[0] - value for value in outward(middle[0], middle[0] - low)]
    return np.array([*reversed(below), *middle, *above], np.float32)


@dataclass
class Grid:
    """Grid positions along x, y and z, each ascending, in mm."""

    x: Array
    y: Array
    z: Array

    def coordinates(self) -> tuple[Array, Array, Array]:
        """Return x, y, z shaped to broadcast to the full grid."""
        return self.x[:, None, None], self.y[None, :, None], self.z[None, None, :]

    @property
    def shape(self) -> tuple[int, int, int]:
        """Number of grid positions along each axis."""
        return len(self.x), len(self.y), len(self.z)

    def window(self, centre: tuple[float, float], reach: float) -> tuple[slice, slice]:
        """Return the x and y slices within ``reach`` mm of ``centre``."""
        bounds = []
        for axis, middle in ((self.x, centre[0]), (self.y, centre[1])):
            low, high = np.searchsorted(axis, [middle - reach, middle + reach])
            bounds.append(slice(int(low), int(high)))
        return bounds[0], bounds[1]


def surface(field: Array, grid: Grid) -> tuple[NDArray[np.float32], NDArray[np.uint32]]:
    """Return vertices (mm) and faces of the zero level of ``field``; both empty where nothing is solid."""
    if not (field.min() < 0.0 < field.max()):
        return np.zeros((0, 3), np.float32), np.zeros((0, 3), np.uint32)
    found, faces, _, _ = marching_cubes(  # type: ignore[no-untyped-call]
        np.ascontiguousarray(field, np.float32), 0.0, allow_degenerate=False
    )
    axes = (grid.x, grid.y, grid.z)
    vertices = np.stack([np.interp(found[:, i], np.arange(len(axes[i])), axes[i]) for i in range(3)], axis=1)
    return vertices.astype(np.float32), np.ascontiguousarray(faces).astype(np.uint32)


def smooth_min(a: Array, b: Array, blend: float) -> Array:
    """Return the union of two solids with a fillet of about ``blend`` mm."""
    if blend <= 1e-3:
        return np.minimum(a, b)
    h = np.abs(a - b)
    h = np.maximum(np.float32(blend) - h, 0.0) / np.float32(blend)
    h *= h
    h *= np.float32(blend / 4)
    result: Array = np.minimum(a, b) - h
    return result


def length(u: Array, v: Array) -> Array:
    """Return the length of plane vectors, mm; ``np.hypot`` also minds overflow and takes far longer."""
    result: Array = np.sqrt(u * u + v * v)
    return result


def smooth_max(a: Array, b: Array, blend: float) -> Array:
    """Return the intersection of two solids with an edge rounded by about ``blend`` mm."""
    return -smooth_min(-a, -b, blend)


def extrude(outline: Array, z: Array, low: float, high: float, rounding: float) -> Array:
    """Return the solid of a plane signed distance ``outline`` between two heights, edges rounded."""
    r = np.float32(rounding)
    across = outline + r
    along = np.maximum(z - np.float32(high), np.float32(low) - z) + r
    result: Array = length(np.maximum(across, 0.0), np.maximum(along, 0.0))
    result += np.minimum(np.maximum(across, along), 0.0)
    result -= r
    return result


def rectangle(u: Array, v: Array, half_u: float, half_v: float, rounding: float = 0.0) -> Array:
    """Return the plane signed distance of a centred rectangle with rounded corners."""
    r = np.float32(min(rounding, half_u, half_v))
    du, dv = np.abs(u) - np.float32(half_u) + r, np.abs(v) - np.float32(half_v) + r
    outside = length(np.maximum(du, 0.0), np.maximum(dv, 0.0))
    result: Array = np.minimum(np.maximum(du, dv), 0.0) + outside - r
    return result


def segment(x: Array, y: Array, start: tuple[float, float], end: tuple[float, float]) -> Array:
    """Return the plane distance to a line segment."""
    ax, ay = end[0] - start[0], end[1] - start[1]
    length2 = max(ax * ax + ay * ay, 1e-9)
    t = np.clip(((x - start[0]) * ax + (y - start[1]) * ay) / length2, 0.0, 1.0)
    return length(x - start[0] - t * ax, y - start[1] - t * ay)


def cut_out(
    vertices: NDArray[np.float32], faces: NDArray[np.uint32]
) -> tuple[NDArray[np.float32], NDArray[np.uint32]]:
    """Return the vertices that ``faces`` use, in their order, and the faces renumbered for them."""
    seen = np.zeros(len(vertices), bool)
    seen[faces] = True
    used = np.flatnonzero(seen)
    number = np.zeros(len(vertices), np.uint32)
    number[used] = np.arange(len(used), dtype=np.uint32)
    return vertices[used], number[faces]
