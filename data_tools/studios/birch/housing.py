"""The coupler around its sleeves: nose shell, floor of the insert, body, grip and cable."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.birch.looks import darker
from data_tools.studios.birch.meshes import (
    SHELL,
    Floats,
    Look,
    Mesh,
    bezier,
    grid,
    loft,
    plain,
    smooth,
    waves,
)
from model.families import Family


@dataclass(frozen=True)
class Nose:
    """The nose: wall thickness, height of its rim over the sleeve mouths, depth behind the face, height of
    the insert's floor, roundings (all mm), and the flange behind it."""

    wall: float
    rim: float
    depth: float
    floor: float
    round_out: float
    round_in: float
    corner: float
    flange: float
    grooves: tuple[float, ...]
    key_slot: tuple[float, float, float]


def draw_nose(rng: np.random.Generator, family: Family) -> Nose:
    """Draw a nose for the family."""
    depth = float(rng.uniform(20, 35))
    wall = float(rng.uniform(1.6, 3.2) if family.has_latch else rng.uniform(1.8, 3.2))
    grooves = tuple(float(z) for z in rng.uniform(-depth + 3, -4, int(rng.choice([0, 0, 0, 1, 2]))))
    key = (float(rng.uniform(0, 2 * np.pi)), float(rng.uniform(0.08, 0.25)), float(rng.uniform(1, 5)))
    return Nose(
        wall=wall,
        rim=float(rng.choice([rng.uniform(-1, 1), rng.uniform(-0.5, 5)])),
        depth=depth,
        floor=-float(rng.choice([rng.uniform(6, 12), rng.uniform(12, 20)])),
        round_out=float(rng.uniform(0.2, 0.45) * wall),
        round_in=float(rng.uniform(0.12, 0.4) * wall),
        corner=float(rng.uniform(14, 40)),
        flange=float(rng.uniform(2.5, 9)),
        grooves=grooves,
        key_slot=key if rng.uniform() < 0.15 else (0.0, 0.0, 0.0),
    )


def outline(family: Family, corner: float, angle: Floats) -> Floats:
    """Return the nose's outline (A x 2 mm) at the angles: a circle, flattened at the top for Type 2."""
    unit = np.stack([np.cos(angle), np.sin(angle)], -1)
    radius = family.nose_width / 2
    centre = np.array(family.nose_centre)
    if abs(family.nose_width - family.nose_height) > 1:
        centre = centre + [0.0, radius - family.nose_height / 2]
        flat = family.nose_height - radius
        reach = np.where(unit[:, 1] > 0.05, flat / np.maximum(unit[:, 1], 0.05), 1e4)
        radius = (radius**-corner + reach**-corner) ** (-1 / corner)
        return np.asarray(centre + unit * radius[:, None])
    return np.asarray(centre + unit * radius)


def _offset(line: Floats, inwards: Floats) -> Floats:
    """Return the closed outline (A x 2) moved inwards by B distances: A x B x 2."""
    along = np.roll(line, -1, 0) - np.roll(line, 1, 0)
    normal = np.stack([-along[:, 1], along[:, 0]], -1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return np.asarray(
        line[:, None] + normal[:, None] * np.broadcast_to(inwards, (len(line), inwards.shape[-1]))[..., None]
    )


def _rounding(low: float, high: float, radius: float, first: float, last: float, count: int = 7) -> Floats:
    turn = np.linspace(first, last, count)
    return np.stack([low + radius * np.cos(turn), high + radius * np.sin(turn)], -1)


def shell(family: Family, nose: Nose, look: Look) -> Mesh:
    """Return the nose's wall: inner face, rounded rim, outer face with grooves, down to the flange."""
    angle = np.linspace(0, 2 * np.pi, 260, endpoint=False)
    line = outline(family, nose.corner, angle)
    a, b = nose.round_in, nose.round_out
    inner = np.stack([np.full(24, nose.wall), np.linspace(nose.floor - 1, nose.rim - a, 24)], -1)
    outer_z = np.linspace(nose.rim - b, -nose.depth, 60)[1:]
    dents = sum((0.6 * np.exp(-(((outer_z - g) / 0.7) ** 4)) for g in nose.grooves), np.zeros_like(outer_z))
    profile = np.concatenate(
        [
            inner[:-1],
            _rounding(nose.wall - a, nose.rim - a, a, 0, np.pi / 2),
            _rounding(b, nose.rim - b, b, np.pi / 2, np.pi),
            np.stack([dents, outer_z], -1),
        ]
    )
    flat = _offset(line, profile[None, :, 0])
    z = np.broadcast_to(profile[None, :, 1], flat.shape[:2]).copy()
    centre, width, depth = nose.key_slot
    if width:
        cut = np.abs((angle - centre + np.pi) % (2 * np.pi) - np.pi) < width
        z = np.where(cut[:, None], np.minimum(z, nose.rim - depth), z)
    return grid(np.concatenate([flat, z[..., None]], -1)[:, ::-1], look, SHELL, closed=True)


def floor_sheet(rng: np.random.Generator, family: Family, nose: Nose, look: Look) -> Mesh:
    """Return the insert's floor as a fine sheet cut to the nose's inside, deep in the bores, with ribs and
    drain holes now and then."""
    line = outline(family, nose.corner, np.linspace(-np.pi, np.pi, 400))
    centre = np.array(family.nose_centre)
    low, high = line.min(0), line.max(0)
    x, y = np.meshgrid(np.linspace(low[0], high[0], 100), np.linspace(low[1], high[1], 96), indexing="ij")
    z = np.full_like(x, nose.floor) + 0.03 * waves(rng, 9.0)(np.stack([x, y, x * 0], -1))
    if rng.uniform() < 0.35:
        turn, pitch = rng.uniform(0, np.pi), rng.uniform(6, 14)
        across = np.abs((x * np.cos(turn) + y * np.sin(turn)) % pitch - pitch / 2)
        z += rng.uniform(0.6, 3) * (1 - smooth(across, 0.5, 1.1))
    if rng.uniform() < 0.4:
        for _ in range(int(rng.integers(1, 4))):
            spot = centre + rng.uniform(-0.7, 0.7, 2) * (high - low) / 2
            z -= 8 * (1 - smooth(np.hypot(x - spot[0], y - spot[1]), rng.uniform(0.8, 1.5), 2.0))
    for c in family.contacts:
        off = np.hypot(x - c.x, y - c.y)
        z = np.where(off < (c.bore_diameter + c.sleeve_diameter) / 4, nose.floor - 16, z)
    sheet = grid(np.stack([x, y, z], -1), darker(look, 0.9), SHELL)
    reach = np.hypot(line[:, 0] - centre[0], line[:, 1] - centre[1])
    turn = np.arctan2(line[:, 1] - centre[1], line[:, 0] - centre[0])
    order = np.argsort(turn)
    at = np.arctan2(sheet.points[:, 1] - centre[1], sheet.points[:, 0] - centre[0])
    limit = np.interp(at, turn[order], reach[order], period=2 * np.pi) - nose.wall * 0.4
    inside = np.hypot(sheet.points[:, 0] - centre[0], sheet.points[:, 1] - centre[1]) < limit
    faces = sheet.faces[inside[sheet.faces].all(1)]
    kept = plain(sheet.points, faces, darker(look, 0.9), SHELL, sheet.uv)
    return kept


def body(rng: np.random.Generator, family: Family, nose: Nose, look: Look, cable: Look) -> list[Mesh]:
    """Return flange and body behind the nose, the grip bending down, and the cable."""
    wide, tall = family.nose_width / 2, family.nose_height / 2
    cx, cy = family.nose_centre
    back = -nose.depth
    long, drop = rng.uniform(70, 130), rng.uniform(10, 90)
    knots = np.array(
        [
            [cx, cy, back],
            [cx, cy, back - 20],
            [cx, cy - drop * 0.1, back - long * 0.5],
            [cx, cy - drop, back - long],
        ]
    )
    spine = bezier(knots, 60)
    share = np.linspace(0, 1, 60)
    grow = smooth(share, 0.0, rng.uniform(0.02, 0.1)) * nose.flange
    slim = smooth(share, rng.uniform(0.1, 0.3), 0.7)
    grip = rng.uniform(15, 21)
    half = np.stack([(wide + grow) * (1 - slim) + grip * slim, (tall + grow) * (1 - slim) + grip * slim], -1)
    half += np.where((share > 0.55)[:, None], 0.5 * np.sin(share * 200)[:, None] * (rng.uniform() < 0.4), 0)
    parts = [loft(spine, half, look, SHELL, square=rng.uniform(2.0, 3.2), around=72)]
    end = spine[-1]
    fall = np.array([rng.normal(0, 60), -rng.uniform(40, 200), -rng.uniform(20, 120)])
    away = end + spine[-1] * 0 + (spine[-1] - spine[-3]) * 12
    path = bezier(np.array([end, away, away + fall, away + fall * 2 + rng.normal(0, 60, 3)]), 40)
    parts.append(loft(path, np.full((40, 2), rng.uniform(6, 11)), cable, SHELL, around=20))
    gasket = darker(look, rng.uniform(0.5, 1.0))
    ring = np.stack([np.full(6, cx), np.full(6, cy), back + 0.2 + np.linspace(0, rng.uniform(0.8, 3), 6)], -1)
    swell = np.array([0.0, 0.7, 1.0, 1.0, 0.7, 0.0]) * rng.uniform(0.3, 2.2)
    seal = np.stack([wide - 0.3 + swell, tall - 0.3 + swell], -1)
    parts.append(
        loft(ring, seal, gasket, SHELL, square=2.0 if family.has_latch else 2.15, around=72, caps=False)
    )
    return parts
