"""From meshes, sky and backdrop to a linear picture: the only place that talks to the renderer.

Every scene consists of three meshes, a painted and two mapped ones, and one sky for light: kernels are
compiled anew for another number of shapes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from data_tools.studios import film
from data_tools.studios.gorse.solids import Array, Mesh, merged, shaped

DEPTH = 5
"""Bounces of light: enough for the bottom of a bore."""

SPECK = shaped(np.eye(3) * 0.01 + [0, 0, 9000], [[0, 1, 2]], 0.5, 0.5)
"""Stands for the face where there is none."""
SPECK.uv = np.zeros((3, 2), np.float32)


@dataclass(frozen=True)
class Maps:
    """Pictures of a mapped thing, rows from the top: ``colour`` linear RGB and ``rough`` 0..1."""

    colour: Array
    rough: Array


@dataclass(frozen=True)
class Camera:
    """A phone in the coordinates of the face: where it is, its axes, its view in pixels.

    ``focal`` in pixels; ``crop`` the left and upper edge of the stored part in pixels of the full picture."""

    eye: Array
    right: Array
    up: Array
    ahead: Array
    focal: float
    size: tuple[int, int]
    aperture: float
    focus: float

    def homography(self) -> Any:
        """Return the 3 x 3 matrix from face-plane mm to pixels with centres at .5."""
        width, height = self.size
        rows = np.stack([self.right, -self.up, self.ahead])
        pose = np.column_stack([rows[:, 0], rows[:, 1], -rows @ self.eye])
        lens = np.array([[self.focal, 0, width / 2], [0, self.focal, height / 2], [0, 0, 1]])
        full = lens @ pose
        return full / full[2, 2]

    def project(self, points: Any) -> Any:
        """Return the pixels of N x 3 points, and how far ahead they are (mm), as N x 3."""
        way = np.asarray(points) - self.eye
        deep = np.maximum(way @ self.ahead, 1e-3)
        u = self.size[0] / 2 + self.focal * (way @ self.right) / deep
        v = self.size[1] / 2 - self.focal * (way @ self.up) / deep
        return np.stack([u, v, way @ self.ahead], 1)

    def shrunk(self, share: float) -> Camera:
        """Return the same view with fewer pixels."""
        size = (max(16, round(self.size[0] * share)), max(16, round(self.size[1] * share)))
        focal = self.focal * size[0] / self.size[0]
        return Camera(self.eye, self.right, self.up, self.ahead, focal, size, self.aperture, self.focus)


def render(
    meshes: list[Mesh], face: Maps, backdrop: Maps, sky: Array, camera: Camera, samples: int, seed: int
) -> Array:
    """Return the linear picture, H x W x 3.

    Meshes named ``face`` take the face's maps and the one named ``backdrop`` the backdrop's."""
    import mitsuba as mi

    looks = {"face": _mapped(face), "backdrop": _mapped(backdrop), "painted": film.opaque(_painted(), ())}
    parts: dict[str, list[Mesh]] = {name: [] for name in looks}
    for mesh in meshes:
        parts[mesh.name if mesh.uv is not None else "painted"].append(mesh)
    things = {name: _shape(merged(parts[name] or [SPECK]), look) for name, look in looks.items()}
    light = {
        "type": "envmap",
        "bitmap": mi.Bitmap(np.ascontiguousarray(sky, np.float32)),
        "scale": 1.0,
    }
    scene = film.load({"integrator": {"type": "path", "max_depth": DEPTH}, "light": light, **things})
    pose: Any = np.eye(4)
    pose[:3] = np.column_stack([-camera.right, camera.up, camera.ahead, camera.eye])
    view = {
        "type": "thinlens",
        "to_world": mi.ScalarTransform4f(pose),
        "fov": float(np.degrees(2 * np.arctan(camera.size[0] / 2 / camera.focal))),
        "aperture_radius": camera.aperture,
        "focus_distance": camera.focus,
        "near_clip": 5.0,
        "far_clip": 20000.0,
    }
    sensor = film.lens(view, camera.size)
    return film.expose(scene, sensor, camera.size, samples, seed)


def _painted() -> dict[str, Any]:
    return {
        "type": "principled",
        "base_color": {"type": "mesh_attribute", "name": "vertex_paint"},
        "roughness": {"type": "mesh_attribute", "name": "vertex_rough"},
        "metallic": {"type": "mesh_attribute", "name": "vertex_metal"},
        "specular": 0.5,
    }


def _mapped(maps: Maps) -> Any:
    import mitsuba as mi

    def picture(values: Array) -> dict[str, Any]:
        bitmap = mi.Bitmap(np.ascontiguousarray(values, np.float32))
        return {"type": "bitmap", "bitmap": bitmap, "raw": True, "wrap_mode": "clamp"}

    rough = maps.rough[..., None] if maps.rough.ndim == 2 else maps.rough
    return film.opaque(
        {
            "type": "principled",
            "base_color": picture(maps.colour),
            "roughness": picture(rough),
            "specular": 0.5,
        },
        (),
    )


def _shape(mesh: Mesh, look: Any) -> Any:
    import mitsuba as mi

    words = mi.Properties()
    words["look"] = look
    count = (len(mesh.vertices), len(mesh.faces))
    shape = mi.Mesh(
        mesh.name, *count, props=words, has_vertex_normals=True, has_vertex_texcoords=mesh.uv is not None
    )
    if mesh.uv is None:
        looks: Any = (np.clip(mesh.colour, 0, 0.95), mesh.rough, mesh.metal)
        for name, width, values in zip(("paint", "rough", "metal"), (3, 1, 1), looks, strict=True):
            flat: Any = np.ravel(values).astype(np.float32)
            shape.add_attribute(f"vertex_{name}", width, flat)
    params: Any = mi.traverse(shape)
    params["vertex_positions"] = np.ravel(mesh.vertices).astype(np.float32)
    params["vertex_normals"] = np.ravel(mesh.normals).astype(np.float32)
    params["faces"] = np.ravel(mesh.faces).astype(np.uint32)
    if mesh.uv is not None:
        params["vertex_texcoords"] = np.ravel(mesh.uv).astype(np.float32)
    params.update()
    return shape
