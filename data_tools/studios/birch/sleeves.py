"""Pin housings as walls of revolution whose top is a height field over angle and radius, and contacts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from data_tools.studios.birch.meshes import CONTACT, Floats, Look, Mesh, grid

Heights = Callable[[Floats, Floats], Floats]
"""(angle, radius) -> height z of the wall's top in mm."""


@dataclass(frozen=True)
class Sleeve:
    """One pin housing: centre, outer and bore radius, mouth height, foot height (all mm), roundings of the
    mouth's outer and inner edge, moulded slots as (angle rad, width rad, depth mm)."""

    x: float
    y: float
    outer: float
    bore: float
    top: float
    foot: float
    round_out: float
    round_in: float
    draft: float
    slots: tuple[tuple[float, float, float], ...] = ()


def whole(sleeve: Sleeve) -> Heights:
    """Return the heights of the undamaged mouth with its moulded slots."""

    def height(angle: Floats, radius: Floats) -> Floats:
        top = np.broadcast_to(sleeve.top, np.broadcast(angle, radius).shape).copy()
        for centre, width, depth in sleeve.slots:
            off = np.abs((angle - centre + np.pi) % (2 * np.pi) - np.pi) * radius / sleeve.outer
            slot = np.clip((off - width / 2) / 0.06 + 1, 0, 1)
            top = np.minimum(top, sleeve.top - depth * (1 - slot))
        return top

    return height


def angles_of(rng: np.random.Generator, extra: Floats) -> Floats:
    """Return the sorted angles of a sleeve's grid: even ones, random ones and pairs around ``extra``."""
    even = np.linspace(0, 2 * np.pi, 136, endpoint=False)
    parts = [
        even,
        rng.uniform(0, 2 * np.pi, 18),
        (extra - 0.006) % (2 * np.pi),
        (extra + 0.006) % (2 * np.pi),
    ]
    return np.unique(np.concatenate(parts))


def _outer(sleeve: Sleeve, z: Floats) -> Floats:
    over = np.clip(z - (sleeve.top - sleeve.round_out), 0, sleeve.round_out)
    drawn = sleeve.outer + sleeve.draft * (sleeve.top - z)
    return np.asarray(drawn - sleeve.round_out + np.sqrt(sleeve.round_out**2 - over**2))


def _bore(sleeve: Sleeve, z: Floats) -> Floats:
    over = np.clip(z - (sleeve.top - sleeve.round_in), 0, sleeve.round_in)
    return np.asarray(sleeve.bore + sleeve.round_in - np.sqrt(sleeve.round_in**2 - over**2))


def _round(sleeve: Sleeve, angle: Floats, radius: Floats, z: Floats) -> Floats:
    return np.stack([sleeve.x + radius * np.cos(angle), sleeve.y + radius * np.sin(angle), z], -1)


def _cap(sleeve: Sleeve, angle: Floats, height: Heights, z_out: Floats, z_in: Floats) -> Floats:
    """Return the points across the wall's thickness, A x 9 x 3, meeting the given edge heights (A)."""
    share = np.linspace(0, 1, 9)[None, :]
    start, end = _outer(sleeve, z_out)[:, None], _bore(sleeve, z_in)[:, None]
    radius = start * (1 - share) + end * share
    z = height(angle[:, None], radius)
    z = z + (z_out[:, None] - z[:, :1]) * (1 - share) + (z_in[:, None] - z[:, -1:]) * share
    return _round(sleeve, angle[:, None], radius, z)


def wall(
    sleeve: Sleeve, angle: Floats, high: Heights, low: Heights | None, look: Look, part: int
) -> list[Mesh]:
    """Return outer face, top cap, inner face (and bottom cap where ``low`` is given) of the wall between
    two height fields; without ``low`` the wall stands on its foot."""
    closed = low is None
    at_out, at_in = np.full_like(angle, sleeve.outer), np.full_like(angle, sleeve.bore)
    z_out, z_in = high(angle, at_out), high(angle, at_in)
    base_out = np.full_like(angle, sleeve.foot) if low is None else np.minimum(low(angle, at_out), z_out)
    base_in = np.full_like(angle, sleeve.foot) if low is None else np.minimum(low(angle, at_in), z_in)
    share = 1 - (1 - np.linspace(0, 1, 28)[None, :]) ** 1.7
    z1 = base_out[:, None] + (z_out - base_out)[:, None] * share
    z2 = base_in[:, None] + (z_in - base_in)[:, None] * share
    turn = angle[:, None]
    outside = grid(_round(sleeve, turn, _outer(sleeve, z1), z1), look, part, closed)
    cap = grid(_cap(sleeve, angle, high, z_out, z_in), look, part, closed)
    inside = grid(_round(sleeve, turn, _bore(sleeve, z2), z2)[:, ::-1], look, part, closed)
    faces = [outside, cap, inside]
    if low is not None:
        faces.append(grid(_cap(sleeve, angle, low, base_out, base_in)[:, ::-1], look, part, closed))
    return faces


def contact(rng: np.random.Generator, sleeve: Sleeve, depth: float, look: Look) -> Mesh:
    """Return the metal socket in the bore: a slit tube whose mouth lies ``depth`` mm below the sleeve's."""
    slits = int(rng.choice([0, 2, 3, 4, 6]))
    play = rng.uniform(0.15, 0.5)
    outer, inner = sleeve.bore - play, (sleeve.bore - play) * rng.uniform(0.55, 0.8)
    top, edge, first = sleeve.top - depth, rng.uniform(0.15, 0.4), rng.uniform(0, 2)
    angle = np.linspace(0, 2 * np.pi, 96, endpoint=False)[:, None]
    slit = np.zeros_like(angle)
    if slits:
        off = np.abs(((angle - first) * slits / (2 * np.pi) + 0.5) % 1 - 0.5) * 2 * np.pi / slits * outer
        slit = (off < 0.32).astype(float) * 7.0
    radii = np.array([outer, outer, outer - edge, inner + edge, inner, inner, 0.0])
    heights = np.array([sleeve.foot, top - edge, top, top, top - edge, top - 9, top - 9.5])
    radius = np.repeat(radii, 2)[None, :-1] * np.ones_like(angle)
    z = np.repeat(heights, 2)[None, 1:] - slit * (np.repeat(heights, 2)[None, 1:] > top - 5)
    rings = np.stack([sleeve.x + radius * np.cos(angle), sleeve.y + radius * np.sin(angle), z], -1)
    tube = grid(rings, look, CONTACT, closed=True)
    off = np.hypot(tube.points[:, 0] - sleeve.x, tube.points[:, 1] - sleeve.y)
    deep = (tube.points[:, 2] < top - 2.0) & (off < inner + edge + 0.01)
    return tube.painted(tube.colour * np.where(deep, 0.12, 1.0)[:, None])
