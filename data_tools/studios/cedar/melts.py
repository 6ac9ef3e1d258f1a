"""Heat-melted sleeves: a crude viscous relaxation of hot voxels.

Heat spreads from the hottest contacts; hot plastic sinks, sags, is rounded by surface tension, rolls in or
out at the mouth, is pushed up into blisters by vapour and runs together with its neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter

from data_tools.studios.cedar.insert import Sleeve, Style
from data_tools.studios.cedar.meshes import Array
from data_tools.studios.cedar.voxels import Grid, Noise, Window, smooth_union

STEPS = 3


@dataclass(frozen=True)
class Flow:
    """How far hot plastic moves, mm at full heat; angles radians, radius of rounding in mm."""

    sink: float
    sag: float
    sag_angle: float
    roll: float
    oval: float
    oval_angle: float
    wobble: float
    rounding: float
    swelling: float
    blisters: int
    pits: int
    puddle: float
    plug: float
    mouth_heat: float


@dataclass(frozen=True)
class Hot:
    """One melted sleeve and how hot it got (0..1)."""

    sleeve: Sleeve
    heat: float


def draw_flow(rng: np.random.Generator) -> Flow:
    """Draw how one melt looks; one or two ways of flowing lead."""
    weight = rng.dirichlet(np.full(5, 0.5)) * 1.9
    return Flow(
        sink=float(weight[0] * rng.uniform(3, 9)),
        sag=float(weight[1] * rng.uniform(2.5, 6)),
        sag_angle=float(rng.normal(-np.pi / 2, 0.7)),
        roll=float(weight[2] * rng.choice([-3.6, 2.6, 4.2]) * rng.uniform(0.6, 1.2)),
        oval=float(weight[3] * rng.uniform(2.2, 4.5)),
        oval_angle=float(rng.uniform(0, np.pi)),
        wobble=float(weight[4] * rng.uniform(1.5, 3.6) + rng.uniform(0.2, 1.0)),
        rounding=float(rng.uniform(0.45, 1.25)),
        swelling=float(rng.uniform(0.1, 0.55)),
        blisters=int(rng.choice([0, 0, 4, 10, 24])),
        pits=int(rng.choice([0, 0, 3, 10])),
        puddle=float(rng.choice([0.0, 0.0, 1.0, 2.0])),
        plug=float(rng.choice([0.0, 0.0, 0.0, 1.0])),
        mouth_heat=float(rng.uniform(-0.1, 0.5)),
    )


def _window(grid: Grid, hot: list[Hot]) -> Window:
    reach = 4.5
    low = np.min([(h.sleeve.x - h.sleeve.radius, h.sleeve.y - h.sleeve.radius) for h in hot], axis=0) - reach
    high = np.max([(h.sleeve.x + h.sleeve.radius, h.sleeve.y + h.sleeve.radius) for h in hot], axis=0) + reach
    return grid.window((low[0], low[1], -99.0), (high[0], high[1], 99.0))


def _heat(points: Array, hot: list[Hot], style: Style, flow: Flow, noise: Noise) -> Array:
    """Return 0..1 at the points: warm round each hot contact, uneven, fading outwards."""
    total = np.zeros(points.shape[:-1], np.float32)
    up = np.clip((points[..., 2] - style.floor) / -style.floor, 0, 1)
    uneven = 1 + 0.35 * noise.at(points, 6.0)
    for h in hot:
        s = h.sleeve
        r = np.hypot(points[..., 0] - s.x, points[..., 1] - s.y)
        fade = np.exp(-(np.clip((r - s.radius * 0.9) / 2.2, 0, None) ** 2))
        total = np.maximum(total, h.heat * fade * (1 - flow.mouth_heat * (1 - up)))
    return np.asarray(np.clip(total * uneven, 0, 1), np.float32)


def _displacement(
    points: Array, heat: Array, hot: list[Hot], style: Style, flow: Flow, noise: Noise
) -> Array:
    """Return how far the plastic at each point flows in the whole melt, mm."""
    up = np.clip((points[..., 2] - style.floor) / -style.floor, 0, 1.15)
    centres = np.array([(h.sleeve.x, h.sleeve.y) for h in hot], np.float32)
    away = points[..., None, :2] - centres
    nearest = np.argmin((away**2).sum(-1), axis=-1)
    dx, dy = (np.take_along_axis(away[..., i], nearest[..., None], -1)[..., 0] for i in range(2))
    r = np.maximum(np.hypot(dx, dy), 0.8)
    swing = np.cos(2 * (np.arctan2(dy, dx) - flow.oval_angle))
    radial = (flow.roll * up**3 + flow.oval * swing * up**1.2) / r
    move = np.empty_like(points)
    move[..., 0] = radial * dx + flow.sag * up**1.6 * np.cos(flow.sag_angle)
    move[..., 1] = radial * dy + flow.sag * up**1.6 * np.sin(flow.sag_angle)
    move[..., 2] = -flow.sink * up * (1 + 0.5 * noise.at(points * [1, 1, 0.2], 5.0))
    for i in range(3):
        move[..., i] += flow.wobble * up * noise.at(points + 31.0 * (i + 1), 4.5)
    return np.asarray(move * heat[..., None], np.float32)


def _bubbles(value: Array, points: Array, heat: Array, flow: Flow, rng: np.random.Generator) -> Array:
    """Push blisters out of hot skin and leave burst pits."""
    skin = np.argwhere((np.abs(value) < 0.4) & (heat > 0.45) & (points[..., 2] > points[..., 2].mean()))
    if not len(skin):
        return value
    for i in range(flow.blisters + flow.pits):
        node = skin[rng.integers(len(skin))]
        centre = points[tuple(node)]
        big = float(rng.uniform(0.5, 1.5) if i < flow.blisters else rng.uniform(0.35, 0.9))
        n = int(np.ceil((big + 1) / 0.4))
        lows, highs = np.maximum(node - n, 0), node + n + 1
        near = tuple(slice(a, b) for a, b in zip(lows, highs, strict=True))
        ball = (np.linalg.norm(points[near] - centre, axis=-1) - big).astype(np.float32)
        old = value[near]
        value[near] = smooth_union(old, ball, 0.5) if i < flow.blisters else np.maximum(old, -ball)
    return value


def _pool(
    value: Array,
    points: Array,
    hot: list[Hot],
    style: Style,
    flow: Flow,
    noise: Noise,
    rng: np.random.Generator,
) -> Array:
    """Add what ran down: a puddle round a sleeve's foot, a plug in its bore."""
    for h in hot:
        s = h.sleeve
        where = np.array([np.cos(flow.sag_angle), np.sin(flow.sag_angle)]) * s.radius * 0.6
        flat = np.hypot(points[..., 0] - s.x - where[0], points[..., 1] - s.y - where[1])
        if flow.puddle:
            reach = s.radius * (0.9 + 0.25 * flow.puddle) + 1.5 * noise.at(points * [1, 1, 0.1], 4.0)
            thick = style.floor + 1.2 * flow.puddle * h.heat
            blob = np.maximum(flat - reach * h.heat, points[..., 2] - thick).astype(np.float32)
            value = smooth_union(value, blob, 1.6)
        if flow.plug and rng.random() < 0.6:
            depth = points[..., 2] + float(rng.uniform(1.0, 4.0)) + 0.5 * noise.at(points, 2.5)
            r = np.hypot(points[..., 0] - s.x, points[..., 1] - s.y)
            value = smooth_union(value, np.maximum(r - s.bore - 0.4, depth).astype(np.float32), 1.0)
    return value


def melt(
    grid: Grid, heat_out: Array, hot: list[Hot], style: Style, flow: Flow, rng: np.random.Generator
) -> dict[str, float]:
    """Melt the ``hot`` sleeves in place; ``heat_out`` (grid shape) takes the heat, 0..1.

    Returns the severity (0..1) by place: the share of the sleeve's volume that flowed elsewhere, shaped.
    """
    window = _window(grid, hot)
    points, noise = grid.points(window), Noise(rng)
    value = before = grid.value[window].copy()
    heat = _heat(points, hot, style, flow, noise)
    move = _displacement(points, heat, hot, style, flow, noise) / STEPS
    local = Grid((0, 0, 0), (1, 1, 1), (1, 1, 1))
    local.low, local.step = points[0, 0, 0], grid.step
    origin = (points - move).reshape(-1, 3)
    for _ in range(STEPS):
        value = local.sample(np.clip(value, -4, 4), origin, 4.0).reshape(value.shape)
        sigma = flow.rounding / float(grid.step[0]) / np.sqrt(STEPS)
        soft = gaussian_filter(value, sigma, mode="nearest") - flow.swelling * 0.5
        value = value + (soft - value) * np.clip(heat * 1.5, 0, 1)
    value = _pool(value, points, hot, style, flow, noise, rng)
    value = _bubbles(value, points, heat, flow, rng)
    grid.value[window] = value
    heat_out[window] = np.maximum(heat_out[window], heat)
    result = {}
    for h in hot:
        r = np.hypot(points[..., 0] - h.sleeve.x, points[..., 1] - h.sleeve.y)
        disc = (r < h.sleeve.radius + 1.5) & (points[..., 2] > style.floor + 0.5)
        flowed = (((before < 0) != (value < 0)) & disc).sum() / max(int(((before < 0) & disc).sum()), 1)
        result[h.sleeve.place.value] = float(np.clip(flowed * 1.3, 0.05, 1.0))
    return result
