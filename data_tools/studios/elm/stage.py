"""The renderer's side: one mesh with painted vertices, one textured backdrop, a sky, a flash, a camera."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from data_tools.studios import film
from data_tools.studios.elm.noise import Array
from data_tools.studios.elm.solids import Mesh

SPREAD = 0.45
"""Deviation of the lens's blur, in pixels."""


@dataclass(frozen=True)
class Camera:
    """A pinhole (or thin lens) at ``origin`` mm with axes right, up, forward (rows of ``axes``); ``focal``
    in pixels; ``size`` (width, height) in pixels; ``aperture`` radius and ``focus`` distance in mm."""

    origin: Array
    axes: Array
    focal: float
    size: tuple[int, int]
    aperture: float
    focus: float

    def project(self, points: Array) -> Array:
        """Return where ``points`` (n x 3 mm) fall, n x 2 pixels with pixel centres at .5."""
        across, up, ahead = self.axes @ (np.atleast_2d(points) - self.origin).T
        w, h = self.size
        return np.stack([w / 2 + self.focal * across / ahead, h / 2 - self.focal * up / ahead], 1)

    def homography(self) -> Array:
        """Return the 3 x 3 matrix that takes face-plane (x, y, 1) mm to pixels."""
        w, h = self.size
        inner = np.array([[self.focal, 0, w / 2], [0, -self.focal, h / 2], [0, 0, 1]])
        outer = np.stack([self.axes[:, 0], self.axes[:, 1], -self.axes @ self.origin], 1)
        matrix = inner @ outer
        return np.asarray(matrix / matrix[2, 2])

    def rays(self) -> tuple[Array, Array]:
        """Return origins and unit directions (3 x pixels) through all pixel centres, row by row."""
        w, h = self.size
        x, y = np.meshgrid(np.arange(w) + 0.5, np.arange(h) + 0.5)
        local = np.stack([(x - w / 2) / self.focal, (h / 2 - y) / self.focal, np.ones_like(x)]).reshape(3, -1)
        world = self.axes.T @ (local / np.linalg.norm(local, axis=0))
        return np.repeat(self.origin[:, None], world.shape[1], 1), world


@dataclass(frozen=True)
class Backdrop:
    """A rectangle behind the subject: ``corner``, ``across`` and ``up`` in mm, its picture linear."""

    corner: Array
    across: Array
    up: Array
    picture: Array
    rough: float


@dataclass(frozen=True)
class Light:
    """Surroundings (h x 2h x 3 radiance, up at the top), which way is up, and a flash at a point (mm) whose
    ``power`` is the irradiance on a face 200 mm away."""

    sky: Array
    up: Array
    spin: float
    flash_at: Array
    power: float


def _mi() -> Any:
    import mitsuba

    return mitsuba


@lru_cache(maxsize=1)
def _fixed(variant: str) -> tuple[Any, Any]:
    """Return what every scene shares: the painted surface and the integrator."""
    mi = _mi()
    attribute = {"type": "mesh_attribute"}
    surface = {
        "type": "principled",
        "base_color": attribute | {"name": "vertex_paint"},
        "roughness": attribute | {"name": "vertex_rough"},
        "metallic": attribute | {"name": "vertex_metal"},
        "specular": 0.5,
    }
    return (
        mi.load_dict({"type": "twosided", "bsdf": surface}),
        mi.load_dict({"type": "path", "max_depth": 5, "rr_depth": 4}),
    )


def _solid(mesh: Mesh) -> Any:
    mi = _mi()
    props = mi.Properties()
    props["mesh_bsdf"] = _fixed(mi.variant())[0]
    solid = mi.Mesh("subject", len(mesh.points), len(mesh.faces), has_vertex_normals=True, props=props)
    for name, values in (("paint", mesh.colour), ("rough", mesh.rough), ("metal", mesh.metal)):
        flat = np.ascontiguousarray(values, dtype=np.float32).ravel()
        solid.add_attribute(f"vertex_{name}", len(flat) // len(mesh.points), flat)
    params = mi.traverse(solid)
    params["vertex_positions"] = np.ascontiguousarray(mesh.points, dtype=np.float32).ravel()
    params["vertex_normals"] = np.ascontiguousarray(mesh.normals, dtype=np.float32).ravel()
    params["faces"] = np.ascontiguousarray(mesh.faces, dtype=np.uint32).ravel()
    params.update()
    return solid


def _screen(backdrop: Backdrop) -> dict[str, Any]:
    mi = _mi()
    middle = backdrop.corner + (backdrop.across + backdrop.up) / 2
    normal = np.cross(backdrop.across, backdrop.up)
    place = np.eye(4)
    place[:3, :4] = np.stack(
        [backdrop.across / 2, backdrop.up / 2, normal / np.linalg.norm(normal), middle], 1
    )
    picture = mi.Bitmap(np.ascontiguousarray(backdrop.picture, dtype=np.float32))
    texture = {"type": "bitmap", "bitmap": picture, "raw": True, "wrap_mode": "mirror"}
    surface = {"type": "principled", "base_color": texture, "roughness": backdrop.rough, "specular": 0.4}
    return {
        "type": "rectangle",
        "to_world": mi.ScalarTransform4f(place),
        "bsdf": {"type": "twosided", "bsdf": surface},
    }


def to_world(up: Array, spin: float) -> Array:
    """Return the rotation (3 x 3) of surroundings whose y axis shall point ``up`` and whose front, else
    towards the photographer, is turned by ``spin`` radians."""
    up = up / np.linalg.norm(up)
    side = np.cross(up, [0.3, 0.1, 0.95])
    side /= np.linalg.norm(side)
    turned = np.cos(spin) * side + np.sin(spin) * np.cross(side, up)
    return np.stack([turned, up, np.cross(turned, up)], 1)


def _sky(light: Light) -> dict[str, Any]:
    mi = _mi()
    place = np.eye(4)
    place[:3, :3] = to_world(light.up, light.spin)
    bitmap = mi.Bitmap(np.ascontiguousarray(light.sky, dtype=np.float32))
    return {"type": "envmap", "bitmap": bitmap, "to_world": mi.ScalarTransform4f(place)}


class Stage:
    """A scene to be photographed."""

    def __init__(self, mesh: Mesh, backdrop: Backdrop, light: Light) -> None:
        mi = _mi()
        self._integrator = _fixed(mi.variant())[1]
        self._solid = _solid(mesh)
        flash = {
            "type": "point",
            "position": light.flash_at.tolist(),
            "intensity": {"type": "rgb", "value": [light.power * 200.0**2] * 3},
        }
        self._scene = film.load(
            {
                "integrator": self._integrator,
                "subject": self._solid,
                "screen": _screen(backdrop),
                "sky": film.opaque(_sky(light), ("to_world",)),
                "flash": film.opaque(flash, ("position", ".value")),
            }
        )

    def render(self, camera: Camera, samples: int, seed: int) -> Array:
        """Return the linear picture (h x w x 3, float32)."""
        mi = _mi()
        w, h = camera.size
        view = mi.ScalarTransform4f().look_at(
            origin=camera.origin.tolist(),
            target=(camera.origin + camera.axes[2]).tolist(),
            up=camera.axes[1].tolist(),
        )
        lens = {
            "type": "thinlens",
            "to_world": view,
            "fov": float(np.degrees(2 * np.arctan(w / 2 / camera.focal))),
            "near_clip": 1.0,
            "far_clip": 1e5,
            "aperture_radius": max(camera.aperture, 1e-3),
            "focus_distance": camera.focus,
        }
        picture = film.expose(
            self._scene, film.lens(lens, camera.size, SPREAD), camera.size, samples, seed, SPREAD
        )
        return np.nan_to_num(picture, nan=0.0, posinf=50.0)

    def hits(self, camera: Camera) -> tuple[Array, Array]:
        """Return for each pixel centre (h x w) the distance in mm and the face of the mesh, -1 elsewhere."""
        mi = _mi()
        origin, direction = (a.astype(np.float32) for a in camera.rays())
        ray = mi.Ray3f(mi.Point3f(origin), mi.Vector3f(direction))
        found = self._scene.ray_intersect_preliminary(ray, coherent=True)
        ours = np.array(found.is_valid() & (found.shape == mi.ShapePtr(self._solid)))
        face = np.where(ours, np.array(found.prim_index).astype(np.int64), -1)
        return np.array(found.t).reshape(camera.size[::-1]), face.reshape(camera.size[::-1])
