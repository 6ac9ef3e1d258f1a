"""From solids to Mitsuba: four meshes of one kind of material, an environment and, at night, a flash."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from data_tools.studios.film import load, opaque
from data_tools.studios.fir import heat, paint
from data_tools.studios.fir.coupler import Part
from data_tools.studios.fir.make import Finish, Make
from data_tools.studios.fir.solids import Floats, Skin, skin

_DEPTH = 5
_BEHIND_MM = -120.0


@dataclass(frozen=True)
class Mesh:
    """Corners with all that the material reads at them, triangles, and the maps over them."""

    points: Floats
    normals: Floats
    spots: Floats
    colour: Floats
    rough: Floats
    metal: Floats
    triangles: NDArray[np.int64]
    coat: paint.Coat


def merged(pieces: Sequence[tuple[Skin, Floats, tuple[Floats, Floats, Floats]]], coat: paint.Coat) -> Mesh:
    """Return one mesh of many pieces: surface, places on the maps, (colour, roughness, metalness)."""
    starts = np.cumsum([0, *(len(s.points) for s, _, _ in pieces)])
    return Mesh(
        np.vstack([s.points for s, _, _ in pieces]), np.vstack([s.normals for s, _, _ in pieces]),
        np.vstack([uv for _, uv, _ in pieces]), np.vstack([c for _, _, (c, _, _) in pieces]),
        np.concatenate([r for _, _, (_, r, _) in pieces]), np.concatenate([m for _, _, (_, _, m) in pieces]),
        np.vstack([s.triangles + k for (s, _, _), k in zip(pieces, starts, strict=False)]), coat,
    )  # fmt: skip


def coupler_mesh(make: Make, parts: list[Part], melts: list[heat.Melt], coat: paint.Coat) -> Mesh:
    """Return the mesh of a coupler's parts after what heat did to them."""
    rng = np.random.default_rng(make.seed + 1)
    pieces = []
    for part in parts:
        surface = skin(part.body, part.edge, part.cutters, back=_hidden(part, make))
        hot = melts if part.name != "cable" else []
        painted = paint.colours(rng, surface, part.finish, hot, paint.fresh_face(rng, part.finish))
        far = part.name in ("barrel", "cable")
        spots = paint.boxed(surface, paint.MAP_MM) if far else paint.coordinates(surface)
        pieces.append((heat.melted(surface, melts if part.soft else [], make), spots, painted))
    return merged(pieces, coat)


def _hidden(part: Part, make: Make) -> float:
    """Return the z behind which nobody sees a part from the front."""
    return (
        make.floor - 0.8
        if part.name == "insert"
        else make.floor - 3
        if part.name == "contact"
        else _BEHIND_MM * 9
    )


def plain_mesh(bodies: Sequence[tuple[Any, Finish, float]], coat: paint.Coat, tile: float) -> Mesh:
    """Return the mesh of other things: (solid, finish, triangle length), maps repeating every ``tile`` mm."""
    pieces = []
    rng = np.random.default_rng(len(bodies))
    for body, finish, edge in bodies:
        surface = skin(body, edge, sharp=50)
        pieces.append((surface, paint.boxed(surface, tile), paint.colours(rng, surface, finish, [], finish)))
    return merged(pieces, coat)


def _bitmap(pixels: NDArray[Any]) -> dict[str, Any]:
    import mitsuba as mi

    pixels = np.ascontiguousarray(pixels, np.float32)
    return {
        "type": "bitmap",
        "bitmap": mi.Bitmap(pixels if pixels.ndim == 3 else pixels[..., None]),
        "raw": True,
    }


def _material(coat: paint.Coat) -> dict[str, Any]:
    def corner(name: str) -> dict[str, Any]:
        return {"type": "mesh_attribute", "name": f"vertex_{name}"}

    plastic = {
        "type": "principled", "base_color": corner("colour"), "roughness": corner("rough"),
        "metallic": corner("metal"), "specular": 0.5,
    }  # fmt: skip
    dust = {"type": "diffuse", "reflectance": _bitmap(coat.dirt[..., :3])}
    return {
        "type": "blendbsdf", "weight": _bitmap(coat.dirt[..., 3]),
        "clean": {"type": "bumpmap", "relief": _bitmap(coat.relief), "scale": 1.0, "plastic": plastic},
        "dirty": {"type": "twosided", "dust": dust},
    }  # fmt: skip


def loaded(mesh: Mesh) -> Any:
    """Return a mesh as Mitsuba's."""
    import mitsuba as mi

    settings = mi.Properties()
    settings["mesh_bsdf"] = mi.load_dict(_material(mesh.coat))
    made = mi.Mesh("part", len(mesh.points), len(mesh.triangles), settings, True, True)
    for name, width in (("colour", 3), ("rough", 1), ("metal", 1)):
        made.add_attribute(f"vertex_{name}", width, [0.0] * (width * len(mesh.points)))
    params = mi.traverse(made)
    values = {
        "vertex_positions": mesh.points, "vertex_normals": mesh.normals, "vertex_texcoords": mesh.spots,
        "vertex_colour": mesh.colour, "vertex_rough": mesh.rough, "vertex_metal": mesh.metal,
    }  # fmt: skip
    for name, value in values.items():
        params[name] = np.ascontiguousarray(value, np.float32).ravel()
    params["faces"] = np.ascontiguousarray(mesh.triangles, np.uint32).ravel()
    params.update()
    return made


def assemble(
    meshes: Sequence[Any], sky: NDArray[np.float32], turn: Floats, flash: tuple[Floats, float] | None
) -> Any:
    """Return the scene of loaded meshes under a sky (turned by a 3 x 3 matrix), with a flash (place,
    strength) or without."""
    import mitsuba as mi

    around = np.eye(4)
    around[:3, :3] = turn
    world: dict[str, Any] = {f"mesh{k}": mesh for k, mesh in enumerate(meshes)}
    pose = mi.ScalarTransform4f(around.tolist())
    world["sky"] = {"type": "envmap", "bitmap": mi.Bitmap(sky), "to_world": pose}
    if flash is not None:
        place, strength = flash
        lamp = {"type": "point", "position": [float(v) for v in place], "intensity": float(strength)}
        world["flash"] = opaque(lamp, ("intensity.value", "position"))
    return load({"integrator": {"type": "path", "max_depth": _DEPTH}, **world})
