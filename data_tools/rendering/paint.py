"""The coupler as it left the factory and as it aged: plastics, metals, fading, wear, scratches."""

from __future__ import annotations

from typing import Any

import numpy as np

from data_tools.rendering.canvas import Canvas
from data_tools.rendering.mouths import most_proud
from data_tools.rendering.noise import Array, smoothstep
from data_tools.rendering.spec import CouplerSpec
from model.families import family

_PLASTIC_OF = {
    "rim": "shell",
    "shell": "head",
    "floor": "sleeve",
    "body": "handle",
    "release": "release",
    "cable": "cable",
    "latch_hook": "latch",
    "latch_lever": "latch",
    "latch_stub": "latch",
}


def paint_new(canvas: Canvas, spec: CouplerSpec) -> None:
    """Paint every part in its own plastic or metal, with moulding mottle and surface grain."""
    finish, seed = spec.finish, spec.seed
    for index, mesh in enumerate(canvas.meshes):
        part = slice(int(canvas.starts[index]), int(canvas.starts[index + 1]))
        if mesh.part.startswith("contact:") or mesh.part == "pivot":
            continue
        sleeve = mesh.part.startswith("sleeve:")
        odd = sleeve and mesh.part in _odd_sleeves(spec)
        name = "odd_sleeve" if odd else "sleeve" if sleeve else _PLASTIC_OF.get(mesh.part, "sleeve")
        canvas.albedo[part] = finish[name]
        canvas.roughness[part] = finish["sleeve_gloss" if sleeve or mesh.part == "floor" else "gloss"]
        if mesh.part == "cable":
            canvas.roughness[part] = 0.6
    _paint_floor(canvas, spec)
    mottle = canvas.noise(6.0, seed + 1, 3)
    canvas.albedo *= (1 + finish["mottle"] * mottle)[:, None]
    canvas.roughness += finish["grain"] * canvas.noise(0.7, seed + 2) + 0.06 * mottle
    if finish["flow_lines"]:
        lines = np.sin(canvas.x * 0.9 + canvas.y * 0.6 + 5.0 * canvas.noise(18.0, seed + 3))
        canvas.albedo *= (1 + finish["flow_lines"] * lines)[:, None]
    _paint_moulding(canvas, spec)
    _paint_make(canvas, spec)
    _paint_metal(canvas, spec)


def _odd_sleeves(spec: CouplerSpec) -> set[str]:
    """Return the part names of the sleeves that are moulded in another colour."""
    places = family(spec.family).housing_places
    return {f"sleeve:{place}" for place, odd in zip(places, spec.finish["odd_sleeves"], strict=False) if odd}


def _paint_moulding(canvas: Canvas, spec: CouplerSpec) -> None:
    """Paint what the mould left: the parting line along the outside, the marks of the ejector pins."""
    finish = spec.finish
    if finish["parting"]:
        outside = canvas.where(lambda part: part in ("rim", "shell", "body"))
        away = np.abs(
            canvas.x * np.float32(np.sin(finish["parting_at"]))
            - canvas.y * np.float32(np.cos(finish["parting_at"]))
        )
        line = outside * (1 - smoothstep(0.2, 0.55, away)) * np.float32(finish["parting"])
        canvas.roughness += (0.8 - canvas.roughness) * 0.7 * line
        canvas.albedo *= (1 - 0.3 * line)[:, None]
    inside = canvas.where(lambda part: part == "floor") & (canvas.normals[:, 2] > 0.8)
    for x, y, radius, strength in finish["ejectors"]:
        away = np.hypot(canvas.x[inside] - np.float32(x), canvas.y[inside] - np.float32(y))
        ring = 1 - smoothstep(0.15, 0.5, np.abs(away - np.float32(radius)))
        disc = 1 - smoothstep(radius - 0.2, radius + 0.2, away)
        canvas.albedo[inside] *= (1 - np.float32(0.45 * strength) * ring)[:, None]
        canvas.roughness[inside] -= np.float32(0.2 * strength) * disc


def _paint_make(canvas: Canvas, spec: CouplerSpec) -> None:
    """Paint what only some makes have: flakes of other plastic in a recycled one, tips of another plastic,
    a dyed hook."""
    finish, seed = spec.finish, spec.seed
    for number, (colour, least, size) in enumerate(finish.get("flakes", [])):
        flake = smoothstep(least, least + 0.06, canvas.noise(size, seed + 81 + number, 2))
        canvas.blend(colour, flake)
    if dye := finish.get("hook_tip"):
        border = float(spec.build["latch_tip"] - dye["share"] * spec.build["hook_length"])
        dyed = canvas.where(lambda part: part.startswith("latch"))
        dyed = dyed * smoothstep(border - 0.15, border + 0.15, canvas.z)
        canvas.blend(dye["colour"], dyed.astype(np.float32))
    if tip := finish.get("tip"):
        sleeve = canvas.where(lambda part: part.startswith("sleeve:"))
        uneven = 0.25 * canvas.noise(3.0, seed + 80, 1, sleeve)
        band = sleeve * smoothstep(-tip["depth"] - 0.5, -tip["depth"] + 0.5, canvas.z + uneven)
        canvas.blend(tip["colour"], band.astype(np.float32), tip["roughness"])


def _paint_floor(canvas: Canvas, spec: CouplerSpec) -> None:
    """Give the floor its own colour up to the foot of each sleeve, a smooth border away from mesh parts."""
    if spec.build["style"] == "body" and not spec.build["inserts"]:
        return
    shape = family(spec.family)
    near = np.full(len(canvas.x), 9.0, np.float32)
    for contact, (dx, dy), grow in zip(
        shape.contacts, spec.build["offsets"], spec.build["sleeve_grow"], strict=True
    ):
        away = (
            np.hypot(canvas.x - contact.x - dx, canvas.y - contact.y - dy)
            - contact.sleeve_diameter / 2
            - grow
            - most_proud(spec.build.get("mouths", ()))
        )
        near = np.minimum(near, away)
    insulator = canvas.where(lambda part: part.startswith("sleeve:") or part == "floor")
    canvas.blend(spec.finish["floor"], (insulator * smoothstep(0.25, 0.6, near)).astype(np.float32))


def _paint_metal(canvas: Canvas, spec: CouplerSpec) -> None:
    """Paint the sockets: bright alloy with tarnish, worn-bright lips, green corrosion where drawn."""
    finish, seed = spec.finish, spec.seed
    on_metal = canvas.where(lambda part: part.startswith("contact:") or part == "pivot").astype(np.float32)
    if spec.build.get("hook_metal"):
        on_metal += canvas.where(lambda part: part == "latch_hook").astype(np.float32)
    canvas.blend(finish["metal"], on_metal, finish["metal_rough"], 1.0)
    patches = smoothstep(
        0.5 - 0.9 * finish["tarnish"],
        0.9 - 0.6 * finish["tarnish"],
        canvas.noise(2.0, seed + 5, 2, on_metal > 0),
    )
    dull = on_metal * patches * np.float32(0.85 * finish["tarnish"])
    canvas.blend([0.12, 0.085, 0.055], dull, 0.65, 0.75)
    if finish["socket_dark"]:
        _darken_sockets(canvas, spec)
    if finish["bright_worn"]:
        canvas.blend([0.86, 0.85, 0.83], on_metal * smoothstep(0.1, 0.4, canvas.convex), 0.12, 1.0)
    if finish["verdigris"]:
        green = (
            on_metal
            * smoothstep(0.15, 0.5, canvas.noise(1.6, seed + 6, 2, on_metal > 0))
            * np.float32(finish["verdigris"])
        )
        canvas.blend([0.13, 0.38, 0.30], green, 0.9, 0.0)


def _darken_sockets(canvas: Canvas, spec: CouplerSpec) -> None:
    """Darken the sockets' insides with depth: no light comes back from their dirty, narrow bottoms."""
    for mesh, start, stop in zip(canvas.meshes, canvas.starts[:-1], canvas.starts[1:], strict=True):
        if not mesh.part.startswith("contact:"):
            continue
        part = slice(int(start), int(stop))
        z = canvas.z[part]
        deep = smoothstep(0.8, 3.5, z.max() - z) * np.float32(spec.finish["socket_dark"])
        canvas.albedo[part] *= (1 - 0.93 * deep)[:, None]
        canvas.metallic[part] *= 1 - 0.8 * deep
        canvas.roughness[part] += deep * (0.8 - canvas.roughness[part])


def paint_age(canvas: Canvas, spec: CouplerSpec) -> None:
    """Paint fading by the sun, worn edges, scuffs and scratches."""
    finish, seed = spec.finish, spec.seed
    plastic = 1.0 - canvas.metallic
    if finish["fade"]:
        exposed = smoothstep(
            -0.2,
            0.9,
            0.5 * canvas.normals[:, 1] + 0.6 * canvas.normals[:, 2] + 0.2 * canvas.noise(14.0, seed + 7),
        )
        target = [0.5, 0.5, 0.49] if finish["fade_white"] else [0.34, 0.30, 0.22]
        canvas.blend(target, plastic * exposed * np.float32(0.45 * finish["fade"]), 0.75)
    lighter = _lighter(canvas, 0.4)
    edge = smoothstep(0.12, 0.5, canvas.convex) * smoothstep(-0.3, 0.5, canvas.noise(3.0, seed + 8, 2))
    worn = plastic * edge * np.float32(finish["edge_wear"])
    if finish["edge_polished"]:
        canvas.roughness += worn * (0.15 - canvas.roughness)
    else:
        canvas.blend(lighter, 0.7 * worn, 0.75)
    if finish["rim_scuff"]:
        lip = canvas.where(lambda part: part == "rim") & (canvas.z > spec.build["recess"] - 2.0)
        rubbed = lip * smoothstep(0.2, 0.5, canvas.noise(1.5, seed + 10, 3, lip)) * plastic
        canvas.blend(lighter, rubbed.astype(np.float32) * np.float32(0.9 * finish["rim_scuff"]), 0.8)
    if finish["latch_scuff"]:
        hook = canvas.where(lambda part: part in ("latch_hook", "latch_stub"))
        rubbed = hook * smoothstep(0.1, 0.5, canvas.noise(2.2, seed + 9, 3, hook)) * plastic
        canvas.blend(lighter, rubbed.astype(np.float32) * np.float32(0.8 * finish["latch_scuff"]), 0.8)
    for number, (x, y, reach, strength) in enumerate(finish["scuffs"]):
        away = np.hypot(canvas.x - x, canvas.y - y)
        patch = 1 - smoothstep(
            0.3 * reach,
            reach,
            away + reach * 0.5 * canvas.noise(1.1, seed + 20 + number, 2, away < 2 * reach),
        )
        canvas.blend(lighter, patch * plastic * np.float32(0.8 * strength) * (canvas.z > -6), 0.85)
    _scratch(canvas, finish["scratches"], lighter * plastic[:, None] + canvas.albedo * (1 - plastic[:, None]))


def _lighter(canvas: Canvas, amount: float) -> Array:
    """Return each vertex's own colour, whitened as rubbed or broken plastic is."""
    return canvas.albedo + np.float32(amount) * (np.float32(0.5) - canvas.albedo) * (canvas.albedo < 0.5)


def _scratch(canvas: Canvas, scratches: list[list[Any]], colour: Array) -> None:
    for x0, y0, x1, y1, half, strength in scratches:
        length2 = (x1 - x0) ** 2 + (y1 - y0) ** 2
        t = np.clip(((canvas.x - x0) * (x1 - x0) + (canvas.y - y0) * (y1 - y0)) / max(length2, 1e-6), 0, 1)
        away = np.hypot(canvas.x - x0 - t * (x1 - x0), canvas.y - y0 - t * (y1 - y0))
        line = (1 - smoothstep(0.5 * half, half + 0.2, away)) * (canvas.z > -2.0) * np.float32(strength)
        canvas.blend(colour, line.astype(np.float32), 0.7)
