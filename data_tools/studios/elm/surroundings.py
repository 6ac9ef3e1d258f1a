"""Where photos are taken: skies with structure to reflect, and textured things behind the coupler."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from scipy import ndimage

from data_tools.studios.elm.noise import Array, Rng, clouds, mix, ramp

ROWS = 192
SKIES = ("overcast", "sunny", "garage", "window", "canopy", "dusk")
_SKY_ODDS = (0.25, 0.23, 0.19, 0.12, 0.11, 0.10)


def _grid() -> tuple[Array, Array]:
    """Return elevation and azimuth (radians) of every pixel; azimuth 0 is towards the photographer."""
    elevation = np.pi / 2 - (np.arange(ROWS) + 0.5) * np.pi / ROWS
    azimuth = ((np.arange(2 * ROWS) + 0.5) / ROWS - 1) * np.pi
    return np.broadcast_arrays(elevation[:, None], azimuth[None, :])  # type: ignore[return-value]


def _open_air(rng: Rng, zenith: Array, horizon: Array, cloud: float) -> Array:
    elevation, _ = _grid()
    sky = mix(np.broadcast_to(horizon, (ROWS, 2 * ROWS, 3)), zenith, np.sqrt(np.clip(elevation / 1.5, 0, 1)))
    puffs = clouds(rng, (ROWS, 2 * ROWS), 1.7, 0.6)
    sky = mix(sky, [1.5, 1.5, 1.55], cloud * ramp(puffs, -0.3, 1.3))
    skyline = 0.12 + 0.1 * clouds(rng, (1, 2 * ROWS), 1.2)[0]
    built = ndimage.zoom(rng.uniform(0, 0.45, 24), 2 * ROWS / 24, order=0)
    low = elevation < np.maximum(skyline, built)[None, :] * rng.uniform(0.4, 1.4)
    return np.where(low[..., None], rng.uniform(0.05, 0.3) * np.array(rng.uniform(0.8, 1.2, 3)), sky)


def _lamps(sky: Array, rng: Rng, count: int, size: tuple[float, float], glow: float, low: float) -> Array:
    """Hang oblong lamps (``size`` radians) at elevations over ``low``."""
    elevation, azimuth = _grid()
    tint = np.array([1.0, rng.uniform(0.88, 1.0), rng.uniform(0.65, 1.05)])
    for _ in range(count):
        up, around = rng.uniform(low, 1.3), rng.uniform(-np.pi, np.pi)
        apart = np.abs((azimuth - around + np.pi) % (2 * np.pi) - np.pi) * np.cos(elevation)
        lamp = (apart < size[0]) & (np.abs(elevation - up) < size[1])
        sky = np.where(lamp[..., None], glow * tint * rng.uniform(0.6, 1.2), sky)
    return sky


def _window(sky: Array, rng: Rng) -> Array:
    """Open a bright gate or window with mullions in one of the walls."""
    elevation, azimuth = _grid()
    around, width, top = rng.uniform(-1.5, 1.5), rng.uniform(0.3, 0.9), rng.uniform(0.4, 1.0)
    across, rise = (azimuth - around) / width, (elevation + 0.2) / (top + 0.2)
    pane = (np.abs(across) < 1) & (rise > 0) & (rise < 1)
    bars = (np.abs(across * 3 % 1 - 0.5) < 0.44) & (np.abs(rise * 2 % 1 - 0.5) < 0.45)
    return np.where((pane & bars)[..., None], rng.uniform(3, 9) * np.array([0.92, 1.0, 1.1]), sky)


def draw_sky(rng: Rng, ground: Array) -> tuple[str, Array, Array | None]:
    """Return its name, its radiance (192 x 384 x 3; white cloud is about 1) and the direction (local, y up,
    z towards the photographer) of a sun if there is one. ``ground`` is what is reflected from below."""
    kind = str(rng.choice(SKIES, p=_SKY_ODDS))
    elevation, azimuth = _grid()
    sun = None
    if kind in ("overcast", "sunny", "dusk"):
        zenith = {"overcast": [0.9, 0.95, 1.0], "sunny": [0.16, 0.3, 0.65], "dusk": [0.10, 0.13, 0.26]}[kind]
        horizon = {"overcast": [0.7, 0.72, 0.75], "sunny": [0.7, 0.8, 0.95], "dusk": [0.5, 0.3, 0.2]}[kind]
        sky = _open_air(
            rng, np.array(zenith), np.array(horizon), {"overcast": 0.7, "sunny": 0.45, "dusk": 0.2}[kind]
        )
        if kind == "sunny":
            up, around = rng.uniform(0.25, 1.1), rng.uniform(-1.3, 1.3)
            sun = np.array([-np.sin(around) * np.cos(up), np.sin(up), np.cos(around) * np.cos(up)])
            to = np.stack(
                [-np.sin(azimuth) * np.cos(elevation), np.sin(elevation), np.cos(azimuth) * np.cos(elevation)]
            )
            close = np.tensordot(sun, to, 1)
            sky = (
                sky
                + ((close > np.cos(0.035)) * rng.uniform(1800, 4500) + 2 * np.clip(close, 0, 1) ** 60)[
                    ..., None
                ]
            )
    else:
        wall = rng.uniform(0.04, 0.22) * rng.uniform(0.85, 1.15, 3)
        sky = np.broadcast_to(wall, (ROWS, 2 * ROWS, 3)) * (
            1 + 0.25 * clouds(rng, (ROWS, 2 * ROWS), 1.4)[..., None]
        )
        if kind == "garage":
            sky = _lamps(sky, rng, int(rng.integers(3, 8)), (0.35, 0.035), rng.uniform(8, 20), 0.35)
        elif kind == "canopy":
            sky = _lamps(sky * 0.25, rng, int(rng.integers(1, 5)), (0.09, 0.09), rng.uniform(15, 40), 0.5)
        else:
            sky = _window(_lamps(sky, rng, 1, (0.1, 0.1), 5.0, 0.7), rng)
    below = ramp(-elevation, 0, 0.12) * np.ones_like(azimuth)
    lit = np.clip(sky[: ROWS // 2], 0, 4).mean((0, 1)) * 0.9
    sky = mix(sky, np.asarray(ground) * lit, below)
    person = np.hypot(azimuth / rng.uniform(0.3, 0.6), (elevation + 0.5) / 0.9) < 1
    sky = mix(
        sky, rng.uniform(0.02, 0.12, 3) * lit.mean(), 0.9 * ndimage.gaussian_filter(person.astype(float), 3)
    )
    return kind, np.maximum(sky, 0.002).astype(np.float32), sun


Texture = Callable[[Rng, int], Array]


def _asphalt(rng: Rng, side: int) -> Array:
    grey = rng.uniform(0.04, 0.14) * (1 + 0.15 * clouds(rng, (side, side), 1.2))
    stones = clouds(rng, (side, side), 0.1)
    grey = grey * (1 + 0.25 * stones) + 0.16 * ramp(
        ndimage.gaussian_filter(stones, 0.9, mode="wrap"), 0.55, 0.9
    )
    return np.asarray(grey[..., None] * np.array([1.0, 0.98, 0.95]))


def _stones(rng: Rng, side: int, count: int, colours: Array, gap: float) -> Array:
    """Return cells about random seeds, each of one colour, rounded and shaded, dark between them."""
    seeds = np.ones((side, side), dtype=bool)
    rows, columns = rng.integers(0, side, (2, count))
    seeds[rows, columns] = False
    _, (r, c) = ndimage.distance_transform_edt(seeds, return_indices=True)
    name = r.astype(np.int64) * side + c
    edge = np.hypot(*np.gradient(ndimage.gaussian_filter(name.astype(float), 0.7))) > 1
    inside = ndimage.distance_transform_edt(~edge)
    shade = ramp(inside / (side / np.sqrt(count)), 0, gap)
    tint = colours[(name * 7919 % 104729) % len(colours)]
    return np.asarray(
        tint * (0.4 + 0.6 * shade)[..., None] * (1 + 0.1 * clouds(rng, (side, side), 0.6))[..., None]
    )


def _gravel(rng: Rng, side: int) -> Array:
    colours = rng.uniform(0.12, 0.36) * rng.uniform(0.6, 1.4, (40, 1)) * rng.normal(1, 0.05, (40, 3))
    return _stones(rng, side, int(rng.integers(900, 2600)), colours, 0.16)


def _paving(rng: Rng, side: int) -> Array:
    rows, columns = int(rng.integers(4, 9)), int(rng.integers(2, 6))
    y, x = np.mgrid[0:side, 0:side] / side
    row = np.floor(y * rows).astype(int)
    u, v = (x * columns + 0.5 * (row % 2)) % 1, y * rows % 1
    joint = np.minimum(np.minimum(u, 1 - u) / columns, np.minimum(v, 1 - v) / rows)
    brick = (row * 7 + np.floor(x * columns + 0.5 * (row % 2)).astype(int)) % 41
    base = np.array(rng.choice([[0.3, 0.12, 0.08], [0.28, 0.27, 0.25], [0.5, 0.48, 0.44], [0.2, 0.19, 0.18]]))
    tint = (
        base
        * rng.normal(1, 0.12, 41)[brick][..., None]
        * (1 + 0.15 * clouds(rng, (side, side), 0.7))[..., None]
    )
    return mix(tint, base * 0.25 + 0.02, 1 - ramp(joint, 0.003, 0.009))


def _grass(rng: Rng, side: int) -> Array:
    picture = np.full((side, side, 3), (0.02, 0.03, 0.012), dtype=np.float32)
    for _ in range(2600):
        root, lean = rng.uniform(0, side, 2), rng.normal(0, side / 30, 2) + [0, -side / 30]
        green = rng.uniform(0.4, 1.6) * np.array([rng.uniform(0.05, 0.2), 0.16, 0.035])
        ends = [tuple(int(v) for v in end) for end in (root, root + lean)]
        cv2.line(picture, ends[0], ends[1], green.tolist(), int(rng.integers(1, 3)), cv2.LINE_AA)
    return picture


def _wall(rng: Rng, side: int) -> Array:
    tone = rng.uniform(0.25, 0.75) * rng.normal(1, 0.06, 3)
    relief = clouds(rng, (side, side), rng.uniform(0.2, 1.0))
    slope = ndimage.sobel(relief, 0) * 0.03
    stain = ramp(clouds(rng, (side, side), 1.6, 0.2), 0.5, 2)
    return np.asarray(tone * (1 + slope + 0.04 * relief)[..., None] * (1 - 0.35 * stain)[..., None])


def _floor(rng: Rng, side: int) -> Array:
    tone = rng.uniform(0.15, 0.45) * np.array([1, 0.99, rng.uniform(0.9, 1)])
    picture = (
        tone * (1 + 0.12 * clouds(rng, (side, side), 1.3) + 0.06 * clouds(rng, (side, side), 0.2))[..., None]
    )
    picture = mix(picture, tone * 0.3, 0.8 * ramp(clouds(rng, (side, side), 1.8), 1.1, 1.9))
    if rng.random() < 0.5:
        start, paint = int(rng.uniform(0, 0.8) * side), rng.choice([[0.7, 0.7, 0.66], [0.7, 0.5, 0.05]])
        worn = ramp(clouds(rng, (side, side // 7), 0.8), -1.3, -0.6)
        picture[:, start : start + side // 7] = mix(picture[:, start : start + side // 7], paint, worn)
    return np.asarray(picture)


def _snow(rng: Rng, side: int) -> Array:
    soft = clouds(rng, (side, side), 1.6)
    slope = ndimage.sobel(ndimage.gaussian_filter(soft, 2), 1) * 0.25
    picture = np.array([0.78, 0.81, 0.86]) * (1 + slope + 0.03 * clouds(rng, (side, side), 0.2))[..., None]
    return mix(picture, [0.2, 0.17, 0.14], 0.7 * ramp(clouds(rng, (side, side), 0.9), 1.6, 2.6))


def _paint(rng: Rng, side: int) -> Array:
    colour = rng.choice(
        [[0.6, 0.6, 0.6], [0.02, 0.02, 0.025], [0.35, 0.02, 0.02], [0.03, 0.08, 0.25], [0.3, 0.31, 0.33]]
    )
    picture = (
        np.broadcast_to(colour, (side, side, 3)) * (1 + 0.02 * clouds(rng, (side, side), 0.1))[..., None]
    )
    x = np.mgrid[0:side, 0:side][1] - side * rng.uniform(0.1, 0.9)
    bow = rng.uniform(-0.1, 0.1) * np.mgrid[0:side, 0:side][0]
    return mix(picture, [0.005] * 3, 1 - ramp(np.abs(x + bow), 1.5, 3.0))


def _post(rng: Rng, side: int) -> Array:
    """A charging post: panels, a dark screen, a stripe, screws."""
    picture = np.ones((side, side, 3)) * rng.choice(
        [[0.65] * 3, [0.05] * 3, [0.3, 0.32, 0.33], [0.1, 0.3, 0.2]]
    )
    left, top, wide = (int(v * side) for v in rng.uniform([0.1, 0.1, 0.2], [0.5, 0.4, 0.4]))
    picture[top : top + wide * 2 // 3, left : left + wide] = [0.01, 0.012, 0.015]
    line = int(rng.uniform(0.1, 0.9) * side)
    picture[:, line : line + int(rng.integers(3, side // 8))] = rng.uniform(0.02, 0.7, 3)
    seam = int(rng.uniform(0.5, 0.95) * side)
    picture[seam : seam + 3] = 0.01
    for x, y in rng.integers(10, side - 10, (6, 2)):
        cv2.circle(picture, (int(x), int(y)), 4, (0.3, 0.3, 0.3), -1, cv2.LINE_AA)
    return np.asarray(picture * (1 + 0.05 * clouds(rng, (side, side), 1.2))[..., None])


BACKDROPS: dict[str, tuple[Texture, float, tuple[float, float]]] = {
    "asphalt": (_asphalt, 0.85, (350, 700)),
    "paving": (_paving, 0.8, (700, 1500)),
    "gravel": (_gravel, 0.85, (350, 900)),
    "grass": (_grass, 0.8, (400, 800)),
    "wall": (_wall, 0.9, (500, 1200)),
    "post": (_post, 0.35, (400, 900)),
    "car paint": (_paint, 0.12, (500, 1200)),
    "garage floor": (_floor, 0.4, (700, 1600)),
    "snow": (_snow, 0.9, (500, 1200)),
}
"""For each: what draws its picture (linear albedo), its roughness, and the mm which the picture may span."""


def draw_backdrop(rng: Rng) -> tuple[str, Array, float, float]:
    """Return name, picture (384 x 384 x 3, linear), roughness, and mm it spans."""
    name = str(rng.choice(list(BACKDROPS)))
    texture, rough, span = BACKDROPS[name]
    return name, np.clip(texture(rng, 384), 0.004, 0.9).astype(np.float32), rough, float(rng.uniform(*span))
