"""The insulating part inside the nose: floor, pin housings (sleeves), webs, ribs, drain holes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from data_tools.rendering.breakage import Break
from data_tools.rendering.melting import Melt
from data_tools.rendering.mouths import Mouth, most_proud
from data_tools.rendering.noise import noise
from data_tools.rendering.outline import nose_outline
from data_tools.rendering.sdf import (
    Array,
    Grid,
    cut_out,
    extrude,
    graded,
    length,
    segment,
    smooth_max,
    smooth_min,
    surface,
)
from data_tools.rendering.spec import CouplerSpec, Mesh
from model.families import Family, family

_STEP = 0.42
_STEP_WIDE = 0.46


def insulator_grid(shape: Family, build: dict[str, Any]) -> Grid:
    """Return the grid: even across the face, fine at the mouths and coarser with depth."""
    step = _STEP if shape.nose_width < 50 else _STEP_WIDE
    half_x = shape.nose_width / 2 - build["nose_wall"] + 0.8
    cx, cy = shape.nose_centre
    half_y = shape.nose_height / 2 - build["nose_wall"] + 0.8
    deepest = -max(build["floor_depth"], build["bore_depth"]) - 2.0
    x = np.arange(cx - half_x, cx + half_x, step, dtype=np.float32)
    y = np.arange(cy - half_y, cy + half_y, step, dtype=np.float32)
    return Grid(x, y, graded(-3.0, 0.6, 0.36, deepest, 2.2, 1.13))


def centres(shape: Family, build: dict[str, Any]) -> NDArray[np.float64]:
    """Return the sleeve centres of this coupler, Nx2 mm in table order: table value plus its offset."""
    return shape.contact_centres() + np.asarray(build["offsets"], np.float64)


def _pick(axis: Array, where: tuple[slice, slice]) -> Array:
    """Cut a window out of an array that may still be waiting to broadcast along x or y."""
    first = where[0] if axis.shape[0] > 1 else slice(None)
    second = where[1] if axis.shape[1] > 1 else slice(None)
    return axis[first, second]


def _bore(
    x: Array, y: Array, z: Array, build: dict[str, Any], index: int, radius: float, top: float
) -> Array:
    """Return the void of one bore around its own axis: round, D-shaped, two flats or with a key slot."""
    chamfer = float(build["mouth_chamfer"])
    wide = np.float32(chamfer) * np.clip(
        (z - np.float32(top - max(chamfer, 0.05))) / max(chamfer, 0.05), 0, 2
    )
    outline = length(x, y) - np.float32(radius) - wide
    kind, turn = build["bore_shape"][index], float(build["bore_turn"][index])
    u = x * np.float32(np.cos(turn)) + y * np.float32(np.sin(turn))
    v = y * np.float32(np.cos(turn)) - x * np.float32(np.sin(turn))
    if kind == "d":
        outline = np.maximum(outline, u - np.float32(radius * 0.72) - wide)
    elif kind == "flats":
        outline = np.maximum(outline, np.abs(u) - np.float32(radius * 0.82) - wide)
    elif kind == "key":
        slot = np.maximum(np.abs(v) - np.float32(0.8), np.abs(u - np.float32(radius)) - np.float32(0.7))
        outline = np.minimum(outline, slot + 0 * z)
    result: Array = np.maximum(outline, np.float32(-build["bore_depth"]) - z)
    return result


def _notches(x: Array, y: Array, z: Array, notches: dict[str, Any], top: float) -> Array:
    """Return the void of keying notches that run across a mouth as moulded: straight, evenly turned."""
    across = None
    for number in range(int(notches["cuts"])):
        turn = float(notches["turn"]) + np.pi * number / int(notches["cuts"])
        line = np.abs(y * np.float32(np.cos(turn)) - x * np.float32(np.sin(turn)))
        across = line if across is None else np.minimum(across, line)
    assert across is not None
    half, low = np.float32(notches["half_width"]), np.float32(top - notches["depth"])
    result: Array = np.maximum(across - half, low - z)
    return result


def _floor(x: Array, y: Array, z: Array, shape: Family, build: dict[str, Any]) -> Array:
    field = z + np.float32(build["floor_depth"])
    for hole_x, hole_y, radius in build["drains"]:
        void = np.maximum(
            length(x - np.float32(hole_x), y - np.float32(hole_y)) - np.float32(radius),
            np.float32(-build["floor_depth"] - 5.0) - z,
        )
        field = smooth_max(field, -void, 0.4)
    for angle, height in build["ribs"]:
        far = shape.nose_width / 2
        end = (far * float(np.cos(angle)), far * float(np.sin(angle)) + shape.nose_centre[1])
        inner = (0.62 * end[0], 0.62 * end[1])
        rib = extrude(
            segment(x, y, inner, end) - np.float32(0.9), z, -60.0, -build["floor_depth"] + height, 0.4
        )
        field = smooth_min(field, rib, 0.6)
    result: Array = field
    return result


def _between(x: Array, y: Array, z: Array, shape: Family, build: dict[str, Any]) -> Array | None:
    """Return what joins the sleeves: one body with bores, a body hugging them (petal), or webs between
    neighbours, to a hub or along a ring; None for none of these."""
    middles = centres(shape, build)
    cx, cy = shape.nose_centre
    if build["style"] == "petal":
        radii = [c.sleeve_diameter / 2 for c in shape.contacts]
        around = [
            length(x - np.float32(mx), y - np.float32(my)) - np.float32(r + build["body_gap"])
            for (mx, my), r in zip(middles, radii, strict=True)
        ]
        joined = around[0]
        for one in around[1:]:
            joined = smooth_min(joined, one, 2.0)
        return extrude(joined, z, -60.0, min(build["body_top"], -0.5), build["body_round"])
    if build["style"] in ("hub", "ring"):
        away = length(x - np.float32(cx), y - np.float32(cy))
        if build["style"] == "ring":
            line = np.abs(away - np.float32(0.25 * shape.nose_width))
        else:
            line = away - np.float32(1.5)
            for middle in middles:
                line = np.minimum(line, segment(x, y, (cx, cy), tuple(middle)))
        return extrude(line - np.float32(build["web_half"]), z, -60.0, build["web_top"], 0.4)
    if build["style"] == "body":
        outline = nose_outline(shape, build)(x, y) + np.float32(build["nose_wall"] + build["body_gap"])
        return extrude(outline, z, -60.0, build["body_top"], build["body_round"])
    if build["style"] == "webbed":
        near = None
        for first, second in build["webs"]:
            line = segment(x, y, tuple(middles[int(first)]), tuple(middles[int(second)]))
            near = line if near is None else np.minimum(near, line)
        if near is not None:
            return extrude(near - np.float32(build["web_half"]), z, -60.0, build["web_top"], 0.4)
    return None


def insulator_field(x: Array, y: Array, z: Array, grid: Grid, shape: Family, build: dict[str, Any]) -> Array:
    """Return the signed distance of the whole intact insulator at (possibly displaced) grid coordinates."""
    field = _floor(x, y, z, shape, build)
    joined = _between(x, y, z, shape, build)
    if joined is not None:
        field = smooth_min(field, joined, build["fillet"])
    field = np.array(np.broadcast_to(field, grid.shape), np.float32)
    middles = centres(shape, build)
    for index, contact in enumerate(shape.contacts):
        radius = contact.sleeve_diameter / 2 + build["sleeve_grow"][index]
        bore = contact.bore_diameter / 2 + build["bore_grow"][index]
        cx, cy = (float(value) for value in middles[index])
        where = grid.window((cx, cy), radius + 8.0)
        lx, ly, lz = _pick(x, where) - np.float32(cx), _pick(y, where) - np.float32(cy), _pick(z, where)
        top = -float(build["drops"][index])
        draft = np.float32(0.008) * (np.float32(top) - lz)
        mouth = Mouth(shape, build, index)
        flank = mouth.shaped(length(lx, ly) - np.float32(radius) - draft, lx, ly, lz)
        solid = extrude(flank, lz, -60.0, top, build["mouth_round"])
        if build.get("notches"):
            solid = np.maximum(solid, -_notches(lx, ly, lz, build["notches"], top))
        field[where] = smooth_min(field[where], solid, build["fillet"])
        mouth.lower(field, grid, x, y, z, cx, cy)
        field[where] = smooth_max(
            field[where], -_bore(lx, ly, lz, build, index, bore, top), build["bore_round"]
        )
    return field


Solid = tuple[Grid, Array]
"""A grid and the signed distances on it."""


def insulator_solid(spec: CouplerSpec, melts: Sequence[Melt]) -> Solid:
    """Return the insulator as worn and melted, before anything breaks out of it."""
    shape, build = family(spec.family), spec.build
    grid = insulator_grid(shape, build)
    x, y, z = grid.coordinates()
    at = (x, y, z)
    for melt in melts:
        at = melt.undo(*at)
    field = insulator_field(*at, grid, shape, build)
    if build["mouth_nicks"]:
        # Years of plugging in nick every mouth a little; that is wear, not breakage.
        front = grid.z > -2.5
        worn = np.minimum(noise(x, y, z[..., front], 1.5, spec.seed + 62, 2) + np.float32(0.1), 0.0)
        field[..., front] -= np.float32(2.0 * build["mouth_nicks"]) * worn
    for melt in melts:
        field = melt.soften(field, grid)
    return grid, field


def build_insulator(spec: CouplerSpec, solid: Solid, breaks: Sequence[Break]) -> list[Mesh]:
    """Return the meshes ``sleeve:<place>`` for each pin housing, and ``floor``; ``solid`` stays as it is."""
    shape, build = family(spec.family), spec.build
    grid, field = solid[0], solid[1].copy()
    x, y, z = grid.coordinates()
    for hit in breaks:
        where = grid.window(hit.centre, hit.reach)
        field[where] = np.maximum(field[where], -hit.cut(x[where[0]], y[:, where[1]], z))
    # What lies outside the nose's inner wall cannot be seen and must not stick out of it.
    outline = nose_outline(shape, build)(x, y) + np.float32(build["nose_wall"] - 0.5)
    field = np.maximum(field, outline.astype(np.float32))
    vertices, faces = surface(field, grid)
    return _split(vertices, faces, shape, build)


def _split(
    vertices: NDArray[np.float32], faces: NDArray[np.uint32], shape: Family, build: dict[str, Any]
) -> list[Mesh]:
    """Cut one surface into named parts by the nearest contact axis."""
    middles = centres(shape, build)
    centre_x, centre_y = (
        sum(vertices[:, axis].take(faces[:, k]) for k in range(3)) / np.float32(3.0) for axis in range(2)
    )
    nearest, best = np.full(len(faces), -1), np.zeros(len(faces))
    around = build["fillet"] * 0.5 + 0.5 + most_proud(build.get("mouths", ()))
    for index, ((x, y), contact) in enumerate(zip(middles, shape.contacts, strict=True)):
        away = length(centre_x - x, centre_y - y)
        away -= contact.sleeve_diameter / 2 + around
        nearest[away < best] = index
        np.minimum(best, away, out=best)
    names = ["floor", *(f"sleeve:{contact.place.value}" for contact in shape.contacts)]
    return [
        Mesh(name, "plastic", *cut_out(vertices, faces[nearest == number]), smooth=True)
        for number, name in enumerate(names, start=-1)
    ]
