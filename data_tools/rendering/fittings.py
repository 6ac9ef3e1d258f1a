"""Small things that turn up around couplers and inlets alike: caps, straps, cables, cloths, screws."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline

from data_tools.rendering.coats import Coat, Noise, any_colour, cover, metal, plastic, rubber
from data_tools.rendering.contours import (
    Array,
    circle,
    fillet,
    inset,
    rectangle_bar,
    regular_polygon,
    resample,
)
from data_tools.rendering.shapes import Solid, cap, euler, join, lathe, plate, sheet, tube, walls
from data_tools.rendering.spec import Mesh
from model.families import Family


def smooth_path(knots: ArrayLike, points: int = 60) -> Array:
    """Return a smooth curve (points x 3 mm) through ``knots`` (K x 3)."""
    given = np.asarray(knots, dtype=np.float64)
    at = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(given, axis=0), axis=1))])
    return np.asarray(CubicSpline(at, given)(np.linspace(0, at[-1], points)))


def nose_outline(family: Family, grow: float = 0.0) -> Array:
    """Return the outline of a family's nose grown by ``grow`` mm; flattened at the top for Type 2."""
    outline = circle(0.5, 96) * np.array([family.nose_width, family.nose_height])
    if family.nose_width != family.nose_height:
        outline = circle(0.5 * family.nose_width, 96)
        outline[:, 1] = np.clip(
            outline[:, 1], -0.5 * family.nose_width, family.nose_height - 0.5 * family.nose_width
        )
        outline[:, 1] += 0.5 * (family.nose_width - family.nose_height)
    return inset(resample(outline + np.asarray(family.nose_centre), points=96), -grow)


def hollow_cap(outline: Array, *, height: float, thickness: float, bevel: float) -> Solid:
    """Return a protective cap: closed and rounded at z = 0 (outside), open at z = -height."""
    outer = resample(outline, 2.0)
    inner = inset(outer, thickness)
    rim = cap(outer, [inner], -height, 4.0)
    ceiling = cap(inner, (), -thickness, 5.0)
    return join(
        [
            plate(outer, top=0.0, bottom=-height, bevel=bevel, spacing=3.0),
            Solid(rim.vertices, rim.faces[:, ::-1]),
            Solid(ceiling.vertices, ceiling.faces[:, ::-1]),
            walls(inner[::-1], [(0.0, -thickness), (0.0, -height)]),
        ]
    )


def rubber_cap(rng: np.random.Generator, outline: Array, noise: Noise) -> tuple[Solid, Coat]:
    """Return one cap with its ornaments (rings, a tab, a boss) around the z axis, and its coat."""
    height, bevel = rng.uniform(8, 22), rng.uniform(1.0, 3.5)
    parts = [hollow_cap(outline, height=height, thickness=rng.uniform(1.8, 3.2), bevel=bevel)]
    reach = float(np.abs(outline).max())
    for radius in rng.uniform(0.2, 0.75, rng.integers(0, 3)) * reach:
        ring = np.column_stack([circle(radius, 40), np.zeros(40)])
        parts.append(tube(ring, rng.uniform(0.5, 1.3), 8, closed=True))
    if rng.random() < 0.5:
        boss = lathe(fillet([(0, 4), (rng.uniform(4, 9), 4), (9, -1)], 1.5), 28)
        parts.append(boss)
    if rng.random() < 0.6:
        tab = plate(rectangle_bar(rng.uniform(10, 18), rng.uniform(12, 22)), top=-1.0, bottom=-4.0, back=True)
        angle = rng.uniform(0, 360)
        parts.append(tab.moved((0, reach + 5, 0)).moved(turn=euler(z=angle)))
    return join(parts), rubber(rng) if rng.random() < 0.7 else plastic(rng)


def strap(rng: np.random.Generator, start: ArrayLike, end: ArrayLike, sag: float = 18.0) -> Solid:
    """Return a cord or chain-like tether between two points, hanging by about ``sag`` mm."""
    first, last = np.asarray(start, dtype=np.float64), np.asarray(end, dtype=np.float64)
    middle = 0.5 * (first + last) + np.array([rng.normal(0, 8), -sag, rng.normal(0, 6)])
    path = smooth_path([first, middle, last], 40)
    if rng.random() < 0.25:  # ball chain
        return join([lathe(fillet([(0, 1.4), (1.4, 0), (0, -1.4)], 1.2), 8).moved(p) for p in path[::2]])
    return tube(path, rng.uniform(1.2, 3.2), 10)


def cable(rng: np.random.Generator, knots: ArrayLike, noise: Noise, radius: float | None = None) -> Mesh:
    """Return a cable through ``knots``: mostly black, also orange, blue, green, yellow; often dusty."""
    thick = radius or rng.uniform(4.0, 11.0)
    coat = rubber(rng)
    if rng.random() < 0.25:
        coat = coat.but(albedo=any_colour(rng))
    return cover("loose_cable", tube(smooth_path(knots, 120), thick, 18), coat.but(mottle_mm=40.0), noise)


def cable_loops(rng: np.random.Generator, centre: ArrayLike, noise: Noise) -> list[Mesh]:
    """Return one to four loops of one cable hanging around ``centre`` in about the xy plane."""
    turns, reach = int(rng.integers(1, 5)), rng.uniform(60, 260)
    angle = np.linspace(0, 2 * np.pi * turns, 14 * turns) + rng.uniform(0, 6)
    wobble = 1 + 0.06 * rng.normal(size=len(angle)).cumsum() / np.sqrt(len(angle))
    path = np.column_stack(
        [np.cos(angle) * reach, np.sin(angle) * reach * 1.15, np.linspace(0, 9 * turns, len(angle))]
    )
    path *= wobble[:, None]
    thick = rng.uniform(4.0, 10.0)
    solid = tube(smooth_path(path, 70 * turns), thick, 14).moved(
        centre, euler(rng.normal(0, 15), rng.normal(0, 15))
    )
    return [cover("loose_cable", solid, rubber(rng).but(mottle_mm=40.0), noise)]


def cloth(
    rng: np.random.Generator,
    width: float,
    height: float,
    noise: Noise,
    *,
    drape: float = 14.0,
    cells: int = 90,
) -> tuple[Solid, Array]:
    """Return a crumpled sheet facing +z and its fold field (N,), about -1..1."""
    x, y = np.meshgrid(np.linspace(-width / 2, width / 2, cells), np.linspace(-height / 2, height / 2, cells))
    flat = np.stack([x, y, np.zeros_like(x)], axis=-1)
    points = flat.reshape(-1, 3)
    folds = noise(points * np.array([1.0, rng.uniform(0.25, 0.7), 1.0]), rng.uniform(28, 60), 3)
    folds = 0.6 * folds + 0.4 * (1 - 2 * np.abs(noise(points + 77, 45.0, 2)))
    shift = noise(points + 500, 70.0, 2) * 14
    flat[..., 2] = (folds * drape).reshape(x.shape) - 0.0006 * (x**2 + y**2) * rng.uniform(0, 3)
    flat[..., 0] += shift.reshape(x.shape)
    flat[..., 1] -= 0.5 * shift.reshape(x.shape)
    return sheet(flat), folds


def screw_head(rng: np.random.Generator, radius: float, noise: Noise, drive: str | None = None) -> list[Mesh]:
    """Return a screw or bolt head facing +z; ``drive`` is slot, cross, hexagon, star or nut."""
    kind = drive or str(rng.choice(["slot", "cross", "hexagon", "star", "nut"]))
    coat, height = metal(rng), radius * rng.uniform(0.3, 0.8)
    turn = euler(z=rng.uniform(0, 360))
    if kind == "nut":
        parts = [
            plate(regular_polygon(6, radius, 0.15 * radius), top=height, bottom=0.0, bevel=0.08 * radius)
        ]
        parts.append(
            lathe(fillet([(0, height * 1.5), (0.5 * radius, height * 1.5), (0.5 * radius, 0)], 0.3), 28)
        )
        return [cover("screw", join(parts).moved(turn=turn), coat, noise)]
    hole = _drive_outline(kind, radius)
    head = plate(circle(radius, 48), [hole], top=height, bottom=0.0, bevel=0.12 * radius, spacing=radius / 5)
    floor = cap(inset(hole, -0.02 * radius), (), 0.35 * height, radius / 4)
    dark = coat.but(albedo=(0.03, 0.03, 0.03), metallic=0.3, roughness=0.7)
    return [
        cover("screw", head.moved(turn=turn), coat, noise),
        cover("screw", floor.moved(turn=turn), dark, noise),
    ]


def _drive_outline(kind: str, radius: float) -> Array:
    if kind == "slot":
        return resample(rectangle_bar(1.5 * radius, 0.22 * radius), radius / 12)
    if kind == "hexagon":
        return resample(regular_polygon(6, 0.5 * radius, 0.05 * radius), radius / 12)
    angle = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    lobes, depth = (4, 0.42) if kind == "cross" else (6, 0.16)
    reach = radius * 0.42 * (1 + depth * np.cos(lobes * angle))
    return np.column_stack([reach * np.cos(angle), reach * np.sin(angle)])
