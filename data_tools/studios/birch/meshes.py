"""Grids turned into meshes: surfaces of revolution, lofts along a spine, merging, noise. Lengths in mm."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Noise = Callable[[Floats], Floats]

# What a face belongs to; 1 + index are the pin housings in table order.
CONTACT, LATCH, SHELL, SHARD, OCCLUDER, SURROUNDINGS = 20, 30, 40, 50, 60, 70
TILE_MM = 40.0
"""Side of one repeat of the wear picture that all surfaces share."""


@dataclass(frozen=True)
class Mesh:
    """Triangles with a look: points Nx3 mm, faces Mx3, colour and worn colour Nx3 (linear, 0..1), roughness
    and metalness N (0..1), uv Nx2, part M (the constants above)."""

    points: Floats
    faces: Ints
    colour: Floats
    worn: Floats
    rough: Floats
    metal: Floats
    uv: Floats
    part: Ints

    def moved(self, points: Floats) -> Mesh:
        """Return the same mesh with other points (Nx3 mm)."""
        return replace(self, points=points)

    def painted(self, colour: Floats, rough: Floats | None = None) -> Mesh:
        """Return the same mesh in another colour (Nx3), worn parts keeping their share of difference."""
        worn = np.clip(self.worn + (colour - self.colour) * 0.8, 0, 1)
        return replace(self, colour=colour, worn=worn, rough=self.rough if rough is None else rough)


@dataclass(frozen=True)
class Look:
    """A material: linear colour and worn colour (3 values 0..1), roughness 0..1, metalness 0..1."""

    colour: tuple[float, float, float]
    worn: tuple[float, float, float]
    rough: float = 0.4
    metal: float = 0.0


def grid(points: Floats, look: Look, part: int, closed: bool = False) -> Mesh:
    """Return the mesh of an A x B x 3 grid of points; ``closed`` joins the last row to the first."""
    if closed:
        points = np.concatenate([points, points[:1]])
    a, b = points.shape[:2]
    number = np.arange(a * b, dtype=np.int64).reshape(a, b)
    p, q, r, s = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    faces = np.stack([np.stack([p, q, r], -1), np.stack([p, r, s], -1)], 2).reshape(-1, 3)
    along = _lengths(points[1:] - points[:-1]).mean(1)
    across = _lengths(points[:, 1:] - points[:, :-1]).mean(0)
    u = np.concatenate([[0.0], np.cumsum(along)])[:, None] / TILE_MM
    v = np.concatenate([[0.0], np.cumsum(across)])[None, :] / TILE_MM
    uv = np.stack(np.broadcast_arrays(u + points[0, 0, 0] / 7, v + points[0, 0, 1] / 7), -1)
    return plain(points.reshape(-1, 3), faces, look, part, uv.reshape(-1, 2))


def _lengths(vectors: Floats) -> Floats:
    x, y, z = (vectors[..., k] for k in range(3))
    return np.asarray(np.sqrt(x * x + y * y + z * z))


def plain(points: Floats, faces: Ints, look: Look, part: int, uv: Floats | None = None) -> Mesh:
    """Return a mesh of one material from bare points (Nx3) and faces (Mx3)."""
    count = len(points)
    return Mesh(
        points=points,
        faces=faces,
        colour=np.tile(np.array(look.colour, dtype=float), (count, 1)),
        worn=np.tile(np.array(look.worn, dtype=float), (count, 1)),
        rough=np.full(count, look.rough),
        metal=np.full(count, look.metal),
        uv=points[:, :2] / TILE_MM if uv is None else uv,
        part=np.full(len(faces), part, dtype=np.int64),
    )


def merge(meshes: list[Mesh]) -> Mesh:
    """Return one mesh made of all ``meshes``."""
    starts = np.cumsum([0, *[len(m.points) for m in meshes[:-1]]])
    return Mesh(
        points=np.concatenate([m.points for m in meshes]),
        faces=np.concatenate([m.faces + start for m, start in zip(meshes, starts, strict=True)]),
        colour=np.concatenate([m.colour for m in meshes]),
        worn=np.concatenate([m.worn for m in meshes]),
        rough=np.concatenate([m.rough for m in meshes]),
        metal=np.concatenate([m.metal for m in meshes]),
        uv=np.concatenate([m.uv for m in meshes]),
        part=np.concatenate([m.part for m in meshes]),
    )


def _facing(mesh: Mesh) -> Floats:
    """Return the normals of the faces, 3 x M, as long as twice their area."""
    points = np.ascontiguousarray(mesh.points.T)
    a, b, c = (points[:, mesh.faces[:, k]] for k in range(3))
    (ux, uy, uz), (vx, vy, vz) = b - a, c - a
    return np.stack([uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx])


def face_normals(mesh: Mesh) -> Floats:
    """Return the unit normals of the faces, Mx3."""
    normal = _facing(mesh)
    return np.asarray((normal / np.maximum(np.sqrt((normal * normal).sum(0)), 1e-12)).T)


def vertex_normals(mesh: Mesh) -> Floats:
    """Return area-weighted unit normals of the points, Nx3."""
    count = len(mesh.points)
    where = mesh.faces.T.ravel()
    total = np.stack([np.bincount(where, np.tile(normal, 3), count) for normal in _facing(mesh)], 1)
    length = np.sqrt((total * total).sum(1, keepdims=True))
    return np.asarray(np.where(length > 1e-12, total / np.maximum(length, 1e-12), [0.0, 0.0, 1.0]))


def waves(rng: np.random.Generator, scale: float, terms: int = 10, facets: bool = False) -> Noise:
    """Return a smooth noise of about -1..1 with features of ``scale`` mm; ``facets`` gives flat pieces that
    meet in creases instead."""
    turns = (rng.normal(size=(3, terms)) * (2.6 / scale)).astype(np.float32)
    phases = rng.uniform(0, 2 * np.pi, terms).astype(np.float32)
    gain = rng.uniform(0.5, 1.0, terms)
    gain = (gain / (np.sqrt((gain**2).sum() / 2) * 1.7)).astype(np.float32)

    def value(points: Floats) -> Floats:
        angle = points.astype(np.float32) @ turns + phases
        wave = np.arcsin(np.sin(angle)) / (np.pi / 2) if facets else np.sin(angle)
        return np.asarray(wave @ gain, dtype=np.float64)

    return value


def loft(
    spine: Floats,
    half: Floats,
    look: Look,
    part: int,
    square: Floats | float = 2.0,
    around: int = 32,
    side: tuple[float, float, float] = (1.0, 0.0, 0.0),
    twist: Floats | float = 0.0,
    caps: bool = True,
) -> Mesh:
    """Return a tube along ``spine`` (S x 3 mm) with superelliptic sections: ``half`` S x 2 half axes (along
    ``side`` and across it), ``square`` exponent (2 an ellipse, 6 a rounded box), ``twist`` in radians."""
    count = len(spine)
    tangent = np.gradient(spine, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True) + 1e-12
    first = np.array(side) - tangent * (tangent @ np.array(side))[:, None]
    first /= np.linalg.norm(first, axis=1, keepdims=True) + 1e-12
    second = np.cross(tangent, first)
    angle = np.linspace(0, 2 * np.pi, around, endpoint=False)[None, :]
    power = 2.0 / np.broadcast_to(np.asarray(square, dtype=float), (count,))[:, None]
    c, s = np.cos(angle), np.sin(angle)
    x = half[:, :1] * np.sign(c) * np.abs(c) ** power
    y = half[:, 1:] * np.sign(s) * np.abs(s) ** power
    turn = np.broadcast_to(np.asarray(twist, dtype=float), (count,))[:, None]
    x, y = x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn)
    rings = spine[:, None] + x[..., None] * first[:, None] + y[..., None] * second[:, None]
    body = grid(rings.transpose(1, 0, 2), look, part, closed=True)
    if not caps:
        return body
    return merge([body, *(end_cap(rings[k], spine[k], look, part) for k in (0, -1))])


def end_cap(ring: Floats, centre: Floats, look: Look, part: int, bulge: Floats | None = None) -> Mesh:
    """Return a disc closing ``ring`` (A x 3); ``bulge`` (A x 6 x 3) moves its inner points."""
    share = np.linspace(0, 1, 6)[None, :, None]
    points = ring[:, None] * (1 - share) + centre * share
    return grid(points if bulge is None else points + bulge, look, part, closed=True)


def bezier(knots: Floats, count: int) -> Floats:
    """Return ``count`` points on the Bezier curve of the knots (K x 3)."""
    t = np.linspace(0, 1, count)[:, None, None]
    points = np.broadcast_to(knots, (count, *knots.shape))
    while points.shape[1] > 1:
        points = points[:, :-1] * (1 - t) + points[:, 1:] * t
    return np.asarray(points[:, 0])


def ball(centre: Floats, axes: Floats, look: Look, part: int, around: int = 24) -> Mesh:
    """Return an ellipsoid; ``axes`` 3x3 are its half axes as rows, mm."""
    polar = np.linspace(0, np.pi, around // 2 + 1)[None, :, None]
    turn = np.linspace(0, 2 * np.pi, around, endpoint=False)[:, None, None]
    points = (
        centre + np.sin(polar) * (np.cos(turn) * axes[0] + np.sin(turn) * axes[1]) + np.cos(polar) * axes[2]
    )
    return grid(points, look, part, closed=True)


def turned(points: Floats, axis: Floats, angle: float, about: Floats) -> Floats:
    """Return points (Nx3) turned by ``angle`` radians around the line through ``about`` along ``axis``."""
    k = axis / np.linalg.norm(axis)
    p = points - about
    c, s = np.cos(angle), np.sin(angle)
    return np.asarray(p * c + np.cross(k, p) * s + np.outer(p @ k, k) * (1 - c) + about)


def smooth(value: Floats, low: float, high: float) -> Floats:
    """Return a smooth step of ``value`` from 0 at ``low`` to 1 at ``high``."""
    t = np.clip((value - low) / (high - low), 0, 1)
    return np.asarray(t * t * (3 - 2 * t))
