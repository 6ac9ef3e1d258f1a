"""What else is in a photo: the ground or wall behind, hands, and things that are not a coupler's face."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from data_tools.studios.dogwood.build import plastic
from data_tools.studios.dogwood.mesh import (
    FOREIGN,
    Finish,
    Floats,
    Part,
    block,
    join,
    sheet,
    smoothstep,
    tube,
)

SIDE = 512
SKINS = ((0.55, 0.33, 0.24), (0.36, 0.2, 0.13), (0.16, 0.085, 0.055), (0.62, 0.42, 0.33))
GLOVES = ((0.03, 0.03, 0.035), (0.5, 0.42, 0.1), (0.1, 0.2, 0.4), (0.45, 0.45, 0.43), (0.5, 0.15, 0.05))
STRANGERS = ("wall", "hand", "panel", "cable", "inlet")


def _clouds(rng: Generator, coarse: int, octaves: int = 5) -> Floats:
    """Tileless noise (SIDE, SIDE) of zero mean and about unit spread."""
    total = np.zeros((SIDE, SIDE), np.float32)
    for octave in range(octaves):
        cells = min(coarse * 2**octave, SIDE)
        small = rng.standard_normal((cells, cells)).astype(np.float32)
        large = np.asarray(cv2.resize(small, (SIDE, SIDE), interpolation=cv2.INTER_CUBIC), np.float32)
        total += large / 1.6**octave
    return np.asarray((total - total.mean()) / total.std(), np.float32)


def draw_backdrop(rng: Generator) -> Floats:
    """Draw what is behind: linear RGB (SIDE, SIDE, 3)."""
    kind = rng.integers(8)
    rough = _clouds(rng, int(rng.integers(2, 9)))
    y, x = np.mgrid[:SIDE, :SIDE].astype(np.float32) / SIDE
    base = np.asarray(plastic(rng).colour) if rng.random() < 0.4 else rng.uniform(0.08, 0.45) * np.ones(3)
    tint = base * (1 + 0.12 * rng.normal(0, 1, 3))
    grey = 1 + rng.uniform(0.1, 0.35) * rough
    if kind == 0:  # bricks or tiles
        rows = float(rng.integers(5, 22))
        shift = np.floor(y * rows) % 2 * 0.5
        u, v = (x * rows / 2.2 + shift) % 1, (y * rows) % 1
        joint = np.maximum(smoothstep(0.06, 0.03, np.minimum(u, 1 - u)), smoothstep(0.1, 0.06, v))
        grey = grey * (1 - joint) + joint * rng.uniform(0.5, 2.0)
    elif kind == 1:  # planks or corrugated sheet
        grey = grey * (0.75 + 0.4 * np.abs(np.sin(x * np.pi * rng.integers(4, 24))) ** rng.uniform(0.2, 1))
    elif kind == 2:  # gravel, asphalt
        stones = _clouds(rng, 90, 2)
        grey = grey * (1 + 0.45 * np.clip(stones, -1.4, 2))
    elif kind == 3:  # leaves, grass
        blades = _clouds(rng, 40, 3)
        tint = np.array([0.1, 0.2, 0.04]) * rng.uniform(0.5, 1.6, 3)
        grey = np.clip(1 + 0.6 * blades, 0.1, 3)
    elif kind == 4:  # painted line on the ground
        line = np.abs(x * np.cos(t := rng.uniform(0, 3)) + y * np.sin(t) - rng.uniform(0.2, 0.9))
        grey = np.where(line < rng.uniform(0.05, 0.15), grey * 2.2, grey)
    elif kind == 5:  # far away things, out of focus
        grey = 0.4 + np.abs(cv2.GaussianBlur(_clouds(rng, 6, 3), (0, 0), 12)) * 1.6
    elif kind == 6:  # cabinet: a flat front with seams and holes
        grey = 1 + 0.04 * rough
        for at in rng.uniform(0, 1, 4):
            grey = np.where(np.abs((x if rng.random() < 0.5 else y) - at) < 0.005, 0.25, grey)
    picture = grey[..., None] * tint
    picture = picture + 0.12 * _clouds(rng, 3, 3)[..., None] * rng.normal(0, 0.5, 3) * tint
    return np.ascontiguousarray(np.clip(picture, 0.004, 0.85), np.float32)


def finger(rng: Generator, tip: NDArray[np.floating], way: float, finish: Finish) -> Part:
    """A finger along the face's plane, from afar at ``way`` (rad) to ``tip`` (3,) mm; its nail towards us."""
    t = np.linspace(0, 1, 36)[:, None]
    out = np.array([np.cos(way), np.sin(way), 0.0])
    arch = np.array([0, 0, rng.uniform(4, 16)]) * np.sin(t * 2.6) - np.array([0, 0, 30.0]) * t**2
    path = tip + out * 95 * t + arch
    radius = rng.uniform(7.0, 9.5)
    shape = radius * (1 - 0.9 * (1 - np.minimum(t[:, 0] * 95 / radius, 1)) ** 2.2)
    shape *= 1 + 0.07 * np.cos(t[:, 0] * 13) + 0.25 * t[:, 0]
    rod = tube(path, shape, finish, FOREIGN)
    if finish.colour in SKINS:
        nail = np.linalg.norm((rod.points - path[3] - [0, 0, radius]) / [1, 1, 2], axis=1)
        rod.paint(smoothstep(5.5, 4.8, nail) * 0.7, np.asarray(finish.colour) * 1.25 + 0.05)
    return rod


def draw_fingers(rng: Generator, radius: float, centre: tuple[float, float], near: bool) -> list[Part]:
    """A hand on the coupler: fingers that end at its rim, or reach over it if ``near``."""
    glove = rng.random() < 0.4
    tints = GLOVES if glove else SKINS
    finish = Finish(tints[rng.integers(len(tints))], 0.55 if not glove else 0.8)
    way, fingers = rng.uniform(0, 2 * np.pi), []
    for k in range(int(rng.integers(1, 4))):
        angle = way + 0.36 * k
        far = radius * rng.uniform(0.72, 1.0) if near else radius * rng.uniform(1.05, 1.25)
        tip = np.array([centre[0] + far * np.cos(angle), centre[1] + far * np.sin(angle), 9.0])
        if not near:
            tip[2] = -rng.uniform(4, 14)
        fingers.append(finger(rng, tip, angle + rng.normal(0, 0.12), finish))
    return fingers


def stranger(rng: Generator, kind: str) -> list[Part]:
    """Something that is not a coupler's face, about as big as one, facing +z."""
    finish = plastic(rng)
    if kind == "hand":
        skin = Finish(SKINS[rng.integers(len(SKINS))], 0.55)
        palm = tube(
            np.array([[0, -60, -12], [0, -30, 0], [0, 0, 2], [2, 24, 0]]), np.array([30.0, 33, 36, 30]), skin
        )
        ends = [np.array([-26 + 17 * k, 72 - 5 * abs(k - 1.5), 4.0]) for k in range(4)]
        return [palm, *(finger(rng, end, -1.57 + rng.normal(0, 0.07), skin) for end in ends)]
    if kind == "cable":
        t = np.linspace(0, 1, 90)[:, None]
        amp = rng.uniform(20, 60, 3)
        path = np.concatenate(
            [(t - 0.5) * 260, amp[0] * np.sin(t * 9 + amp[1]), 0.3 * amp[2] * np.cos(t * 9)], 1
        )
        return [tube(path, np.full(90, rng.uniform(6, 12)), finish)]
    if kind == "panel":
        plate = block((-45, -40, -20), (45, 40, 0), 4.0, finish, cells=100)
        for x, y in ((-20, 10), (20, 10), (0, -16))[: rng.integers(1, 4)]:
            away = np.hypot(plate.points[:, 0] - x, plate.points[:, 1] - y)
            front = plate.points[:, 2] > -3
            plate.points[:, 2] -= 9 * smoothstep(12.5, 11.5, away) * front
            for off in (-4.5, 4.5):
                hole = np.hypot(plate.points[:, 0] - x - off, plate.points[:, 1] - y)
                plate.paint(smoothstep(2.4, 1.9, hole) * front, 0.005)
        return [plate]
    if kind == "inlet":
        return [_inlet(rng, finish)]
    return []


def _inlet(rng: Generator, finish: Finish) -> Part:
    """The car's side: a plug of solid plastic with holes for sleeves, pins standing in them."""
    side = np.linspace(-40, 40, 220)
    x, y = np.meshgrid(side, side)
    far = np.hypot(x, y)
    z = 6.0 * smoothstep(36, 35, far) - 22 * smoothstep(31, 30.4, far) + 20 * smoothstep(26.5, 26, far)
    turned = rng.uniform(0, 2 * np.pi)
    holes = [
        (0.0, 0.0),
        *((15.5 * np.cos(turned + a), 15.5 * np.sin(turned + a)) for a in (0, 1.05, 2.1, 3.14, 4.2, 5.2)),
    ]
    pins = []
    for hx, hy in holes[: rng.integers(5, 8)]:
        radius = rng.uniform(4.4, 6.6)
        z -= 14 * smoothstep(radius, radius - 0.5, np.hypot(x - hx, y - hy))
        rod = np.array([[hx, hy, -16.0], [hx, hy, -3], [hx, hy, -1]])
        pins.append(tube(rod, np.array([2.8, 2.8, 1.8]), Finish((0.75, 0.72, 0.65), 0.25, 1.0)))
    return join([sheet(np.stack([x, y, z], -1), finish, closed=False), *pins])
