"""What lies behind the coupler: painted walls and grounds, wall boxes, bumpers, posts, shelves."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from data_tools.studios.birch.meshes import SURROUNDINGS, Floats, Look, Mesh, ball, loft

Picture = NDArray[np.float32]
SURFACES = (
    "plaster",
    "brick",
    "asphalt",
    "gravel",
    "grass",
    "hedge",
    "wood",
    "concrete",
    "tiles",
    "slats",
    "leaves",
    "cloth",
    "garage door",
    "block wall",
)
_ODDS = np.array([0.15, 0.1, 0.1, 0.07, 0.08, 0.06, 0.08, 0.09, 0.05, 0.04, 0.04, 0.05, 0.05, 0.04])


@dataclass(frozen=True)
class Quad:
    """A painted rectangle: corners' centre and half side vectors (mm), picture H x W x 3 (linear)."""

    centre: Floats
    x: Floats
    y: Floats
    picture: Picture


def _cloud(rng: np.random.Generator, side: int, octaves: tuple[int, ...]) -> Picture:
    total = np.zeros((side, side), np.float32)
    for number, cells in enumerate(octaves):
        coarse = rng.normal(size=(cells, cells)).astype(np.float32)
        total += cv2.resize(coarse, (side, side), interpolation=cv2.INTER_CUBIC) * 0.7**number
    return total / np.float32(total.std() + 1e-6)


def _tone(rng: np.random.Generator, base: tuple[float, float, float], spread: float = 0.2) -> Floats:
    return np.array(base) * rng.uniform(1 - spread, 1 + spread) * rng.uniform(0.93, 1.07, 3)


def _courses(rng: np.random.Generator, side: int, rows: int, long: float) -> tuple[Picture, Picture, Picture]:
    """Return for a bonded wall the brick's random shade, the joint mask and a light from above."""
    y, x = np.mgrid[0:side, 0:side].astype(np.float32) / side * rows
    row = np.floor(y)
    column = np.floor(x / long + 0.5 * (row % 2))
    shade = np.asarray(np.sin(row * 12.9 + column * 78.2 + rng.uniform(0, 99)) * 4375.5 % 1.0, np.float32)
    in_y, in_x = y % 1, (x / long + 0.5 * (row % 2)) % 1
    joint = rng.uniform(0.05, 0.1)
    mortar = np.asarray(np.minimum(in_y, in_x * long) < joint, np.float32)
    return shade, mortar, np.asarray(1 - 0.25 * (in_y > 0.92), np.float32)


def _stones(rng: np.random.Generator, side: int, count: int) -> tuple[Picture, Picture]:
    """Return random cells: their shade 0..1 and the closeness to their middle."""
    small = side // 2
    seeds = np.full((small, small), 255, np.uint8)
    x, y = rng.integers(0, small, (2, count))
    seeds[y, x] = 0
    off, label = cv2.distanceTransformWithLabels(seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    shade = rng.uniform(size=int(label.max()) + 1).astype(np.float32)[label]
    near = off / np.sqrt(small * small / count)
    return cv2.resize(shade, (side, side)), cv2.resize(near.astype(np.float32), (side, side))


def _strokes(
    rng: np.random.Generator, side: int, count: int, long: float, base: Floats, lean: float
) -> Picture:
    """Return blades or leaves painted one over another from dark to bright."""
    picture = np.tile((base * 0.25).astype(np.float32), (side, side, 1))
    for number in range(count):
        start = rng.uniform(0, side, 2)
        turn = lean + rng.normal(0, 0.5) if lean else rng.uniform(0, 2 * np.pi)
        end = start - long * rng.uniform(0.5, 1.3) * np.array([np.cos(turn), np.sin(turn)])
        tone = base * (0.35 + 0.9 * number / count) * rng.uniform(0.7, 1.3, 3)
        rgb = (float(tone[0]), float(tone[1]), float(tone[2]))
        a, b = (int(start[0]), int(start[1])), (int(end[0]), int(end[1]))
        cv2.line(picture, a, b, rgb, int(rng.integers(1, 4)), cv2.LINE_AA)
    return picture


def _banded(rng: np.random.Generator, side: int, count: float, gap: float) -> tuple[Picture, Picture]:
    y = np.mgrid[0:side, 0:side][0].astype(np.float32) / side * count
    shade = np.asarray(np.sin(np.floor(y) * 91.7 + rng.uniform(0, 99)) * 437.5 % 1.0, np.float32)
    return shade, np.asarray((y % 1) < gap, np.float32)


def paint(rng: np.random.Generator, kind: str, side: int = 512) -> Picture:
    """Return the picture (side x side x 3, linear) of a surface."""
    rough = _cloud(rng, side, (4, 16, 64, 256))
    fine = rng.normal(size=(side, side)).astype(np.float32)
    if kind in ("grass", "hedge", "leaves"):
        green = _tone(rng, (0.10, 0.2, 0.04) if kind != "leaves" else (0.28, 0.14, 0.04), 0.4)
        long = {"grass": 34.0, "hedge": 9.0, "leaves": 13.0}[kind]
        return _strokes(rng, side, 2600, long, green, np.pi / 2 if kind == "grass" else 0.0)
    tone: Floats = _tone(rng, (0.35, 0.34, 0.32), 0.6)
    grey = np.asarray(1 + 0.08 * rough + 0.04 * fine, np.float32)
    if kind in ("brick", "block wall", "tiles"):
        rows = {"brick": 14, "block wall": 6, "tiles": 10}[kind]
        shade, mortar, light = _courses(
            rng, side, int(rng.integers(rows // 2, rows)), 1.0 if kind == "tiles" else 2.6
        )
        tone = _tone(rng, (0.3, 0.14, 0.09), 0.4) if kind == "brick" else tone
        grey = grey * light * (0.75 + 0.5 * shade * (kind == "brick"))
        body = grey[..., None] * tone
        return np.asarray(
            body * (1 - mortar[..., None]) + mortar[..., None] * _tone(rng, (0.4, 0.38, 0.35)), np.float32
        )
    if kind in ("asphalt", "gravel"):
        shade, near = _stones(rng, side, int(rng.integers(1500, 6000) if kind == "gravel" else 9000))
        tone = _tone(rng, (0.3, 0.28, 0.25) if kind == "gravel" else (0.07, 0.07, 0.075), 0.4)
        grey = grey * (0.45 + 0.9 * shade) * (1.2 - 0.6 * near)
    elif kind in ("wood", "slats", "garage door"):
        shade, gap = _banded(rng, side, rng.uniform(3, 12), 0.04 if kind != "slats" else 0.25)
        if kind != "garage door":
            tone = _tone(rng, (0.35, 0.2, 0.1), 0.5)
            grain = cv2.resize(_cloud(rng, side, (128,))[:, :16], (side, side))
            grey = grey * (0.8 + 0.35 * shade) * (1 + 0.12 * grain)
        grey = grey * (1 - 0.75 * gap)
    elif kind == "cloth":
        tone = rng.uniform(0.05, 0.4) * rng.uniform(0.5, 1.3, 3)
        y, x = np.mgrid[0:side, 0:side]
        grey = grey * np.asarray(1 + 0.3 * np.sin(x * 0.8) * np.sin(y * 0.8) + 0.2 * rough, np.float32)
    elif kind == "plaster":
        tone = (
            _tone(rng, (0.6, 0.57, 0.5), 0.4)
            if rng.uniform() < 0.6
            else rng.uniform(0.1, 0.6) * rng.uniform(0.7, 1.15, 3)
        )
    return np.asarray(np.clip(grey[..., None] * tone, 0.003, 0.9), np.float32)


def box(middle: Floats, half: Floats, look: Look, square: float = 9.0) -> Mesh:
    """Return a rounded box around ``middle`` with half sides ``half`` (mm)."""
    share = np.concatenate([[-1, -0.985, -0.95], np.linspace(-0.9, 0.9, 5), [0.95, 0.985, 1]])
    shrink = np.array([0.93, 0.985, 1, 1, 1, 1, 1, 1, 1, 0.985, 0.93])
    spine = middle + np.outer(share, [0, 0, half[2]])
    return loft(spine, np.outer(shrink, half[:2]), look, SURROUNDINGS, square, around=48)


def _look(rng: np.random.Generator, rough: float = 0.4) -> Look:
    """Draw the paint of a thing: mostly greys, white and black, sometimes a colour."""
    grey = float(rng.choice([0.015, 0.06, 0.2, 0.5, 0.7]) * rng.uniform(0.7, 1.2))
    full = rng.uniform(0.01, 0.5, 3)
    share = rng.uniform(0, 0.15) if rng.uniform() < 0.75 else rng.uniform(0.4, 0.9)
    tone = grey * (1 - share) + full * share
    rgb = (float(tone[0]), float(tone[1]), float(tone[2]))
    return Look(rgb, rgb, rough)


def props(rng: np.random.Generator, distance: float, up: Floats) -> tuple[list[str], list[Mesh]]:
    """Return names and meshes of up to three things that stand ``distance`` mm behind the face."""
    names, meshes = [], []
    for kind in rng.choice(
        ["wall box", "bumper", "post", "boxes", "hose", "bin"], int(rng.integers(0, 4)), False
    ):
        turn = rng.uniform(0, 2 * np.pi)
        spot = np.array([np.cos(turn), np.sin(turn), 0]) * rng.uniform(60, 320) * distance / 400
        spot = spot + np.array([0, 0, -distance * rng.uniform(0.75, 0.95)])
        look = _look(rng, rng.uniform(0.1, 0.6))
        if kind == "wall box":
            half = np.array([rng.uniform(70, 130), rng.uniform(90, 200), rng.uniform(25, 50)])
            meshes.append(box(spot, half, look, rng.uniform(4, 12)))
            front = spot + np.array([0, half[1] * 0.4, half[2]])
            meshes.append(box(front, np.array([half[0] * 0.5, half[1] * 0.2, 3]), _look(rng, 0.1)))
            meshes.append(
                ball(front - [0, half[1] * 0.5, 0], np.diag([5.0, 5, 3]), _look(rng, 0.2), SURROUNDINGS)
            )
        elif kind == "bumper":
            x = np.linspace(-1, 1, 40)
            spine = spot + np.column_stack([x * 900, 0 * x + rng.uniform(-60, 60), -250 * x**2])
            meshes.append(
                loft(spine, np.tile([60.0, rng.uniform(120, 260)], (40, 1)), look, SURROUNDINGS, 2.6)
            )
        elif kind == "post":
            spine = spot + np.outer(np.linspace(-900, 900, 12), up)
            meshes.append(loft(spine, np.full((12, 2), rng.uniform(20, 60)), look, SURROUNDINGS, 3.0))
        elif kind == "hose":
            spine = spot + np.column_stack(
                [np.linspace(-600, 600, 50), 80 * np.sin(np.linspace(0, 7, 50)), np.zeros(50)]
            )
            meshes.append(loft(spine, np.full((50, 2), rng.uniform(8, 22)), look, SURROUNDINGS, around=16))
        else:
            for _ in range(int(rng.integers(1, 5))):
                meshes.append(box(spot + rng.normal(0, 90, 3), rng.uniform(20, 120, 3), _look(rng, 0.5)))
        names.append(str(kind))
    return names, [m for m in meshes if m.points[:, 2].max() < -110]


def quads(
    rng: np.random.Generator, ahead: Floats, target: Floats, up: Floats, low: float = 0.0
) -> tuple[list[str], float, list[Quad]]:
    """Return the names of the two surfaces, the distance of the first behind the face (mm), and the
    surfaces: one across the view (or far away and small), one level, lower than the phone, which itself
    may stand ``low`` mm below the face."""
    kinds = [str(k) for k in rng.choice(SURFACES, 2, p=_ODDS / _ODDS.sum())]
    distance = float(rng.choice([rng.uniform(190, 420), rng.uniform(350, 1200), 2500.0], p=[0.5, 0.35, 0.15]))
    normal = -ahead + 0.35 * rng.normal(size=3)
    normal /= np.linalg.norm(normal)
    across = np.cross(up, normal) if abs(up @ normal) < 0.95 else np.cross([1.0, 0.2, 0], normal)
    across /= np.linalg.norm(across)
    tall = np.cross(normal, across)
    size = distance * 2.2 + 250
    size = size if distance < 2000 else 1.0
    first = Quad(target + ahead * (distance + 60), across * size, tall * size, paint(rng, kinds[0]))
    side = np.cross(up, [0.3, 0.1, 1.0])
    side /= np.linalg.norm(side)
    below = target - up * (low + rng.uniform(120, 1100))
    second = Quad(below, side * 2500, np.cross(side, up) * -2500, paint(rng, kinds[1]))
    if distance >= 2000:
        kinds[0] = "open"
    return kinds, min(distance, 1200.0), [first, second]
