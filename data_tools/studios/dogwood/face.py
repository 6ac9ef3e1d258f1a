"""Meshes of a coupler: shell, floor, sleeves with contacts, latch, body, handle and cable."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_tools.studios.dogwood.breaks import Break, bend, turn, what_is_left
from data_tools.studios.dogwood.build import Build, Sleeve, outline
from data_tools.studios.dogwood.latch import LatchLoss, hood_and_lever
from data_tools.studios.dogwood.melts import Melt, flowed, slumped, soften
from data_tools.studios.dogwood.mesh import (
    FIRST_PLACE,
    Finish,
    Floats,
    Noise,
    Part,
    join,
    sheet,
    smoothstep,
    tube,
)

Grid = NDArray[np.floating]
Push = Callable[[Grid, Grid, Grid], Grid]
"""(angle, how far across the wall 0..1, z) -> mm outwards."""

SLEEVE_COLUMNS, CONTACT_COLUMNS, SHELL_COLUMNS = 256, 72, 360


@dataclass(frozen=True)
class Damage:
    """All that is wrong with one coupler."""

    breaks: tuple[Break, ...] = ()
    melts: tuple[Melt, ...] = ()
    latch: LatchLoss | None = None


def coupler(build: Build, damage: Damage) -> Part:
    """The whole coupler as one mesh, in mm of the face plane."""
    front = [_shell(build), _floor(build)]
    for number, sleeve in enumerate(build.sleeves):
        broken = next((b for b in damage.breaks if b.contact == number), None)
        melt = next((m for m in damage.melts if m.contact == number), None)
        front += _housing(sleeve, number, broken, melt)
        front.append(_contact(sleeve, build.metal, FIRST_PLACE + number))
    face = join(front)
    soften(face, build, damage.melts)
    parts = [face, *_body(build)]
    if build.latch is not None:
        parts += hood_and_lever(build.latch, damage.latch, FIRST_PLACE + len(build.sleeves), build)
    return join(parts)


def _edge(build_round: bool, bevel: float, distance: Grid) -> Grid:
    """How much lower a rim is ``distance`` mm from its edge, rounded or chamfered over ``bevel`` mm."""
    inside = np.clip(1 - distance / max(bevel, 1e-3), 0, 1)
    return np.asarray(bevel * (1 - np.sqrt(1 - inside**2)) if build_round else bevel * inside)


def _wall(
    centre: tuple[float, float],
    edges: tuple[Grid, Grid],
    heights: Grid,
    ends: tuple[float, float],
    push: Push | None = None,
) -> tuple[Floats, NDArray[np.intp]]:
    """Points (rows, columns, 3) of a wall round ``centre``: up its outer side, over its rim, down inside.

    ``edges`` are the outer and inner radius at each column, ``heights`` (rim rows, columns) the rim's z,
    ``ends`` the z at the foot outside and inside. Also returns the rows of the rim.
    """
    outer, inner = edges
    rim, columns = heights.shape
    angle = np.linspace(0, 2 * np.pi, columns, endpoint=False)
    up = np.linspace(0, 1, 16)[:-1, None] ** 0.6
    down = np.linspace(0, 1, 18)[1:, None] ** 1.5
    across = _across(rim)[:, None]
    z = np.concatenate(
        [
            ends[0] + (heights[:1] - ends[0]) * up,
            heights,
            heights[-1:] + (ends[1] - heights[-1:]) * down,
        ]
    )
    share = np.concatenate([np.zeros((len(up), 1)), across, np.ones((len(down), 1))])
    radius = outer + (inner - outer) * share
    if push is not None:
        radius = np.maximum(radius + push(angle[None], share, z), 0.15)
    grid = np.stack([centre[0] + radius * np.cos(angle), centre[1] + radius * np.sin(angle), z], axis=-1)
    return grid.astype(np.float32), np.arange(len(up), len(up) + rim)


def _across(rows: int) -> Grid:
    """Places across a rim, 0 outer to 1 inner edge, closer together at the edges."""
    return np.asarray((1 - np.cos(np.linspace(0, np.pi, rows))) / 2)


def _shell(build: Build) -> Part:
    angle = np.linspace(0, 2 * np.pi, SHELL_COLUMNS, endpoint=False)
    outer = outline(build.family, angle)
    inner = outer - build.wall
    for at, width, high in build.keys:
        inner = inner - high * smoothstep(width, width * 0.7, np.abs(turn(angle, at)))
    across = _across(16)[:, None]
    from_out, from_in = across * (outer - inner), (1 - across) * (outer - inner)
    lower = np.maximum(
        _edge(build.shell_round, build.shell_bevel, from_out),
        _edge(build.shell_round, build.shell_bevel, from_in),
    )
    # use nicks the edge, a mould leaves a seam
    rng = np.random.default_rng(build.lattice)
    nicks = sum(
        rng.uniform(0.05, 0.22) * np.exp(-((turn(angle, a) / rng.uniform(0.01, 0.03)) ** 2))
        for a in rng.uniform(0, 6.28, 9)
    )
    seam = build.seam * np.exp(-((np.cos(angle) * outer / 0.35) ** 2))
    grid, _ = _wall(
        build.family.nose_centre,
        (outer + seam, inner),
        build.shell_top - lower - nicks + seam,
        (build.flange_z - 3, build.floor - 1),
    )
    return sheet(grid, build.shell)


def _floor(build: Build) -> Part:
    """The floor between the sleeves: a height over a grid, cut out under the sleeves and beyond the shell."""
    family, step = build.family, 0.45
    cx, cy = family.nose_centre
    x = np.arange(-family.nose_width / 2, family.nose_width / 2 + step, step) + cx
    y = np.arange(-family.nose_height / 2, family.nose_height / 2 + step, step) + cy
    gx, gy = np.meshgrid(x, y)
    z = np.full(gx.shape, build.floor)
    cut = np.hypot(gx - cx, gy - cy) > outline(family, np.arctan2(gy - cy, gx - cx).ravel()).reshape(gx.shape)
    for sleeve in build.sleeves:
        away = np.hypot(gx - sleeve.x, gy - sleeve.y)
        z += build.fillet * np.exp(-np.maximum(away - sleeve.outer, 0) / 0.6)
        cut |= away < (sleeve.outer + sleeve.inner) / 2
    rng = np.random.default_rng(build.lattice + 1)
    for _ in range(build.emboss):  # raised bars and rings that belong to the mould
        px, py = rng.uniform(-0.3, 0.3, 2) * (family.nose_width, family.nose_height) + (cx, cy)
        turnover, long = rng.uniform(0, np.pi), rng.uniform(0.5, 3.0)
        u = (gx - px) * np.cos(turnover) + (gy - py) * np.sin(turnover)
        v = (gy - py) * np.cos(turnover) - (gx - px) * np.sin(turnover)
        shape = (
            np.hypot(np.maximum(np.abs(u) - long, 0), v) if rng.random() < 0.6 else np.abs(np.hypot(u, v) - 2)
        )
        z += rng.uniform(0.3, 0.8) * smoothstep(0.9, 0.4, shape)
    for px, py, radius in build.vents:
        z -= 4.0 * smoothstep(radius + 0.3, radius - 0.1, np.hypot(gx - px, gy - py))
    floor = sheet(np.stack([gx, gy, z], axis=-1), build.insert, closed=False)
    floor.faces = floor.faces[~cut.ravel()[floor.faces].any(axis=1)]
    return floor


def _rim(sleeve: Sleeve, angle: Grid, across: Grid) -> Grid:
    """The heights of an intact sleeve's rim (rows, columns)."""
    thick = sleeve.outer - sleeve.inner
    bevels = np.maximum(
        _edge(sleeve.round_bevel, sleeve.outer_bevel, across * thick),
        _edge(sleeve.round_bevel, sleeve.inner_bevel, (1 - across) * thick),
    )
    heights = np.repeat(sleeve.top - bevels, len(angle), axis=1)
    for at, width, deep in sleeve.notches:
        heights = heights - deep * smoothstep(width, width * 0.85, np.abs(turn(angle, at)))
    return np.asarray(np.maximum(heights, sleeve.root + 0.3))


def _housing(sleeve: Sleeve, number: int, broken: Break | None, melt: Melt | None) -> list[Part]:
    """The sleeve round a contact, as damaged as it is."""
    angle = np.linspace(0, 2 * np.pi, SLEEVE_COLUMNS, endpoint=False)
    across = _across(18)[:, None]
    intact = heights = _rim(sleeve, angle, across)
    radius = sleeve.outer + (sleeve.inner - sleeve.outer) * across
    left = None
    if broken is not None:
        left = what_is_left(broken, sleeve, angle, radius, intact)
        heights = left.heights
    if melt is not None:
        heights = np.minimum(slumped(melt, sleeve, angle, across, heights), heights + 0.6)

    def push(at: Grid, share: Grid, z: Grid) -> Grid:
        out = np.zeros(z.shape)
        if broken is not None:
            out = out + bend(broken, sleeve, at, z)
        if melt is not None:
            out = out + flowed(melt, sleeve, at, share, z)
        return out

    parts = [_sleeve_wall(sleeve, heights, intact, number, push if broken or melt else None, broken)]
    if left is not None and left.flake is not None:
        parts.append(_flake(sleeve, left.flake, left.hinge, intact, number))
    return parts


def _sleeve_wall(
    sleeve: Sleeve, heights: Grid, intact: Grid, number: int, push: Push | None, broken: Break | None
) -> Part:
    edges = np.full(SLEEVE_COLUMNS, sleeve.outer), np.full(SLEEVE_COLUMNS, sleeve.inner)
    grid, rim = _wall((sleeve.x, sleeve.y), edges, heights, (sleeve.root - 1.5, sleeve.top - 22), push)
    grid[-1, :, :2] = sleeve.x, sleeve.y  # closes the bore far below
    wall = sheet(grid, sleeve.finish, FIRST_PLACE + number)
    if broken is None:
        return wall
    fresh = np.zeros(grid.shape[:2])
    fresh[rim] = smoothstep(0.08, 0.3, intact - heights)
    # the flanks of a fracture are steep: let the colour reach a little down the walls
    fresh[rim[0] - 2 : rim[0]], fresh[rim[-1] + 1] = 0.6 * fresh[rim[0]], 0.6 * fresh[rim[-1]]
    wall.fresh = fresh.ravel().astype(np.float32)
    rng = np.random.default_rng(broken.seed + 5)
    pale, aged = rng.uniform(0.05, 0.28), rng.random() < 0.3
    grain = np.clip(1 + 0.25 * Noise(broken.seed)(wall.points, 0.7, 2), 0.4, 1.6)[:, None]
    base = np.asarray(sleeve.finish.colour)
    colour = (base * 0.75 + 0.015 if aged else base * 0.75 + pale * (1 - base)) * grain
    wall.albedo = wall.albedo + (colour - wall.albedo).astype(np.float32) * wall.fresh[:, None]
    wall.polish(wall.fresh, 0.9)
    return wall


def _flake(sleeve: Sleeve, kept: Grid, hinge: tuple[float, float, float], intact: Grid, number: int) -> Part:
    """A cracked piece of wall that still hangs on, leaning out."""
    edges = np.full(SLEEVE_COLUMNS, sleeve.outer), np.full(SLEEVE_COLUMNS, sleeve.inner)
    kept = np.where(kept < sleeve.root, sleeve.root - 1.4, intact)
    grid, rim = _wall((sleeve.x, sleeve.y), edges, kept, (sleeve.root - 1.5, sleeve.root - 1.5))
    high = np.maximum(grid[..., 2] - sleeve.root, 0)
    angle, lean, drop = hinge
    grid[..., 0] += high * np.sin(lean) * np.cos(angle)
    grid[..., 1] += high * np.sin(lean) * np.sin(angle)
    grid[..., 2] -= high * (1 - np.cos(lean)) + drop * (high > 0)
    flake = sheet(grid, sleeve.finish, FIRST_PLACE + number)
    solid = (kept[len(kept) // 2] > sleeve.root)[None].repeat(grid.shape[0], axis=0).ravel()
    flake.faces = flake.faces[solid[flake.faces].any(axis=1)]
    return flake


def _contact(sleeve: Sleeve, metal: Finish, owner: int) -> Part:
    """The metal in a sleeve: a tube, slit or whole, or a solid pin. It closes the bore below."""
    angle = np.linspace(0, 2 * np.pi, CONTACT_COLUMNS, endpoint=False)
    across = _across(7)[:, None]
    thick = sleeve.contact_outer - sleeve.contact_inner
    bevel = min(0.35, thick / 3)
    lower = np.maximum(_edge(True, bevel, across * thick), _edge(True, bevel, (1 - across) * thick))
    heights = np.repeat(sleeve.contact_top - lower, CONTACT_COLUMNS, axis=1)
    for k in range(sleeve.slits):
        gap = 0.22 / max(sleeve.contact_outer, 1)
        at = sleeve.notches[0][0] if sleeve.notches else 0.4
        off = turn(angle, at + 2 * np.pi * k / sleeve.slits)
        heights = heights - 7.0 * (np.abs(off) < gap)
    grid, _ = _wall(
        (sleeve.x, sleeve.y),
        (np.full(len(angle), sleeve.contact_outer), np.full(len(angle), sleeve.contact_inner)),
        heights,
        (sleeve.contact_top - 12, sleeve.contact_top - (0.4 if sleeve.contact_inner < 0.1 else 11)),
    )
    bottom = np.full((1, CONTACT_COLUMNS, 3), (sleeve.x, sleeve.y, grid[-1, 0, 2]))
    return sheet(np.concatenate([grid, bottom]), metal, owner)


def _body(build: Build) -> list[Part]:
    """Flange behind the nose, handle and cable."""
    angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    family, z = build.family, build.flange_z
    inner = outline(family, angle) - 0.4
    outer = inner * build.flange
    heights = z - _edge(True, 2.5, _across(10)[:, None] * (outer - inner))
    grid, _ = _wall(family.nose_centre, (outer, inner), heights, (z - 26, z - 4))
    down = build.drop * np.pi / 2
    t = np.linspace(0, 1, 40)[:, None]
    way = np.array([0.0, -np.sin(down), -np.cos(down)])
    start = np.array([*family.nose_centre, z - 16.0])
    path = start + np.array([0, 0, -14.0]) * np.sin(t * np.pi / 2) + way * 150 * t**1.3
    swell = 1 + 0.35 * np.exp(-((t[:, 0] / 0.16) ** 2)) + 0.12 * np.sin(t[:, 0] * 9 + build.lattice % 6)
    handle = tube(path, build.handle_width * swell, build.body)
    rng = np.random.default_rng(build.lattice + 2)
    s = np.linspace(0, 1, 40)[:, None]
    swing = np.array([rng.uniform(-160, 160), rng.uniform(-160, 40), rng.uniform(-40, 0)])
    cord = path[-4] + way * 120 * s + swing * s**2
    cable = tube(cord, np.full(40, rng.uniform(6, 11)), Finish((0.02, 0.02, 0.02), 0.6))
    return [sheet(grid, build.body), handle, cable]
