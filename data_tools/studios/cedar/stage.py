"""Mitsuba scenes: always the same structure (five shapes, five materials, three lights, one lens)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from data_tools.studios import film
from data_tools.studios.cedar.camera import View
from data_tools.studios.cedar.meshes import Array, Ints, Mesh, grid_faces, normals
from data_tools.studios.cedar.sky import Light

DEPTH = 7


@dataclass(frozen=True)
class Plane:
    """A textured sheet: vertices (rows*columns x 3 mm), its grid, texture N x N x 3, roughness."""

    vertices: Array
    rows: int
    columns: int
    texture: Array
    rough: float


def _shape(
    name: str, vertices: Array, faces: Ints, bsdf: Any, attributes: Mapping[str, Array], uv: Array | None
) -> Any:
    import mitsuba as mi

    props = mi.Properties()
    props["mesh_bsdf"] = bsdf
    shape = mi.Mesh(
        name,
        len(vertices),
        len(faces),
        has_vertex_normals=True,
        has_vertex_texcoords=uv is not None,
        props=props,
    )
    params = mi.traverse(shape)
    params["vertex_positions"] = np.ascontiguousarray(vertices, np.float32).ravel()
    params["vertex_normals"] = normals(vertices, faces).ravel()
    params["faces"] = np.ascontiguousarray(faces, np.uint32).ravel()
    if uv is not None:
        params["vertex_texcoords"] = np.ascontiguousarray(uv, np.float32).ravel()
    params.update()
    for key, value in attributes.items():
        size = 3 if value.ndim == 2 else 1
        shape.add_attribute(key, size, np.ascontiguousarray(value, np.float32).ravel())  # type: ignore[arg-type]
    return shape


def _attributes(part: Mesh) -> dict[str, Array]:
    return {"vertex_color": part.colour, "vertex_rough": part.rough, "vertex_part": part.part}


def solid(name: str, part: Mesh, metallic: float, specular: float) -> Any:
    """Return a Mitsuba shape whose colour and roughness come from its vertices."""
    import mitsuba as mi

    bsdf = mi.load_dict(
        {
            "type": "twosided",
            "inner": {
                "type": "principled",
                "base_color": {"type": "mesh_attribute", "name": "vertex_color"},
                "roughness": {"type": "mesh_attribute", "name": "vertex_rough"},
                "metallic": metallic,
                "specular": specular,
            },
        }
    )
    return _shape(name, part.vertices, part.faces, bsdf, _attributes(part), None)


def glass(part: Mesh) -> Any:
    """Return water drops."""
    import mitsuba as mi

    bsdf = mi.load_dict({"type": "dielectric", "int_ior": 1.33})
    return _shape("drops", part.vertices, part.faces, bsdf, _attributes(part), None)


def sheet(name: str, plane: Plane) -> Any:
    """Return a textured sheet as a Mitsuba shape."""
    import mitsuba as mi

    bitmap = mi.Bitmap(np.ascontiguousarray(plane.texture, np.float32))
    inner = {
        "type": "principled",
        "roughness": plane.rough,
        "specular": 0.4,
        "base_color": {"type": "bitmap", "bitmap": bitmap, "raw": True, "wrap_mode": "mirror"},
    }
    bsdf = film.opaque({"type": "twosided", "inner": inner}, ("roughness.value",))
    count = plane.rows * plane.columns
    v, u = np.meshgrid(np.linspace(0, 1, plane.rows), np.linspace(0, 1, plane.columns), indexing="ij")
    attributes = {
        "vertex_color": np.zeros((count, 3), np.float32),
        "vertex_rough": np.ones(count, np.float32),
        "vertex_part": np.full(count, 5, np.float32),
    }
    faces = grid_faces(plane.rows, plane.columns, False)
    return _shape(name, plane.vertices, faces, bsdf, attributes, np.stack([u.ravel(), 1 - v.ravel()], 1))


def _sensor(view: View) -> Any:
    """Return the Mitsuba camera of a view."""
    import mitsuba as mi

    to_world = mi.ScalarTransform4f().look_at(
        origin=[float(v) for v in view.eye],
        target=[float(v) for v in view.target],
        up=[float(v) for v in view.up],
    )
    camera = {
        "type": "thinlens",
        "fov": view.fov,
        "to_world": to_world,
        "aperture_radius": view.aperture,
        "near_clip": 5.0,
        "far_clip": 60000.0,
        "focus_distance": float(np.linalg.norm(view.target - view.eye)),
    }
    return film.lens(camera, (view.width, view.height))


def _lights(light: Light, world: np.ndarray, view: View) -> dict[str, Any]:
    import mitsuba as mi

    turn = np.eye(4)
    turn[:3, :3] = world
    sun = world @ light.to_sun
    beside = view.eye + 9 * view.axes()[0] + 6 * view.axes()[1]
    strength = light.flash * float(np.linalg.norm(view.target - view.eye)) ** 2
    surround = {
        "type": "envmap",
        "bitmap": mi.Bitmap(np.ascontiguousarray(light.surround, np.float32)),
        "to_world": mi.ScalarTransform4f(turn.tolist()),
    }
    far = {
        "type": "directional",
        "direction": [float(-v) for v in sun],
        "irradiance": {"type": "rgb", "value": [float(v) for v in light.sun]},
    }
    near = {
        "type": "point",
        "position": [float(v) for v in beside],
        "intensity": {"type": "rgb", "value": [strength, strength * 0.97, strength * 0.92]},
    }
    return {
        "surround": film.opaque(surround, ("to_world",)),
        "sun": film.opaque(far, ("to_world", ".value")),
        "flash": film.opaque(near, ("position", ".value")),
    }


def lit(shapes: dict[str, Any], light: Light, world: np.ndarray, view: View) -> Any:
    """Return a scene with lights; ``world`` (3x3) turns the light's frame into the coupler's."""
    return film.load(
        {"integrator": {"type": "path", "max_depth": DEPTH}, **_lights(light, world, view), **shapes}
    )


def bare(shapes: dict[str, Any]) -> Any:
    """Return a scene of shapes only, for casting rays."""
    return film.load(shapes)


def render(scene: Any, view: View, samples: int, seed: int) -> Array:
    """Return linear radiance, H x W x 3."""
    picture = film.expose(scene, _sensor(view), (view.width, view.height), samples, seed)
    return _despeckled(np.nan_to_num(picture, nan=0.0, posinf=50.0).clip(0, 200))


def _despeckled(picture: Array) -> Array:
    """Replace lone pixels far brighter than their neighbours (rare light paths) by the local median."""
    middle = np.asarray(cv2.medianBlur(np.ascontiguousarray(picture, np.float32), 3))
    third = np.full((1, 3), 1 / 3)
    lone = np.asarray(cv2.transform(picture, third)) > 2.5 * np.asarray(cv2.transform(middle, third)) + 0.02
    return np.asarray(np.where(lone[..., None], middle, picture), np.float32)


@dataclass(frozen=True)
class Cast:
    """What the rays through pixel centres hit: H x W depth (mm), position, normal, colour, part (-1: sky)."""

    depth: Array
    position: Array
    normal: Array
    colour: Array
    part: Array


def cast(scene: Any, view: View) -> Cast:
    """Cast one ray through each pixel centre of ``view``."""
    import drjit as dr
    import mitsuba as mi

    h, w = view.height, view.width
    # rays come as arrays: numbers written into the kernel would have it compiled anew for each view
    y, x = np.mgrid[0:h, 0:w].reshape(2, -1) + 0.5
    local = np.stack([(x - w / 2) / view.focal, (h / 2 - y) / view.focal, np.ones(h * w)])
    way = view.axes().T @ (local / np.linalg.norm(local, axis=0))
    origin = mi.Point3f(*(dr.opaque(mi.Float, float(v)) for v in view.eye))
    si = scene.ray_intersect(mi.Ray3f(origin, mi.Vector3f(np.float32(way))))
    hit = si.is_valid()
    part = dr.select(hit, si.shape.eval_attribute_1("vertex_part", si, hit), -1)
    colour = si.shape.eval_attribute_3("vertex_color", si, hit)
    depth, place, normal = dr.select(hit, si.t, 1e6), si.p, si.sh_frame.n
    dr.eval(depth, place, normal, colour, part)  # all at once: each alone would trace the rays again

    def picture(value: Any) -> Array:
        channels = [np.array(value[i], np.float32).reshape(h, w) for i in range(3)]
        return np.stack(channels, axis=-1)

    return Cast(
        np.array(depth, np.float32).reshape(h, w),
        picture(place),
        picture(normal),
        picture(colour),
        np.rint(np.array(part, np.float32).reshape(h, w)),
    )
