"""What carries the face: collar, latch lever, over-moulded grip and cable."""

from __future__ import annotations

from typing import Any

import numpy as np

from data_tools.studios.gorse.head import outline
from data_tools.studios.gorse.make import Damage, Make, dice, rgb
from data_tools.studios.gorse.solids import Axes, Grid, Mesh, Waves, box, even, join, meet, rod, skin, tube
from model.vocabulary import FindingKind

ROOT = -33.0
"""Where the lever comes out of the collar, z in mm."""
LEVER_TOP = 39.3
LEVER_BELOW_TOP = 3.4


def lever_middle(make: Make) -> float:
    """Return the height of the lever's middle above the axis, y in mm."""
    return make.family.nose_height / 2 + make.lever_gap + 2.3


def hook_box(make: Make) -> tuple[float, float, float, float]:
    """Return left, bottom, right, top of the hook as seen from the front, mm."""
    bottom = make.family.nose_height / 2 + 0.5 * make.lever_gap
    half = max(make.hook_width, make.lever_width) / 2
    return -half, bottom, half, min(bottom + make.hook_height + 2, LEVER_TOP)


def build_latch(make: Make, damages: tuple[Damage, ...], step: float) -> Mesh | None:
    """Return the lever with its hook, or what is left of it; None where nothing is."""
    damage = next((d for d in damages if d.kind is FindingKind.MISSING_LATCH), None)
    if not make.family.has_latch or (damage is not None and damage.mode == "gone"):
        return None
    front = np.arange(3.0, -13, -step)
    depth = np.concatenate([front, np.arange(front[-1] - 1.5 * step, -52, -2.2 * step)])
    grid = Grid(
        np.arange(-10.6, 10.7, step).astype(np.float32),
        np.arange(20.5, 40.5, step).astype(np.float32),
        depth[::-1].astype(np.float32),
    )
    solid = _latch(make, grid.axes)
    if damage is not None:
        solid = np.maximum(solid, _lost(make, damage, grid.axes))
        if solid.min() >= 0:
            return None
    colour = make.shell if make.seed % 3 else make.grip
    return skin(solid, grid, colour, make.rough, name="latch")


def _latch(make: Make, axes: Axes) -> Any:
    x, y, z = axes
    middle, tip = lever_middle(make), make.hook_tip
    rounding = 0.5 + 0.4 * make.edge
    back = (0, middle, (tip + ROOT - 20) / 2)
    half = (make.lever_width / 2, 2.2, (tip - ROOT + 20) / 2)
    lever = box(axes, back, half, min(rounding, 1.6))
    left, bottom, right, top = hook_box(make)
    high = (top - bottom) / 2
    at = (0, bottom + high, tip - make.hook_reach / 2)
    width = make.hook_width / 2
    share = np.clip((y - bottom) / (2 * high), 0, 1)
    narrow = {"trapezoid": 1 - 0.4 * share, "tee": np.where(share > 0.6, 1.0, 0.68)}.get(
        make.hook_outline, 1.0
    )
    hook = box((x / narrow, y, z), at, (width, high, make.hook_reach / 2), min(rounding, 0.7 * high))
    if make.hook_outline == "round":
        hook = meet(hook, np.hypot(x, (y - bottom - high) * width / high) - width * 1.02, 1.0)
    elif make.hook_outline == "arch":
        hook = meet(hook, np.hypot(x, y - (top - width * 1.1)) - width * 1.1, 1.0)
    elif make.hook_outline == "wedge":
        hook = meet(hook, 0.7 * (z - tip) + 0.7 * (y - bottom - 0.45 * high), 0.8)
    if make.ribbed:
        hook = meet(hook, -box(axes, (0, top, at[2]), (width * 0.5, 0.7, 40), 0.3), 0.5)
    return join(lever, hook, 1.6)


def _lost(make: Make, damage: Damage, axes: Axes) -> Any:
    """Return the half space that survives the break."""
    rng, s = dice(damage.seed, 4), damage.severity
    x, y, z = axes
    ragged = rng.choice([0.15, 0.9, 1.6]) * (Waves(rng, 5.0)(axes) + 0.4 * Waves(rng, 1.6)(axes))
    left, bottom, right, top = hook_box(make)
    if damage.mode == "corner":
        side = rng.choice([-1, 1])
        kept = right - (right - left) * (0.12 + 0.6 * s)
        return (side * x - kept + 0.4 * (y - bottom - 4) + ragged) * 0.9
    if damage.mode == "tip":
        kept = top - (top - bottom) * (0.25 + 1.3 * s)
        return (y - kept + rng.normal(0, 0.25) * x + 0.5 * ragged) * 0.9
    share = (s - 0.45) * 3 if damage.mode == "mid" else rng.uniform(0.85, 1.0)
    start = make.hook_tip - make.hook_reach - 1.5
    cut = start + (ROOT + 1 - start) * np.clip(share, 0.1, 1)
    return (z - cut + rng.normal(0, 0.3) * x + ragged) * 0.9


def build_body(make: Make) -> list[Mesh]:
    """Return collar, grip and cable behind the face."""
    rng = dice(make.seed, 21)
    high = 44 if make.family.has_latch else 34
    grid = even((-44, -140 if make.pistol else -48, -190), (44, high + 6, -31.5), 1.7)
    axes = grid.axes
    x, y, z = axes
    edge = outline(make.family, x, y) - make.collar
    if make.family.has_latch:
        wide = max(make.lever_width, make.hook_width) / 2 + 5
        edge = join(edge, box((x, y, z * 0), (0, 26, 0), (wide, 16.5, 9), 6), 9)
    taper = np.clip((-z - 40) / 60, 0, 1)
    collar = meet(edge + 9 * taper, np.maximum(z - (-33.5), -100 - z), 4)
    if make.pistol:
        grip = rod(axes, (0, -8, -78), (0, -118, -104), make.neck * 0.62, make.neck * 0.5)
        middle, along = (0.0, -118.0, -104.0), -(y + 10)
    else:
        bend = rng.uniform(-22, 4)
        grip = rod(axes, (0, -3, -80), (0, bend, -176), make.neck * 0.78, make.neck * 0.6)
        middle, along = (0.0, bend, -176.0), -(z + 84)
    solid = join(collar, grip, 16)
    if make.ribbed:
        solid = solid + np.where((along > 16) & (along < 80), 0.7 * np.cos(along * 1.1), 0)
    if make.family.has_latch:
        at = (0, lever_middle(make) + 0.6, -46)
        solid = meet(solid, -box(axes, at, (make.lever_width / 2 + 1.4, 4.2, 15), 1.0), 0.8)
        button = rod(axes, (0, 38, -78), (0, 35, -98), rng.uniform(5, 8))
        solid = join(solid, button, 4)
    body = skin(solid, grid, make.shell, min(make.rough + 0.06, 0.7), name="body")
    _two_tone(make, body, rng)
    end = np.array(middle, float)
    way = np.array([0.05, -1, -0.25]) if make.pistol else np.array([0, -0.1, -1.0])
    t = np.linspace(0, 1, 30)[:, None]
    drop = np.array([rng.uniform(-160, 160), -320, rng.uniform(-80, 40)])
    path = end + way * 170 * t + drop * t**2
    cable = plastic_cable(rng)
    return [body, tube(path, rng.uniform(7, 12), cable, 0.5, name="cable")]


def plastic_cable(rng: np.random.Generator) -> Any:
    """Return a cable's colour: black mostly, else orange, grey, green or blue."""
    hue = rng.choice([0.06, 0.6, 0.36, 0.12])
    return rgb(0.6, 0.05, rng.uniform(0.1, 0.25)) if rng.uniform() < 0.7 else rgb(hue, 0.8, 0.75)


def _two_tone(make: Make, body: Mesh, rng: np.random.Generator) -> None:
    """Colour the soft second component: a band, flanks or the whole grip, matter than the hard one."""
    x, y, z = body.vertices.T
    style = rng.choice(["flanks", "grip", "band", "none"])
    wave = 3 * np.sin(z / 14 + rng.uniform(0, 6))
    soft = {
        "flanks": (np.abs(x) > 14 + wave) & (z < -50),
        "grip": (z + 0.3 * y < -62 + wave) if make.pistol else (z < -84 + wave),
        "band": (z < -38) & (z > -47),
        "none": np.zeros(len(x), bool),
    }[str(style)]
    body.colour[soft] = make.grip
    body.rough[soft] = 0.68
    grime = (0.88 + 0.12 * np.sin(x / 7 + z / 11) * np.cos(y / 9)).astype(np.float32)
    body.colour *= grime[:, None]
