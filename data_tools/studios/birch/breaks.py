"""Broken pin housings: cracks that lower a wall's height, the fracture's facets, and the loose shards."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.birch.meshes import Floats, Mesh, merge, smooth, turned, waves
from data_tools.studios.birch.sleeves import Heights, Sleeve, whole

HOW = ("chip", "chips", "scoop", "wedge", "crescent", "half", "bare", "split", "shard", "even", "stump")
_ODDS = (0.10, 0.06, 0.11, 0.12, 0.12, 0.13, 0.08, 0.05, 0.08, 0.08, 0.07)


@dataclass(frozen=True)
class Break:
    """One broken housing: how, the crack's height field, the angles where it bends (rad), the share of the
    wall that is gone (0..1), and whether the piece is still there (leaning or lying)."""

    how: str
    height: Heights
    bends: Floats
    gone: float
    piece: str = "none"


def _away(angle: Floats, centre: float) -> Floats:
    return np.asarray((angle - centre + np.pi) % (2 * np.pi) - np.pi)


def _jagged(rng: np.random.Generator, width: float, depth: float, flat: float) -> tuple[Floats, Floats]:
    """Return bends (rad, off the centre) and depths (mm) of a crack with a ragged ground."""
    half = width / 2
    count = int(rng.integers(3, 5 + int(width * 3)))
    inner = np.sort(rng.uniform(-half, half, count))
    ground = depth * (1 - flat * rng.uniform(0, 1, count) ** 1.5)
    lean_a, lean_b = rng.uniform(0.01, 0.25, 2) * half
    bends = np.concatenate([[-half - lean_a], inner, [half + lean_b]])
    return bends, np.concatenate([[0.0], ground, [0.0]])


def _profile(rng: np.random.Generator, how: str, tall: float) -> tuple[Floats, Floats, float]:
    """Return the bends, the depths there and the centre angle; ``tall`` is the wall's free height."""
    centre = float(rng.uniform(0, 2 * np.pi))
    deep = {
        "chip": rng.uniform(1.0, 3.6),
        "wedge": rng.uniform(0.3, 1.0) * tall,
        "crescent": rng.uniform(0.15, 0.6) * tall,
        "half": rng.uniform(0.5, 1.0) * tall,
        "bare": rng.uniform(0.9, 1.0) * tall,
        "shard": rng.uniform(0.4, 0.9) * tall,
        "even": rng.uniform(0.15, 0.75) * tall,
        "stump": rng.uniform(0.45, 0.95) * tall,
    }[how]
    if how == "wedge":
        half, tip = rng.uniform(0.35, 1.15), rng.uniform(-0.5, 0.5)
        bends = np.array([-half, tip * half - 0.05, tip * half + 0.05, half])
        middle = rng.uniform(0.7, 1.0)
        return bends, np.array([0.0, deep, deep * middle, 0.0]), centre
    if how == "crescent":
        bends = np.linspace(-1, 1, 15) * rng.uniform(0.5, 1.5)
        shape = np.cos(np.linspace(-np.pi / 2, np.pi / 2, 15)) ** rng.uniform(0.5, 1.5)
        return bends, deep * shape * (1 + rng.normal(0, 0.06, 15)), centre
    if how in ("even", "stump"):
        count = int(rng.integers(8, 26))
        bends = np.sort(rng.uniform(-np.pi, np.pi, count))
        rough = 0.08 if how == "even" else rng.uniform(0.3, 0.85)
        depth = deep * (1 - rough * rng.uniform(0, 1, count) ** 2)
        ends = np.array([depth[0], depth[0]])
        return np.concatenate([[-np.pi], bends, [np.pi]]), np.concatenate([ends[:1], depth, ends[1:]]), centre
    width = {"chip": rng.uniform(0.5, 1.6), "half": rng.uniform(2.0, 4.0), "bare": rng.uniform(2.5, 5.2)}
    bends, depth = _jagged(rng, float(width.get(how, rng.uniform(0.8, 2.2))), deep, rng.uniform(0.0, 0.6))
    return bends, depth, centre


def _cracked(rng: np.random.Generator, sleeve: Sleeve, how: str, tall: float) -> tuple[Heights, Floats]:
    bends, depth, centre = _profile(rng, how, tall)
    slant, tilt = rng.normal(0, 0.25), rng.normal(0, 0.3)
    middle = (sleeve.outer + sleeve.bore) / 2

    def height(angle: Floats, radius: Floats) -> Floats:
        off = _away(angle + slant * (radius - middle) / sleeve.outer, centre)
        down = np.interp(off, bends, depth)
        return np.asarray(sleeve.top - down - np.where(down > 0.3, tilt * (radius - middle), 0.0))

    return height, (bends + centre) % (2 * np.pi)


def _scooped(rng: np.random.Generator, sleeve: Sleeve, count: int, big: float) -> tuple[Heights, Floats]:
    """Shell-shaped scoops: balls bitten out of the rim, with faint ripples."""
    turn = rng.uniform(0, 2 * np.pi, count)
    size = big * rng.uniform(0.6, 1.2, count)
    out = rng.uniform(0.4, 1.3, count) * sleeve.outer
    up = sleeve.top + size * rng.uniform(-0.3, 0.45, count)
    ripple = rng.uniform(3, 7)

    def height(angle: Floats, radius: Floats) -> Floats:
        x, y = radius * np.cos(angle), radius * np.sin(angle)
        lowest = np.full(np.broadcast(angle, radius).shape, sleeve.top)
        for k in range(count):
            off = np.hypot(x - out[k] * np.cos(turn[k]), y - out[k] * np.sin(turn[k]))
            inside = np.sqrt(np.maximum(size[k] ** 2 - off**2, 0))
            bottom = up[k] - inside + 0.06 * np.sin(ripple * off)
            lowest = np.where(inside > 0, np.minimum(lowest, bottom), lowest)
        return lowest

    return height, (turn[:, None] + np.linspace(-0.5, 0.5, 7)).ravel() % (2 * np.pi)


def _split(rng: np.random.Generator, sleeve: Sleeve, tall: float) -> tuple[Heights, Floats]:
    """Gaps down to the ground, one or two, wandering a little across the thickness."""
    turn = rng.uniform(0, 2 * np.pi) + np.array([0.0, rng.uniform(1.2, 4)])[: int(rng.integers(1, 3))]
    gap = rng.uniform(0.5, 1.6, len(turn))
    wander = waves(rng, 2.5)

    def height(angle: Floats, radius: Floats) -> Floats:
        lowest = np.full(np.broadcast(angle, radius).shape, sleeve.top)
        swing = 0.12 * wander(np.stack(np.broadcast_arrays(0 * angle, radius, radius), -1))
        for centre, wide in zip(turn, gap, strict=True):
            off = np.abs(_away(angle + swing, centre)) * sleeve.outer
            lowest = np.minimum(lowest, sleeve.top - tall * np.clip((wide / 2 - off) / 0.08 + 0.5, 0, 1))
        return lowest

    ends = np.concatenate([turn - gap / 2 / sleeve.outer, turn + gap / 2 / sleeve.outer])
    return height, ends % (2 * np.pi)


def draw_break(rng: np.random.Generator, sleeve: Sleeve, ground: float) -> Break:
    """Draw one break of a sleeve that stands free above ``ground`` (mm)."""
    how = str(rng.choice(HOW, p=np.array(_ODDS) / sum(_ODDS)))
    tall = sleeve.top - ground
    if how == "scoop":
        rough, bends = _scooped(rng, sleeve, int(rng.integers(1, 4)), rng.uniform(0.35, 0.9) * sleeve.outer)
    elif how == "chips":
        rough, bends = _scooped(rng, sleeve, int(rng.integers(3, 7)), rng.uniform(0.26, 0.5) * sleeve.outer)
    elif how == "split":
        rough, bends = _split(rng, sleeve, tall)
    else:
        rough, bends = _cracked(rng, sleeve, how, tall)
    facet, grain = waves(rng, rng.uniform(1.0, 3.0), 5, facets=True), waves(rng, 0.7, 6, facets=True)
    size = rng.uniform(0.1, 0.45)

    def height(angle: Floats, radius: Floats) -> Floats:
        base = rough(angle, radius)
        spot = np.stack(np.broadcast_arrays(radius * np.cos(angle), radius * np.sin(angle), base * 0), -1)
        bump = size * facet(spot) + 0.08 * grain(spot)
        broken = np.minimum(1.0, np.maximum(sleeve.top - base, 0) / 0.8)
        return np.asarray(np.clip(base + bump * broken, ground - 0.3, sleeve.top))

    turn = np.linspace(0, 2 * np.pi, 120)[:, None]
    ring = np.linspace(sleeve.bore, sleeve.outer, 5)[None, :]
    gone = float(np.clip((sleeve.top - height(turn, ring)) / min(tall, 9.0), 0, 1).mean())
    piece = "none"
    if how == "shard" or (how in ("wedge", "half", "crescent") and rng.uniform() < 0.15):
        piece = str(rng.choice(["leaning", "lying"], p=[0.6, 0.4]))
    return Break(how, height, bends, gone, piece)


def both(sleeve: Sleeve, crack: Break) -> Heights:
    """Return the lower of the moulded mouth and the crack."""
    mouth = whole(sleeve)

    def height(angle: Floats, radius: Floats) -> Floats:
        return np.minimum(mouth(angle, radius), crack.height(angle, radius))

    return height


def freshness(sleeve: Sleeve, crack: Break, points: Floats) -> Floats:
    """Return for points of the wall (Nx3) how much they lie on the fracture, 0..1."""
    x, y = points[:, 0] - sleeve.x, points[:, 1] - sleeve.y
    angle, radius = np.arctan2(y, x), np.hypot(x, y)
    cut = crack.height(angle, np.clip(radius, sleeve.bore, sleeve.outer))
    near = 1 - smooth(cut - points[:, 2], 0.1, 0.3)
    return np.asarray(near * smooth(sleeve.top - cut, 0.15, 0.4))


def loose(rng: np.random.Generator, sleeve: Sleeve, crack: Break, faces: list[Mesh], ground: float) -> Mesh:
    """Return the cut-out piece, leaning outwards from its crack or lying on the ground beside."""
    piece = merge(faces)
    tall = piece.points[:, 2].max() - piece.points[:, 2].min()
    weight = crack.height(np.linspace(0, 2 * np.pi, 90), np.full(90, sleeve.outer))
    turn = np.linspace(0, 2 * np.pi, 90)[np.argmin(weight)]
    out = np.array([np.cos(turn), np.sin(turn), 0.0])
    axis = np.array([-out[1], out[0], 0.0])
    if crack.piece == "leaning":
        low = float(weight.min())
        foot = np.array([sleeve.x, sleeve.y, 0.0]) + out * sleeve.outer + np.array([0, 0, low])
        points = turned(piece.points, axis, rng.uniform(0.15, 0.6), foot) + out * rng.uniform(0, 0.6)
        points = turned(points, out, rng.normal(0, 0.15), foot)
    else:
        middle = piece.points.mean(0)
        points = turned(piece.points, axis, rng.uniform(1.1, 1.9), middle)
        points = turned(points, np.array([0, 0, 1.0]), rng.uniform(0, 6.3), middle)
        points[:, 2] += ground + 0.1 - points[:, 2].min()
        points[:, :2] += out[:2] * (sleeve.outer * 0.9 + min(tall, 4.0) / 2)
    return piece.moved(points)
