"""Triangle meshes with a colour, a roughness and a part number at each vertex, and simple solids."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating[Any]]
Colour = Sequence[float] | Array
Ints = NDArray[np.int32]

BODY, INSERT, LATCH, METAL, COVER, GROUND = 0, 1, 2, 3, 4, 5
"""Part numbers; ``COVER`` is whatever may stand between the camera and the coupler (hands, cables, drops)."""


@dataclass
class Mesh:
    """Vertices Nx3 mm, faces Mx3, linear albedo Nx3 (0..1), roughness N (0..1), part number N."""

    vertices: Array
    faces: Ints
    colour: Array
    rough: Array
    part: Array

    def moved(self, rotation: NDArray[np.floating], shift: Sequence[float]) -> Mesh:
        """Return a copy turned by a 3x3 ``rotation`` and then moved by ``shift`` mm."""
        vertices = self.vertices @ np.asarray(rotation, np.float32).T + np.asarray(shift, np.float32)
        return Mesh(vertices.astype(np.float32), self.faces, self.colour, self.rough, self.part)


def mesh(vertices: Array, faces: Ints, colour: Colour, rough: float, part: int) -> Mesh:
    """Build a mesh of one colour, roughness and part."""
    count = len(vertices)
    tint = np.broadcast_to(np.asarray(colour, np.float32), (count, 3)).copy()
    ones = np.ones(count, np.float32)
    return Mesh(vertices.astype(np.float32), faces.astype(np.int32), tint, ones * rough, ones * part)


def merged(parts: Sequence[Mesh]) -> Mesh:
    """Return all ``parts`` as one mesh."""
    starts = np.cumsum([0, *(len(p.vertices) for p in parts)])
    return Mesh(
        np.concatenate([p.vertices for p in parts]),
        np.concatenate([p.faces + int(s) for p, s in zip(parts, starts, strict=False)]).astype(np.int32),
        np.concatenate([p.colour for p in parts]),
        np.concatenate([p.rough for p in parts]),
        np.concatenate([p.part for p in parts]),
    )


def normals(vertices: Array, faces: Ints) -> Array:
    """Return area-weighted unit vertex normals, Nx3."""
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    (ux, uy, uz), (vx, vy, vz) = (b - a).T, (c - a).T
    face = np.stack([uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx], axis=1)
    index = faces.ravel(order="F")
    total = np.stack([np.bincount(index, np.tile(face[:, i], 3), len(vertices)) for i in range(3)], axis=1)
    return np.asarray(total / np.maximum(np.sqrt((total * total).sum(1, keepdims=True)), 1e-12), np.float32)


def grid_faces(rows: int, columns: int, wrap: bool) -> Ints:
    """Return the triangles of a grid of vertices; ``wrap`` joins the last column to the first."""
    across = columns if wrap else columns - 1
    i, j = np.meshgrid(np.arange(rows - 1), np.arange(across), indexing="ij")
    here, right = i * columns + j, i * columns + (j + 1) % columns
    lower, both = here + columns, right + columns
    quads = np.stack([here, right, both, here, both, lower], axis=-1)
    return np.asarray(quads.reshape(-1, 3), np.int32)


def loft(rings: Array, colour: Colour, rough: float, part: int) -> Mesh:
    """Skin rings (K x N x 3 mm), first and last ring closed by a fan."""
    rows, columns = rings.shape[:2]
    vertices = np.concatenate([rings.reshape(-1, 3), rings[0].mean(0)[None], rings[-1].mean(0)[None]])
    j = np.arange(columns)
    k = (j + 1) % columns
    first = np.stack([np.full(columns, rows * columns), k, j], axis=1)
    base = (rows - 1) * columns
    last = np.stack([np.full(columns, rows * columns + 1), base + j, base + k], axis=1)
    faces = np.concatenate([grid_faces(rows, columns, True), first, last])
    a, b, c = (vertices[faces[:, i]] - vertices.mean(0) for i in range(3))
    if (a * np.cross(b, c)).sum() < 0:  # rings run the other way: turn the faces outwards
        faces = faces[:, ::-1].copy()
    return mesh(vertices, faces, colour, rough, part)


def lathe(profile: Array, sides: int, colour: Colour, rough: float, part: int) -> Mesh:
    """Turn a profile (K x 2: radius, z in mm) about the z axis."""
    angle = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    ring = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    xy = profile[:, None, :1] * ring[None]
    z = np.broadcast_to(profile[:, None, 1:], (len(profile), sides, 1))
    vertices = np.concatenate([xy, z], axis=2).reshape(-1, 3)
    return mesh(vertices, grid_faces(len(profile), sides, True), colour, rough, part)


def _frames(path: Array) -> tuple[Array, Array]:
    tangent = np.gradient(path, axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    side = np.cross(tangent, np.array([0.23, 0.31, 0.92], np.float32))
    side /= np.maximum(np.linalg.norm(side, axis=1, keepdims=True), 1e-6)
    return side, np.cross(tangent, side)


def tube(path: Array, radius: Array, sides: int, colour: Colour, rough: float, part: int) -> Mesh:
    """Skin a round tube along ``path`` (K x 3 mm) with a radius (mm) at each point."""
    side, other = _frames(path)
    angle = np.linspace(0, 2 * np.pi, sides, endpoint=False)[None, :, None]
    around = np.cos(angle) * side[:, None] + np.sin(angle) * other[:, None]
    return loft((path[:, None] + radius[:, None, None] * around).astype(np.float32), colour, rough, part)


def rotation(axis: Sequence[float] | Array, angle: float) -> NDArray[np.float64]:
    """Return the 3x3 matrix that turns by ``angle`` radians about ``axis``."""
    x, y, z = np.asarray(axis, float) / np.linalg.norm(axis)
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.asarray(np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross)
