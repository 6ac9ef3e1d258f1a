"""Voxel grids of signed distances (mm, negative inside), noise in space, and their surfaces."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates
from skimage.measure import marching_cubes

from data_tools.studios.cedar.meshes import Array, Ints

Window = tuple[slice, slice, slice]


@dataclass
class Noise:
    """Smooth random values in space, about -1..1, periodic over 24 lattice cells."""

    rng: np.random.Generator
    lattice: Array = field(init=False)

    def __post_init__(self) -> None:
        self.lattice = self.rng.uniform(-1, 1, (24, 24, 24)).astype(np.float32)

    def at(self, points: NDArray[np.floating], size: float) -> Array:
        """Return values at ``points`` (... x 3 mm) for blobs of about ``size`` mm."""
        coordinates = np.moveaxis(np.asarray(points, np.float32), -1, 0) / size
        flat = coordinates.reshape(3, -1)
        values = map_coordinates(self.lattice, flat, order=1, mode="grid-wrap", output=np.float32)
        return np.asarray(values, np.float32).reshape(coordinates.shape[1:])

    def rough(self, points: NDArray[np.floating], size: float) -> Array:
        """Return two octaves of noise."""
        return self.at(points, size) + 0.5 * self.at(np.asarray(points) + 7.3, size * 0.43)


class Grid:
    """Axis-aligned voxels: ``value`` holds signed distances at the nodes."""

    def __init__(
        self,
        low: tuple[float, float, float],
        high: tuple[float, float, float],
        step: tuple[float, float, float],
    ) -> None:
        self.low = np.asarray(low, np.float32)
        self.step = np.asarray(step, np.float32)
        counts = np.ceil((np.asarray(high) - self.low) / self.step).astype(int) + 1
        self.axes = [self.low[i] + self.step[i] * np.arange(counts[i], dtype=np.float32) for i in range(3)]
        self.value: Array = np.full(tuple(counts), 9.0, np.float32)

    def window(self, low: tuple[float, float, float], high: tuple[float, float, float]) -> Window:
        """Return the slices of the nodes between two corners (mm), clipped to the grid."""
        first = np.floor((np.asarray(low) - self.low) / self.step).astype(int)
        last = np.ceil((np.asarray(high) - self.low) / self.step).astype(int) + 1
        ends = np.array(self.value.shape)
        a, b = np.clip(first, 0, ends), np.clip(last, 0, ends)
        return slice(a[0], b[0]), slice(a[1], b[1]), slice(a[2], b[2])

    def open_points(self, window: Window) -> tuple[Array, Array, Array]:
        """Return x, y, z of a window's nodes as arrays that broadcast against each other."""
        x, y, z = (axis[part] for axis, part in zip(self.axes, window, strict=True))
        return x[:, None, None], y[None, :, None], z[None, None, :]

    def points(self, window: Window) -> Array:
        """Return a window's nodes as (..., 3) mm."""
        return np.stack(np.broadcast_arrays(*self.open_points(window)), axis=-1).astype(np.float32)

    def sample(self, values: Array, points: Array, outside: float = 0.0) -> Array:
        """Return ``values`` (same shape as the grid) interpolated at Nx3 mm."""
        at = ((points - self.low) / self.step).T
        return np.asarray(map_coordinates(values, at, order=1, mode="constant", cval=outside), np.float32)

    def surface(self) -> tuple[Array, Ints]:
        """Return vertices (mm) and faces of the zero level, facing outwards."""
        cubes: Any = marching_cubes
        vertices, faces, _, _ = cubes(
            self.value, 0.0, spacing=tuple(float(s) for s in self.step), gradient_direction="descent"
        )
        return (vertices + self.low).astype(np.float32), faces.astype(np.int32)


def smooth_union(a: Array, b: Array, width: float) -> Array:
    """Return the union of two distances with a fillet of about ``width`` mm."""
    blend = np.maximum(width - np.abs(a - b), 0) / width
    return np.asarray(np.minimum(a, b) - blend * blend * width * 0.25, np.float32)


def rounded_box(
    points: Array, centre: tuple[float, float, float], half: tuple[float, float, float], radius: float
) -> Array:
    """Return the distance to a box with rounded edges at (..., 3) mm."""
    q = np.abs(points - np.asarray(centre, np.float32)) - (np.asarray(half, np.float32) - radius)
    outside = np.linalg.norm(np.maximum(q, 0), axis=-1)
    return np.asarray(outside + np.minimum(q.max(axis=-1), 0) - radius, np.float32)


def capsule(points: Array, a: Array, b: Array, ra: float, rb: float) -> Array:
    """Return the distance to a capsule from ``a`` to ``b`` whose radius goes from ``ra`` to ``rb``."""
    way = b - a
    share = np.clip(((points - a) @ way) / max(float(way @ way), 1e-9), 0, 1)
    nearest = a + share[..., None] * way
    return np.asarray(np.linalg.norm(points - nearest, axis=-1) - (ra + (rb - ra) * share), np.float32)
