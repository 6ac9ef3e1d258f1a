"""Heat-melted housings: flow fields that push the vertices of the walls and of the floor between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.birch.meshes import Floats, smooth, waves
from data_tools.studios.birch.sleeves import Sleeve

HOW = ("slump", "droop", "close", "oval", "blister", "curl_out", "curl_in", "puddle", "ripple", "fuse")


@dataclass(frozen=True)
class Melt:
    """One melted housing: level 0..1, the flows at work, the hottest side (rad), the direction in which it
    hung (unit vector in the face plane), its colour change and the seed of its detail."""

    level: float
    flows: tuple[str, ...]
    side: float
    gravity: tuple[float, float]
    colour: str
    seed: int


def draw_melt(rng: np.random.Generator, level: float, side: float, gravity: tuple[float, float]) -> Melt:
    """Draw one melt of a given level around a given hottest side."""
    count = int(rng.integers(2, 5))
    weight = np.array([1.6, 1.3, 0.9, 0.9, 1.2, 0.9, 0.6, 1.2, 1.2, 0.7])
    flows = tuple(sorted(str(f) for f in rng.choice(HOW, count, replace=False, p=weight / weight.sum())))
    if not {"slump", "droop", "curl_out", "curl_in", "close", "oval"} & set(flows):
        flows = (*flows, str(rng.choice(["slump", "droop", "close"])))
    colour = str(rng.choice(["none", "brown", "char", "gloss", "pale"], p=[0.33, 0.22, 0.22, 0.13, 0.10]))
    return Melt(level, flows, side, gravity, colour, int(rng.integers(2**31)))


def heat(melt: Melt, sleeve: Sleeve, points: Floats) -> Floats:
    """Return the heat at points (Nx3) 0..1: strongest on the hot side and towards the mouth."""
    x, y = points[:, 0] - sleeve.x, points[:, 1] - sleeve.y
    angle = np.arctan2(y, x)
    reach = np.hypot(x, y) / sleeve.outer
    lobe = 0.5 + 0.5 * np.cos(angle - melt.side)
    wide = 0.25 + 0.75 * melt.level
    around = np.clip(lobe + wide * 0.8, 0, 1.2) / 1.2
    return np.asarray(around * np.exp(-(np.maximum(reach - 1, 0) ** 2) * 1.5) * (0.4 + 0.6 * melt.level))


def _polar(points: Floats, sleeve: Sleeve) -> tuple[Floats, Floats]:
    x, y = points[:, 0] - sleeve.x, points[:, 1] - sleeve.y
    return np.arctan2(y, x), np.hypot(x, y)


def _sink(melt: Melt, tall: float, rng: np.random.Generator, at: Floats) -> Floats:
    """Return how far the mouth sinks (mm) at the angles ``at``: broad lobes and a ragged edge."""
    down = np.zeros_like(at)
    for _ in range(int(rng.integers(1, 4))):
        off = np.cos(at - melt.side - rng.normal(0, 0.9))
        down += rng.uniform(0.3, 1.0) * np.exp((off - 1) * rng.uniform(0.6, 5))
    return np.asarray(down * tall * (0.12 + 0.55 * melt.level))


def flow(melt: Melt, sleeve: Sleeve, points: Floats, ground: float, other: Sleeve | None) -> Floats:
    """Return the points of a wall (Nx3 mm) after its melt; ``other`` is the neighbour it fuses with."""
    rng = np.random.default_rng(melt.seed)
    angle, radius = _polar(points, sleeve)
    warm, thick = heat(melt, sleeve, points), sleeve.outer - sleeve.bore
    tall, inside = sleeve.top - ground, radius < (sleeve.outer + sleeve.bore) / 2
    free = np.clip((points[:, 2] - ground) / tall, 0, 1)
    grown, down = np.zeros_like(radius), np.zeros_like(radius)
    shift = np.zeros((len(points), 2))
    soften = waves(rng, 5.0)(points) * 0.55 + waves(rng, 2.2)(points) * 0.25
    down += warm * free**2 * (0.4 + soften) * (0.5 + 1.6 * melt.level)
    grown += warm * free * soften * (0.15 + 0.7 * melt.level)
    if "slump" in melt.flows:
        sunk = np.minimum(_sink(melt, tall, rng, angle), 0.85 * tall)
        down += sunk * free**1.3
        grown += np.where(inside, -0.5, 0.6) * np.sqrt(sunk * thick) * 0.5 * smooth(free, 0.2, 0.9)
    if "droop" in melt.flows:
        reach = (1.2 + 3.2 * melt.level) * rng.uniform(0.6, 1.1)
        shift += np.outer(reach * free**1.8 * (0.35 + 0.65 * warm), np.array(melt.gravity))
        down += reach * 0.4 * free**2 * warm
    mouth_grown, mouth_down = _mouth(melt, sleeve, rng, points, free, soften)
    grown, down = grown + mouth_grown, down + mouth_down
    if "ripple" in melt.flows:
        size = 0.25 + 0.5 * melt.level
        grown += size * warm * free * waves(rng, 1.6)(points)
        down += size * warm * free * waves(rng, 1.9)(points)
    if "fuse" in melt.flows and other is not None:
        toward = np.array([other.x - sleeve.x, other.y - sleeve.y])
        gap = np.linalg.norm(toward)
        facing = np.clip(np.cos(angle - np.arctan2(toward[1], toward[0])), 0, 1) ** 2
        pull = (gap - sleeve.outer - other.outer + 1.2) * (0.3 + 0.5 * melt.level)
        shift += np.outer(np.maximum(pull, 0.8) * facing * smooth(free, 0.2, 0.9), toward / gap)
    if "blister" in melt.flows:
        bump = _blisters(rng, melt, sleeve, angle, points[:, 2], tall)
        grown += np.where(inside, -0.3, 1.0) * bump
        down -= bump * smooth(free, 0.93, 1.0)
    radius = np.maximum(radius + grown, 0.05)
    x = sleeve.x + radius * np.cos(angle) + shift[:, 0]
    y = sleeve.y + radius * np.sin(angle) + shift[:, 1]
    low = np.minimum(points[:, 2], ground + 0.15 + 0.2 * soften)
    return np.stack([x, y, np.maximum(points[:, 2] - down, low)], 1)


def _mouth(
    melt: Melt, sleeve: Sleeve, rng: np.random.Generator, points: Floats, free: Floats, soften: Floats
) -> tuple[Floats, Floats]:
    """Return how the mouth closes, turns oval and curls: radial growth and sinking in mm."""
    angle, radius = _polar(points, sleeve)
    warm, inside = heat(melt, sleeve, points), radius < (sleeve.outer + sleeve.bore) / 2
    grown, down = np.zeros_like(radius), np.zeros_like(radius)
    if "close" in melt.flows:
        shut = sleeve.bore * (0.25 + 0.8 * melt.level) * np.clip(warm * 1.3, 0, 1) * smooth(free, 0.35, 1)
        grown -= np.where(inside, np.minimum(shut * (1 + 0.4 * soften), radius * 0.97), 0.0)
    if "oval" in melt.flows:
        turn = melt.side + rng.normal(0, 0.5)
        squeeze = (0.1 + 0.3 * melt.level) * radius * np.cos(2 * (angle - turn)) * smooth(free, 0.0, 1)
        grown -= squeeze
    if "curl_out" in melt.flows or "curl_in" in melt.flows:
        lip = (
            smooth(free, 0.55, 1.0)
            * warm
            * (0.6 + 0.6 * np.sin(angle * rng.integers(1, 4) + rng.uniform(0, 6)))
        )
        way = 1.0 if "curl_out" in melt.flows else -0.8
        grown += way * lip * (0.8 + 2.2 * melt.level)
        down += lip * (0.5 + 1.8 * melt.level) * np.where(inside, 0.5, 1.0)
    return grown, down


def _blisters(
    rng: np.random.Generator, melt: Melt, sleeve: Sleeve, angle: Floats, z: Floats, tall: float
) -> Floats:
    """Return the height of bubbles (mm) on the wall unrolled to angle x height."""
    total = np.zeros_like(angle)
    for _ in range(int(rng.integers(3, 6 + int(14 * melt.level)))):
        turn = melt.side + rng.normal(0, 0.8)
        height = sleeve.top - rng.uniform(0, 0.6) ** 1.5 * tall
        size = rng.uniform(0.35, 1.3)
        along = ((angle - turn + np.pi) % (2 * np.pi) - np.pi) * sleeve.outer
        off = (along**2 + (z - height) ** 2) / size**2
        total = np.maximum(total, size * rng.uniform(0.5, 0.9) * np.sqrt(np.clip(1 - off, 0, 1)))
    return total


def flood(melt: Melt, sleeve: Sleeve, points: Floats) -> Floats:
    """Return how far the floor (points Nx3) rises round a melted wall: a puddle with a lobed edge, mm."""
    if "puddle" not in melt.flows:
        return np.zeros(len(points))
    rng = np.random.default_rng(melt.seed + 1)
    x, y = points[:, 0] - sleeve.x, points[:, 1] - sleeve.y
    down = np.clip((x * melt.gravity[0] + y * melt.gravity[1]) / sleeve.outer, -0.5, 1.5)
    reach = sleeve.outer + (0.8 + 3.5 * melt.level) * (1 + 0.5 * down + 0.4 * waves(rng, 7)(points))
    deep = (0.5 + 2.2 * melt.level) * np.sqrt(np.clip((reach - np.hypot(x, y)) / 2.0, 0, 1))
    return np.asarray(deep * (1 + 0.25 * waves(rng, 3)(points)))


def sag(points: Floats, centre: tuple[float, float], level: float, wide: float) -> Floats:
    """Return points (Nx3) of the insert sagged around ``centre``: sunk and drawn together, mm."""
    off = points[:, :2] - np.array(centre)
    near = np.exp(-(off**2).sum(1) / (2 * wide**2))
    out = points.copy()
    out[:, 2] -= level * 7.0 * near
    out[:, :2] -= off * (0.22 * level * near)[:, None]
    return out
