"""What comes near a coupler: hands and gloves, a finger or a cap in front, cable ties, leaves in the sun."""

from __future__ import annotations

from typing import Any

import numpy as np

from data_tools.studios.gorse.head import outline
from data_tools.studios.gorse.make import Make, Rgb, plastic, rgb
from data_tools.studios.gorse.solids import Array, Mesh, ball, even, join, meet, rod, shaped, skin, tube
from data_tools.studios.gorse.stage import Camera

FRONT = "front"
"""Name of a mesh that may hide parts of the face."""
SKINS = (
    (0.05, 0.25, 0.93),
    (0.06, 0.36, 0.87),
    (0.065, 0.45, 0.75),
    (0.06, 0.52, 0.6),
    (0.055, 0.55, 0.42),
    (0.05, 0.5, 0.29),
)
"""Hue, saturation and value of skin, from light to dark."""


def skin_tone(rng: np.random.Generator) -> Rgb:
    """Return a skin's colour."""
    hue, full, bright = SKINS[int(rng.integers(len(SKINS)))]
    return rgb(hue + rng.normal(0, 0.008), full * rng.uniform(0.85, 1.1), bright * rng.uniform(0.92, 1.05))


def _dressed(rng: np.random.Generator, solid: Any, grid: Any, tips: list[Any], name: str) -> Mesh:
    """Return a hand's mesh in skin with nails and redder knuckles, or in a glove with dipped fingers."""
    if rng.uniform() < 0.45:
        glove = skin(
            solid - 1.3,
            grid,
            rgb(rng.uniform(), rng.choice([0.05, 0.9]), rng.uniform(0.15, 0.95)),
            0.8,
            name=name,
        )
        knit = 1 + 0.18 * np.sin(glove.vertices[:, 0] * 2.2) * np.sin(glove.vertices[:, 1] * 2.2)
        glove.colour *= knit[:, None].astype(np.float32)
        far = np.min([np.linalg.norm(glove.vertices - tip, axis=1) for tip in tips], 0)
        dipped = far < rng.choice([0, 22, 38])
        glove.colour[dipped], glove.rough[dipped] = plastic(rng, 0.7), 0.45
        return glove
    hand = skin(solid, grid, skin_tone(rng), 0.5, name=name)
    x, y, z = hand.vertices.T
    blotch = 1 + 0.06 * np.sin(x / 5 + 3) * np.sin(y / 6 + z / 7)
    hand.colour *= np.stack([blotch**0.4, blotch, blotch], 1).astype(np.float32)
    for tip in tips:
        far = np.linalg.norm(hand.vertices - tip, axis=1)
        red = np.exp(-((far / 13) ** 2))[:, None]
        hand.colour *= 1 - red * np.asarray([0, 0.16, 0.16], np.float32)
    return hand


def holding_hand(rng: np.random.Generator, make: Make) -> Mesh:
    """Return a hand around the grip: four fingers curled round it, the thumb along it, palm and wrist."""
    if make.pistol:
        start, along = np.array([0, -48.0, -88]), np.array([0, -0.97, -0.24])
        out, radius = np.array([0, 0, 1.0]), make.neck * 0.58
    else:
        start, along = np.array([0, -3.0, -62 - rng.uniform(0, 25)]), np.array([0, 0, -1.0])
        turn = rng.uniform(-0.9, 0.9)
        out, radius = np.array([np.sin(turn), np.cos(turn), 0]), make.neck * 0.85
    side = np.cross(along, out) * rng.choice([-1, 1])
    size = rng.uniform(0.85, 1.12)
    grid = even(start + along * 30 - 88, start + along * 30 + 88, 2.5)
    axes = grid.axes
    solid: Any = np.float32(60)
    tips = []
    for n in range(4):
        thick = size * (8.6, 9.2, 8.8, 7.4)[n]
        middle = start + along * (n * 17.5 * size + rng.normal(0, 1))
        turns = np.linspace(-1.45, rng.uniform(1.0, 1.6), 5)
        ring = radius + thick * 0.72
        joints = [middle + ring * (np.cos(a) * out + np.sin(a) * side) for a in turns]
        for k in range(4):
            solid = join(solid, rod(axes, joints[k], joints[k + 1], thick, thick * 0.94), 4)
        tips.append(joints[-1])
    back = start + along * 26 * size - side * (radius + 9)
    solid = join(solid, rod(axes, back - along * 22 - out * 12, back + along * 26 - out * 12, 15 * size), 12)
    solid = join(solid, rod(axes, back - out * 12, back - out * 60 - side * 55, 21 * size, 26 * size), 16)
    thumb = start - along * 12 - out * radius * 0.5 - side * (radius + 6)
    solid = join(solid, rod(axes, back - along * 10, thumb + side * 12 + out * 24, 11 * size, 8.5 * size), 9)
    tips.append(thumb + side * 12 + out * 24)
    return _dressed(rng, solid, grid, tips, "hand")


def finger_in_front(rng: np.random.Generator, make: Make) -> Mesh:
    """Return a finger that reaches over the rim from outside and rests on the face."""
    turn = rng.uniform(0, 2 * np.pi)
    way = np.array([np.cos(turn), np.sin(turn), 0])
    across = np.array([-way[1], way[0], 0])
    reach = rng.uniform(10, 23)
    tip = (
        way * reach
        + across * rng.normal(0, 5)
        + [make.family.nose_centre[0], make.family.nose_centre[1], 8.5]
    )
    knuckle = tip + way * rng.uniform(22, 28) + [0, 0, 9]
    hand = knuckle + way * 38 + across * rng.normal(0, 8) - [0, 0, 22]
    low, high = np.minimum(tip, hand) - 22, np.maximum(tip, hand) + 22
    grid = even(low, high, 1.6)
    solid = join(rod(grid.axes, tip, knuckle, 7.6, 8.8), rod(grid.axes, knuckle, hand, 9, 10.5), 4)
    return _dressed(rng, solid, grid, [tip], FRONT)


def hanging_cap(rng: np.random.Generator, make: Make, covering: bool) -> list[Mesh]:
    """Return a dust cap on its strap, beside the face or partly in front of it."""
    radius = make.family.nose_width / 2 + 2.5
    turn = rng.normal(-np.pi / 2, 0.9)
    far = radius + (rng.uniform(8, 15) if covering else rng.uniform(27, 45))
    at = np.array(
        [far * np.cos(turn), far * np.sin(turn), rng.uniform(8, 14) if covering else rng.uniform(-45, -15)]
    )
    grid = even((-radius - 4, -radius - 4, -9), (radius + 4, radius + 4, 9), 1.5)
    x, y, z = grid.axes
    disc = meet(outline(make.family, x, y) - 2.5, np.abs(z) - 6, 3)
    disc = np.maximum(disc, -np.maximum(outline(make.family, x, y) + 1.5, -2 - z))
    cap = skin(disc, grid, plastic(rng, 0.6), 0.55, name=FRONT)
    lean = rng.normal(0, 0.5)
    c, s = np.cos(lean), np.sin(lean)
    tilt = np.array([[1, 0, 0], [0, c, -s], [0, s, c]], np.float32)
    cap.vertices = (cap.vertices @ tilt.T + at).astype(np.float32)
    cap.normals = cap.normals @ tilt.T
    t = np.linspace(0, 1, 14)[:, None]
    anchor = np.array([np.cos(turn), np.sin(turn), 0]) * (radius + 4) - [0, 0, 60]
    edge = at - [0, 0, 5]
    cord = edge + (anchor - edge) * t + np.sin(np.pi * t) * rng.normal(0, 12, 3)
    return [cap, tube(cord, rng.uniform(1.2, 3), cap.colour[0], 0.5, name="cap")]


def cable_tie(rng: np.random.Generator, make: Make) -> Mesh:
    """Return a cable tie around the shell with its head and cut tail."""
    half = make.family.nose_width / 2 + 8
    grid = even((-half, -half, -30), (half, half, -10), 1.0)
    x, y, z = grid.axes
    edge, at = outline(make.family, x, y), -rng.uniform(17, 26)
    band = np.maximum(np.maximum(edge - 1.4, 0.1 - edge), np.abs(z - at) - 2.2)
    turn = rng.uniform(0, 2 * np.pi)
    head = ball((x, y, z), (half * 0.8 * np.cos(turn), half * 0.8 * np.sin(turn), at), 3.4)
    return skin(join(band, head, 0.5), grid, plastic(rng, 0.4), 0.35, name="tie")


def leaves(rng: np.random.Generator, sun: Array, camera: Camera) -> list[Mesh]:
    """Return leaves between sun and coupler, out of the picture, that throw dappled shadows."""
    count = int(rng.integers(25, 110))
    far = rng.uniform(130, 420)
    one = np.cross(sun, (0.2, 0.9, 0.1))
    one /= np.linalg.norm(one)
    two = np.cross(sun, one)
    spread = rng.normal(0, 48, (count, 2))
    middles = sun * far * rng.uniform(0.8, 1.2, (count, 1)) + spread[:, :1] * one + spread[:, 1:] * two
    seen = camera.project(middles)
    margin = 60 * camera.focal / np.maximum(seen[:, 2], 20)
    inside = (seen[:, 2] > 0) & np.all(seen[:, :2] > -margin[:, None], 1)
    inside &= np.all(seen[:, :2] < np.array(camera.size) + margin[:, None], 1)
    middles = middles[~inside]
    if len(middles) == 0:
        return []
    turn = np.linspace(0, 2 * np.pi, 9)
    long = rng.uniform(6, 17, (len(middles), 1, 1))
    ways = rng.normal(size=(len(middles), 2, 3))
    ways /= np.linalg.norm(ways, axis=2, keepdims=True)
    rim = (
        np.cos(turn)[None, :, None] * ways[:, None, 0] + 0.45 * np.sin(turn)[None, :, None] * ways[:, None, 1]
    )
    points = np.concatenate([middles[:, None], middles[:, None] + long * rim], 1).reshape(-1, 3)
    fan = np.array([[0, n, n + 1] for n in range(1, 9)])
    faces = (np.arange(len(middles))[:, None, None] * 10 + fan).reshape(-1, 3)
    return [shaped(points, faces, rgb(0.28, 0.7, 0.35), 0.6, name="leaves")]
