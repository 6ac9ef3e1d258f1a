"""Where a photo is taken: the sky or room that gives the light, and what stands behind the coupler."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from data_tools.studios.gorse.make import Rgb, rgb
from data_tools.studios.gorse.materials import MATERIALS, picture
from data_tools.studios.gorse.solids import Array, Mesh, lattice, shaped, tube
from data_tools.studios.gorse.stage import Maps

SKY_ROWS = 400
SUN_RADIUS = 0.0075
"""Radians: half as wide again as the real one, to be met by a row of the sky."""
MOODS = ("sun", "overcast", "shade", "dusk", "room", "flash")
MOOD_SHARES = (0.46, 0.14, 0.12, 0.06, 0.16, 0.06)


@dataclass(frozen=True)
class Place:
    """The light (an equal-angle map around the coupler, in its coordinates), the sun's direction, what is
    behind, and words for the report."""

    sky: Array
    sun: Array
    meshes: list[Mesh]
    backdrop: Maps
    mood: str
    material: str


@cache
def _directions() -> Array:
    """Return the direction of each pixel of a sky map, as the renderer lays it out."""
    theta = (np.arange(SKY_ROWS) + 0.5) / SKY_ROWS * np.pi
    phi = (np.arange(2 * SKY_ROWS) + 0.5) / SKY_ROWS * np.pi
    t, p = np.meshgrid(theta, phi, indexing="ij")
    ways = np.stack([np.sin(t) * np.sin(p), np.cos(t), -np.sin(t) * np.cos(p)], -1)
    return np.asarray(ways, np.float32)


def unit(v: Any) -> Array:
    """Return a vector of length one."""
    return np.asarray(v, np.float32) / np.float32(np.linalg.norm(v) + 1e-9)


def draw_place(rng: np.random.Generator, up: Array, eye: Array) -> Place:
    """Draw light and surroundings for a coupler whose world's ``up`` is given, seen from ``eye`` (mm)."""
    mood = str(rng.choice(MOODS, p=MOOD_SHARES))
    material = str(rng.choice(list(MATERIALS), p=np.array([w for w, _ in MATERIALS.values()])))
    ahead = unit(-eye)
    sun = unit(0.9 * up + 0.75 * unit(eye) + 0.8 * rng.normal(size=3))
    if rng.uniform() < 0.12:
        sun = unit(up + 0.6 * ahead + 0.3 * rng.normal(size=3))
    sky = _sky(rng, mood, up, sun, unit(eye + 14 * rng.normal(size=3)))
    return Place(sky, sun, *_behind(rng, material, ahead, up), mood, material)


def _sky(rng: np.random.Generator, mood: str, up: Array, sun: Array, flash: Array) -> Array:
    ways = _directions()
    high = ways @ up
    side = unit(np.cross(up, (0.3, 0.2, 0.93)))
    round_ = np.arctan2(ways @ np.cross(up, side), ways @ side)
    zenith, haze, ground = {
        "sun": (rgb(0.59, 0.42, 0.85) * 0.6, rgb(0.57, 0.2, 1) * 0.9, rgb(0.09, 0.2, 0.6)),
        "overcast": (np.full(3, 1.2), np.full(3, 0.8), np.full(3, 0.2)),
        "shade": (rgb(0.6, 0.4, 1) * 0.9, rgb(0.58, 0.15, 0.8) * 0.4, rgb(rng.uniform(), 0.3, 0.45)),
        "dusk": (rgb(0.65, 0.6, 0.4), rgb(0.05, 0.6, 1.0) * 0.8, np.full(3, 0.06)),
        "room": (np.full(3, 0.16), np.full(3, 0.22), np.full(3, 0.1)),
        "flash": (np.full(3, 0.03), np.full(3, 0.05), np.full(3, 0.02)),
    }[mood]
    lift = np.clip(high, 0, 1)[..., None] ** 0.6
    sky = np.where(high[..., None] > 0, haze + (zenith - haze) * lift, ground).astype(np.float32)
    if mood in ("sun", "overcast"):
        cloud = sum(np.sin(ways @ rng.normal(0, 3.5, 3) + rng.uniform(0, 6)) for _ in range(6)) / 6
        sky += (np.clip(cloud * 2.2 - 0.3, 0, 1) * (high > 0))[..., None] * np.float32(0.8)
    for _ in range(int(rng.integers(4, 16))):  # houses, cars, trees, people
        centre, wide, tall = rng.uniform(-np.pi, np.pi), rng.uniform(0.08, 0.5), rng.uniform(0.05, 0.6)
        block = (np.abs(np.angle(np.exp(1j * (round_ - centre)))) < wide) & (high > -0.3) & (high < tall)
        sky[block] = rgb(rng.uniform(), rng.choice([0.1, 0.7]), rng.uniform(0.2, 0.9)) * haze * 0.8
    if mood in ("sun", "dusk"):
        strength = rng.uniform(5, 12) if mood == "sun" else rng.uniform(0, 2)
        tint = rgb(0.11, rng.uniform(0.05, 0.2) if mood == "sun" else 0.55, 1)
        _lamp(sky, ways, sun, SUN_RADIUS, tint * strength)
    if mood in ("room", "dusk"):
        tint = rgb(rng.choice([0.1, 0.12, 0.55]), rng.uniform(0.02, 0.4), 1)
        for _ in range(int(rng.integers(1, 5))):
            way = unit(0.8 * up + 0.6 * flash + rng.normal(0, 0.7, 3))
            _lamp(sky, ways, way, rng.uniform(0.03, 0.3), tint * rng.uniform(0.5, 1.6))
    if mood == "flash":
        _lamp(sky, ways, flash, 0.012, np.asarray([1.5, 1.5, 1.6], np.float32))
    return sky


def _lamp(sky: Array, ways: Array, way: Array, radius: float, power: Rgb) -> None:
    """Add a round light that gives ``power`` on a surface that faces it."""
    cosine = ways @ way
    spot = np.clip((cosine - np.cos(radius * 1.3)) / (np.cos(radius * 0.7) - np.cos(radius * 1.3)), 0, 1)
    theta = (np.arange(SKY_ROWS) + 0.5) / SKY_ROWS * np.pi
    solid = float((spot * np.sin(theta)[:, None]).sum() * (np.pi / SKY_ROWS) ** 2)
    sky += spot[..., None] * (power / max(solid, 1e-6)).astype(np.float32)


def _behind(rng: np.random.Generator, material: str, ahead: Array, up: Array) -> tuple[list[Mesh], Maps]:
    """Return the sheet behind the coupler, the clutter before it, and the sheet's maps."""
    cloth = material in ("shirt", "hivis", "overall")
    away = rng.uniform(220, 420) if cloth or rng.uniform() < 0.35 else rng.uniform(300, 1800)
    face = unit(-ahead + 0.25 * rng.normal(size=3))
    if material in ("grass", "snow", "sand", "gravel", "asphalt") and float(-ahead @ up) < 0.95:
        face = unit(up * rng.uniform(0.4, 1.2) - 0.8 * ahead)
    centre = ahead * away
    one = unit(np.cross(up + 0.05 * rng.normal(size=3), face))
    two = np.cross(face, one)
    half = away * 1.5 + 350
    count = 40
    s, t = np.meshgrid(np.linspace(-1, 1, count), np.linspace(-1, 1, count), indexing="ij")
    folds = 0.0 * s
    if cloth:
        for _ in range(5):
            a, b = rng.normal(0, 9, 2)
            folds = folds + 9 * np.sin(a * s + b * t + rng.uniform(0, 6) + 2 * np.sin(3 * t))
        folds = folds - 90 * (s * half / 260) ** 2
    points = centre + half * (s[..., None] * one + t[..., None] * two) + folds[..., None] * face
    sheet = shaped(points.reshape(-1, 3), lattice(count, count, False), 0.5, 0.6, name="backdrop")
    sheet.uv = np.stack([s, t], -1).reshape(-1, 2).astype(np.float32) / 2 + 0.5
    if float(sheet.normals.mean(0) @ ahead) > 0:
        sheet.normals, sheet.faces = -sheet.normals, sheet.faces[:, ::-1].copy()
    colour, rough = picture(rng, material, 2 * half)
    clutter = [] if cloth else _clutter(rng, centre, one, two, face, away)
    return [sheet, *clutter], Maps(colour, np.full(colour.shape[:2], rough, np.float32))


def _clutter(
    rng: np.random.Generator, centre: Array, one: Array, two: Array, face: Array, away: float
) -> list[Mesh]:
    """Return blocks, pipes and cables of bold colours that stand about."""
    things = []
    corners = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)], np.float32)
    sides = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]
    for _ in range(int(rng.integers(0, 7))):
        hue, value = (
            rgb(rng.uniform(), rng.choice([0.05, 0.2, 0.8]), rng.uniform(0.15, 0.95)),
            rng.uniform(0.1, 0.7),
        )
        middle = (
            centre + away * (rng.normal(0, 0.4) * one + rng.normal(0, 0.4) * two) + face * rng.uniform(0, 40)
        )
        if rng.uniform() < 0.5:
            half = away * rng.uniform(0.02, 0.22, 3) * np.array([1, 1, 0.25])
            turn = rng.uniform(0, 0.5)
            a, b = one * np.cos(turn) + two * np.sin(turn), two * np.cos(turn) - one * np.sin(turn)
            block = middle + (corners * half) @ np.stack([a, b, face])
            quads = np.array([block[side] for side in sides]).reshape(-1, 3)
            faces = np.concatenate(
                [[[4 * n, 4 * n + 1, 4 * n + 2], [4 * n, 4 * n + 2, 4 * n + 3]] for n in range(6)]
            )
            things.append(shaped(quads, faces, hue, value, name="clutter"))
        else:
            way = unit(rng.normal(size=2) @ np.stack([one, two]))
            t = np.linspace(-1, 1, 16)[:, None]
            bow = face * 10 + np.cross(way, face) * away * rng.normal(0, 0.15) * t**2
            things.append(
                tube(middle + way * away * 0.8 * t + bow, away * rng.uniform(0.01, 0.05), hue, value)
            )
    return things
