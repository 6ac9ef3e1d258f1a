"""The Mitsuba scene: always the same structure (one BSDF type a slot, same emitters), other numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from data_tools.studios import film
from data_tools.studios.alder.camera import Camera
from data_tools.studios.alder.mesh import Array, Mesh, vertex_normals
from data_tools.studios.alder.skies import Light

SPREAD = 0.45
"""Deviation of the reconstruction filter, pixels."""


@dataclass(frozen=True)
class Backdrop:
    """A wall behind (``wall_gap`` mm behind the face, up to ``wall_top`` mm above it) and ground below.

    ``ground_drop`` mm below the face centre. Pictures are HxWx3 albedo, ``_side`` mm wide (0: the whole
    view). ``wall_turn`` radians about the vertical.
    """

    wall: Array
    wall_side: float
    wall_gap: float
    wall_top: float
    wall_turn: float
    ground: Array
    ground_side: float
    ground_drop: float


def _mitsuba() -> Any:
    """Return the renderer; it is loaded late, when the caller has chosen its variant."""
    import mitsuba

    return mitsuba


def grain(seed: int, strength: float, scratches: int) -> Array:
    """Return a 256 x 256 height picture of moulded grain and scratches (0..1)."""
    rng = np.random.default_rng(seed)
    fine = cv2.GaussianBlur(rng.standard_normal((256, 256)).astype(np.float32), (0, 0), 1.0)
    picture = 0.5 + 0.15 * strength * fine / fine.std()
    for _ in range(scratches):
        x, y = rng.integers(0, 256, 2)
        turn, length = rng.uniform(0, 6.3), rng.uniform(10, 90)
        end = (int(x + length * np.cos(turn)), int(y + length * np.sin(turn)))
        mark = np.zeros_like(picture)
        cv2.line(mark, (int(x), int(y)), end, float(rng.uniform(0.1, 0.5)), 1, cv2.LINE_AA)
        picture -= mark
    return np.asarray(np.clip(picture, 0, 1)[..., None], np.float32)


def _bitmap(picture: Array, raw: bool = True, wrap: str = "mirror") -> dict[str, Any]:
    mi = _mitsuba()
    return {
        "type": "bitmap",
        "bitmap": mi.Bitmap(np.ascontiguousarray(picture, np.float32)),
        "raw": raw,
        "wrap_mode": wrap,
    }


def _bare(mesh: Mesh) -> Any:
    """Return the Mitsuba mesh without colours or normals: for finding what a ray meets."""
    mi = _mitsuba()
    shape = mi.Mesh("twin", len(mesh.points), len(mesh.faces))
    params = mi.traverse(shape)
    params["vertex_positions"] = np.asarray(mesh.points, np.float32).ravel()
    params["faces"] = np.asarray(mesh.faces, np.uint32).ravel()
    params.update()
    return shape


def _shape(mesh: Mesh, bsdf: Any, name: str) -> Any:
    """Return the Mitsuba mesh with its colours; its texture runs askew through space, 20 mm a tile."""
    mi = _mitsuba()
    props = mi.Properties()
    props["mesh_bsdf"] = bsdf
    shape = mi.Mesh(name, len(mesh.points), len(mesh.faces), props, True, True)
    params = mi.traverse(shape)
    p = np.asarray(mesh.points, np.float32)
    params["vertex_positions"] = p.ravel()
    params["faces"] = np.asarray(mesh.faces, np.uint32).ravel()
    params["vertex_normals"] = vertex_normals(p.astype(float), mesh.faces).astype(np.float32).ravel()
    askew = np.stack([p[:, 0] + 0.71 * p[:, 2], p[:, 1] + 0.63 * p[:, 2]], 1) / 20.0
    params["vertex_texcoords"] = askew.astype(np.float32).ravel()
    params.update()
    shape.add_attribute("vertex_colour", 3, np.asarray(mesh.colour, np.float32).ravel())
    shape.add_attribute("vertex_rough", 1, np.asarray(mesh.rough, np.float32).ravel())
    shape.add_attribute("vertex_metal", 1, np.asarray(mesh.metal, np.float32).ravel())
    return shape


def _quad(middle: Array, axes: tuple[Array, Array], half: tuple[float, float]) -> Any:
    """Return the to_world of a rectangle spanned by two unit axes around ``middle``."""
    mi = _mitsuba()
    matrix = np.eye(4)
    matrix[:3, 0], matrix[:3, 1] = axes[0] * half[0], axes[1] * half[1]
    normal = np.cross(axes[0], axes[1])
    matrix[:3, 2], matrix[:3, 3] = normal, middle
    return mi.ScalarTransform4f(matrix)


def _painted(
    middle: Array,
    axes: tuple[Array, Array],
    half: tuple[float, float],
    picture: Array,
    tiles: tuple[float, float],
) -> Any:
    """Return a rectangle spanned by two unit axes around ``middle`` that shows the picture ``tiles`` times
    (a texture's own scale would be written into the kernel)."""
    mi = _mitsuba()
    props = mi.Properties()
    inner = {"type": "diffuse", "reflectance": _bitmap(picture)}
    props["mesh_bsdf"] = mi.load_dict({"type": "twosided", "bsdf": inner})
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float)
    spread = (corners * 2 - 1) * half
    points = middle + spread[:, :1] * axes[0] + spread[:, 1:] * axes[1]
    shape = mi.Mesh("painted", 4, 2, props, True, True)
    params = mi.traverse(shape)
    params["vertex_positions"] = points.astype(np.float32).ravel()
    params["faces"] = np.array([0, 1, 2, 0, 2, 3], np.uint32)
    params["vertex_normals"] = np.tile(np.cross(*axes), 4).astype(np.float32)
    params["vertex_texcoords"] = (corners * tiles).astype(np.float32).ravel()
    params.update()
    return shape


def frame(camera: Camera) -> tuple[Array, Array, Array]:
    """Return the world's right, up and back (towards the photographer) as unit vectors."""
    up = camera.gravity_up
    back = -camera.ahead + up * (camera.ahead @ up)
    back = back / np.linalg.norm(back)
    return np.cross(up, back), up, back


def _backdrop(camera: Camera, backdrop: Backdrop, centre: Array) -> dict[str, Any]:
    right, up, back = frame(camera)
    turned = right * np.cos(backdrop.wall_turn) + back * np.sin(backdrop.wall_turn)
    far = backdrop.wall_gap + float(np.linalg.norm(camera.eye - centre))
    half = 1.3 * far + 200
    foot = -backdrop.ground_drop
    tall = (min(backdrop.wall_top, half) - foot) / 2
    middle = centre - back * backdrop.wall_gap + up * (foot + tall)
    side = backdrop.wall_side or 2 * half
    tiles = (2 * half / side, 2 * tall / side if backdrop.wall_side else 1.0)
    wide = 3000.0
    floor, ground_tiles = centre - up * backdrop.ground_drop, 2 * wide / backdrop.ground_side
    return {
        "wall": _painted(middle, (turned, up), (half, tall), backdrop.wall[::-1], tiles),
        "ground": _painted(floor, (right, -back), (wide, wide), backdrop.ground, (ground_tiles,) * 2),
    }


def _sensor(camera: Camera) -> Any:
    mi = _mitsuba()
    pose = np.eye(4)
    pose[:3, 0], pose[:3, 1], pose[:3, 2], pose[:3, 3] = -camera.right, camera.up, camera.ahead, camera.eye
    view = {
        "type": "thinlens",
        "fov": float(np.degrees(2 * np.arctan(camera.width / 2 / camera.focal))),
        "aperture_radius": camera.aperture,
        "focus_distance": camera.focus,
        "near_clip": 5.0,
        "far_clip": 1e5,
        "to_world": mi.ScalarTransform4f(pose),
    }
    return film.lens(view, (camera.width, camera.height), SPREAD)


def _flash(camera: Camera, light: Light, target: Array) -> dict[str, Any]:
    lamp = camera.eye - camera.ahead * 4 + camera.right * 9 + camera.up * 6
    ahead = (target - lamp) @ np.cross(camera.right, camera.up) > 0
    axes = (camera.right, camera.up) if ahead else (camera.up, camera.right)
    return {
        "type": "rectangle",
        "to_world": _quad(lamp, axes, (2.5, 2.5)),
        "emitter": {"type": "area", "radiance": {"type": "rgb", "value": [light.flash + 1e-5] * 3}},
    }


def render(
    mesh: Mesh, camera: Camera, light: Light, backdrop: Backdrop, bump: Array, samples: int, seed: int
) -> Array:
    """Return HxWx3 linear light: the photo before the phone's processing."""
    mi = _mitsuba()
    right, up, back = frame(camera)
    world = np.eye(4)
    world[:3, 0], world[:3, 1], world[:3, 2] = right, up, back
    bsdf = mi.load_dict(
        {
            "type": "twosided",
            "bsdf": {
                "type": "bumpmap",
                "scale": 0.035,
                "height": _bitmap(bump, wrap="repeat"),
                "bsdf": {
                    "type": "principled",
                    "specular": 0.5,
                    "base_color": {"type": "mesh_attribute", "name": "vertex_colour"},
                    "roughness": {"type": "mesh_attribute", "name": "vertex_rough"},
                    "metallic": {"type": "mesh_attribute", "name": "vertex_metal"},
                },
            },
        }
    )
    target = np.array([0.0, 0.0, -5.0])
    sky = {"type": "envmap", "bitmap": mi.Bitmap(light.sky), "to_world": mi.ScalarTransform4f(world)}
    scene = film.load(
        {
            "integrator": {"type": "path", "max_depth": 7, "rr_depth": 4},
            "sky": film.opaque(sky, ("to_world",)),
            "flash": film.opaque(_flash(camera, light, target), ("to_world",)),
            "subject": _shape(mesh, bsdf, "subject"),
            **_backdrop(camera, backdrop, target),
        }
    )
    size = (camera.width, camera.height)
    return film.expose(scene, _sensor(camera), size, samples, seed, SPREAD)


@dataclass(frozen=True)
class Solid:
    """A mesh that rays can be sent at."""

    mesh: Mesh
    scene: Any

    @classmethod
    def of(cls, mesh: Mesh) -> Solid:
        """Return the solid of a mesh."""
        return cls(mesh, film.load({"subject": _bare(mesh)}))

    def first_hits(self, origin: Array, rays: Array) -> tuple[Array, Array]:
        """Return for N rays (unit directions) from ``origin`` the distance (mm) and face (-1: none)."""
        mi = _mitsuba()
        start = np.asarray(origin, np.float32)
        if mi.variant().startswith("scalar"):
            met = [
                self.scene.ray_intersect_preliminary(mi.Ray3f(mi.Point3f(start), mi.Vector3f(ray)))
                for ray in rays
            ]
            distance = np.array([float(hit.t) for hit in met])
            face = np.array([int(hit.prim_index) for hit in met])
        else:
            distance, face, _ = film.first_hits(self.scene, start, rays)
        return distance, np.where(np.isfinite(distance), face, -1)
