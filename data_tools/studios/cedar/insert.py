"""The insulating insert as voxels: a floor, sleeves standing on it, bores through both."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.cedar.meshes import Array
from data_tools.studios.cedar.voxels import Grid, Window, smooth_union
from model.families import Family
from model.vocabulary import Place


@dataclass(frozen=True)
class Style:
    """How all sleeves of one insert are moulded; lengths mm, angles radians."""

    floor: float  # z of the floor, negative
    fillet: float
    lead_in: float
    lead_slope: float
    slots: int
    slot_width: float
    slot_depth: float
    slot_angle: float
    taper: float
    collar: float
    collar_height: float
    base_fillet: float
    web: float  # half thickness of webs between neighbours; 0: none
    web_top: float
    step: float


@dataclass(frozen=True)
class Sleeve:
    """One sleeve: centre, outer and bore radius, z of the mouth (mm)."""

    place: Place
    x: float
    y: float
    radius: float
    bore: float
    top: float


def draw_style(rng: np.random.Generator) -> Style:
    """Draw how the sleeves are moulded."""
    slots = int(rng.choice([0, 0, 0, 0, 1, 2, 3, 4]))
    return Style(
        floor=-float(rng.uniform(7, 23)),
        fillet=float(rng.uniform(0.15, 0.9)),
        lead_in=float(rng.choice([0.0, 0.4, 0.9, 1.5]) + rng.uniform(0, 0.3)),
        lead_slope=float(rng.uniform(0.35, 1.0)),
        slots=slots,
        slot_width=float(rng.uniform(0.9, 2.2)),
        slot_depth=float(rng.uniform(1.5, 9.0)),
        slot_angle=float(rng.uniform(0, 2 * np.pi)),
        taper=float(rng.choice([0.0, 0.0, 0.01, 0.03])),
        collar=float(rng.choice([0.0, 0.0, 0.6, 1.2])),
        collar_height=float(rng.uniform(1.0, 3.5)),
        base_fillet=float(rng.uniform(0.3, 1.6)),
        web=float(rng.choice([0.0, 0.0, 0.0, 0.7, 1.1])),
        web_top=float(rng.uniform(0.25, 0.7)),
        step=float(rng.choice([0.0, 0.0, 0.0, 0.7])),
    )


def draw_sleeves(rng: np.random.Generator, family: Family) -> list[Sleeve]:
    """Draw the sleeves of one coupler: the table's geometry within its tolerance."""
    grow, widen = rng.uniform(-0.25, 0.15), rng.uniform(-0.35, 0.2)
    small_down = rng.choice([0.0, 0.0, 0.0, 0.5, 1.2])
    result = []
    for contact in family.contacts:
        small = contact.sleeve_diameter < 8
        dx, dy = rng.normal(0, 0.1, 2)
        result.append(
            Sleeve(
                contact.place,
                contact.x + dx,
                contact.y + dy,
                contact.sleeve_diameter / 2 + grow,
                contact.bore_diameter / 2 + widen * (0.5 if small else 1.0),
                -float(small_down) * small - float(rng.uniform(0, 0.12)),
            )
        )
    return result


def sleeve_distance(sleeve: Sleeve, style: Style, x: Array, y: Array, z: Array) -> Array:
    """Return the distance to one sleeve (with its bore) at broadcastable x, y, z in mm."""
    dx, dy = x - sleeve.x, y - sleeve.y
    r = np.sqrt(dx * dx + dy * dy)
    down = sleeve.top - z
    outside = r - (sleeve.radius + style.taper * (down - 4)) - style.step * (down > 5) * 0.5
    qx, qz = outside + style.fillet, -down + style.fillet
    wall = np.hypot(np.maximum(qx, 0), np.maximum(qz, 0)) + np.minimum(np.maximum(qx, qz), 0) - style.fillet
    mouth = sleeve.bore + np.clip(style.lead_in - down, 0, None) * style.lead_slope
    hollow = np.minimum(mouth, sleeve.radius - 0.35) - r
    distance = np.maximum(wall, hollow)
    slots = min(style.slots, 2) if sleeve.radius < 4 else style.slots
    for i in range(slots):
        angle = style.slot_angle + 2 * np.pi * i / slots
        along = dx * np.cos(angle) + dy * np.sin(angle)
        across = np.abs(dy * np.cos(angle) - dx * np.sin(angle)) - style.slot_width / 2
        cut = np.maximum(np.maximum(across, -along), down - style.slot_depth)
        distance = np.maximum(distance, -cut)
    if style.collar:
        ring = np.maximum(r - sleeve.radius - style.collar, z - style.floor - style.collar_height)
        distance = smooth_union(distance, np.maximum(ring, sleeve.bore - r), 0.6)
    return np.asarray(distance, np.float32)


def sleeve_window(grid: Grid, sleeve: Sleeve, margin: float = 2.5) -> Window:
    """Return the nodes round one sleeve, floor to free air."""
    reach = sleeve.radius + margin
    return grid.window(
        (sleeve.x - reach, sleeve.y - reach, -99.0), (sleeve.x + reach, sleeve.y + reach, 99.0)
    )


def _webs(grid: Grid, sleeves: list[Sleeve], style: Style) -> None:
    """Add thin webs between neighbours, low in the recess."""
    top = style.floor * (1 - style.web_top)
    for i, a in enumerate(sleeves):
        for b in sleeves[i + 1 :]:
            length = float(np.hypot(a.x - b.x, a.y - b.y))
            if length > a.radius + b.radius + 6:
                continue
            reach = 1.5
            window = grid.window(
                (min(a.x, b.x) - reach, min(a.y, b.y) - reach, -99.0),
                (max(a.x, b.x) + reach, max(a.y, b.y) + reach, 99.0),
            )
            x, y, z = grid.open_points(window)
            ux, uy = (b.x - a.x) / length, (b.y - a.y) / length
            along = (x - a.x) * ux + (y - a.y) * uy
            across = np.abs((y - a.y) * ux - (x - a.x) * uy) - style.web
            web = np.maximum(np.maximum(across, np.maximum(-along, along - length)), z - top)
            grid.value[window] = np.minimum(grid.value[window], web)


def voxel_insert(sleeves: list[Sleeve], style: Style, spacing: float) -> Grid:
    """Return the undamaged insert as signed distances."""
    xs, ys = [s.x for s in sleeves], [s.y for s in sleeves]
    reach = 9.5
    grid = Grid(
        (min(xs) - reach, min(ys) - reach, style.floor - 1.2),
        (max(xs) + reach, max(ys) + reach, 2.6),
        (spacing, spacing, spacing * 1.15),
    )
    grid.value[:] = grid.axes[2][None, None, :] - style.floor
    if style.web:
        _webs(grid, sleeves, style)
    for sleeve in sleeves:
        window = sleeve_window(grid, sleeve)
        solid = sleeve_distance(sleeve, style, *grid.open_points(window))
        grid.value[window] = smooth_union(grid.value[window], solid, style.base_fillet)
    bores(grid, sleeves)
    return grid


def bores(grid: Grid, sleeves: list[Sleeve]) -> None:
    """Cut every bore through floor and webs."""
    for sleeve in sleeves:
        window = sleeve_window(grid, sleeve, 0.5)
        x, y, _ = grid.open_points(window)
        hollow = sleeve.bore - np.hypot(x - sleeve.x, y - sleeve.y)
        grid.value[window] = np.maximum(grid.value[window], hollow)
