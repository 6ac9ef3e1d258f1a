"""Light: skies with a sun, clouds, lamps and rooms as pictures of all directions, and the phone's flash."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from data_tools.studios.alder.mesh import Array
from data_tools.studios.alder.noise import rough_noise

LIGHTS = ("sun", "overcast", "dusk", "night_flash", "night_lamp", "garage", "backlit")
WEIGHTS = (0.34, 0.2, 0.1, 0.11, 0.07, 0.1, 0.08)
HIGH, WIDE = 160, 320


@dataclass(frozen=True)
class Light:
    """``sky`` is HIGH x WIDE x 3 radiance, y up, +z towards the photographer; ``flash`` is radiance."""

    name: str
    sky: Array
    flash: float
    dim: bool


@cache
def _directions() -> Array:
    v, u = np.mgrid[0:HIGH, 0:WIDE]
    theta, phi = np.pi * (v + 0.5) / HIGH, 2 * np.pi * (u + 0.5) / WIDE
    return np.stack([np.sin(phi) * np.sin(theta), np.cos(theta), -np.cos(phi) * np.sin(theta)], -1)


def _toward(azimuth: float, height: float) -> Array:
    """Return the unit direction at ``azimuth`` from the photographer's back (radians) and ``height``."""
    flat = np.cos(height)
    return np.array([np.sin(azimuth) * flat, np.sin(height), np.cos(azimuth) * flat])


def _disc(way: Array, toward: Array, radius: float, power: float, colour: Array) -> Array:
    """Return a disc of light that gives about ``power`` (irradiance) whatever its size (radians)."""
    cos = way @ toward
    shape = np.clip((np.cos(radius * 0.7) - cos) / (np.cos(radius * 0.7) - np.cos(radius * 1.15)), 0, 1)
    weight = 1 - shape
    solid = (
        float((weight * np.sqrt(np.maximum(1 - way[..., 1] ** 2, 1e-4))).sum())
        * np.pi
        / HIGH
        * 2
        * np.pi
        / WIDE
    )
    return np.asarray(weight[..., None] * colour * power / max(solid, 1e-6))


def draw_light(rng: np.random.Generator) -> Light:
    """Draw the light of one photo."""
    name = str(rng.choice(LIGHTS, p=WEIGHTS))
    way = _directions()
    seed = int(rng.integers(1 << 30))
    up = way[..., 1]
    clouds = rough_noise(way * [1, 2.5, 1], float(rng.uniform(0.25, 0.7)), seed, 4)
    near = 1 + 0.35 * rough_noise(way, 0.5, seed + 3, 3)
    ground = np.array([0.3, 0.28, 0.26]) * rng.uniform(0.3, 1.0)
    if name in ("garage", "night_lamp", "night_flash"):
        return _artificial(rng, name, way, near, ground)
    blue = {"sun": (0.45, 0.62, 1.0), "overcast": (0.9, 0.95, 1.0), "dusk": (0.4, 0.4, 0.6)}.get(
        name, (0.7, 0.8, 1.0)
    )
    sky = np.array(blue) * (0.8 + 0.5 * (1 - np.clip(up, 0, 1)))[..., None]
    covered = np.clip(clouds * 0.6 + (0.8 if name == "overcast" else -0.1), 0, 1)[..., None]
    sky = (
        sky * (1 - covered)
        + np.array([1.1, 1.1, 1.12]) * (0.75 + 0.3 * np.clip(up, 0, 1))[..., None] * covered
    )
    if name == "dusk":
        glow = np.exp(-((up - 0.05) ** 2) / 0.03) * np.clip(
            0.4 + 0.6 * np.sin(np.arctan2(way[..., 0], way[..., 2]) + seed), 0, 1
        )
        sky = sky * 0.6 + glow[..., None] * np.array([1.6, 0.8, 0.35])
    # Trees, cars and walls stand round about up to some height.
    skyline = 0.12 + 0.12 * np.abs(clouds)
    around = np.array([0.25, 0.26, 0.24]) * np.clip(near, 0.1, 2)[..., None] * 0.7
    sky = np.where((up < skyline)[..., None], around, sky)
    picture = np.where((up < -0.02)[..., None], ground * near[..., None], sky)
    if name in ("sun", "backlit"):
        azimuth = float(rng.uniform(-2.0, 2.0)) if name == "sun" else float(np.pi + rng.normal(0, 0.5))
        toward = _toward(azimuth, float(rng.uniform(0.3, 1.3) if name == "sun" else rng.uniform(0.15, 0.6)))
        warm = np.array([1.0, rng.uniform(0.84, 0.97), rng.uniform(0.65, 0.9)])
        picture = picture + _disc(way, toward, 0.022, float(rng.uniform(4, 12)), warm)
    flash = float(rng.uniform(100, 800)) if rng.random() < 0.05 else 0.0
    return Light(name, np.maximum(picture, 1e-3).astype(np.float32), flash, name == "dusk")


def _artificial(rng: np.random.Generator, name: str, way: Array, near: Array, ground: Array) -> Light:
    """Return a hall with strip lamps, a street lamp at night, or the phone's flash in the dark."""
    level = {"garage": 0.12, "night_lamp": 0.02, "night_flash": 0.012}[name]
    picture = level * np.clip(near, 0.2, 2)[..., None] * np.array([1.0, 0.95, 0.88]) + 0.2 * level * ground
    count = int(rng.integers(2, 7)) if name == "garage" else int(rng.integers(1, 3))
    for _ in range(count):
        colour = np.array([(1.0, 0.97, 0.92), (0.85, 0.95, 1.0), (1.0, 0.72, 0.4)][int(rng.integers(3))])
        azimuth, height = float(rng.uniform(-2.6, 2.6)), float(rng.uniform(0.5, 1.35))
        power = float(rng.uniform(0.8, 3)) * (1.0 if name != "night_flash" else 0.05)
        if name == "garage":  # a strip: several discs in a row
            for k in np.linspace(-0.25, 0.25, 9):
                picture = picture + _disc(way, _toward(azimuth + k, height), 0.05, power / 9, colour)
        else:
            picture = picture + _disc(way, _toward(azimuth, height), 0.05, power, colour)
    for _ in range(int(rng.integers(0, 9))):  # far lamps behind: spots of light out of focus
        spot = _toward(float(np.pi + rng.uniform(-1, 1)), float(rng.uniform(-0.1, 0.4)))
        picture = picture + _disc(
            way, spot, 0.02, 0.02, np.array([1.0, rng.uniform(0.5, 1), rng.uniform(0.2, 1)])
        )
    flash = float(rng.uniform(1200, 4500)) if name == "night_flash" else 0.0
    return Light(name, np.maximum(picture, 1e-4).astype(np.float32), flash, name != "garage")
