"""Painted outdoor surroundings: sky, sun, ground and what stands on it. All invented, none photographed."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from data_tools.rendering.directions import (
    HEIGHT,
    WIDTH,
    Directions,
    Floats,
    grid,
    lookup,
    noise,
    smooth_edge,
    tint,
)

EYE_HEIGHT_M = 1.2


@dataclass(frozen=True)
class Daylight:
    """Light of the day: sky radiance colours (linear RGB), sun direction, colour and strength."""

    zenith: Floats
    horizon: Floats
    clouds: float
    sun_azimuth: float
    sun_elevation: float
    sun: Floats
    sun_width: float

    @property
    def ambient(self) -> Floats:
        """Rough irradiance from the sky over pi."""
        return np.asarray(0.5 * (self.zenith + self.horizon), np.float32)


def clear(rng: np.random.Generator) -> Daylight:
    """Blue sky with the sun at any height over 12 degrees."""
    elevation = float(np.radians(rng.uniform(12, 75)))
    zenith = np.array([0.16, 0.32, 0.75], np.float32) * rng.uniform(0.7, 1.3)
    horizon = np.array([0.75, 0.9, 1.1], np.float32) * rng.uniform(0.7, 1.3)
    strength = rng.uniform(3.0, 14.0)
    warm = np.array([1.0, 0.93 - 0.1 * (elevation < 0.5), 0.82 - 0.2 * (elevation < 0.5)], np.float32)
    return Daylight(
        zenith, horizon, float(rng.uniform(0, 0.6)), float(rng.uniform(0, 2 * np.pi)), elevation,
        np.asarray(strength * warm, np.float32), 0.008,
    )  # fmt: skip


def overcast(rng: np.random.Generator) -> Daylight:
    """Grey sky, brightest overhead (CIE overcast sky: three times brighter there than at the horizon)."""
    grey = tint(rng, 0.06) * rng.uniform(0.6, 1.2)
    return Daylight(
        grey, np.asarray(grey * rng.uniform(0.33, 0.8), np.float32), 0.9, float(rng.uniform(0, 2 * np.pi)),
        float(np.radians(rng.uniform(20, 70))), np.asarray(grey * rng.uniform(0, 1.0), np.float32), 0.25,
    )  # fmt: skip


def low_sun(rng: np.random.Generator) -> Daylight:
    """Sunrise or sunset: warm light from the side, blue from above."""
    zenith = np.array([0.18, 0.22, 0.42], np.float32) * rng.uniform(0.5, 1.3)
    horizon = np.array([1.0, 0.62, 0.36], np.float32) * rng.uniform(0.5, 1.2)
    sun = np.array([1.0, 0.6, 0.25], np.float32) * rng.uniform(1.5, 9.0)
    return Daylight(
        zenith, horizon, float(rng.uniform(0.1, 0.9)), float(rng.uniform(0, 2 * np.pi)),
        float(np.radians(rng.uniform(1, 14))), np.asarray(sun, np.float32), 0.01,
    )  # fmt: skip


def night(rng: np.random.Generator) -> Daylight:
    """Dark sky with a glow over the horizon; lamps are added by the place."""
    glow = np.array([0.03, 0.024, 0.018], np.float32) * rng.uniform(0.3, 2.0)
    return Daylight(
        np.asarray(glow * 0.2, np.float32),
        glow,
        float(rng.uniform(0, 1)),
        0.0,
        0.4,
        np.zeros(3, np.float32),
        0.1,
    )


def paint(rng: np.random.Generator, day: Daylight, *, lamps: bool) -> Floats:
    """Return radiance (height x width x 3) of a car park, street, yard or lawn under ``day``."""
    at = grid()
    picture = _sky(rng, at, day)
    light = day.ambient + day.sun * max(np.sin(day.sun_elevation), 0.0) / np.pi
    posts = _lamp_posts(rng) if lamps else []
    _ground(rng, at, picture, light, posts)
    for distance in np.sort(rng.uniform(4, 60, int(rng.integers(10, 30))))[::-1]:
        _thing(rng, at, picture, day, float(distance), lit=lamps)
    if rng.random() < 0.35:
        _near_wall(rng, at, picture, light)
    for azimuth, elevation, colour in posts:
        _glow(at, picture, azimuth, elevation, colour, 0.012)
    if not lamps and day.sun_width < 0.05:
        _sun(at, picture, day)
    return np.maximum(picture, 0.0)


def _sky(rng: np.random.Generator, at: Directions, day: Daylight) -> Floats:
    height = np.clip(np.sin(at.elevation), 0, 1)[..., None] ** rng.uniform(0.4, 0.8)
    sky = day.horizon * (1 - height) + day.zenith * height
    gap = np.cos(at.azimuth - day.sun_azimuth) * np.cos(at.elevation) * np.cos(day.sun_elevation)
    gap = gap + np.sin(at.elevation) * np.sin(day.sun_elevation)
    halo = np.exp(-np.arccos(np.clip(gap, -1, 1)) / rng.uniform(0.15, 0.5))[..., None]
    sky = sky + 0.35 * halo * day.sun / np.pi
    cover = noise(rng, HEIGHT, WIDTH, int(rng.integers(4, 9)), octaves=5)
    cover = smooth_edge(cover - (1 - 0.75 * day.clouds), rng.uniform(0.1, 0.5))[..., None]
    cloud = (day.ambient.mean() * 1.3 + 0.15 * day.sun * halo) * (0.6 + 0.6 * cover)
    return np.asarray(sky * (1 - 0.9 * cover) + cloud * 0.9 * cover, np.float32)


def _sun(at: Directions, picture: Floats, day: Daylight) -> None:
    _glow(at, picture, day.sun_azimuth, day.sun_elevation, day.sun, day.sun_width)


def _glow(
    at: Directions, picture: Floats, azimuth: float, elevation: float, irradiance: Floats, width: float
) -> None:
    """Add a round lamp of the given irradiance (facing it) and angular width (radians)."""
    offset = np.angle(np.exp(1j * (at.azimuth - azimuth))) * np.cos(elevation)
    shape = np.exp(-0.5 * (offset**2 + (at.elevation - elevation) ** 2) / width**2)
    shape = shape / max(float((shape * at.solid_angle).sum()), 1e-9)
    picture += (shape[..., None] * irradiance).astype(np.float32)


def _lamp_posts(rng: np.random.Generator) -> list[tuple[float, float, Floats]]:
    warm = (
        np.array([1.0, 0.62, 0.3], np.float32)
        if rng.random() < 0.5
        else np.array([0.85, 0.95, 1], np.float32)
    )
    count = int(rng.integers(1, 7))
    return [
        (
            float(rng.uniform(0, 2 * np.pi)),
            float(np.arctan2(rng.uniform(3, 7), rng.uniform(3, 30))),
            np.asarray(warm * tint(rng, 0.05) * rng.uniform(0.02, 0.4), np.float32),
        )
        for _ in range(count)
    ]


_GROUNDS = (
    (0.09, 0.09, 0.095), (0.14, 0.135, 0.13), (0.32, 0.3, 0.28), (0.22, 0.12, 0.09), (0.06, 0.11, 0.03),
    (0.25, 0.2, 0.14), (0.5, 0.5, 0.52), (0.12, 0.12, 0.14),
)  # fmt: skip


def _ground(
    rng: np.random.Generator,
    at: Directions,
    picture: Floats,
    light: Floats,
    posts: list[tuple[float, float, Floats]],
) -> None:
    below = at.elevation < 0
    rays = at.vectors[below]
    reach = EYE_HEIGHT_M / np.maximum(-rays[:, 1], 0.02)
    turn = rng.uniform(0, 2 * np.pi)
    x = reach * (rays[:, 0] * np.cos(turn) - rays[:, 2] * np.sin(turn))
    z = reach * (rays[:, 0] * np.sin(turn) + rays[:, 2] * np.cos(turn))
    fine = noise(rng, 256, 256, cells=64, octaves=2)
    coarse = noise(rng, 256, 256, cells=6, octaves=4)
    albedo = np.asarray(_GROUNDS[int(rng.integers(len(_GROUNDS)))], np.float32) * tint(rng, 0.15)
    speckle = 0.55 + 0.5 * lookup(coarse, x / 9, z / 9) + 0.4 * (lookup(fine, x / 1.5, z / 1.5) - 0.5)
    colour = albedo * speckle[:, None].astype(np.float32)
    if rng.random() < 0.6:
        line = (np.abs((x + 40) % 2.5 - 1.25) < 0.06) & (np.abs(z) < rng.uniform(3, 8))
        colour[line] = np.array([0.75, 0.75, 0.72]) if rng.random() < 0.7 else np.array([0.1, 0.3, 0.6])
    if rng.random() < 0.3:
        joint = (np.abs(x % 0.5) < 0.02) | (np.abs(z % 0.5) < 0.02)
        colour[joint] *= 0.4
    shade = light * np.ones((len(rays), 1), np.float32)
    for azimuth, elevation, strength in posts:
        far = 5.0 / np.tan(elevation)
        gap = (x - far * np.sin(azimuth)) ** 2 + (z + far * np.cos(azimuth)) ** 2
        shade = shade + strength * (far**2 + 25) / (gap[:, None] + 25) / np.pi
    picture[below] = colour * shade


def _thing(
    rng: np.random.Generator, at: Directions, picture: Floats, day: Daylight, distance: float, *, lit: bool
) -> None:
    """Paint one thing standing on the ground: a building, car, tree, hedge, post or box."""
    kind = str(rng.choice(["building", "car", "car", "tree", "post", "box", "hedge"]))
    size = {
        "building": (12, 8),
        "car": (4.3, 1.5),
        "tree": (5, 6),
        "post": (0.15, 4),
        "box": (0.7, 1.9),
        "hedge": (9, 1.3),
    }
    wide, high = size[kind][0] * rng.uniform(0.6, 1.6), size[kind][1] * rng.uniform(0.7, 1.5)
    if kind == "building":
        distance += 12
    low, top = -np.arctan(EYE_HEIGHT_M / distance), np.arctan((high - EYE_HEIGHT_M) / distance)
    half = float(np.arctan(0.5 * wide / distance))
    centre = rng.uniform(0, 2 * np.pi)
    height, width = at.azimuth.shape
    rows = slice(int((0.5 - top / np.pi) * height), max(int((0.5 - low / np.pi) * height), 1) + 1)
    columns = (
        np.arange(int((centre - half) / 2 / np.pi * width), int((centre + half) / 2 / np.pi * width) + 1)
        % width
    )
    patch = picture[rows][:, columns]
    if patch.size == 0:
        return
    u = np.linspace(-1, 1, patch.shape[1], dtype=np.float32)[None, :]
    v = np.linspace(1, 0, patch.shape[0], dtype=np.float32)[:, None]
    facing = max(0.0, -np.cos(centre - day.sun_azimuth + np.pi))
    light = day.ambient + day.sun * facing * np.cos(day.sun_elevation) / np.pi + (0.015 if lit else 0)
    colour, mask = _drawn(rng, kind, u, v, lit=lit)
    painted = colour * light if not lit else colour * light + _windows_lit(rng, kind, u, v)
    mask = mask[..., None]
    picture[rows.start : rows.stop, columns] = patch * (1 - mask) + painted * mask


def _drawn(rng: np.random.Generator, kind: str, u: Floats, v: Floats, *, lit: bool) -> tuple[Floats, Floats]:
    shape = (v.shape[0], u.shape[1])
    base = np.asarray(rng.uniform(0.05, 0.6) * tint(rng, 0.35), np.float32)
    colour = np.ones((*shape, 3), np.float32) * base
    mask = np.ones(shape, np.float32)
    if kind == "building":
        columns, storeys = int(rng.integers(4, 16)), int(rng.integers(1, 6))
        window = (((u * columns) % 1 > 0.4) & ((v * storeys) % 1 > 0.35)).astype(np.float32)
        colour = colour * (1 - 0.75 * window[..., None]) + 0.2 * window[..., None] * np.array([0.5, 0.7, 0.9])
    elif kind == "car":
        roof = smooth_edge(1 - np.abs(u) ** 3 - np.clip(v - 0.55, 0, 1) * 2.2, 0.15)
        mask = np.asarray(roof * (v > 0.08), np.float32)
        glass = ((v > 0.58) & (np.abs(u) < 0.62) & (v < 0.92)).astype(np.float32)[..., None]
        colour = colour * (0.6 + 0.7 * v[..., None]) * (1 - glass) + 0.05 * glass
        wheel = ((np.abs(np.abs(u) - 0.6) < 0.14) & (v < 0.35))[..., None]
        colour = np.where(wheel, 0.02, colour)
    elif kind in ("tree", "hedge"):
        leaf = np.array([0.06, 0.12, 0.03], np.float32) * tint(rng, 0.3) * rng.uniform(0.5, 2)
        texture = noise(rng, max(shape[0], 2), max(shape[1], 2), cells=6, octaves=3)[: shape[0], : shape[1]]
        colour = leaf * (0.3 + 1.2 * texture[..., None])
        round_off = 1 - u**2 - (2 * v - 1.1) ** 2 if kind == "tree" else 1 - v * np.ones_like(u)
        mask = smooth_edge(round_off + 0.8 * (texture - 0.5), 0.3)
        mask = np.maximum(mask, ((np.abs(u) < 0.07) & (v < 0.4)).astype(np.float32))
    return np.asarray(colour, np.float32), np.asarray(mask * np.ones(shape, np.float32), np.float32)


def _windows_lit(rng: np.random.Generator, kind: str, u: Floats, v: Floats) -> Floats:
    if kind not in ("building", "box"):
        return np.zeros((v.shape[0], u.shape[1], 3), np.float32)
    columns, storeys = int(rng.integers(4, 14)), int(rng.integers(1, 5))
    on = rng.random((storeys + 1, 2 * columns + 1)) < 0.4
    pane = ((u * columns) % 1 > 0.4) & ((v * storeys) % 1 > 0.4)
    chosen = on[(v * storeys).astype(int), ((u + 1) * columns).astype(int)]
    glow = np.array([1.0, 0.8, 0.5], np.float32) * rng.uniform(0.05, 1.0)
    return np.asarray((pane & chosen)[..., None] * glow, np.float32)


def _near_wall(rng: np.random.Generator, at: Directions, picture: Floats, light: Floats) -> None:
    """A wall or cabinet close by, filling part of the horizon."""
    distance, turn = rng.uniform(0.5, 3), rng.uniform(0, 2 * np.pi)
    toward = np.cos(at.azimuth - turn) * np.cos(at.elevation)
    reach = distance / np.maximum(toward, 1e-3)
    side = reach * np.sin(at.azimuth - turn) * np.cos(at.elevation)
    up = reach * np.sin(at.elevation)
    half, top = rng.uniform(0.4, 4), rng.uniform(0.3, 4)
    mask = (toward > 0.05) & (np.abs(side) < half) & (up < top) & (up > -EYE_HEIGHT_M)
    albedo = np.asarray(rng.uniform(0.08, 0.75) * tint(rng, 0.2), np.float32)
    texture = noise(rng, 256, 256, cells=int(rng.integers(4, 40)), octaves=4)
    shade = (0.75 + 0.4 * lookup(texture, side[mask] / 2, up[mask] / 2))[:, None]
    brick = rng.random() < 0.3
    if brick:
        row = np.floor(up[mask] / 0.075)
        joint = (up[mask] % 0.075 < 0.01) | ((side[mask] + 0.12 * (row % 2)) % 0.24 < 0.01)
        shade = shade * np.where(joint, 0.6, 1.0)[:, None]
    picture[mask] = albedo * shade * light * rng.uniform(0.3, 1.0)


def soften(picture: Floats, sigma: float) -> Floats:
    """Blur a panorama, wrapping round the horizon."""
    if sigma <= 0.05:
        return picture
    pad = 16
    wrapped = np.concatenate([picture[:, -pad:], picture, picture[:, :pad]], axis=1)
    return np.asarray(cv2.GaussianBlur(wrapped, (0, 0), sigma)[:, pad:-pad], np.float32)
