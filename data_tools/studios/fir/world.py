"""Where the photo was taken: ground, walls, kerbs, cars, and the hands about the coupler."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import manifold3d as m3
import numpy as np
from numpy.typing import NDArray

from data_tools.studios.fir.make import Finish, linear
from data_tools.studios.fir.noise import cloud
from data_tools.studios.fir.paint import Coat
from data_tools.studios.fir.scene import Mesh, plain_mesh
from data_tools.studios.fir.sky import LIGHTS, SHARES, paint_sky
from data_tools.studios.fir.solids import Floats, block, circle, loft, rectangle, rounded, tube

_MAP_SIDE = 512
_SKINS = ((224, 178, 150), (196, 142, 110), (150, 100, 72), (92, 60, 44), (236, 196, 172))
_GLOVES = ((30, 30, 32), (190, 150, 40), (60, 90, 140), (120, 124, 126), (200, 90, 30), (210, 205, 190))
_PAINTS = (
    (30, 32, 34),
    (200, 202, 202),
    (120, 18, 20),
    (24, 52, 108),
    (110, 114, 116),
    (60, 66, 60),
    (222, 200, 60),
)
_STONES = ((132, 130, 126), (168, 160, 148), (96, 92, 88), (150, 96, 74), (196, 192, 184), (70, 70, 72))
Body = tuple[Any, Finish, float]


@dataclass(frozen=True)
class World:
    """A place: its light, sky and how it is turned, meshes, and what is near enough to hide the face."""

    light: str
    sky: Floats
    turn: Floats
    meshes: tuple[Mesh, ...]
    near: Mesh | None


def draw_world(rng: np.random.Generator, grip: Floats | None) -> World:
    """Draw a place round a coupler whose grip runs along ``grip`` (N x 3 mm; None: nothing to hold)."""
    light = LIGHTS[rng.choice(len(LIGHTS), p=SHARES)]
    pitch = np.radians(rng.uniform(-8, 22) if rng.random() < 0.5 else rng.uniform(22, 70))
    turn = np.array([[1, 0, 0], [0, np.cos(pitch), -np.sin(pitch)], [0, np.sin(pitch), np.cos(pitch)]])
    things, ground, wall = _street(rng, turn)
    if grip is not None and rng.random() < 0.6:
        things += _hand(rng, grip)
    near = _intruder(rng) if rng.random() < 0.1 else []
    coat = _surface(rng, "cloth")
    hiding = plain_mesh(near, coat, 60.0) if near else None
    return World(
        light, paint_sky(rng, light), turn, (ground, wall, plain_mesh(things + near, coat, 60.0)), hiding
    )


def _tone(rng: np.random.Generator, palette: tuple[tuple[int, int, int], ...]) -> Floats:
    tone = linear(palette[rng.integers(len(palette))]) * rng.normal(1, 0.15) * rng.normal(1, 0.04, 3)
    return np.clip(tone, 0.004, 0.85)


def _finish(rng: np.random.Generator, palette: tuple[tuple[int, int, int], ...], rough: float) -> Finish:
    red, green, blue = _tone(rng, palette)
    return Finish((red, green, blue), rough)


def _street(rng: np.random.Generator, turn: Floats) -> tuple[list[Body], Mesh, Mesh]:
    """Return things, ground and wall; built upright, then turned."""
    low = -rng.uniform(260, 1000)
    far = -rng.uniform(170, 420) if rng.random() < 0.55 else -rng.uniform(600, 2600)
    pose = np.hstack([turn, np.zeros((3, 1))])
    kind = ("plaster", "brick", "concrete", "shutter", "panel", "car")[
        rng.choice(6, p=(0.16, 0.14, 0.2, 0.14, 0.2, 0.16))
    ]
    wall = _wall(kind, low).rotate((0, rng.normal(0, 20), 0)).translate((0, 0, far))
    shiny = kind in ("car", "panel")
    things: list[Body] = []
    for _ in range(rng.integers(0, 4)):
        tall, wide = rng.uniform(120, 1100), rng.uniform(45, 110)
        post = loft(circle(wide, 40), [(0, 0), (0, tall - 20), (-8, tall - 6), (-25, tall)]).rotate(
            (-90, 0, 0)
        )
        if rng.random() < 0.4:
            post = rounded(rectangle(-wide, 0, wide, tall), 12).extrude(2 * wide)
        at = (rng.uniform(-700, 700), low, far + rng.uniform(60, 260))
        things.append((post.translate(at).transform(pose), _finish(rng, _PAINTS, 0.4), 60.0))
    if rng.random() < 0.35:
        kerb = m3.Manifold.cube((5000, 150, 260), True).rotate((0, rng.uniform(-25, 25), 0))
        kerb = kerb.translate((0, low + 60, far * 0.7 - 200)).transform(pose)
        things.append((kerb, _finish(rng, _STONES, 0.8), 150.0))
    if not things:
        things.append((m3.Manifold.cube((1, 1, 1)).translate((0, 0, -5000)), _finish(rng, _STONES, 0.8), 9.0))
    floor = ("asphalt", "brick", "concrete", "tiles", "grit")[rng.integers(5)]
    slab = m3.Manifold.cube((7000, 20, 7000), True).translate((0, low - 10, 0)).transform(pose)
    ground = plain_mesh([(slab, Finish((0.02, 0.02, 0.022), 0.2), 4000.0)], _surface(rng, floor, 0.3), 900.0)
    finish = _finish(rng, _PAINTS, rng.uniform(0.1, 0.4) if shiny else 0.6)
    face = plain_mesh([(wall.transform(pose), finish, 500.0)], _surface(rng, kind), rng.uniform(400, 1100))
    return things, ground, face


def _wall(kind: str, low: float) -> Any:
    if kind == "car":
        side = [
            [-700, 150],
            [-40, 150],
            [0, 260],
            [-20, 480],
            [4, 520],
            [-60, 760],
            [-300, 1150],
            [-700, 1200],
        ]
        profile = rounded(m3.CrossSection([np.array(side, float) + [0, low]]), 25)
        return block(rectangle(-2100, low, 2100, low + 1300), profile, reach=3000)
    if kind == "shutter":
        slat = m3.Manifold.cube((3600, 70, 24), True).rotate((16, 0, 0))
        return m3.Manifold.compose([slat.translate((0, y, 0)) for y in np.arange(low, 1800, 75)])
    return m3.Manifold.cube((3600, 3600, 20), True).translate((0, 1800 + low, -10))


def _surface(rng: np.random.Generator, kind: str, puddles: float = 0.0) -> Coat:
    """Draw one tile of a surface; what of it is bare shows the paint beneath."""
    side = _MAP_SIDE
    base = _tone(rng, _STONES)
    light = 1 + 0.14 * cloud(rng, side, 5, 6)
    cover = np.full((side, side), 0.96, np.float32)
    grit: Floats = rng.normal(size=(side, side)).astype(np.float32)
    if kind in ("asphalt", "grit", "concrete", "plaster"):
        blur, much = {
            "asphalt": (1.4, 0.5),
            "grit": (3.5, 0.7),
            "concrete": (1.0, 0.08),
            "plaster": (2.0, 0.1),
        }[kind]
        grit = cv2.GaussianBlur(grit, (0, 0), blur)
        light *= 1 + much * grit / grit.std() * 0.6
        base = base * (0.3 if kind == "asphalt" else 1.0)
    if kind in ("brick", "tiles"):
        light *= _courses(rng, 8 if kind == "brick" else 3, kind == "brick")
    if kind in ("car", "panel", "shutter", "cloth"):
        cover = np.clip(0.25 * cloud(rng, side, 4) + rng.uniform(-0.1, 0.2), 0, 0.8).astype(np.float32)
    if kind not in ("car", "panel") and rng.random() < 0.5:  # stains, leaks and chewing gum
        light *= 1 - 0.5 * np.clip(cloud(rng, side, 6, 3) - 0.5, 0, 1)
    if rng.random() < puddles:
        cover *= np.clip(1.2 - 3 * np.clip(cloud(rng, side, 2, 3) - 0.1, 0, 1), 0, 1)
    colour = base * np.clip(light, 0.05, 3)[..., None]
    dirt = np.concatenate([np.clip(colour, 0.003, 0.85), np.clip(cover, 0, 0.97)[..., None]], 2)
    return Coat(dirt.astype(np.float32), np.zeros((side, side), np.float32))


def _courses(rng: np.random.Generator, rows: int, bond: bool) -> NDArray[np.float32]:
    """Bricks, slabs or tiles with joints."""
    tone = np.zeros((_MAP_SIDE, _MAP_SIDE), np.float32)
    high, wide = _MAP_SIDE // rows, _MAP_SIDE // (rows // 2 if bond else rows)
    for row in range(rows + 1):
        for k in range(-1, rows + 1):
            x = k * wide + (wide // 2 if bond and row % 2 else 0)
            spot = (x + 3, row * high + 3)
            cv2.rectangle(tone, spot, (x + wide - 2, (row + 1) * high - 2), float(rng.uniform(0.8, 1.2)), -1)
    return np.where(tone > 0, tone, np.float32(rng.choice([0.4, 1.5]))).astype(np.float32)


def _finger(path: Floats, thick: float) -> Any:
    """A finger along its joints, with knuckles and a round tip."""
    fine = np.stack(
        [np.interp(np.linspace(0, 1, 22), np.linspace(0, 1, len(path)), path[:, k]) for k in range(3)], 1
    )
    for _ in range(2):
        fine[1:-1] = (fine[:-2] + 2 * fine[1:-1] + fine[2:]) / 4
    along = np.linspace(0, 1, 22)
    radii = thick * (1.08 - 0.2 * along + 0.05 * np.cos(along * 4 * np.pi))
    radii[-3:] *= (0.93, 0.72, 0.3)
    return tube(fine, list(radii), 18)


def _hand(rng: np.random.Generator, grip: Floats) -> list[Body]:
    """Fingers round the grip, the thumb across it, the back of the hand and a sleeve."""
    gloved = rng.random() < 0.35
    finish = _finish(rng, _GLOVES if gloved else _SKINS, 0.7 if gloved else 0.5)
    thick, side = rng.uniform(7.0, 9.5) + 1.5 * gloved, rng.choice([-1, 1])
    bodies: list[Body] = []
    first = int(rng.integers(6, 13))
    for k in range(4):
        at = grip[min(first + 3 * k, len(grip) - 3)]
        turn = np.linspace(-0.9, 2.5 + rng.normal(0, 0.15), 7) + rng.normal(0, 0.1)
        away = 20 + thick
        ring = np.stack([side * away * np.cos(turn), 6 * np.sin(turn), away * np.sin(turn)], 1)
        bodies.append((_finger(at + ring, thick), finish, 3.0))
    palm = grip[min(first + 5, len(grip) - 3)] + [side * 32, -4, -14]
    bodies.append((m3.Manifold.sphere(1, 40).scale((20, 44, 34)).translate(tuple(palm)), finish, 5.0))
    thumb = palm + np.array(
        [[0, 20, 10], [-side * 8, 34, 30], [-side * 26, 40, 38], [-side * 46, 40 + rng.normal(0, 6), 34]]
    )
    bodies.append((_finger(thumb, thick * 1.15), finish, 3.0))
    arm = palm + np.array([[side * 4, -20, -10], [side * 40, -120, -60], [side * 130, -330, -120.0]])
    bodies.append((tube(arm[:2], [25, 29], 24), finish, 6.0))
    bodies.append((tube(arm[1:], [42, 62], 24), _finish(rng, (*_PAINTS, *_GLOVES), 0.85), 8.0))
    return bodies


def _intruder(rng: np.random.Generator) -> list[Body]:
    """A finger, a strap or a rag that gets before the face."""
    turn = rng.uniform(0, 2 * np.pi)
    way = np.array([np.cos(turn), np.sin(turn), 0])
    aside = np.array([-way[1], way[0], 0]) * rng.normal(0, 8)
    reach = rng.uniform(6, 24)
    path = np.array([way * 120, way * 70, way * (reach + 22), way * reach]) + aside
    path[:, 2] += np.array([-8, 16, 18, 9]) + rng.uniform(4, 9)
    if rng.random() < 0.8:
        gloved = rng.random() < 0.3
        return [(_finger(path, rng.uniform(7.5, 9.5)), _finish(rng, _GLOVES if gloved else _SKINS, 0.5), 2.5)]
    return [(tube(path, [rng.uniform(2, 5)] * 4, 14), _finish(rng, (*_PAINTS, *_GLOVES), 0.6), 3.0)]
