"""Meshes from swept profiles: the nose, the sockets, the handle, the cable, small loose things."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Faces = NDArray[np.uint32]


def sheet_faces(rows: int, columns: int, wrap_rows: bool, wrap_columns: bool) -> Faces:
    """Return triangles of a ``rows`` x ``columns`` vertex sheet, closed on itself where asked."""
    i = np.arange(rows if wrap_rows else rows - 1)
    j = np.arange(columns if wrap_columns else columns - 1)
    a_row, a_col = (grid.ravel() for grid in np.meshgrid(i, j, indexing="ij"))
    b_row, b_col = (a_row + 1) % rows, (a_col + 1) % columns
    a, b = a_row * columns + a_col, b_row * columns + a_col
    c, d = b_row * columns + b_col, a_row * columns + b_col
    return np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)]).astype(np.uint32)


def level_radius(
    outline: Callable[[Array, Array], Array], angles: Array, offset: Array, guess: float
) -> Array:
    """Return, for each angle and offset, the radius where a plane signed distance equals ``offset``.

    ``angles`` (A,) and ``offset`` (A, P) or (P,) broadcast to the (A, P) result; the outline must be star
    shaped around its origin.
    """
    cos, sin = np.cos(angles)[:, None], np.sin(angles)[:, None]
    radius = np.zeros((len(angles), np.shape(offset)[-1])) + guess + offset
    for _ in range(8):
        radius = radius - (outline(radius * cos, radius * sin) - offset)
    return radius


def rounded_lip(
    outer: float, inner: float, top: float, low_outer: float, low_inner: float, rounding: float, step: float
) -> tuple[Array, Array]:
    """Return the (offset, z) profile of a wall: up outside, over a rounded lip, down inside."""
    r = min(rounding, (outer - inner) / 2 - 1e-3)
    turn = np.linspace(0, np.pi / 2, 6)

    def rise(low: float) -> Array:
        length = top - r - low
        count = max(int(length / step), 4)
        return low + length * (1 - (1 - np.linspace(0, 1, count, endpoint=False)) ** 1.7)

    up, down = rise(low_outer), rise(low_inner)[::-1]
    flat = np.linspace(outer - r, inner + r, 5)[1:-1]
    offsets = np.concatenate(
        [
            np.full(up.size, outer),
            outer - r + r * np.cos(turn),
            flat,
            inner + r - r * np.sin(turn),
            np.full(down.size, inner),
        ]
    )
    heights = np.concatenate(
        [up, top - r + r * np.sin(turn), np.full(flat.size, top), top - r + r * np.cos(turn), down]
    )
    return offsets, heights


def tube(
    path: Array, half_width: Array, half_height: Array, sides: int, squareness: float = 2.0, caps: bool = True
) -> tuple[Array, Faces]:
    """Return a closed tube of superellipse sections along ``path`` (P, 3), half sizes (P,) in mm."""
    tangent = np.gradient(path, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True) + 1e-12
    side = np.zeros_like(path)
    reference = (
        np.eye(3)[int(np.argmin(np.abs(tangent[0])))] if abs(tangent[0][0]) > 0.9 else np.array([1.0, 0, 0])
    )
    for index, along in enumerate(tangent):
        reference = reference - along * float(reference @ along)
        reference /= np.linalg.norm(reference) + 1e-12
        side[index] = reference
    up = np.cross(side, tangent)
    angle = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    power = 2.0 / squareness
    u = np.sign(np.cos(angle)) * np.abs(np.cos(angle)) ** power
    v = np.sign(np.sin(angle)) * np.abs(np.sin(angle)) ** power
    rings = (
        path[:, None]
        + side[:, None] * (half_width[:, None] * u)[..., None]
        + up[:, None] * (half_height[:, None] * v)[..., None]
    )
    vertices = rings.reshape(-1, 3)
    faces = sheet_faces(len(path), sides, False, True)
    if caps:
        vertices, faces = _close_ends(vertices, faces, path, sides)
    return vertices, faces


def _close_ends(vertices: Array, faces: Faces, path: Array, sides: int) -> tuple[Array, Faces]:
    ring = np.arange(sides)
    following = (ring + 1) % sides
    last = (len(path) - 1) * sides
    first_hub, last_hub = len(vertices), len(vertices) + 1
    start = np.stack([np.full(sides, first_hub), ring, following], 1)
    end = np.stack([np.full(sides, last_hub), last + following, last + ring], 1)
    return (
        np.concatenate([vertices, path[:1], path[-1:]]),
        np.concatenate([faces, start.astype(np.uint32), end.astype(np.uint32)]),
    )


def lump(rng: np.random.Generator, size: tuple[float, float, float], roughness: float) -> tuple[Array, Faces]:
    """Return a rough convex-ish lump of about the given half sizes, e.g. a chip of plastic or of mud."""
    rows, columns = 7, 10
    polar = np.linspace(0.02, np.pi - 0.02, rows)[:, None]
    around = np.linspace(0, 2 * np.pi, columns, endpoint=False)[None, :]
    unit = np.stack(
        [np.sin(polar) * np.cos(around), np.sin(polar) * np.sin(around), np.cos(polar) + 0 * around], -1
    ).reshape(-1, 3)
    radius = 1.0 + roughness * rng.uniform(-1, 1, (len(unit), 1))
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    return unit * radius * np.asarray(size) @ turn, sheet_faces(rows, columns, False, True)
