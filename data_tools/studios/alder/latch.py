"""The latch lever of Type 1: a polygon swept across, with a hook; whole, snapped, split, bent or pulled."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from data_tools.studios.alder.fields import Grid, polygon, slab, smooth_max, smooth_min, surface
from data_tools.studios.alder.mesh import Array, Mesh, Rgb, plain
from data_tools.studios.alder.noise import noise, rough_noise

LOSSES = ("flush", "half", "hook_end", "split", "twisted", "pulled", "bent", "torn_low")
LOSS_WEIGHTS = (0.19, 0.2, 0.17, 0.1, 0.09, 0.13, 0.06, 0.06)
SEVERITY = {
    "flush": 1.0,
    "half": 0.7,
    "hook_end": 0.4,
    "split": 0.5,
    "twisted": 0.7,
    "pulled": 1.0,
    "bent": 0.6,
    "torn_low": 0.9,
}


@dataclass(frozen=True)
class Lever:
    """How the lever is moulded, mm. ``under`` is its underside above the centre, ``tip`` the z of its end."""

    root: float
    tip: float
    under: float
    thick: float
    wide: float
    wide_tip: float
    head: float
    hook: str
    drop: float
    hook_long: float
    slant: float
    sway: float
    extra: str
    extra_size: float
    round_mm: float
    colour: Rgb
    rough: float
    cell: float
    seat: str
    seat_wall: float
    seat_ahead: float


@dataclass(frozen=True)
class Loss:
    """What has become of a damaged lever; ``where`` 0..1 from root to hook."""

    kind: str
    where: float
    jag: float
    grain: float
    side: float
    angle: float
    pale: float
    seed: int


def draw_lever(rng: np.random.Generator, nose_deep: float, rim: float, colour: Rgb, rough: float) -> Lever:
    """Draw a lever above a nose ``nose_deep`` mm long whose rim stands at z = ``rim``."""
    under = float(rng.uniform(23.2, 28.0))
    hook = str(rng.choice(["down", "up", "both", "blunt"], p=[0.45, 0.25, 0.12, 0.18]))
    tip = float(rng.uniform(-5.0, 8.0))
    lowest = 21.0 if tip > rim + 4 else 22.3
    wide = float(rng.uniform(6, 17))
    return Lever(
        root=-nose_deep - 2,
        tip=tip,
        under=under,
        thick=float(rng.uniform(2.6, 5.5)),
        wide=wide,
        wide_tip=float(np.clip(wide * rng.uniform(0.7, 1.15), 5.5, 18)),
        head=float(rng.uniform(1.1, 1.45)) if rng.random() < 0.25 else 1.0,
        hook=hook,
        drop=float(min(rng.uniform(1.6, 4.5), under - lowest))
        if hook == "down"
        else float(rng.uniform(1.5, 5)),
        hook_long=float(rng.uniform(3.0, 9.0)),
        slant=float(rng.uniform(0.0, 3.0)),
        sway=float(rng.uniform(-1.2, 2.5)),
        extra=str(rng.choice(["none", "window", "groove", "ribs", "round", "notch"])),
        extra_size=float(rng.uniform(0.6, 1.4)),
        round_mm=float(rng.uniform(0.3, 1.2)),
        colour=colour,
        rough=rough,
        cell=float(rng.uniform(0.36, 0.44)),
        seat=str(rng.choice(["slot", "channel", "hump", "low"])),
        seat_wall=float(rng.uniform(1.0, 3.4)),
        seat_ahead=float(rng.uniform(0.5, 5.0)),
    )


def draw_loss(rng: np.random.Generator) -> Loss:
    """Draw a damage of the lever."""
    kind = str(rng.choice(LOSSES, p=LOSS_WEIGHTS))
    return Loss(
        kind=kind,
        where=float(rng.uniform(0.25, 0.72)),
        jag=float(rng.choice([rng.uniform(0.05, 0.2), rng.uniform(0.3, 1.3)])),
        grain=float(rng.uniform(1.2, 4)),
        side=float(rng.choice([-1, 1])),
        angle=float(rng.uniform(0.35, 0.9)),
        pale=float(rng.choice([0.0, rng.uniform(0.2, 1.0)])),
        seed=int(rng.integers(1 << 30)),
    )


def _side_view(lever: Lever) -> Array:
    """Return the corners (z, y) of the lever seen from the side."""
    tip, low, top = lever.tip, lever.under, lever.under + lever.thick
    back = tip - lever.hook_long
    down = lever.drop if lever.hook in ("down", "both") else 0.0
    up = min(lever.drop, 37.5 - top) if lever.hook in ("up", "both") else 0.0
    if lever.hook == "both":
        down = min(down, low - 21.8)
    ramp = min(lever.slant, lever.hook_long * 0.6)
    return np.array(
        [
            [lever.root - 6, low],
            [back, low],
            [back + 0.4, low - down],
            [tip - ramp, low - down],
            [tip, low + 0.3 * lever.thick],
            [tip, top - 0.2 * lever.thick],
            [tip - ramp * 0.8, top + up],
            [back + 0.3, top + up],
            [back - 0.3, top],
            [lever.root - 6, top],
        ]
    )


def _field(lever: Lever, p: Array) -> Array:
    """Return the whole lever's field at ...x3 mm."""
    x, y, z = p[..., 0], p[..., 1], p[..., 2]
    along = np.clip((z - lever.root) / (lever.tip - lever.root), 0, 1)
    lifted = y - lever.sway * np.sin(along * np.pi)
    profile = polygon(z[0], lifted[0], _side_view(lever))[None] + lever.round_mm * 0.4
    half = 0.5 * (lever.wide + (lever.wide_tip - lever.wide) * along)
    if lever.head > 1:
        half = half * (1 + (lever.head - 1) * np.clip((z - lever.tip + lever.hook_long + 1) / 2, 0, 1))
    half = np.minimum(half, 9.6)
    if lever.extra == "round":
        half = half * np.sqrt(np.clip(1 - np.clip((z - lever.tip + 5) / 5.5, 0, 1) ** 2, 0.02, 1))
    field = smooth_max(profile, np.abs(x) - half, lever.round_mm)
    size, top = lever.extra_size, lever.under + lever.thick
    middle = lever.tip - lever.hook_long - 4
    if lever.extra == "window":
        hole = slab(
            p, (-lever.wide * 0.24, 0, middle - 3.5 * size), (lever.wide * 0.24, 60, middle + 2 * size)
        )
        field = smooth_max(field, -hole, 0.5)
    elif lever.extra == "groove":
        for k in range(4):
            low = (-20, top - 0.7 + lever.sway, lever.root + 6 + k * 2.4)
            field = np.maximum(field, -slab(p, low, (20, 60, low[2] + 1.0)))
    elif lever.extra == "ribs":
        for side in (-0.3, 0.3):
            rib = slab(
                p,
                (side * lever.wide - 0.6 * size, lever.under + 0.5, lever.root),
                (side * lever.wide + 0.6 * size, top + lever.sway * 0.6 + 1.0 * size, lever.tip - 2),
            )
            field = smooth_min(field, rib, 0.8)
    elif lever.extra == "notch":
        cut = slab(p, (-1.2 * size, 0, lever.tip - 2.5 * size), (1.2 * size, 60, lever.tip + 5))
        field = smooth_max(field, -cut, 0.4)
    return field


def _gone(lever: Lever, loss: Loss, p: Array) -> Array:
    """Return the field of what has broken off (negative where gone)."""
    jag = loss.jag * rough_noise(p, loss.grain, loss.seed)
    z, x = p[..., 2], p[..., 0]
    neck = lever.tip - lever.hook_long
    span = neck - lever.root
    at = {
        "flush": lever.root + 0.8,
        "torn_low": lever.root + 0.15 * span,
        "half": lever.root + loss.where * span,
        "twisted": lever.root + max(loss.where, 0.45) * span,
        "hook_end": neck - 0.3 + (loss.where - 0.45) * 2,
        "split": lever.root + loss.where * 0.6 * span,
    }[loss.kind]
    tilt = (loss.angle - 0.6) * x * loss.side
    if loss.kind == "torn_low":
        tilt = tilt + 0.9 * (p[..., 1] - lever.under)
    field = at - z + tilt
    if loss.kind == "split":
        field = np.maximum(field, (loss.where - 0.5) * 3 - x * loss.side)
    return np.asarray(field + jag)


def mesh(lever: Lever, loss: Loss | None, place: int) -> Mesh:
    """Return the lever's mesh, whole or as ``loss`` has left it; its faces carry ``place``."""
    if loss is not None and loss.kind == "pulled":
        return plain(np.zeros((0, 3)), np.zeros((0, 3)), lever.colour, lever.rough, place=place)
    low = np.array([-10.2, min(20.0, lever.under - 5.5), lever.root - 5])
    high = np.array([10.2, 40.0, lever.tip + 0.8])
    high[1] = lever.under + lever.thick + max(lever.sway, 0) + lever.drop + 1.5
    grid = Grid.over(low, high, lever.cell)
    field = _field(lever, grid.points)
    cut = None
    if loss is not None and loss.kind != "bent":
        cut = _gone(lever, loss, grid.points)
        field = np.maximum(field, -cut)
    points, faces = surface(grid, field)
    whole = plain(points, faces, lever.colour, lever.rough, place=place)
    if loss is None or not len(points):
        return whole
    if cut is not None:
        near = np.clip(1.6 - np.abs(grid.at(cut, points)) / 0.35, 0, 1)[:, None] * loss.pale
        fresh = (whole.colour * 1.3 + 0.09) * (1 + 0.2 * noise(points, 0.8, loss.seed)[:, None])
        whole = whole.painted(whole.colour * (1 - near) + fresh * near)
    return _bent(whole, lever, loss)


def _bent(whole: Mesh, lever: Lever, loss: Loss) -> Mesh:
    """Return the stub twisted about its length, or the whole lever bent up or aside."""
    if loss.kind not in ("twisted", "bent"):
        return whole
    points = whole.points.astype(float)
    ahead = np.maximum(points[:, 2] - lever.root - 1, 0)
    if loss.kind == "twisted":
        angle = loss.side * loss.angle * np.clip(ahead / 8, 0, 1)
        x, y = points[:, 0], points[:, 1] - lever.under - lever.thick / 2
        points[:, 0] = x * np.cos(angle) - y * np.sin(angle)
        points[:, 1] = x * np.sin(angle) + y * np.cos(angle) + lever.under + lever.thick / 2
        return replace(whole, points=points)
    bend = 0.35 + loss.angle * 0.6
    axis = 1 if loss.pale > 0.3 else 0
    sign = 1.0 if axis == 1 else loss.side
    points[:, axis] += sign * ahead * np.sin(bend)
    points[:, 2] -= ahead * (1 - np.cos(bend))
    return replace(whole, points=points)


def seat(lever: Lever, colour: Rgb, rough: float, pivot: bool) -> Mesh:
    """Return what the lever comes out of: a block with a slot, an open channel, a hump or a low step."""
    half, wall = lever.wide / 2, lever.seat_wall
    top = {"hump": lever.under + 0.6, "low": lever.under - 1.5}.get(
        lever.seat, lever.under + lever.thick + wall + 0.8
    )
    front = lever.root + lever.seat_ahead
    low = np.array([-half - wall - 2, 14.0, front - 17])
    grid = Grid.over(low, np.array([half + wall + 2, top + 2, front + 1]), 0.6)
    p = grid.points
    body = slab(p, (-half - wall + 0.6, 15, front - 19), (half + wall - 0.6, top - 1, front - 1)) - 1.0
    roof = 90.0 if lever.seat == "channel" else lever.under + lever.thick + 0.8
    slot = slab(p, (-half - 0.5, lever.under - 0.8, front - 13), (half + 0.5, roof, 90))
    field = smooth_max(body, -slot, 0.5) if lever.seat in ("slot", "channel") else body
    if pivot:
        across = np.hypot(p[..., 1] - lever.under - 1, p[..., 2] - front + 6) - 1.5
        field = np.maximum(field, -across)
    points, faces = surface(grid, field)
    return plain(points, faces, colour, rough)
