"""Closed outlines and open profiles in the plane, mm: what plates, walls and lathed solids are made from."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def circle(radius: float, points: int = 48, centre: tuple[float, float] = (0.0, 0.0)) -> Array:
    """Return a circle as an anticlockwise outline, points x 2 mm."""
    angle = np.linspace(0, 2 * np.pi, points, endpoint=False)
    return np.column_stack([centre[0] + radius * np.cos(angle), centre[1] + radius * np.sin(angle)])


def superellipse(
    width: float, height: float, power: float, points: int = 96, centre: tuple[float, float] = (0.0, 0.0)
) -> Array:
    """Return a superellipse outline: power 2 is an ellipse, 4 a soft rectangle."""
    angle = np.linspace(0, 2 * np.pi, points, endpoint=False)
    cos, sin = np.cos(angle), np.sin(angle)
    x = np.sign(cos) * np.abs(cos) ** (2 / power) * width / 2
    y = np.sign(sin) * np.abs(sin) ** (2 / power) * height / 2
    return resample(np.column_stack([x + centre[0], y + centre[1]]), points=points)


def rounded_polygon(corners: ArrayLike, radius: float, steps: int = 6) -> Array:
    """Return the polygon ``corners`` (K x 2, anticlockwise) with each corner replaced by a Bezier round."""
    given = np.asarray(corners, dtype=np.float64)
    before, after = np.roll(given, 1, axis=0) - given, np.roll(given, -1, axis=0) - given
    t = np.linspace(0, 1, steps)[:, None]
    outline = []
    for corner, back, ahead in zip(given, before, after, strict=True):
        length_back, length_ahead = np.linalg.norm(back), np.linalg.norm(ahead)
        reach = min(radius, 0.49 * length_back, 0.49 * length_ahead)
        start, end = corner + back / length_back * reach, corner + ahead / length_ahead * reach
        outline.append((1 - t) ** 2 * start + 2 * t * (1 - t) * corner + t**2 * end)
    return np.concatenate(outline)


def rounded_rectangle(
    width: float, height: float, radius: float, centre: tuple[float, float] = (0.0, 0.0), steps: int = 6
) -> Array:
    """Return an anticlockwise rectangle outline with rounded corners, mm."""
    x, y = width / 2, height / 2
    corners = np.array([[-x, -y], [x, -y], [x, y], [-x, y]]) + np.asarray(centre)
    return rounded_polygon(corners, radius, steps)


def rectangle_bar(width: float, height: float) -> Array:
    """Return a bar outline with generously rounded corners about the origin, mm."""
    return rounded_rectangle(width, height, 0.3 * min(width, height))


def regular_polygon(
    sides: int, radius: float, round_off: float, centre: tuple[float, float] = (0.0, 0.0)
) -> Array:
    """Return a regular polygon outline (nuts, hexagon recesses) with circumradius ``radius``."""
    return rounded_polygon(circle(radius, sides, centre), round_off, 4)


def resample(outline: Array, spacing: float | None = None, points: int | None = None) -> Array:
    """Return the closed outline with evenly spaced points, ``points`` of them or about ``spacing`` apart."""
    closed = np.vstack([outline, outline[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    count = points or max(8, int(np.ceil(along[-1] / (spacing or 1.0))))
    at = np.linspace(0, along[-1], count, endpoint=False)
    return np.column_stack([np.interp(at, along, closed[:, k]) for k in range(closed.shape[1])])


def inset(outline: Array, distance: float) -> Array:
    """Return the outline moved inwards (left of its direction of travel) along its vertex normals."""
    ahead = np.roll(outline, -1, axis=0) - np.roll(outline, 1, axis=0)
    length = np.maximum(np.linalg.norm(ahead, axis=1, keepdims=True), 1e-12)
    moved = outline + distance * np.column_stack([-ahead[:, 1], ahead[:, 0]]) / length
    return np.asarray(moved, dtype=np.float64)


def fillet(corners: Sequence[tuple[float, float]], radius: float, steps: int = 4) -> Array:
    """Return an open profile (K x 2) with its inner corners rounded by up to ``radius`` mm."""
    given = np.asarray(corners, dtype=np.float64)
    t = np.linspace(0, 1, steps)[:, None]
    profile = [given[:1]]
    for before, corner, after in zip(given[:-2], given[1:-1], given[2:], strict=True):
        back, ahead = before - corner, after - corner
        length_back, length_ahead = np.linalg.norm(back), np.linalg.norm(ahead)
        reach = min(radius, 0.45 * length_back, 0.45 * length_ahead)
        start, end = corner + back / length_back * reach, corner + ahead / length_ahead * reach
        profile.append((1 - t) ** 2 * start + 2 * t * (1 - t) * corner + t**2 * end)
    return np.concatenate([*profile, given[-1:]])
