"""Painted indoor surroundings: garages, workshops and halls as a box with lights, seen from inside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_tools.rendering.directions import Floats, grid, lookup, noise, tint

EYE_HEIGHT_M = 1.2


@dataclass(frozen=True)
class Room:
    """Size in metres and light of one room. ``lamp`` is the radiance of its lamps, ``day`` of its windows."""

    width: float
    length: float
    height: float
    lamp: Floats
    day: Floats
    strips: bool
    windows: int
    clutter: int


def garage(rng: np.random.Generator) -> Room:
    """Underground garage: low, grey, strip lights, daylight only through an entrance."""
    lamp = _lamp_colour(rng) * np.float32(rng.uniform(6, 25))
    day = np.asarray(tint(rng, 0.05) * rng.uniform(0, 4), np.float32)
    size = rng.uniform(10, 40), rng.uniform(15, 60), rng.uniform(2.2, 3.2)
    return Room(*size, lamp, day, True, int(rng.random() < 0.5), int(rng.integers(8, 25)))


def workshop(rng: np.random.Generator) -> Room:
    """Workshop or store: shelves, tools, panels of light and a window or two."""
    lamp = _lamp_colour(rng) * np.float32(rng.uniform(4, 20))
    day = np.asarray(tint(rng, 0.08) * rng.uniform(0.5, 6), np.float32)
    size = rng.uniform(3, 9), rng.uniform(4, 12), rng.uniform(2.4, 4.5)
    return Room(*size, lamp, day, rng.random() < 0.6, int(rng.integers(0, 4)), int(rng.integers(20, 60)))


def by_window(rng: np.random.Generator) -> Room:
    """Office, showroom or hall lit mostly by its windows."""
    lamp = _lamp_colour(rng) * np.float32(rng.uniform(0, 4))
    day = np.asarray(np.array([0.9, 1.0, 1.15]) * rng.uniform(3, 12), np.float32)
    windows, clutter = int(rng.integers(2, 6)), int(rng.integers(6, 25))
    size = rng.uniform(3, 8), rng.uniform(3, 10), rng.uniform(2.4, 3.5)
    return Room(*size, lamp, day, False, windows, clutter)


def _lamp_colour(rng: np.random.Generator) -> Floats:
    kinds = ((1.0, 0.97, 0.92), (0.9, 1.0, 1.05), (1.0, 0.78, 0.52), (0.95, 1.05, 0.88), (1.0, 0.6, 0.3))
    odds = (0.35, 0.25, 0.2, 0.12, 0.08)
    return np.asarray(kinds[int(rng.choice(len(kinds), p=odds))], np.float32) * tint(rng, 0.03)


def paint(rng: np.random.Generator, room: Room) -> Floats:
    """Return radiance (height x width x 3) seen from a random spot in ``room``."""
    rays = grid().vectors
    spot = np.array([rng.uniform(0.1, 0.9) * room.width, EYE_HEIGHT_M, rng.uniform(0.1, 0.9) * room.length])
    size = np.array([room.width, room.height, room.length])
    with np.errstate(divide="ignore"):
        reach = np.where(rays > 0, (size - spot) / rays, -spot / rays)
    axis = np.argmin(reach, axis=2)
    hit: Floats = np.asarray(spot + rays * np.min(reach, axis=2)[..., None], np.float32)
    picture = np.zeros(rays.shape, np.float32)
    ambient = np.asarray(0.12 * room.lamp + 0.05 * room.windows * room.day + 0.02, np.float32)
    _floor(rng, picture, (axis == 1) & (rays[..., 1] < 0), hit, ambient)
    _ceiling(rng, picture, (axis == 1) & (rays[..., 1] > 0), hit, ambient, room)
    walls = [(0, 0.0), (0, size[0]), (2, 0.0), (2, size[2])]
    for number, (k, at) in enumerate(walls):
        mask = (axis == k) & (np.abs(hit[..., k] - at) < 1e-2)
        _wall(rng, picture, mask, hit[..., 2 - k], hit[..., 1], ambient, room, number)
    return picture


def _floor(
    rng: np.random.Generator,
    picture: Floats,
    mask: NDArray[np.bool_],
    hit: Floats,
    ambient: Floats,
) -> None:
    x, z = hit[..., 0][mask], hit[..., 2][mask]
    albedo = np.asarray(rng.uniform(0.08, 0.45) * tint(rng, 0.12), np.float32)
    texture = noise(rng, 256, 256, cells=8, octaves=5)
    colour = albedo * (0.6 + 0.7 * lookup(texture, x / 5, z / 5))[:, None]
    if rng.random() < 0.5:
        colour[np.abs(x % 2.5 - 1.25) < 0.05] = np.array([0.8, 0.7, 0.15]) if rng.random() < 0.5 else 0.7
    picture[mask] = colour * ambient


def _ceiling(
    rng: np.random.Generator,
    picture: Floats,
    mask: NDArray[np.bool_],
    hit: Floats,
    ambient: Floats,
    room: Room,
) -> None:
    x, z = hit[..., 0][mask], hit[..., 2][mask]
    albedo = np.asarray(rng.uniform(0.2, 0.75) * tint(rng, 0.06), np.float32)
    colour = np.ones((len(x), 1), np.float32) * albedo * ambient
    pitch_x, pitch_z = rng.uniform(2, 6), rng.uniform(1.8, 4)
    half_x, half_z = (0.07, 0.6) if room.strips else (0.3, 0.3)
    shift = rng.uniform(0, 4, 2)
    lit = (np.abs((x + shift[0]) % pitch_x - pitch_x / 2) < half_x) & (
        np.abs((z + shift[1]) % pitch_z - pitch_z / 2) < half_z
    )
    beam = np.abs(x % rng.uniform(1.5, 5)) < 0.12
    colour[beam] *= 0.5
    colour[lit] = room.lamp
    picture[mask] = colour


def _wall(
    rng: np.random.Generator,
    picture: Floats,
    mask: NDArray[np.bool_],
    along: Floats,
    height: Floats,
    ambient: Floats,
    room: Room,
    number: int,
) -> None:
    u, v = along[mask], height[mask]
    length = room.length if number < 2 else room.width
    albedo = np.asarray(rng.uniform(0.15, 0.75) * tint(rng, 0.12), np.float32)
    texture = noise(rng, 256, 256, cells=6, octaves=5)
    colour = albedo * (0.7 + 0.4 * lookup(texture, u / 4, v / 4))[:, None] * ambient
    for _ in range(room.clutter // 4):
        box = (np.abs(u - rng.uniform(0, length)) < rng.uniform(0.1, 1.2)) & (
            v > (low := rng.uniform(-0.5, 1.5))
        )
        box &= v < low + rng.uniform(0.2, 1.6)
        colour[box] = rng.uniform(0.03, 0.7) * tint(rng, 0.5) * ambient
    if number < room.windows:
        centre, half = rng.uniform(0, length), rng.uniform(0.4, 1.5)
        pane = (np.abs(u - centre) < half) & (v > rng.uniform(0.2, 1.2)) & (v < room.height - 0.3)
        pane &= np.abs((u - centre) % (half * rng.uniform(0.4, 1.0))) > 0.04
        outside = room.day * (0.4 + 0.6 * np.clip((v[pane] - 1.0) / 0.5, 0, 1))[:, None]
        colour[pane] = outside
    picture[mask] = colour
