"""Solid modelling in mm: lofts, prisms and three-view blocks as manifold solids, and what meshes them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import manifold3d as m3
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[Any]
Profile = Sequence[tuple[float, float]]
"""Corners of a section: (offset outwards from the outline, z), mm."""

_SHARP_DEGREES = 38.0
"""Edges that turn by more than this are drawn sharp."""
_FLATTEN = 0.4
"""Triangles are this much shorter across z than along it: walls go straight back and need few."""


@dataclass(frozen=True)
class Skin:
    """A triangulated surface: positions and normals (N x 3), triangles (M x 3), and which vertices lie on a
    freshly broken face."""

    points: Floats
    normals: Floats
    triangles: NDArray[np.int64]
    fresh: NDArray[np.bool_]


def circle(radius: float, sides: int = 56) -> Floats:
    """Return a circle as ``sides`` x 2 points, counter-clockwise."""
    turn = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    return radius * np.stack([np.cos(turn), np.sin(turn)], 1)


def resampled(section: Any, sides: int) -> Floats:
    """Return the outer contour of a cross-section as ``sides`` x 2 points at even distances."""
    points = np.asarray(max(section.to_polygons(), key=len), float)
    closed = np.vstack([points, points[:1]])
    along = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    wanted = np.linspace(0, along[-1], sides, endpoint=False)
    return np.stack([np.interp(wanted, along, closed[:, k]) for k in range(2)], 1)


def rounded(section: Any, radius: float) -> Any:
    """Return the cross-section with its outer corners rounded."""
    smaller = section.offset(-radius, m3.JoinType.Miter, 4.0)
    return smaller.offset(radius, m3.JoinType.Round, circular_segments=28)


def rectangle(left: float, bottom: float, right: float, top: float) -> Any:
    """Return a rectangle as a cross-section."""
    return m3.CrossSection.square((right - left, top - bottom)).translate((left, bottom))


def polygon(corners: Sequence[tuple[float, float]]) -> Any:
    """Return a polygon as a cross-section, whichever way round its corners are given."""
    return m3.CrossSection([np.asarray(corners, float)], m3.FillRule.NonZero if _left(corners) else _NEGATIVE)


_NEGATIVE = m3.FillRule.Negative


def _left(corners: Sequence[tuple[float, float]]) -> bool:
    x, y = np.asarray(corners, float).T
    return float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) > 0


def loft(outline: Floats, profile: Profile, ring: bool = False) -> Any:
    """Return the solid whose section along the outline is the profile.

    The profile runs from the back (low z) to the front and is capped at both ends; with ``ring`` it is a
    closed section that goes up on the outside and down on the inside, and the solid is a tube.
    """
    sides, levels = len(outline), len(profile)
    tangent = np.roll(outline, -1, 0) - np.roll(outline, 1, 0)
    outward = np.stack([tangent[:, 1], -tangent[:, 0]], 1)
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    rows = [np.column_stack([outline + d * outward, np.full(sides, z)]) for d, z in profile]
    around = np.arange(sides)
    after = np.roll(around, -1)
    faces = []
    for k in range(levels if ring else levels - 1):
        low, high = k * sides, (k + 1) % levels * sides
        faces.append(np.stack([low + around, low + after, high + after], 1))
        faces.append(np.stack([low + around, high + after, high + around], 1))
    points = np.vstack(rows)
    if not ring:
        tops = [np.append(row[:, :2].mean(0), row[0, 2]) for row in (rows[0], rows[-1])]
        first, last = len(points), len(points) + 1
        points = np.vstack([points, tops])
        end = (levels - 1) * sides
        faces.append(np.stack([np.full(sides, first), after, around], 1))
        faces.append(np.stack([np.full(sides, last), end + around, end + after], 1))
    return solid(points, np.vstack(faces))


def solid(points: Floats, triangles: NDArray[Any]) -> Any:
    """Return the solid that a closed mesh bounds."""
    made = m3.Manifold(m3.Mesh(np.asarray(points, np.float32), np.asarray(triangles, np.uint32)))
    if made.status() != m3.Error.NoError:
        raise ValueError(f"Wanted a closed mesh; got {made.status()}. Check the outline and the profile.")
    return made


def fillet(offset: float, z: float, radius: float, steps: int = 4) -> list[tuple[float, float]]:
    """Return the profile of an outer upper edge: the corner at (``offset``, ``z``) rounded."""
    turn = np.linspace(0, np.pi / 2, steps + 1)
    inward, up = radius * (1 - np.cos(turn)), radius * (1 - np.sin(turn))
    return [(float(offset - a), float(z - b)) for a, b in zip(inward, up, strict=True)]


def block(front: Any, side: Any, top: Any | None = None, reach: float = 90.0) -> Any:
    """Return what two or three views have in common: ``front`` in (x, y), ``side`` in (z, y), ``top`` in
    (x, z), each extruded by ``reach`` to either side."""
    made = front.extrude(2 * reach).translate((0, 0, -reach))
    made ^= side.extrude(2 * reach).translate((0, 0, -reach)).rotate((0, -90, 0)).mirror((1, 0, 0))
    if top is not None:
        made ^= top.extrude(2 * reach).translate((0, 0, -reach)).rotate((90, 0, 0))
    return made


def tube(path: Floats, radii: Sequence[float], sides: int = 20) -> Any:
    """Return a round bar along a path (N x 3)."""
    heading = np.gradient(path, axis=0)
    heading /= np.linalg.norm(heading, axis=1, keepdims=True)
    aside = np.cross(heading, [0.31, 0.17, 0.93] if abs(heading[0, 2]) < 0.8 else [0.9, 0.3, 0.1])
    aside /= np.linalg.norm(aside, axis=1, keepdims=True)
    above = np.cross(heading, aside)
    ring = circle(1.0, sides)
    rows = [
        p + r * (ring[:, :1] * a + ring[:, 1:] * b)
        for p, r, a, b in zip(path, radii, aside, above, strict=True)
    ]
    around, faces = np.arange(sides), []
    after = np.roll(around, -1)
    for k in range(len(path) - 1):
        low, high = k * sides, (k + 1) * sides
        faces.append(np.stack([low + around, low + after, high + after], 1))
        faces.append(np.stack([low + around, high + after, high + around], 1))
    points = np.vstack([*rows, path[:1], path[-1:]])
    first, end = len(points) - 2, (len(path) - 1) * sides
    faces.append(np.stack([np.full(sides, first), after, around], 1))
    faces.append(np.stack([np.full(sides, first + 1), end + around, end + after], 1))
    return solid(points, np.vstack(faces))


def skin(
    body: Any,
    edge: float,
    cutters: frozenset[int] = frozenset(),
    sharp: float = _SHARP_DEGREES,
    back: float = -1e9,
) -> Skin:
    """Return the surface of a solid in triangles of about ``edge`` mm. ``cutters``: the original ids of the
    solids whose faces are freshly broken. Nothing behind z = ``back`` is kept."""
    fine = body.scale((1, 1, _FLATTEN)).refine_to_length(edge).scale((1, 1, 1 / _FLATTEN))
    mesh = fine.calculate_normals(0, sharp).to_mesh()
    triangles = np.asarray(mesh.tri_verts, np.int64)
    data = np.asarray(mesh.vert_properties, float)
    starts = np.asarray(mesh.run_index, np.int64) // 3
    run = np.repeat(np.arange(len(starts) - 1), np.diff(starts))
    broken = np.isin(np.asarray(mesh.run_original_id), list(cutters))[run]
    ahead = data[triangles, 2].max(1) > back
    triangles, broken = triangles[ahead], broken[ahead]
    own = triangles + len(data) * broken[:, None]  # broken faces share no corner with what was there before
    used = np.zeros(2 * len(data), bool)
    used[own] = True
    keys, number = np.flatnonzero(used), np.cumsum(used) - 1
    data, fresh = data[keys % len(data)], keys >= len(data)
    return Skin(data[:, :3], data[:, 3:6], number[own], fresh)


def joined(solids: Sequence[Any]) -> Any:
    """Return the union of solids."""
    return m3.Manifold.batch_boolean(list(solids), m3.OpType.Add)


def without(body: Any, cuts: Sequence[Any]) -> Any:
    """Return a solid less some others."""
    return body - joined(cuts) if cuts else body
