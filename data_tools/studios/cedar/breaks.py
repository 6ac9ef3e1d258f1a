"""Broken sleeves: Voronoi cells in the wall, some gone, some tilted, cracks along their borders."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from data_tools.studios.cedar.insert import Sleeve, Style, sleeve_distance, sleeve_window
from data_tools.studios.cedar.meshes import Array, rotation
from data_tools.studios.cedar.voxels import Grid, Noise, Window

MODES = ("chip", "wedge", "crescent", "half", "bare", "split", "mouth", "ragged", "bites")


@dataclass(frozen=True)
class _Pattern:
    seeds: Array
    gone: np.ndarray
    angle: float


def _seeds(sleeve: Sleeve, style: Style, rng: np.random.Generator, fine: float) -> Array:
    height = sleeve.top - style.floor
    area = 2 * np.pi * sleeve.radius * height
    count = int(np.clip(area / fine**2, 12, 420))
    angle, up = rng.uniform(0, 2 * np.pi, count), rng.uniform(-0.05, 1.05, count)
    r = rng.uniform(sleeve.bore, sleeve.radius, count)
    z = style.floor + up * height
    return np.stack([sleeve.x + r * np.cos(angle), sleeve.y + r * np.sin(angle), z], 1).astype(np.float32)


def _gone(
    mode: str, sleeve: Sleeve, style: Style, seeds: Array, rng: np.random.Generator, angle: float
) -> np.ndarray:
    """Say which cells have left."""
    height = sleeve.top - style.floor
    around = np.arctan2(seeds[:, 1] - sleeve.y, seeds[:, 0] - sleeve.x)
    turn = np.abs((around - angle + np.pi) % (2 * np.pi) - np.pi)
    down = sleeve.top - seeds[:, 2]
    arc = turn * sleeve.radius
    deep = height * rng.uniform(0.3, 1.0)
    if mode == "chip":
        return np.asarray(np.hypot(arc, down) < rng.uniform(1.9, 3.8))
    if mode == "wedge":
        return np.asarray(arc < rng.uniform(2.0, 5.0) * (1 - down / deep))
    if mode == "crescent":
        return np.asarray(
            down < rng.uniform(2.5, 7.5) * np.cos(np.clip(turn / rng.uniform(0.8, 1.7), 0, np.pi / 2))
        )
    if mode == "half":
        return np.asarray((turn < rng.uniform(1.0, 2.0)) & (down < deep))
    if mode == "bare":
        return np.asarray(down < height - rng.uniform(0.3, 2.0))
    if mode == "split":
        return np.asarray((arc < rng.uniform(0.8, 1.7)) & (down < deep))
    if mode == "mouth":
        return np.asarray(down < rng.uniform(0.12, 0.6) * height)
    if mode == "ragged":
        wave = np.sin(around * rng.integers(1, 4) + rng.uniform(0, 6)) + rng.normal(0, 0.2, len(seeds))
        return np.asarray(down < height * rng.uniform(0.25, 0.7) * (1 + 0.6 * wave))
    centres = rng.uniform(0, 2 * np.pi, 3)
    bites = [np.hypot(((around - c + np.pi) % (2 * np.pi) - np.pi) * sleeve.radius, down) for c in centres]
    return np.asarray(np.min(bites, axis=0) < rng.uniform(1.6, 2.8))


def _pattern(mode: str, sleeve: Sleeve, style: Style, rng: np.random.Generator) -> _Pattern:
    fine = {"chip": 1.1, "bites": 1.1, "split": 1.0, "wedge": 1.4}.get(mode, float(rng.uniform(1.2, 3.2)))
    angle = float(rng.uniform(-np.pi, np.pi))
    for _ in range(6):
        seeds = _seeds(sleeve, style, rng, fine)
        gone = _gone(mode, sleeve, style, seeds, rng, angle)
        if gone.any():
            return _Pattern(seeds, gone, angle)
    raise AssertionError("no cell is gone")


def _bent(points: Array, noise: Noise, warp: float) -> Array:
    """Return the points displaced by noise (mm), so that cells border along uneven faces."""
    shift = np.stack([noise.at(points + 11.0 * i, 1.7) for i in range(3)], axis=-1)
    return np.asarray(points + warp * shift, np.float32)


def _beyond(bent: Array, pattern: _Pattern) -> Array:
    """Return about the signed distance to what is gone, mm (negative: gone)."""
    flat = bent.reshape(-1, 3)
    gone = pattern.gone
    if gone.all():
        return np.full(bent.shape[:-1], -9.0, np.float32)
    to_gone = cKDTree(pattern.seeds[gone]).query(flat)[0]
    to_kept = cKDTree(pattern.seeds[~gone]).query(flat)[0]
    return np.asarray((to_gone - to_kept) / 2, np.float32).reshape(bent.shape[:-1])


def _cracks(bent: Array, sleeve: Sleeve, style: Style, rng: np.random.Generator) -> Array:
    """Return a field that is positive inside a few long cracks between coarse cells."""
    seeds = _seeds(sleeve, style, rng, 5.5)[: int(rng.integers(4, 9))]
    near = cKDTree(seeds).query(bent.reshape(-1, 3), k=2)[0]
    return np.asarray(0.24 - (near[:, 1] - near[:, 0]) / 2, np.float32).reshape(bent.shape[:-1])


def _shard(grid: Grid, sleeve: Sleeve, style: Style, pattern: _Pattern, rng: np.random.Generator) -> None:
    """Put one lost piece back: leaning out of its place, or lying on the floor beside the sleeve."""
    gone = pattern.seeds[pattern.gone]
    centre = gone[rng.integers(len(gone))]
    size = float(rng.uniform(1.4, 3.2))
    lying = rng.random() < 0.5
    outwards = np.array([np.cos(pattern.angle), np.sin(pattern.angle), 0.0])
    if lying:
        place = np.array([sleeve.x, sleeve.y, style.floor + 1.0]) + outwards * (sleeve.radius + 1.2)
        turn = rotation(rng.normal(size=3), float(rng.uniform(1, 3)))
    else:
        place = centre + outwards * rng.uniform(0.5, 1.5) - np.array([0, 0, rng.uniform(0, 1.0)])
        turn = rotation(np.cross([0, 0, 1.0], outwards), float(rng.uniform(0.15, 0.6)))
    reach = size + 1.0
    window = grid.window(tuple(place - reach), tuple(place + reach))
    if 0 in grid.value[window].shape:
        return
    points = (grid.points(window) - place) @ turn + centre
    solid = sleeve_distance(sleeve, style, points[..., 0], points[..., 1], points[..., 2])
    ball = np.abs(points - centre).sum(-1) * 0.7 - size
    grid.value[window] = np.minimum(grid.value[window], np.maximum(solid, ball).astype(np.float32))


def _lean(grid: Grid, window: Window, sleeve: Sleeve, style: Style, angle: float, amount: float) -> None:
    """Bend the sleeve open: both halves lean away from the split (mm at the mouth)."""
    points = grid.points(window)
    height = np.clip((points[..., 2] - style.floor) / max(sleeve.top - style.floor, 1), 0, 1.2)
    across = np.array([-np.sin(angle), np.cos(angle)])
    side = (points[..., 0] - sleeve.x) * across[0] + (points[..., 1] - sleeve.y) * across[1]
    shift = amount * height**1.5 * np.tanh(side / 1.0)
    moved = points.copy()
    moved[..., 0] -= shift * across[0]
    moved[..., 1] -= shift * across[1]
    grid.value[window] = grid.sample(grid.value, moved.reshape(-1, 3), 9.0).reshape(side.shape)


def break_sleeve(
    grid: Grid, fracture: Array, sleeve: Sleeve, style: Style, mode: str, rng: np.random.Generator
) -> float:
    """Break one sleeve in place; ``fracture`` (grid shape) takes the distance to the new faces, mm.

    Returns the severity: the share of the standing wall that is gone, shaped.
    """
    window = sleeve_window(grid, sleeve, 1.6)
    points = grid.points(window)
    noise = Noise(rng)
    pattern = _pattern(mode, sleeve, style, rng)
    bent = _bent(points, noise, float(rng.uniform(0.15, 0.7)))
    gap = _beyond(bent, pattern)
    # cells border also at the floor: what is moulded into the floor stays
    gap = np.maximum(gap, style.floor + 0.35 + 0.25 * noise.at(points, 2.0) - points[..., 2])
    r = np.hypot(points[..., 0] - sleeve.x, points[..., 1] - sleeve.y)
    gap = np.maximum(gap, r - sleeve.radius - 0.9).astype(np.float32)
    before = grid.value[window]
    standing = (before < 0) & (points[..., 2] > style.floor + 0.5) & (r < sleeve.radius + 0.3)
    after = np.maximum(before, -gap)
    lost = float((standing & (after > 0)).sum() / max(int(standing.sum()), 1))
    if rng.random() < 0.35:
        crack = np.where(gap < rng.uniform(2.5, 9), _cracks(bent, sleeve, style, rng), -1)
        after = np.maximum(after, np.where(points[..., 2] > style.floor + 1, crack, -1))
    fracture[window] = np.minimum(fracture[window], np.abs(gap))
    grid.value[window] = after
    if mode == "split":
        _lean(grid, window, sleeve, style, pattern.angle, float(rng.uniform(0.5, 1.7)))
        lost = max(lost, 0.2)
    if mode not in ("chip", "bites") and rng.random() < 0.35:
        _shard(grid, sleeve, style, pattern, rng)
    return float(np.clip(lost**0.7 * 1.1, 0.05, 1.0))
