"""Primitive builders for everything that is not the coupler itself: lathe, plate with holes, tube, recess.

Solids are plain vertices and faces in mm, wound so that normals point out of the material. Edges that
should stay sharp are left unwelded, so that averaged vertex normals never smear over them. Random numbers
come from the caller; nothing here keeps state.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import Delaunay, cKDTree
from scipy.spatial.transform import Rotation
from skimage import measure

from data_tools.rendering.contours import Array, circle, fillet, inset, resample

Faces = NDArray[np.int64]

_SHARP = np.cos(np.radians(50.0))
_SLIVER_MM2 = 1e-7


@dataclass(frozen=True)
class Solid:
    """Vertices (N x 3, mm) and triangles (M x 3) without any colour."""

    vertices: Array
    faces: Faces

    def moved(
        self, offset: ArrayLike = (0.0, 0.0, 0.0), turn: Rotation | None = None, scale: float = 1.0
    ) -> Solid:
        """Return a copy scaled, then turned about the origin, then shifted by ``offset`` mm."""
        vertices = self.vertices * scale
        if turn is not None:
            vertices = turn.apply(vertices)
        return Solid(vertices + np.asarray(offset, dtype=np.float64), self.faces)


def euler(x: float = 0.0, y: float = 0.0, z: float = 0.0) -> Rotation:
    """Return the rotation about the fixed x, then y, then z axes, degrees."""
    return Rotation.from_euler("xyz", [x, y, z], degrees=True)


def aim(direction: ArrayLike) -> Rotation:
    """Return a rotation that takes +z to ``direction`` (3 numbers, any length)."""
    unit = np.asarray(direction, dtype=np.float64)
    unit = unit / np.linalg.norm(unit)
    axis = np.cross([0.0, 0.0, 1.0], unit)
    sine = float(np.linalg.norm(axis))
    if sine < 1e-9:
        return Rotation.identity() if unit[2] > 0 else euler(x=180.0)
    return Rotation.from_rotvec(axis / sine * np.arctan2(sine, unit[2]))


def join(solids: Iterable[Solid]) -> Solid:
    """Return one solid holding all of ``solids`` unwelded."""
    parts = list(solids)
    starts = np.cumsum([0] + [len(p.vertices) for p in parts[:-1]])
    return Solid(
        np.concatenate([p.vertices for p in parts]),
        np.concatenate([p.faces + start for p, start in zip(parts, starts, strict=True)]),
    )


def sheet(rows: Array, *, wrap: bool = False) -> Solid:
    """Return the surface through a grid of points, R x C x 3; ``wrap`` closes the columns."""
    row_count, column_count = rows.shape[:2]
    index = np.arange(row_count * column_count).reshape(row_count, column_count)
    right = np.roll(index, -1, axis=1) if wrap else index[:, 1:]
    here = index if wrap else index[:, :-1]
    a, b, c, d = here[:-1].ravel(), right[:-1].ravel(), right[1:].ravel(), here[1:].ravel()
    return clean(
        rows.reshape(-1, 3), np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    )


def lathe(profile: ArrayLike, segments: int = 48) -> Solid:
    """Turn a profile of (radius, z) about the z axis; walk it from the top rim outwards and down.

    Corners sharper than 50 degrees stay sharp; use ``fillet`` for round ones.
    """
    given = np.asarray(profile, dtype=np.float64)
    ring = circle(1.0, segments)
    pieces = []
    for run in _smooth_runs(given):
        rows = np.empty((len(run), segments, 3))
        rows[..., :2] = run[:, None, :1] * ring[None]
        rows[..., 2] = run[:, None, 1]
        pieces.append(sheet(rows[::-1], wrap=True))
    return join(pieces)


def tube(path: ArrayLike, radius: ArrayLike, segments: int = 16, *, closed: bool = False) -> Solid:
    """Sweep a circle along ``path`` (P x 3 mm); ``radius`` is one number or one per point; ends are domed."""
    points = np.asarray(path, dtype=np.float64)
    radii = np.broadcast_to(np.asarray(radius, dtype=np.float64), (len(points),)).copy()
    if closed:
        tangents = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    else:
        points, radii = _domed_ends(points, radii)
        tangents = np.gradient(points, axis=0)
    tangents /= np.maximum(np.linalg.norm(tangents, axis=1, keepdims=True), 1e-12)
    side = np.empty_like(points)
    side[0] = np.cross(tangents[0], np.eye(3)[np.argmin(np.abs(tangents[0]))])
    for k in range(1, len(points)):  # parallel transport: no twist
        side[k] = side[k - 1] - tangents[k] * (side[k - 1] @ tangents[k])
    side /= np.maximum(np.linalg.norm(side, axis=1, keepdims=True), 1e-12)
    up = np.cross(tangents, side)
    ring = circle(1.0, segments)
    rows = points[:, None] + radii[:, None, None] * (
        ring[None, :, :1] * side[:, None] + ring[None, :, 1:] * up[:, None]
    )
    return sheet(np.concatenate([rows, rows[:1]]) if closed else rows, wrap=True)


def walls(outline: Array, levels: Sequence[tuple[float, float]]) -> Solid:
    """Return the wall below an outline; ``levels`` are (inset, z) pairs from the top down.

    An anticlockwise outline makes an outer wall, a clockwise one (``outline[::-1]``) the wall of a hole.
    """
    rows = [np.column_stack([inset(outline, d), np.full(len(outline), z)]) for d, z in levels]
    return sheet(np.array(rows[::-1]), wrap=True)


def cap(outline: Array, holes: Sequence[Array] = (), z: float = 0.0, spacing: float = 4.0) -> Solid:
    """Return a flat face with holes at height ``z``, with inner vertices to carry colour."""
    rims = [outline, *holes]
    rim = np.concatenate(rims)
    low, high = outline.min(axis=0), outline.max(axis=0)
    x, y = np.meshgrid(np.arange(low[0], high[0], spacing), np.arange(low[1], high[1], 0.87 * spacing))
    x[1::2] += spacing / 2
    grid = np.column_stack([x.ravel(), y.ravel()])
    far = cKDTree(rim).query(grid)[0] > 0.6 * spacing
    points = np.concatenate([rim, grid[far]])
    faces = Delaunay(points).simplices.astype(np.int64)
    middle = points[faces].mean(axis=1)
    keep = _inside(middle, outline)
    for hole in holes:
        keep &= ~_inside(middle, hole)
    faces = faces[keep]
    a, b, c = (points[faces[:, k]] for k in range(3))
    clockwise = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) < (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    faces[clockwise] = faces[clockwise][:, ::-1]
    return clean(np.column_stack([points, np.full(len(points), z)]), faces)


def plate(
    outline: Array,
    holes: Sequence[Array] = (),
    *,
    top: float = 0.0,
    bottom: float = -5.0,
    bevel: float = 0.8,
    spacing: float = 4.0,
    back: bool = False,
) -> Solid:
    """Return a plate with rounded edges and through holes; all outlines anticlockwise, mm."""
    levels = [(bevel * (1 - np.sin(a)), top - bevel * (1 - np.cos(a))) for a in np.radians([0, 30, 60, 90])]
    levels.append((0.0, bottom))
    rims = [resample(outline, spacing)] + [
        resample(hole, _hole_spacing(hole, spacing))[::-1] for hole in holes
    ]
    face = cap(inset(rims[0], bevel), [inset(rim, bevel)[::-1] for rim in rims[1:]], top, spacing)
    pieces = [face, *(walls(rim, levels) for rim in rims)]
    if back:
        rear = cap(rims[0], [rim[::-1] for rim in rims[1:]], bottom, spacing * 2)
        pieces.append(Solid(rear.vertices, rear.faces[:, ::-1]))
    return join(pieces)


def _inside(points: Array, outline: Array) -> NDArray[np.bool_]:
    return np.asarray(measure.points_in_poly(points, outline), dtype=np.bool_)  # type: ignore[no-untyped-call]


def _hole_spacing(hole: Array, spacing: float) -> float:
    """Return a point spacing that keeps small holes round and large ones cheap."""
    around = float(np.linalg.norm(np.diff(hole, axis=0, append=hole[:1]), axis=1).sum())
    return min(spacing, max(2.0, around / 60), around / 20)


def cup(
    outline: Array, top: float, bottom: float, spacing: float = 3.0, holes: Sequence[Array] = ()
) -> Solid:
    """Return a recess: the inside wall of ``outline`` from ``top`` down to a floor at ``bottom``."""
    rim = resample(outline, min(spacing, 2.0))
    floor = cap(rim, [resample(hole, 1.5) for hole in holes], bottom, spacing)
    return join([walls(rim[::-1], [(0.0, top), (0.0, bottom)]), floor])


def pin(radius: float, top: float, bottom: float, *, segments: int = 24, rounding: float = 0.5) -> Solid:
    """Return a solid round pin standing along z with a rounded tip."""
    return lathe(fillet([(0.0, top), (radius, top), (radius, bottom)], rounding * radius), segments)


def sleeve(outer: float, inner: float, top: float, bottom: float, depth: float, segments: int = 40) -> Solid:
    """Return a tube standing along z, radii ``outer`` and ``inner``, whose bore ends at ``top - depth``."""
    edge = min(0.8, 0.4 * (outer - inner))
    corners = [(0.0, top - depth), (inner, top - depth), (inner, top), (outer, top), (outer, bottom)]
    return lathe(fillet(corners, edge), segments)


def _domed_ends(points: Array, radii: Array) -> tuple[Array, Array]:
    ends = []
    for end, inner, radius in ((points[0], points[1], radii[0]), (points[-1], points[-2], radii[-1])):
        out = (end - inner) / max(float(np.linalg.norm(end - inner)), 1e-12)
        angle = np.radians([30.0, 60.0, 90.0])
        ends.append((end + radius * np.sin(angle)[:, None] * out, np.maximum(radius * np.cos(angle), 1e-6)))
    (first, first_r), (last, last_r) = ends
    return np.concatenate([first[::-1], points, last]), np.concatenate([first_r[::-1], radii, last_r])


def _smooth_runs(profile: Array) -> list[Array]:
    step = np.diff(profile, axis=0)
    step /= np.maximum(np.linalg.norm(step, axis=1, keepdims=True), 1e-12)
    breaks = np.flatnonzero((step[:-1] * step[1:]).sum(axis=1) < _SHARP) + 1
    edges = [0, *breaks.tolist(), len(profile) - 1]
    return [profile[a : b + 1] for a, b in zip(edges[:-1], edges[1:], strict=True)]


def clean(vertices: Array, faces: Faces) -> Solid:
    """Return the solid without triangles of no area."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    area = 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1)
    return Solid(vertices, faces[area > _SLIVER_MM2])
