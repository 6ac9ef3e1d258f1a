"""Light round a coupler as a picture of all directions, and the phone's flash.

Directions are in the face's own frame: +z is out of the face, to the viewer.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.random import Generator

from data_tools.studios.dogwood.mesh import Floats, Noise, smoothstep

WIDTH, HEIGHT = 256, 128
MOODS = {"sun": 0.3, "overcast": 0.22, "low sun": 0.12, "garage": 0.2, "flash": 0.1, "mixed": 0.06}


@dataclass(frozen=True)
class Light:
    """``sky`` (HEIGHT, WIDTH, 3) radiance by direction; ``flash`` radiant intensity beside the lens, RGB,
    relative: multiply by the squared distance in mm."""

    mood: str
    sky: Floats
    flash: Floats


@cache
def _directions() -> Floats:
    """Unit directions (HEIGHT, WIDTH, 3) of the pixels, as the renderer's environment map has them."""
    phi = (np.arange(WIDTH) + 0.5) / WIDTH * 2 * np.pi
    theta = ((np.arange(HEIGHT) + 0.5) / HEIGHT * np.pi)[:, None]
    y = np.repeat(np.cos(theta), WIDTH, axis=1)
    return np.stack([np.sin(phi) * np.sin(theta), y, -np.cos(phi) * np.sin(theta)], -1).astype(np.float32)


def _unit(vector: object) -> Floats:
    array = np.asarray(vector, np.float32)
    return np.asarray(array / np.linalg.norm(array), np.float32)


def _warm(kelvin_like: float) -> Floats:
    """A tint: below 0 bluish, above 0 yellowish."""
    return np.array([1 + 0.35 * kelvin_like, 1.0, 1 - 0.45 * kelvin_like], np.float32)


def draw_light(rng: Generator, up: Floats) -> Light:
    """Draw the light; ``up`` (3,) is where the sky is, in the face's frame."""
    mood = str(rng.choice(list(MOODS), p=list(MOODS.values())))
    way = _directions()
    rise = way @ _unit(up)
    flash = np.zeros(3, np.float32) + 1e-6
    clouds = Noise(int(rng.integers(1 << 31)))(way.reshape(-1, 3) * 3, 1.5, 3).reshape(HEIGHT, WIDTH, 1)
    if mood in ("sun", "low sun", "overcast"):
        sky = _outdoors(rng, mood, rise, clouds, up, way)
    else:
        sky = _indoors(rng, rise, up, way, lamps=0 if mood == "flash" else int(rng.integers(1, 6)))
        if mood == "flash":
            sky *= rng.uniform(0.02, 0.15)
            flash = _warm(0.05) * rng.uniform(1.0, 2.0)
    if mood == "mixed":
        bright = smoothstep(0.5, 0.8, way @ _unit([rng.normal(), rng.normal(0, 0.4), rng.uniform(-0.2, 1)]))
        sky += bright[..., None] * _warm(rng.uniform(-0.6, -0.2)) * rng.uniform(2, 8)
    # somebody holds the phone: a dim shape in front of the face
    person = smoothstep(0.8, 0.9, way @ _unit([rng.normal(0, 0.15), -0.3, 1]))[..., None]
    sky = sky * (1 - 0.75 * person * (rng.random() < 0.7))
    return Light(mood, np.ascontiguousarray(np.maximum(sky, 0.004), np.float32), flash)


def _outdoors(rng: Generator, mood: str, rise: Floats, clouds: Floats, up: Floats, way: Floats) -> Floats:
    zenith = np.array([0.55, 0.75, 1.1], np.float32) * rng.uniform(0.5, 1.1)
    horizon = np.array([1.0, 1.02, 1.05], np.float32) * rng.uniform(0.6, 1.2)
    blend = smoothstep(0.0, 0.6, rise)[..., None]
    sky = horizon * (1 - blend) + zenith * blend
    grey = 1.0 if mood == "overcast" else rng.uniform(0, 0.6)
    sky = sky * (1 - grey) + grey * (0.9 + 0.25 * clouds) * (0.6 + 0.5 * rise[..., None]) * _warm(0)
    ground = np.array([0.24, 0.22, 0.2], np.float32) * rng.uniform(0.5, 1.6) * (1 + 0.25 * clouds)
    sky = np.where(rise[..., None] > 0, np.maximum(sky, 0.05), ground)
    if rng.random() < 0.5:  # a building shades one side
        side = smoothstep(0.1, 0.3, way @ _unit([rng.normal(), rng.normal() * 0.3, rng.normal()]))[..., None]
        sky = sky * (1 - 0.7 * side * (rise[..., None] < 0.7))
    if mood != "overcast":
        low = mood == "low sun"
        height = rng.uniform(0.06, 0.25) if low else rng.uniform(0.35, 1.2)
        # mostly in front of the face, so that it throws shadows across the sleeves
        aside = _unit([rng.normal(), 0, rng.uniform(-0.25, 1.2)])
        toward = _unit(_unit(up) * height + aside)
        disc = smoothstep(np.cos(0.035), np.cos(0.015), way @ toward)[..., None]
        sky = sky + disc * _warm(rng.uniform(0.5, 0.9) if low else 0.12) * rng.uniform(900, 2200)
    return np.asarray(sky, np.float32)


def _indoors(rng: Generator, rise: Floats, up: Floats, way: Floats, lamps: int) -> Floats:
    """A room with long tubes or round lamps overhead."""
    walls = rng.uniform(0.1, 0.3) * _warm(rng.uniform(-0.2, 0.4))
    sky = np.where(rise[..., None] > 0, walls, walls * rng.uniform(0.3, 0.8))
    axis = _unit(np.cross(_unit(up), [rng.normal(), rng.normal(), rng.normal()]))
    tint = _warm(rng.uniform(-0.25, 0.7))
    for _ in range(lamps):
        centre = _unit(_unit(up) * rng.uniform(0.3, 1.3) + [rng.normal(0, 0.7), 0, rng.uniform(-0.2, 1.2)])
        along = np.abs((way - centre) @ axis)
        beside = np.linalg.norm(way - centre - ((way - centre) @ axis)[..., None] * axis, axis=-1)
        long = rng.choice([0.08, rng.uniform(0.2, 0.6)])
        lamp = smoothstep(long + 0.03, long, along) * smoothstep(0.07, 0.045, beside)
        sky = sky + lamp[..., None] * tint * rng.uniform(15, 50)
    return np.asarray(sky, np.float32)
