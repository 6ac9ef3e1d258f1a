"""Solids as signed distances (mm, negative inside) on stretched grids, and the meshes of their skins."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skimage.measure import marching_cubes

Array = NDArray[Any]
Axes = tuple[Array, Array, Array]


@dataclass
class Mesh:
    """Triangles with what each vertex is made of: ``colour`` linear RGB, ``rough`` and ``metal`` 0..1.

    Where ``uv`` is given the maps of the face tell colour and roughness instead."""

    vertices: Array
    faces: Array
    normals: Array
    colour: Array
    rough: Array
    metal: Array
    uv: Array | None = None
    name: str = "thing"


@dataclass(frozen=True)
class Grid:
    """Where a field is known: coordinates along x, y and z, mm, each rising but not evenly spaced."""

    x: Array
    y: Array
    z: Array

    @property
    def axes(self) -> Axes:
        """The coordinates, shaped to broadcast to the whole grid."""
        return self.x[:, None, None], self.y[None, :, None], self.z[None, None, :]

    def window(self, x: float, y: float, reach: float) -> tuple[slice, slice]:
        """Return the part of the grid within ``reach`` of (x, y), through all depths."""
        left, right = np.searchsorted(self.x, (x - reach, x + reach))
        low, high = np.searchsorted(self.y, (y - reach, y + reach))
        return slice(int(left), int(right)), slice(int(low), int(high))


def even(low: Iterable[float], high: Iterable[float], step: float) -> Grid:
    """Return an evenly spaced grid from one corner to the other."""
    x, y, z = (np.arange(a, b + step, step).astype(np.float32) for a, b in zip(low, high, strict=True))
    return Grid(x, y, z)


def part(axes: Axes, window: tuple[slice, slice]) -> Axes:
    """Return the coordinates inside a window; an axis of length one stays as it is."""
    across, up = window

    def cut(a: Array) -> Array:
        return a[across if a.shape[0] > 1 else slice(None), up if a.shape[1] > 1 else slice(None)]

    return cut(axes[0]), cut(axes[1]), cut(axes[2])


def join(a: Any, b: Any, blend: float) -> Any:
    """Return the union of two solids with a fillet of about ``blend`` mm."""
    near = np.maximum(blend - np.abs(a - b), 0.0)
    return np.minimum(a, b) - near * near * (0.25 / blend)


def meet(a: Any, b: Any, blend: float) -> Any:
    """Return the intersection of two solids with a rounded edge of about ``blend`` mm."""
    near = np.maximum(blend - np.abs(a - b), 0.0)
    return np.maximum(a, b) + near * near * (0.25 / blend)


def ball(axes: Axes, centre: Iterable[float], radius: float) -> Any:
    """Return a ball."""
    x, y, z = centre
    return np.sqrt((axes[0] - x) ** 2 + (axes[1] - y) ** 2 + (axes[2] - z) ** 2) - radius


def rod(axes: Axes, start: Iterable[float], end: Iterable[float], r0: float, r1: float | None = None) -> Any:
    """Return a rod with round ends that may taper from ``r0`` to ``r1``."""
    a, b = (np.asarray(tuple(p), np.float32) for p in (start, end))
    way = b - a
    p = [axes[k] - a[k] for k in range(3)]
    t = np.clip((p[0] * way[0] + p[1] * way[1] + p[2] * way[2]) / float(way @ way + 1e-9), 0, 1)
    far = np.sqrt(sum((p[k] - t * way[k]) ** 2 for k in range(3)))
    return far - (r0 + ((r0 if r1 is None else r1) - r0) * t)


def box(axes: Axes, centre: Iterable[float], half: Iterable[float], round_: float) -> Any:
    """Return a box of half sides ``half`` whose edges are rounded by ``round_`` mm."""
    q = [np.abs(a - c) - (h - round_) for a, c, h in zip(axes, centre, half, strict=True)]
    outside = np.sqrt(sum(np.maximum(v, 0) ** 2 for v in q))
    return outside + np.minimum(np.maximum(np.maximum(q[0], q[1]), q[2]), 0) - round_


@dataclass(frozen=True)
class Waves:
    """Smooth noise of about -1..1 in space: a few random waves, the same wherever it is asked."""

    rng: np.random.Generator = field(repr=False)
    length: float
    count: int = 6

    def __call__(self, axes: Axes) -> Any:
        total: Any = 0.0
        for _ in range(self.count):
            way = self.rng.normal(size=3)
            way *= 2 * np.pi / self.length / np.linalg.norm(way) * self.rng.uniform(0.6, 1.6)
            phase = sum(a * np.float32(w) for a, w in zip(axes, way, strict=True))
            total = total + np.sin(phase + np.float32(self.rng.uniform(0, 2 * np.pi)))
        return total * np.float32(1.6 / self.count)


def skin(distance: Any, grid: Grid, colour: Any, rough: float, metal: float = 0.0, name: str = "") -> Mesh:
    """Return the mesh where a field crosses zero; the solid is closed where the grid ends."""
    whole = np.broadcast_to(distance, (len(grid.x), len(grid.y), len(grid.z))).astype(np.float32)
    for axis in range(3):
        face: list[Any] = [slice(None)] * 3
        for end in (0, -1):
            face[axis] = end
            whole[tuple(face)] = np.maximum(whole[tuple(face)], 0.05)
    marching: Any = marching_cubes
    found, faces, _, _ = marching(whole, 0.0, gradient_direction="descent")
    axes = (grid.x, grid.y, grid.z)
    places = [np.interp(found[:, k], np.arange(len(axes[k])), axes[k]) for k in range(3)]
    return shaped(np.stack(places, 1), faces, colour, rough, metal, name)


def shaped(vertices: Any, faces: Any, colour: Any, rough: float, metal: float = 0, name: str = "") -> Mesh:
    """Return a mesh of one material with smooth normals."""
    v, f = np.asarray(vertices, np.float32), np.asarray(faces, np.uint32)
    way = np.cross(v[f[:, 1]] - v[f[:, 0]], v[f[:, 2]] - v[f[:, 0]])
    normals = np.stack([sum(np.bincount(f[:, c], way[:, k], len(v)) for c in range(3)) for k in range(3)], 1)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-9)
    full = np.ones(len(v), np.float32)
    tint = np.broadcast_to(np.asarray(colour, np.float32), v.shape).copy()
    return Mesh(v, f, normals.astype(np.float32), tint, full * rough, full * metal, name=name or "thing")


def merged(meshes: list[Mesh]) -> Mesh:
    """Return several meshes as one."""
    starts = np.cumsum([0] + [len(mesh.vertices) for mesh in meshes[:-1]]).astype(np.uint32)
    faces = np.concatenate([mesh.faces + start for mesh, start in zip(meshes, starts, strict=True)])
    names = ("normals", "colour", "rough", "metal")
    rest = {name: np.concatenate([getattr(mesh, name) for mesh in meshes]) for name in names}
    points = np.concatenate([mesh.vertices for mesh in meshes])
    uv = None if meshes[0].uv is None else np.concatenate([mesh.uv for mesh in meshes if mesh.uv is not None])
    return Mesh(points, faces, **rest, uv=uv, name=meshes[0].name)


def tube(path: Any, radius: float, colour: Any, rough: float, sides: int = 14, name: str = "") -> Mesh:
    """Return a round cable along N x 3 points."""
    p = np.asarray(path, np.float32)
    way = np.gradient(p, axis=0)
    way /= np.linalg.norm(way, axis=1, keepdims=True) + 1e-9
    side = np.cross(way, (0.31, 0.17, 0.93))
    side /= np.linalg.norm(side, axis=1, keepdims=True) + 1e-9
    other = np.cross(way, side)
    turn = np.linspace(0, 2 * np.pi, sides, endpoint=False)[None, :, None]
    rings = p[:, None] + radius * (np.cos(turn) * side[:, None] + np.sin(turn) * other[:, None])
    return shaped(rings.reshape(-1, 3), lattice(len(p), sides, True), colour, rough, name=name)


def lattice(rows: int, columns: int, closed: bool) -> NDArray[np.uint32]:
    """Return the triangles of a sheet of vertices, row by row; ``closed`` joins its last column and first."""
    i, j = np.meshgrid(np.arange(rows - 1), np.arange(columns - (not closed)), indexing="ij")
    a, b = i * columns + j, i * columns + (j + 1) % columns
    faces = np.stack([a, b, a + columns, b, b + columns, a + columns], -1)
    return faces.reshape(-1, 3).astype(np.uint32)
