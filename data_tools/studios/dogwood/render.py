"""Mitsuba scenes of one mesh before a backdrop, their pictures, and what a ray meets."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import import_module
from typing import Any

import numpy as np
from numpy.typing import NDArray

from data_tools.studios.dogwood.camera import Camera
from data_tools.studios.dogwood.light import Light
from data_tools.studios.dogwood.mesh import Floats, Ints, Part

MAX_DEPTH = 5


@dataclass(frozen=True)
class Hits:
    """What rays met: distance (N,) mm, inf where nothing; normal and albedo (N, 3), metallic and owner (N,).
    Owner -1 is the backdrop or nothing."""

    distance: NDArray[np.float64]
    normal: Floats
    albedo: Floats
    metallic: Floats
    owner: Ints


@cache
def _surface(variant: str) -> Any:
    """The one material, read from the mesh's points; kept so that its kernels stay compiled."""
    return import_module("mitsuba").load_dict(
        {
            "type": "twosided",
            "bsdf": {
                "type": "principled",
                "base_color": {"type": "mesh_attribute", "name": "vertex_albedo"},
                "roughness": {"type": "mesh_attribute", "name": "vertex_roughness"},
                "metallic": {"type": "mesh_attribute", "name": "vertex_metallic"},
                "specular": 0.45,
            },
        }
    )


def _mesh(mi: Any, part: Part) -> Any:
    props = mi.Properties()
    props["mesh_bsdf"] = _surface(mi.variant())
    mesh = mi.Mesh("subject", len(part.points), len(part.faces), has_vertex_normals=True, props=props)
    mesh.add_attribute("vertex_albedo", 3, part.albedo.ravel())
    mesh.add_attribute("vertex_roughness", 1, part.roughness.ravel())
    mesh.add_attribute("vertex_metallic", 1, part.metallic.ravel())
    params = mi.traverse(mesh)
    params["vertex_positions"] = np.ascontiguousarray(part.points).ravel()
    params["vertex_normals"] = np.ascontiguousarray(part.normals).ravel()
    params["faces"] = np.ascontiguousarray(part.faces).astype(np.uint32).ravel()
    params.update()
    return mesh


def ray_scene(part: Part) -> Any:
    """A scene to send rays at, without light or backdrop."""
    mi = import_module("mitsuba")
    return mi.load_dict({"type": "scene", "subject": _mesh(mi, part)})


def cast(part: Part, camera: Camera, pixels: NDArray[np.floating], scene: Any) -> Hits:
    """Send rays through ``pixels`` (N, 2), in the frame or not, at the ``scene`` of ``part``."""
    mi = import_module("mitsuba")
    ways = camera.rays(pixels).T.astype(np.float32)
    start = np.repeat(camera.position[:, None].astype(np.float32), ways.shape[1], axis=1)
    hit = scene.ray_intersect_preliminary(mi.Ray3f(mi.Point3f(start), mi.Vector3f(ways)), coherent=True)
    distance, number = np.array(hit.t, dtype=np.float64), np.array(hit.prim_index, dtype=np.int64)
    face = part.faces[np.where(number < len(part.faces), number, 0)]
    subject = next(shape for shape in scene.shapes() if shape.is_mesh())
    nothing = ~np.array(hit.shape == mi.ShapePtr(subject), dtype=bool)
    corners = part.points[face]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
    return Hits(
        np.where(nothing, np.inf, distance),
        normal,
        part.albedo[face].mean(axis=1),
        part.metallic[face[:, 0]],
        np.where(nothing, -1, part.owner[face[:, 0]]).astype(np.int32),
    )


def build_scene(
    part: Part, light: Light, camera: Camera, backdrop: Floats, behind: float, stretch: float
) -> Any:
    """The scene: the mesh, a backdrop ``behind`` mm behind the face, its picture enlarged by ``stretch``."""
    mi = import_module("mitsuba")
    to_world = mi.ScalarTransform4f
    distance = float(np.linalg.norm(camera.position))
    side = 4.0 * (distance + behind) * stretch
    lens = camera.position + 9.0 * camera.axes[0] - 7.0 * camera.axes[1]
    return mi.load_dict(
        {
            "type": "scene",
            "sky": {"type": "envmap", "bitmap": mi.Bitmap(light.sky)},
            "flash": {
                "type": "point",
                "position": lens.tolist(),
                "intensity": {"type": "rgb", "value": (light.flash * distance**2 * 4).tolist()},
            },
            "subject": _mesh(mi, part),
            "backdrop": {
                "type": "rectangle",
                "to_world": to_world().translate([*camera.position[:2].tolist(), -behind]).scale(side),
                "bsdf": {
                    "type": "diffuse",
                    "reflectance": {
                        "type": "bitmap",
                        "bitmap": mi.Bitmap(backdrop),
                        "raw": True,
                        "wrap_mode": "mirror",
                        "to_uv": to_world().scale(8.0),
                    },
                },
            },
        }
    )


def expose(scene: Any, camera: Camera, samples: int, lens_mm: float, seed: int) -> Floats:
    """The radiance (H, W, 3) that reaches a lens ``lens_mm`` wide, focused on the face.

    Rays are made here and not by a sensor of the renderer: its film size and lens are written into the
    compiled kernels, which would then be compiled anew for nearly every photo.
    """
    mi, dr = import_module("mitsuba"), import_module("drjit")
    path = mi.load_dict({"type": "path", "max_depth": MAX_DEPTH, "rr_depth": 4})
    sampler = mi.load_dict({"type": "independent", "sample_count": samples})
    count = camera.width * camera.height * samples
    sampler.seed(seed, count)

    def number(value: float) -> Any:
        return dr.opaque(mi.Float, float(value))

    def vector(values: NDArray[np.floating]) -> Any:
        return mi.Vector3f(*(number(v) for v in values))

    width = dr.opaque(mi.UInt32, camera.width)
    pixel = dr.arange(mi.UInt32, count) // dr.opaque(mi.UInt32, samples)
    row = pixel // width
    jitter, disc = sampler.next_2d(), mi.warp.square_to_uniform_disk_concentric(sampler.next_2d())
    x = (mi.Float(pixel - row * width) + jitter.x - number(camera.width / 2)) / number(camera.focal)
    y = (mi.Float(row) + jitter.y - number(camera.height / 2)) / number(camera.focal)
    right, down, forward = (vector(axis) for axis in camera.axes)
    lens = (right * disc.x + down * disc.y) * number(lens_mm / 2)
    sharp = number(float(camera.axes[2] @ -camera.position))
    way = dr.normalize((right * x + down * y + forward) * sharp - lens)
    ray = mi.RayDifferential3f(mi.Point3f(*(number(v) for v in camera.position)) + lens, way)
    light, _, _ = path.sample(scene, sampler, ray)
    dr.eval(light)  # once for all three channels
    sums = [np.array(dr.block_sum(channel, samples), np.float32) for channel in (light.x, light.y, light.z)]
    picture = np.stack(sums, axis=-1).reshape(camera.height, camera.width, 3)
    return np.asarray(np.nan_to_num(picture / samples), np.float32)
