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
_CELLS = 24


@dataclass
class Noise:
    """Smooth random values in space, about -1..1, periodic over so many lattice cells."""

    rng: np.random.Generator
    lattice: Array = field(init=False)
    flat: Array = field(init=False)
    """The lattice with its first layers once more behind the last, as one row."""

    def __post_init__(self) -> None:
        self.lattice = self.rng.uniform(-1, 1, (_CELLS, _CELLS, _CELLS)).astype(np.float32)
        self.flat = np.pad(self.lattice, ((0, 1),) * 3, mode="wrap").ravel()

    def at(self, points: NDArray[np.floating], size: float) -> Array:
        """Return values at ``points`` (... x 3 mm) for blobs of about ``size`` mm."""
        side = np.float32(_CELLS)
        shares, cells = [], []
        for axis in range(3):
            where = np.asarray(points[..., axis], np.float32) / np.float32(size)
            cell = np.floor(where)
            shares.append(where - cell)
            cells.append((cell - side * np.floor(cell / side)).astype(np.int32))
        row = _CELLS + 1
        return _between(self.flat, (cells[0] * row + cells[1]) * row + cells[2], (row * row, row, 1), shares)

    def rough(self, points: NDArray[np.floating], size: float) -> Array:
        """Return two octaves of noise."""
        return self.at(points, size) + 0.5 * self.at(np.asarray(points) + 7.3, size * 0.43)


def _between(values: Array, first: Ints, steps: tuple[int, ...], shares: list[Array]) -> Array:
    """Return ``values`` between their index ``first`` and the ones ``steps`` on, by these shares (0..1)."""
    if not steps:
        return np.asarray(values.take(first), np.float32)
    near = _between(values, first, steps[1:], shares[1:])
    far = _between(values, first + np.int32(steps[0]), steps[1:], shares[1:])
    far -= near
    far *= shares[0]
    near += far
    return near


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
    x, y, z = (
        np.abs(points[..., k] - np.float32(centre[k])) - np.float32(half[k] - radius) for k in range(3)
    )
    outside = np.sqrt(sum(np.maximum(side, 0) ** 2 for side in (x, y, z)))
    return np.asarray(outside + np.minimum(np.maximum(np.maximum(x, y), z), 0) - radius, np.float32)


def capsule(points: Array, a: Array, b: Array, ra: float, rb: float) -> Array:
    """Return the distance to a capsule from ``a`` to ``b`` whose radius goes from ``ra`` to ``rb``."""
    way = np.asarray(b - a, np.float32)
    x, y, z = (points[..., k] - np.float32(a[k]) for k in range(3))
    share = (x * way[0] + y * way[1] + z * way[2]) / np.float32(max(float(way @ way), 1e-9))
    share = np.clip(share, 0, 1)
    x, y, z = x - share * way[0], y - share * way[1], z - share * way[2]
    return np.asarray(np.sqrt(x * x + y * y + z * z) - (ra + (rb - ra) * share), np.float32)
