"""Surfaces as grids of points: swept outlines and tubes, and their union as one mesh."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike
from scipy import ndimage

from data_tools.studios.elm.noise import Array

Outline = Callable[[Array, Array | float], tuple[Array, Array]]
"""``outline(angle, offset)`` gives x and y, mm, of the closed curve grown by ``offset`` mm."""


class Kind(IntEnum):
    """What a surface belongs to: decides how it wears, soils and burns."""

    SHELL = 0
    FLOOR = 1
    SLEEVE = 2
    METAL = 3
    BODY = 4
    LATCH = 5
    HAND = 6
    WATER = 7


@dataclass(frozen=True)
class Skin:
    """What something is made of: linear RGB albedo, roughness 0..1, metallic 0 or 1."""

    colour: tuple[float, ...]
    rough: float = 0.5
    metal: float = 0.0


@dataclass
class Part:
    """A grid of points (around, along, 3), mm, closed around; ``edge``, ``fresh`` and ``heat`` (0..1, around
    x along or a number) say where it is a convex edge, broken, or hot."""

    points: Array
    skin: Skin
    kind: Kind
    place: int = -1
    edge: Array | float = 0.0
    fresh: Array | float = 0.0
    heat: Array | float = 0.0


@dataclass
class Mesh:
    """Many parts as one triangle mesh; every array but ``faces`` has one row a vertex."""

    points: Array
    normals: Array
    faces: Array
    colour: Array
    rough: Array
    metal: Array
    edge: Array
    fresh: Array
    heat: Array
    kind: Array
    place: Array


def rounded(corners: Sequence[tuple[float, float]], bevel: float, count: int) -> tuple[Array, Array]:
    """Return ``count`` points (count x 2, mm) along a polyline whose corners are rounded by about ``bevel``
    mm, closer together where it bends, and how much it bends there (0..1)."""
    ends = np.asarray(corners, dtype=float)
    length = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(ends, axis=0).T))])
    step = 0.05
    along = np.linspace(0, length[-1], max(int(length[-1] / step), count))
    line = np.stack([np.interp(along, length, ends[:, axis]) for axis in (0, 1)], 1)
    soft = ndimage.gaussian_filter1d(line, max(bevel, 0.08) / step * 0.6, axis=0, mode="nearest")
    tangent = np.gradient(soft, axis=0)
    heading = np.unwrap(np.arctan2(tangent[:, 1], tangent[:, 0]))
    bend = np.abs(np.gradient(heading))
    bend /= bend.max() + 1e-9
    density = np.cumsum(0.12 + bend + 0.25 * (np.minimum(along, along[-1] - along) < 0.5))
    picks = np.interp(np.linspace(density[0], density[-1], count), density, np.arange(len(along)))
    rows = np.arange(len(along))
    points = np.stack([np.interp(picks, rows, soft[:, axis]) for axis in (0, 1)], 1)
    return points, np.interp(picks, rows, bend)


def sweep(outline: Outline, profile: Array, around: int) -> Array:
    """Return the grid (around x along x 3, mm) of an outline swept along a profile of (offset, z)."""
    angle = np.linspace(0, 2 * np.pi, around, endpoint=False)[:, None]
    x, y = outline(angle, profile[None, :, 0])
    return np.stack([x, y, np.broadcast_to(profile[None, :, 1], x.shape)], -1)


def circle(x: float, y: float) -> Outline:
    """Return the outline of a point: its offset is the radius."""
    return lambda angle, offset: (x + offset * np.cos(angle), y + offset * np.sin(angle))


def blunt(centre: tuple[float, float], half: tuple[float, float], power: float) -> Outline:
    """Return a superellipse with half axes ``half``, mm; a high ``power`` is nearly a rectangle."""

    def outline(angle: Array, offset: Array | float) -> tuple[Array, Array]:
        c, s = np.cos(angle), np.sin(angle)
        wide, tall = half[0] + offset, half[1] + offset
        radius = (np.abs(c / wide) ** power + np.abs(s / tall) ** power) ** (-1 / power)
        return centre[0] + radius * c, centre[1] + radius * s

    return outline


def tube(
    path: Array,
    wide: Array | float,
    tall: Array | float,
    *,
    around: int = 32,
    power: float = 2.0,
    cap: float = 0.0,
) -> Array:
    """Return the grid of a tube along ``path`` (n x 3, mm) with half axes ``wide`` (roughly along x) and
    ``tall``; ``cap`` mm at both ends close in a dome."""
    step = np.linalg.norm(np.diff(path, axis=0), axis=1)
    along = np.concatenate([[0], np.cumsum(step)])
    tangent = np.gradient(path, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True) + 1e-9
    reference = (
        np.array([1.0, 0.02, 0.03]) if abs(tangent[:, 0]).mean() < 0.8 else np.array([0.02, 1.0, 0.03])
    )
    side = reference - (tangent @ reference)[:, None] * tangent
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    up = np.cross(tangent, side)
    if cap:
        left = np.clip(np.minimum(along, along[-1] - along) / cap, 0.0, 1)
        dome = np.sqrt(np.maximum(1 - (1 - left) ** 2, 1e-6))
    else:
        dome = np.ones(len(path))
    angle = np.linspace(0, 2 * np.pi, around, endpoint=False)[:, None]
    c, s = np.cos(angle), np.sin(angle)
    radius = (np.abs(c) ** power + np.abs(s) ** power) ** (-1 / power) * dome
    return np.asarray(path + (radius * c * wide)[..., None] * side + (radius * s * tall)[..., None] * up)


def stretch(points: Sequence[ArrayLike], count: int, soft: float = 0.0) -> Array:
    """Return ``count`` points (count x 3) along a polyline, denser at both ends, smoothed by ``soft`` (a
    share of its length)."""
    ends = np.asarray(points, dtype=float)
    length = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(ends, axis=0), axis=1))])
    fine = np.linspace(0, 1, 200)
    line = np.stack([np.interp(fine, length / length[-1], ends[:, axis]) for axis in range(3)], 1)
    if soft:
        line = ndimage.gaussian_filter1d(line, soft * 200, axis=0, mode="nearest")
    wanted = 0.5 - 0.5 * np.cos(np.pi * np.linspace(0, 1, count))
    return np.stack([np.interp(wanted, fine, line[:, axis]) for axis in range(3)], 1)


def _normals(points: Array) -> Array:
    """Return unit normals of a grid that is closed around; a collapsed spot faces the viewer."""
    across = np.roll(points, -1, 0) - np.roll(points, 1, 0)
    along = np.empty_like(points)
    along[:, 1:-1] = points[:, 2:] - points[:, :-2]
    along[:, 0], along[:, -1] = points[:, 1] - points[:, 0], points[:, -1] - points[:, -2]
    normal = np.cross(across, along)
    length = np.linalg.norm(normal, axis=-1, keepdims=True)
    facing = np.array([0.0, 0.0, -1.0]) if normal[..., 2].sum() < 0 else np.array([0.0, 0.0, 1.0])
    return np.where(length > 1e-9, normal / np.maximum(length, 1e-9), facing)


def _triangles(around: int, along: int) -> Array:
    row, column = np.meshgrid(np.arange(around), np.arange(along - 1), indexing="ij")
    here, there = row * along + column, (row + 1) % around * along + column
    return np.concatenate(
        [np.stack([here, there, here + 1], -1), np.stack([there, there + 1, here + 1], -1)]
    ).reshape(-1, 3)


def union(parts: Sequence[Part]) -> Mesh:
    """Return all parts as one mesh in their order."""
    columns: list[list[Array]] = [[] for _ in range(11)]
    start = 0
    for part in parts:
        n, m = part.points.shape[:2]
        size = n * m

        def spread(value: Array | float, shape: tuple[int, int] = (n, m)) -> Array:
            return np.broadcast_to(np.asarray(value, dtype=np.float32), shape).ravel()

        rows = [
            part.points.reshape(-1, 3),
            _normals(part.points).reshape(-1, 3),
            _triangles(n, m) + start,
            np.broadcast_to(np.asarray(part.skin.colour), (size, 3)),
            *[spread(v) for v in (part.skin.rough, part.skin.metal, part.edge, part.fresh, part.heat)],
            *[spread(v) for v in (part.kind, part.place)],
        ]
        for column, row in zip(columns, rows, strict=True):
            column.append(row)
        start += size
    return Mesh(*[np.concatenate(column) for column in columns])
