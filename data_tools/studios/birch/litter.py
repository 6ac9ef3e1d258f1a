"""Small things on a coupler that are no damage: mud in bores, leaves, cobwebs, tape, a hanging dust cap."""

from __future__ import annotations

import numpy as np

from data_tools.studios.birch.housing import Nose
from data_tools.studios.birch.meshes import (
    OCCLUDER,
    SHELL,
    Floats,
    Look,
    Mesh,
    ball,
    bezier,
    grid,
    loft,
    waves,
)
from data_tools.studios.birch.sleeves import Sleeve
from model.families import Family


def _grey(value: float, rough: float) -> Look:
    return Look((value, value * 0.97, value * 0.92), (value, value, value), rough)


def _mud(rng: np.random.Generator, sleeve: Sleeve) -> Mesh:
    """A lump that fills a bore up to or just over its mouth."""
    tone = rng.uniform(0.03, 0.25)
    look = Look((tone, tone * 0.7, tone * 0.42), (tone, tone * 0.8, tone * 0.6), 0.9)
    spot = np.array([sleeve.x, sleeve.y, sleeve.top - rng.uniform(1.5, 5)])
    size = sleeve.bore * rng.uniform(0.9, 1.02)
    lump = ball(spot, np.diag([size, size, rng.uniform(1.0, 2.5)]), look, SHELL)
    return lump.moved(lump.points + 0.25 * waves(rng, 2.0)(lump.points)[:, None] * [0.3, 0.3, 1.0])


def _leaf(rng: np.random.Generator, spot: Floats) -> Mesh:
    """A dry or green leaf lying over a part of the face."""
    long, wide = rng.uniform(5, 14), rng.uniform(2, 5)
    turn, curl = rng.uniform(0, 2 * np.pi), rng.uniform(-0.04, 0.06)
    u = np.linspace(-1, 1, 30)[:, None]
    v = np.linspace(-1, 1, 12)[None, :]
    x = u * long + 0 * v
    y = v * wide * np.sqrt(np.clip(1 - u**2, 0.0, 1)) * (1 - 0.3 * u)
    z = curl * x**2 + 0.1 * np.abs(v) * wide + spot[2]
    c, s = np.cos(turn), np.sin(turn)
    points = np.stack([spot[0] + x * c - y * s, spot[1] + x * s + y * c, z], -1)
    base = np.array([0.2, 0.1, 0.03]) if rng.uniform() < 0.6 else np.array([0.06, 0.16, 0.03])
    tone = base * rng.uniform(0.6, 1.6)
    rgb = (float(tone[0]), float(tone[1]), float(tone[2]))
    return grid(points, Look(rgb, rgb, 0.6), OCCLUDER)


def _webs(rng: np.random.Generator, sleeves: tuple[Sleeve, ...], nose: Nose, family: Family) -> list[Mesh]:
    threads = []
    for _ in range(int(rng.integers(4, 14))):
        s = sleeves[rng.integers(len(sleeves))]
        turn = rng.uniform(0, 2 * np.pi)
        start = np.array(
            [s.x + s.outer * np.cos(turn), s.y + s.outer * np.sin(turn), s.top - rng.uniform(0, 2)]
        )
        out = (family.nose_height / 2 - nose.wall) * rng.uniform(0.4, 0.97)
        way = turn + rng.normal(0, 0.6)
        end = np.array([*family.nose_centre, nose.rim - 1]) + [out * np.cos(way), out * np.sin(way), 0]
        line = bezier(np.array([start, (start + end) / 2 - [0, 0.8, 0.6], end]), 14)
        threads.append(loft(line, np.full((14, 2), 0.045), _grey(0.55, 0.5), SHELL, around=5))
    return threads


def _tape(rng: np.random.Generator, nose: Nose, family: Family) -> Mesh:
    """A strip of tape or a label round a part of the nose's outside."""
    # The outline is a circle but for the flat top of some families: the tape keeps to the lower half.
    start, long = np.pi + rng.uniform(0, 1.5), rng.uniform(0.6, 1.6)
    turn = np.linspace(start, start + long, 60)[:, None]
    z = np.linspace(-nose.depth * 0.8, -rng.uniform(3, 8), 8)[None, :]
    radius = family.nose_width / 2 + 0.25 + 0.15 * np.sin(turn * 9)
    centre = np.array(family.nose_centre) + [0.0, (family.nose_width - family.nose_height) / 2]
    points = [
        centre[0] + radius * np.cos(turn) + 0 * z,
        centre[1] + radius * np.sin(turn) + 0 * z,
        z + 0 * turn,
    ]
    tone = (
        rng.choice([0.02, 0.6]) * rng.uniform(0.5, 1.2, 3)
        if rng.uniform() < 0.5
        else rng.uniform(0.02, 0.6, 3)
    )
    rgb = (float(tone[0]), float(tone[1]), float(tone[2]))
    return grid(np.stack(points, -1), Look(rgb, rgb, 0.3), SHELL)


def _cap(rng: np.random.Generator, nose: Nose, family: Family, look: Look) -> list[Mesh]:
    """A rubber dust cap that hangs on a strap beside the nose."""
    turn = rng.choice([-1, 1]) * rng.uniform(0.3, 1.1) - np.pi / 2
    out = np.array([np.cos(turn), np.sin(turn), 0.0])
    start = np.array([*family.nose_centre, -nose.depth]) + out * family.nose_width / 2
    end = start + out * rng.uniform(25, 45) + np.array([0, -10, rng.uniform(-10, 15)])
    strap = bezier(np.array([start, start + out * 15 + [0, 0, 8], end]), 24)
    axes = np.diag([family.nose_width * 0.5, family.nose_height * 0.5, rng.uniform(5, 9)])
    disc = ball(end + out * family.nose_width * 0.5, axes, look, SHELL, 40)
    return [loft(strap, np.tile([3.0, 1.2], (24, 1)), look, SHELL, 4.0), disc]


def scatter(
    rng: np.random.Generator, family: Family, nose: Nose, sleeves: tuple[Sleeve, ...], look: Look
) -> tuple[list[str], list[Mesh]]:
    """Draw what lies on or hangs from a coupler, the same with and without damage: names and meshes."""
    names: list[str] = []
    made: list[Mesh] = []
    if rng.uniform() < 0.07:
        for k in rng.choice(len(sleeves), int(rng.integers(1, 4)), replace=False):
            made.append(_mud(rng, sleeves[int(k)]))
        names.append("mud in bores")
    if rng.uniform() < 0.05:
        x, y = rng.normal(0, family.nose_width / 4, 2)
        made.append(_leaf(rng, np.array([x, y, 0.4])))
        names.append("leaf")
    if rng.uniform() < 0.08:
        made += _webs(rng, sleeves, nose, family)
        names.append("cobweb")
    if rng.uniform() < 0.08:
        made.append(_tape(rng, nose, family))
        names.append("tape")
    if rng.uniform() < 0.06:
        made += _cap(rng, nose, family, look)
        names.append("dust cap beside")
    return names, made
