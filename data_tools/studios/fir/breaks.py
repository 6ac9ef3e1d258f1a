"""Breaks as cuts by solids with broken surfaces: noise sheets, conchoidal bowls, thin wedges."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import manifold3d as m3
import numpy as np

from data_tools.studios.fir.coupler import Cut, bore_radius, sleeve_radius
from data_tools.studios.fir.make import Hook, Make
from data_tools.studios.fir.noise import Noise
from data_tools.studios.fir.solids import Floats, joined, solid
from model.families import Contact

_SHEET_STEP_MM = 0.45
_REACH_MM = 60.0
Range = tuple[float, float]


@dataclass(frozen=True)
class Break:
    """How a part broke: the word for it, how bad it is (0..1), and the cut."""

    way: str
    severity: float
    cut: Cut


def sheet(rng: np.random.Generator, extent: float, rough: float, grain: float) -> Any:
    """Return the solid in front of a broken sheet: z >= noise, x and y within ``extent`` mm."""
    count = int(2 * extent / _SHEET_STEP_MM) + 1
    x, y = np.meshgrid(*(np.linspace(-extent, extent, count),) * 2)
    flat = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], 1)
    coarse, fine = Noise(rng, grain, 2), Noise(rng, grain / 5, 2)
    height = rough * (coarse(flat) + 0.16 * fine(flat))
    if rng.random() < 0.4:  # steps where layers let go one after the other
        height = 0.5 * height + 0.5 * rough * np.tanh(3 * np.sin(2.2 * height / max(rough, 0.05)))
    flat[:, 2] = height
    return _below_to_above(flat, count)


def _below_to_above(sheet_points: Floats, count: int) -> Any:
    """Close a height field upwards into a solid."""
    n = count * count
    index = np.arange(n).reshape(count, count)
    a, b, c, d = (i.ravel() for i in (index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]))
    low = np.vstack([np.stack([a, c, b], 1), np.stack([a, d, c], 1)])
    lid = np.array([sheet_points[index[i, j]] for i, j in ((0, 0), (0, -1), (-1, -1), (-1, 0))])
    lid[:, 2] = _REACH_MM
    rim = np.concatenate([index[0, :-1], index[:-1, -1], index[-1, :0:-1], index[:0:-1, 0]])
    corner = np.repeat(np.arange(4), count - 1) + n
    after, corner_after = np.roll(rim, -1), np.roll(corner, -1)
    walls = np.stack([rim, after, corner], 1)
    seams = np.stack([after, corner_after, corner], 1)[corner != corner_after]
    top = np.array([[n, n + 1, n + 2], [n, n + 2, n + 3]])
    return solid(np.vstack([sheet_points, lid]), np.vstack([low, walls, seams, top]))


def bowl(rng: np.random.Generator, size: Floats) -> Any:
    """Return a body with a shell-like surface: ripples round the point where the blow fell."""
    struck = rng.normal(size=3) * [0.4, 0.4, 0.2] + [0, 0, 0.9]
    ripple, phase = rng.uniform(3, 7), rng.uniform(0, 6)
    rough = Noise(rng, 0.5, 2)

    def warp(points: Floats) -> Floats:
        away = np.linalg.norm(points - struck, axis=1)
        scale = 1 + 0.045 * np.sin(ripple * away + phase) + 0.09 * rough(points)
        return np.asarray(points * scale[:, None] * size)

    return m3.Manifold.sphere(1.0, 44).warp_batch(warp)


def sector(rng: np.random.Generator, wide: float, deep: float, rough: float) -> Any:
    """Return a wedge that opens along +x, ``wide`` radians, from z = -deep upwards, with ragged faces."""
    base = sheet(rng, 11, rough, 2.2).translate((0, 0, -deep))
    flank = [sheet(rng, 11, rough * 0.7, 2.5).rotate((90, 0, 0)) for _ in range(2)]  # looks along -y
    left = flank[0].rotate((0, 0, np.degrees(wide / 2)))
    right = flank[1].mirror((0, 1, 0)).rotate((0, 0, -np.degrees(wide / 2)))
    return base ^ left ^ right


def sleeve_break(rng: np.random.Generator, make: Make, contact: Contact, severity: float) -> Break:
    """Draw how a sleeve broke, as badly as ``severity`` says."""
    ways = ["chip", "chips", "split"] if severity < 0.45 else ["wedge", "shear", "bite", "wedge"]
    if 0.3 < severity < 0.7:
        ways += ["wedge", "bite"]
    if severity > 0.85:
        ways = ["root", "root", "shear"]
    way = ways[rng.integers(len(ways))]
    radius, bore = sleeve_radius(make, contact), bore_radius(make, contact)
    tools = {
        "chip": lambda: [_chip(rng, radius, bore, severity)],
        "chips": lambda: [_chip(rng, radius, bore, severity * 0.8) for _ in range(rng.integers(2, 4))],
        "bite": lambda: [_chip(rng, radius, bore, severity * 1.1), _chip(rng, radius, bore, severity * 0.6)],
        "split": lambda: _cracks(rng, radius, severity),
        "wedge": lambda: [_wedge(rng, make, severity), *_cracks(rng, radius, 0.15)[: int(rng.integers(2))]],
        "shear": lambda: [_shear(rng, make, severity)],
        "root": lambda: [_shear(rng, make, 1.0)],
    }[way]()
    return Break(way, severity, _cut([t.translate((contact.x, contact.y, 0)) for t in tools], _lift(
        rng, contact, radius) if way == "split" else None))  # fmt: skip


def _cut(tools: list[Any], after: Any = None) -> Cut:
    marked = joined(tools).as_original()

    def cut(body: Any) -> tuple[Any, frozenset[int]]:
        left = body - marked
        return (after(left) if after else left), frozenset({marked.original_id()})

    return cut


def _chip(rng: np.random.Generator, radius: float, bore: float, severity: float) -> Any:
    turn, wall = rng.uniform(0, 2 * np.pi), radius - bore
    long = (0.3 + 0.8 * severity) * radius
    size = np.array([wall * (0.65 + 0.85 * severity), long, 1.2 + 6.0 * severity])
    made = bowl(rng, size).rotate((rng.normal(0, 14), rng.normal(0, 14), 0))
    at = radius - wall * rng.uniform(0.15, 0.6)
    return made.translate((at, 0, rng.uniform(-0.3, 0.3))).rotate((0, 0, np.degrees(turn)))


def _wedge(rng: np.random.Generator, make: Make, severity: float) -> Any:
    deep = min(2.0 + 13 * severity, -make.floor - 0.5)
    made = sector(rng, 0.5 + 2.1 * severity, deep, rng.uniform(0.25, 0.8))
    return made.rotate((0, 0, rng.uniform(0, 360)))


def _shear(rng: np.random.Generator, make: Make, severity: float) -> Any:
    high = -make.floor
    left = max(0.6, high * (1 - severity) * 0.9) if severity < 0.999 else rng.uniform(0.3, 1.3)
    tilt = rng.normal(0, 16 if severity < 0.999 else 5, 2)
    made = sheet(rng, 11, rng.uniform(0.2, 1.0), rng.uniform(1.6, 4.0))
    return made.rotate((tilt[0], tilt[1], 0)).translate((0, 0, make.floor + left))


def _cracks(rng: np.random.Generator, radius: float, severity: float) -> list[Any]:
    """Thin wedges from the mouth down, wandering, wider at the top."""
    made = []
    for _ in range(1 if severity < 0.25 or rng.random() < 0.5 else 2):
        deep, wide = 3 + 16 * severity, 0.12 + 0.9 * severity * rng.uniform(0.5, 1)
        wander = Noise(rng, 3.0, 3)

        def warp(points: Floats, deep: float = deep, wide: float = wide, wander: Noise = wander) -> Floats:
            along = np.clip((points[:, 2] + deep) / deep, 0.02, 1)
            aside = 0.5 * wander(points * [1, 0, 1])
            return np.stack([points[:, 0], points[:, 1] * wide * along + aside, points[:, 2]], 1)

        slab = m3.Manifold.cube((radius + 2, 1, deep + 1)).translate((0, -0.5, -deep)).refine_to_length(0.5)
        made.append(slab.warp_batch(warp).rotate((0, 0, rng.uniform(0, 360))))
    return made


def _lift(rng: np.random.Generator, contact: Contact, radius: float) -> Any:
    """One lip beside a crack stands out of its place."""
    turn, out, up = rng.uniform(0, 2 * np.pi), rng.uniform(0.2, 0.9), rng.uniform(-0.6, 0.5)

    def warp(points: Floats) -> Floats:
        x, y = points[:, 0] - contact.x, points[:, 1] - contact.y
        near = np.exp(-(((np.arctan2(y, x) - turn + np.pi) % (2 * np.pi) - np.pi) ** 2) / 0.5)
        high = np.clip(1 + points[:, 2] / 7, 0, 1) ** 1.5 * near * (np.hypot(x, y) < radius + 1)
        away = np.hypot(x, y) + 1e-9
        return points + np.stack([x / away * out, y / away * out, np.full(len(x), up)], 1) * high[:, None]

    return lambda body: body.refine_to_length(0.7).warp_batch(warp)


def latch_break(rng: np.random.Generator, make: Make, hook: Hook, severity: float) -> Break:
    """Draw how the latch broke: a corner of the hook, its tip, mid-lever, at the root, or all of it gone."""
    if severity > 0.93 and rng.random() < 0.6:
        return Break("gone", severity, lambda body: (m3.Manifold(), frozenset()))
    root, tip = make.flange_z + 1.0, hook.tip
    way = "corner" if severity < 0.25 else "tip" if severity < 0.5 else "lever" if severity < 0.8 else "root"
    tip_length = {"barb": 10.0, "under": 11.0, "head": 14.0, "wedge": 18.0, "plain": 8.0}[hook.side]
    z = {
        "corner": tip - 1.0 - 12 * severity,
        "tip": tip - 2.5 - tip_length * severity * 1.6,
        "lever": np.interp(severity, [0.5, 0.8], [tip - tip_length - 1, root + 3]),
        "root": rng.uniform(root - 4, root + 1.5),
    }[way]
    ragged = rng.uniform(0.15, 0.5) if rng.random() < 0.4 else rng.uniform(0.5, 1.7)
    made = sheet(rng, 24, ragged, rng.uniform(2.0, 5.0))
    turn = rng.choice([-1, 1]) * rng.uniform(35, 52) if way == "corner" else rng.normal(0, 9)
    aside = np.sign(turn) * hook.width * (0.32 - 0.5 * severity) if way == "corner" else 0.0
    made = made.rotate((rng.normal(0, 14), turn, 0))
    return Break(way, severity, _cut([made.translate((aside, hook.base + hook.thick / 2, z))]))
