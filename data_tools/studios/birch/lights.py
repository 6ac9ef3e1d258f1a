"""Light: a sky or room painted around the face frame, and one lamp (flash, bulb, tube). Radiance units are
arbitrary, the phone exposes for them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from data_tools.studios.birch.camera import Camera
from data_tools.studios.birch.meshes import Floats, smooth, waves

KINDS = ("sun", "overcast", "dusk", "flash", "bulb", "tube", "garage", "hall", "back", "sign")
_ODDS = (0.18, 0.15, 0.08, 0.16, 0.10, 0.09, 0.08, 0.07, 0.05, 0.04)


@dataclass(frozen=True)
class Light:
    """The light of one photo: kind, surroundings H x W x 3 (radiance over the face frame's directions), the
    lamp's corner frame (centre, half side vectors, mm) and radiance, the share of samples for the lamp."""

    kind: str
    surroundings: Floats
    lamp_centre: Floats
    lamp_x: Floats
    lamp_y: Floats
    lamp_radiance: tuple[float, float, float]
    lamp_weight: float
    dim: float


@cache
def _directions(tall: int = 128, wide: int = 256) -> Floats:
    """Return the direction of each pixel of a latitude-longitude picture as the renderer reads it."""
    polar = (np.arange(tall)[:, None] + 0.5) / tall * np.pi
    turn = (np.arange(wide)[None, :] + 0.5) / wide * 2 * np.pi
    x, z = np.sin(turn) * np.sin(polar), -np.cos(turn) * np.sin(polar)
    return np.stack([x, np.broadcast_to(np.cos(polar), x.shape), z], -1)


def _unit(vector: Floats) -> Floats:
    return np.asarray(vector / np.linalg.norm(vector))


def _tint(rng: np.random.Generator, warm: float) -> Floats:
    """Return a light's colour: ``warm`` -1 (blue) to 1 (tungsten)."""
    return np.array([1 + 0.45 * warm, 1.0 + 0.02 * warm, 1 - 0.6 * warm]) * rng.uniform(0.95, 1.05, 3)


def _sky(rng: np.random.Generator, way: Floats, up: Floats, bright: Floats, ground: Floats) -> Floats:
    rise = way @ up
    clouds = waves(rng, rng.uniform(0.4, 1.2))(way.reshape(-1, 3)).reshape(rise.shape)
    sky = bright * (0.75 + 0.5 * np.clip(rise, 0, 1) + 0.25 * clouds)[..., None]
    clutter = waves(rng, 0.35, facets=True)(way.reshape(-1, 3)).reshape(rise.shape)
    line = 0.02 + 0.12 * clutter
    earth = ground * (0.7 + 0.4 * clutter)[..., None]
    return np.asarray(np.where((rise > line)[..., None], sky, np.maximum(earth, 0)))


def _spot(way: Floats, at: Floats, size: float) -> Floats:
    off = np.arccos(np.clip(way @ _unit(at), -1, 1))
    return np.asarray(1 - smooth(off, size * 0.8, size * 1.2))[..., None]


def _room(rng: np.random.Generator, way: Floats, up: Floats, wall: Floats, ceiling: Floats) -> Floats:
    """Return a room: walls with boxes of other brightness, ceiling, darker ground."""
    rise = way @ up
    room = wall * np.ones((*rise.shape, 1))
    for _ in range(int(rng.integers(3, 9))):
        middle = _unit(rng.normal(size=3))
        side = _unit(np.cross(middle, up + 0.01))
        inside = (np.abs(way @ side) < rng.uniform(0.1, 0.5)) & (
            np.abs(rise - middle @ up) < rng.uniform(0.1, 0.5)
        )
        inside &= way @ middle > 0
        room = np.where(inside[..., None], wall * rng.uniform(0.2, 2.2) * rng.uniform(0.7, 1.3, 3), room)
    room = np.where((rise > 0.6)[..., None], ceiling, room)
    return np.asarray(np.where((rise < -0.5)[..., None], wall * 0.4, room))


def _sun_way(rng: np.random.Generator, up: Floats, behind: bool) -> Floats:
    for _ in range(50):
        way = _unit(rng.normal(size=3))
        front = way[2] < -0.1 if behind else way[2] > 0.12
        if way @ up > 0.12 and front:
            return way
    return _unit(up + [0, 0, -0.5 if behind else 0.8])


def draw_light(rng: np.random.Generator, camera: Camera, up: Floats, target: Floats) -> Light:
    """Draw the light for a camera, with the world's ``up`` (unit vector in the face frame)."""
    kind = str(rng.choice(KINDS, p=_ODDS))
    way = _directions()
    grey = np.array([0.3, 0.28, 0.25]) * rng.uniform(0.5, 1.5) * rng.uniform(0.85, 1.15, 3)
    dim, lamp = 0.0, "off"
    if kind in ("sun", "back"):
        sky = _sky(rng, way, up, np.array([0.5, 0.7, 1.1]) * rng.uniform(0.5, 1.2), grey)
        sun = _sun_way(rng, up, kind == "back")
        picture = sky + _spot(way, sun, 0.03) * rng.uniform(1200, 4500) * _tint(rng, rng.uniform(0, 0.35))
    elif kind == "overcast":
        picture = _sky(rng, way, up, np.full(3, 1.0) * _tint(rng, rng.uniform(-0.15, 0.1)), grey)
    elif kind == "dusk":
        picture = _sky(rng, way, up, np.array([0.25, 0.3, 0.5]), grey * 0.15)
        picture = picture + _spot(way, _unit(np.cross(up, rng.normal(size=3))), 0.5) * _tint(rng, 0.8) * 1.5
        dim = 0.4
        lamp = str(rng.choice(["off", "bulb"]))
    elif kind in ("garage", "hall"):
        picture = _room(rng, way, up, grey * _tint(rng, rng.uniform(-0.1, 0.4)), np.full(3, 0.5))
        for _ in range(int(rng.integers(1, 7))):
            spot = up + 0.7 * rng.normal(size=3)
            picture = picture + _spot(way, spot, rng.uniform(0.05, 0.16)) * rng.uniform(8, 40) * _tint(
                rng, 0.15
            )
        dim = 0.3
    else:
        picture = _room(rng, way, up, grey * rng.uniform(0.02, 0.12), np.full(3, 0.01))
        for _ in range(int(rng.integers(0, 5))):
            glow = _tint(rng, rng.uniform(-0.8, 1)) if kind == "sign" else _tint(rng, rng.uniform(0, 0.8))
            picture = picture + _spot(way, rng.normal(size=3), rng.uniform(0.03, 0.1)) * glow * rng.uniform(
                1, 12
            )
        dim, lamp = 0.7, "flash" if kind == "flash" else "tube" if kind in ("tube", "sign") else "bulb"
    return _with_lamp(rng, kind, picture, lamp, dim, camera, up, target)


def _with_lamp(
    rng: np.random.Generator,
    kind: str,
    picture: Floats,
    lamp: str,
    dim: float,
    camera: Camera,
    up: Floats,
    target: Floats,
) -> Light:
    """Place the lamp: beside the lens, or somewhere above and in front of the face."""
    if lamp == "flash":
        turn = rng.uniform(0, 2 * np.pi)
        aside = camera.right * np.cos(turn) + camera.up * np.sin(turn)
        centre = camera.position + aside * rng.uniform(8, 16) - camera.ahead * 3
        size, power, tint = (2.0, 2.0), 1200.0, _tint(rng, rng.uniform(-0.1, 0.15))
    else:
        way = _unit(
            up * rng.uniform(0.2, 1.2) + np.array([0, 0, rng.uniform(0.25, 1.4)]) + rng.normal(0, 0.5, 3)
        )
        way[2] = abs(way[2]) + 0.1
        centre = target + way * rng.uniform(450, 1600)
        size = (30.0, 30.0) if lamp != "tube" else (float(rng.uniform(250, 600)), 14.0)
        warm = rng.uniform(0.5, 1.0) if lamp == "bulb" else rng.uniform(-0.35, 0.25)
        if kind == "sign":
            warm = float(rng.choice([-0.9, 0.9]))
        power, tint = 60.0, _tint(rng, warm)
    facing = _unit(target - centre)
    x = _unit(np.cross(facing, up + 0.02 * rng.normal(size=3)))
    y = np.cross(facing, x)
    scale = 0.0 if lamp == "off" else power * rng.uniform(0.6, 1.6)
    if lamp == "flash":
        scale *= float(np.linalg.norm(target - centre) / 200) ** 2
    rgb = np.maximum(tint, 0.02) * scale + 1e-6
    return Light(
        kind,
        np.maximum(picture, 1e-4),
        centre,
        x * size[0],
        y * size[1],
        (float(rgb[0]), float(rgb[1]), float(rgb[2])),
        0.55 if lamp != "off" else 0.02,
        dim,
    )
