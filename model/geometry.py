"""Homographies between the photo, the face plane (mm) and the canonical view.

All pixel coordinates have pixel centres at .5: a picture ``w`` wide spans x from 0 to ``w``. A homography
is a 3x3 float64 array acting on column vectors (x, y, 1). numpy only: no torch, no OpenCV.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from model.families import Box, Family

Matrix = NDArray[np.float64]

CANONICAL_PIXELS = 288
"""Side of the canonical view in pixels: 4.0 pixels a millimetre of a Type 1 face, 4.5 of a Type 2 face. It
shows the whole; what is fine is looked for in the close-ups."""

CLOSE_PIXELS = 112
"""Side of a close-up in pixels: 7 to 12 pixels a millimetre of a pin housing, about as fine as an ordinary
photo is (median of the rendered ones 5.6, one in twenty more than 10), so that a crack is wider than one;
3.7 of the latch's surroundings, which are large."""

MOUTH_MARGIN = 1.45
"""A pin housing is looked at in a square this many sleeve diameters wide: its rim and some neighbourhood."""
CLOSE_MARGIN = 1.25
"""The same for its close-up: the rim, and room for 0.9 mm or more by which the face may be misplaced."""


def project(matrix: Matrix, points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Map Nx2 ``points`` through ``matrix``; returns Nx2."""
    homogeneous = np.concatenate([points, np.ones((len(points), 1))], axis=1) @ matrix.T
    result: NDArray[np.float64] = homogeneous[:, :2] / homogeneous[:, 2:]
    return result


def canonical_to_mm(family: Family, pixels: int = CANONICAL_PIXELS) -> Matrix:
    """Return the matrix from canonical-view pixels (y down) to face-plane mm (y up)."""
    return box_to_mm(family.canonical_view, pixels)


def box_to_mm(box: Box, pixels: int) -> Matrix:
    """Return the matrix from the pixels of a square view of ``box`` to mm."""
    step = (box.right - box.left) / pixels
    return np.array([[step, 0.0, box.left], [0.0, -step, box.top], [0.0, 0.0, 1.0]])


def _inverse(matrix: Matrix) -> Matrix:
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def part_boxes(family: Family, pixels: int = CANONICAL_PIXELS) -> NDArray[np.float32]:
    """Return one box a pin housing in table order, Nx4 canonical pixels (left, top, right, bottom)."""
    to_pixels = _inverse(canonical_to_mm(family, pixels))
    boxes = []
    for contact in family.contacts:
        half = contact.sleeve_diameter * MOUTH_MARGIN / 2
        corners = np.array([[contact.x - half, contact.y + half], [contact.x + half, contact.y - half]])
        boxes.append(project(to_pixels, corners).ravel())
    return np.array(boxes, dtype=np.float32)


def close_ups_to_canonical(family: Family, pixels: int = CANONICAL_PIXELS) -> Matrix:
    """Return (P+1)x3x3: from the pixels of each close-up to those of the canonical view.

    The pin housings come in table order, then the latch's surroundings (the whole view without a latch).
    """
    to_pixels = _inverse(canonical_to_mm(family, pixels))
    boxes = [
        Box(c.x - half, c.y - half, c.x + half, c.y + half)
        for c in family.contacts
        for half in [c.sleeve_diameter * CLOSE_MARGIN / 2]
    ]
    boxes.append(family.latch_surroundings or family.canonical_view)
    return np.stack([to_pixels @ box_to_mm(box, CLOSE_PIXELS) for box in boxes])


def latch_box(family: Family, pixels: int = CANONICAL_PIXELS) -> NDArray[np.float32]:
    """Return the latch's surroundings as 4 canonical pixels (left, top, right, bottom); all if no latch."""
    zone = family.latch_surroundings or family.canonical_view
    corners = zone.corners()[[0, 2]]
    return project(_inverse(canonical_to_mm(family, pixels)), corners).ravel().astype(np.float32)


def pixels_per_mm(matrix: Matrix, at: tuple[float, float] = (0.0, 0.0)) -> float:
    """Return the mean scale of ``matrix`` (mm to pixels) at a point: root of the area ratio."""
    x, y = at
    w = matrix[2, 0] * x + matrix[2, 1] * y + matrix[2, 2]
    determinant = abs(np.linalg.det(matrix)) / max(abs(w) ** 3, 1e-12)
    return float(np.sqrt(determinant))


def shape_stretch(matrix: Matrix, at: tuple[float, float] = (0.0, 0.0)) -> float:
    """Return the ratio (>= 1) of the largest to the smallest local scale: 1/cos(tilt) for a tilted view."""
    step = 0.5
    points = np.array([at, (at[0] + step, at[1]), (at[0], at[1] + step)])
    centre, right, up = project(matrix, points)
    values = np.linalg.svd(np.stack([right - centre, up - centre]), compute_uv=False)
    return float(values[0] / max(values[1], 1e-9))


def turned_mirror(matrix: Matrix, at: tuple[float, float] = (0.0, 0.0)) -> bool:
    """Whether ``matrix`` mirrors the face (never true of a photo: y up in mm is y down in pixels)."""
    points = np.array([at, (at[0] + 1.0, at[1]), (at[0], at[1] + 1.0)])
    centre, right, up = project(matrix, points)
    first, second = right - centre, up - centre
    return bool(first[0] * second[1] - first[1] * second[0] > 0)


def scale_matrix(factor: float) -> Matrix:
    """Return the matrix that scales pixels by ``factor``."""
    return np.diag([factor, factor, 1.0])


def in_frame_fraction(
    matrix: Matrix, centre: tuple[float, float], radius: float, width: float, height: float
) -> float:
    """Return how much of a disc on the face plane (mm) falls inside a ``width`` x ``height`` photo, 0..1."""
    angles = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    rings = [np.zeros((1, 2))]
    for share in (0.5, 1.0):
        rings.append(share * radius * np.stack([np.cos(angles), np.sin(angles)], axis=1))
    points = project(matrix, np.concatenate(rings) + np.array(centre))
    inside = (points[:, 0] >= 0) & (points[:, 0] <= width) & (points[:, 1] >= 0) & (points[:, 1] <= height)
    return float(inside.mean())
