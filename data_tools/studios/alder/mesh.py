"""Triangle meshes with a colour, roughness and metalness for every vertex, and ways to build them.

Millimetres throughout; colours are linear RGB 0..1. ``place`` of a face is the index of the damage place
it belongs to, ``NOTHING`` or ``IN_FRONT`` (fingers, cable: what hides a place).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Rgb = tuple[float, float, float]

NOTHING = -1
IN_FRONT = -2


@dataclass(frozen=True)
class Mesh:
    """``points`` Nx3 mm, ``faces`` Mx3, ``colour`` Nx3 linear, ``rough``, ``metal`` N (0..1), ``place`` M."""

    points: Array
    faces: Array
    colour: Array
    rough: Array
    metal: Array
    place: Array

    def moved(self, points: Array) -> Mesh:
        """Return the mesh with other points (Nx3 mm)."""
        return replace(self, points=points)

    def painted(self, colour: Array, rough: Array | None = None) -> Mesh:
        """Return the mesh with another colour (Nx3 linear) and, where given, roughness (N)."""
        return replace(
            self, colour=np.clip(colour, 0.002, 0.95), rough=self.rough if rough is None else rough
        )


def plain(
    points: Array, faces: Array, colour: Rgb, rough: float = 0.5, metal: float = 0.0, place: int = NOTHING
) -> Mesh:
    """Return a mesh of one colour from Nx3 points (mm) and Mx3 faces."""
    points = np.asarray(points, np.float32).reshape(-1, 3)
    count = len(points)
    return Mesh(
        points,
        np.asarray(faces, np.int32).reshape(-1, 3),
        np.tile(np.asarray(colour, np.float32), (count, 1)),
        np.full(count, rough, np.float32),
        np.full(count, metal, np.float32),
        np.full(len(faces), place, np.int32),
    )


def merged(meshes: Iterable[Mesh]) -> Mesh:
    """Return one mesh out of many."""
    kept = [mesh for mesh in meshes if len(mesh.faces)]
    starts = np.cumsum([0, *(len(mesh.points) for mesh in kept)])
    return Mesh(
        np.concatenate([m.points for m in kept]),
        np.concatenate([m.faces + start for m, start in zip(kept, starts, strict=False)]),
        np.concatenate([m.colour for m in kept]),
        np.concatenate([m.rough for m in kept]),
        np.concatenate([m.metal for m in kept]),
        np.concatenate([m.place for m in kept]),
    )


def crossed(one: Array, other: Array) -> Array:
    """Return the cross products of Nx3 vectors."""
    (ax, ay, az), (bx, by, bz) = one.T, other.T
    return np.stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx], axis=1)


def vertex_normals(points: Array, faces: Array) -> Array:
    """Return Nx3 unit normals, faces weighted by area; unused vertices get +z."""
    apart = np.ascontiguousarray(points.T)
    a, b, c = (apart[:, faces[:, k]] for k in range(3))
    facing = crossed((b - a).T, (c - a).T)
    index = faces.T.ravel()
    total = np.stack(
        [np.bincount(index, np.tile(facing[:, k], 3), minlength=len(points)) for k in range(3)], axis=1
    )
    length = np.sqrt((total * total).sum(axis=1, keepdims=True))
    return np.where(length > 1e-12, total / np.maximum(length, 1e-12), [0.0, 0.0, 1.0])


def strips(rings: int, around: int, closed: bool = True) -> Array:
    """Return the faces between ``rings`` rows of ``around`` points each; ``closed`` joins last to first."""
    steps = around if closed else around - 1
    row, column = np.meshgrid(np.arange(rings - 1), np.arange(steps), indexing="ij")
    a = (row * around + column).ravel()
    b = (row * around + (column + 1) % around).ravel()
    return np.concatenate([np.stack([a, b, b + around], 1), np.stack([a, b + around, a + around], 1)])


def finer(profile: Sequence[tuple[float, float]], step: float) -> Array:
    """Return the open polyline (Kx2 mm) cut so that no piece is longer than ``step`` mm."""
    line = np.asarray(profile, float)
    out = [line[:1]]
    for a, b in zip(line[:-1], line[1:], strict=True):
        pieces = max(1, int(np.ceil(np.hypot(*(b - a)) / step)))
        out.append(a + (b - a) * np.arange(1, pieces + 1)[:, None] / pieces)
    return np.concatenate(out)


def lathe(profile: Array, around: int = 40, centre: tuple[float, float] = (0.0, 0.0)) -> tuple[Array, Array]:
    """Return points and faces of a Kx2 (radius, z) profile turned about the z axis through ``centre``."""
    angle = np.arange(around) * 2 * np.pi / around
    radius, height = profile[:, :1], profile[:, 1:]
    points = np.stack(
        [
            centre[0] + radius * np.cos(angle),
            centre[1] + radius * np.sin(angle),
            np.broadcast_to(height, (len(profile), around)),
        ],
        axis=-1,
    )
    return points.reshape(-1, 3), strips(len(profile), around)


def tube(path: Array, radius: Array | float, around: int = 24) -> tuple[Array, Array]:
    """Return points and faces of a round tube along a Kx3 path (mm); ``radius`` mm, one or K."""
    tangent = np.gradient(path, axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    side = np.cross(tangent, np.array([0.31, 0.17, 0.93]))
    side /= np.maximum(np.linalg.norm(side, axis=1, keepdims=True), 1e-9)
    other = np.cross(tangent, side)
    angle = np.arange(around) * 2 * np.pi / around
    ring = side[:, None] * np.cos(angle)[:, None] + other[:, None] * np.sin(angle)[:, None]
    wide = np.broadcast_to(np.asarray(radius, float), (len(path),))[:, None, None]
    return (path[:, None] + ring * wide).reshape(-1, 3), strips(len(path), around)


def box(low: Sequence[float], high: Sequence[float]) -> tuple[Array, Array]:
    """Return points and faces of a box with its own corners on every side (sharp edges), mm."""
    points: list[Array] = []
    faces: list[Array] = []
    span = np.asarray(high, float) - np.asarray(low, float)
    for axis in range(3):
        for end in (0.0, 1.0):
            u, v = (axis + 1) % 3, (axis + 2) % 3
            corner = np.zeros((4, 3))
            corner[:, axis] = end
            corner[[1, 2], u] = 1
            corner[[2, 3], v] = 1
            start = 4 * len(points)
            points.append(np.asarray(low) + corner * span)
            order = [[0, 1, 2], [0, 2, 3]] if end else [[0, 2, 1], [0, 3, 2]]
            faces.append(np.array(order) + start)
    return np.concatenate(points), np.concatenate(faces)
