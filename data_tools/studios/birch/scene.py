"""The picture itself: always the same structure of scene (one vertex-coloured mesh, two painted rectangles,
surroundings, one lamp) so that a renderer compiles once."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from data_tools.studios import film
from data_tools.studios.birch.backdrops import Quad
from data_tools.studios.birch.camera import Camera
from data_tools.studios.birch.lights import Light
from data_tools.studios.birch.meshes import Floats, Mesh, vertex_normals


def _mi() -> Any:
    import mitsuba

    return mitsuba


def _surface() -> dict[str, Any]:
    def principled(colour: str) -> dict[str, Any]:
        return {
            "type": "principled",
            "base_color": {"type": "mesh_attribute", "name": colour},
            "roughness": {"type": "mesh_attribute", "name": "vertex_rough"},
            "metallic": {"type": "mesh_attribute", "name": "vertex_metal"},
            "specular": 0.5,
        }

    return {"first": principled("vertex_colour"), "second": principled("vertex_worn")}


def _mesh_object(mesh: Mesh, wear: Floats | None) -> Any:
    """Return the renderer's mesh; without ``wear`` a bare one for ray casting only."""
    mi = _mi()
    properties = mi.Properties()
    if wear is not None:
        picture = mi.Bitmap(wear.astype(np.float32)[..., None])
        weight = {"type": "bitmap", "bitmap": picture, "raw": True, "wrap_mode": "repeat"}
        inner = {"type": "blendbsdf", "weight": weight, **_surface()}
        properties["mesh_bsdf"] = mi.load_dict({"type": "twosided", "inner": inner})
    count, faces = len(mesh.points), len(mesh.faces)
    made = mi.Mesh(
        "subject", count, faces, has_vertex_normals=True, has_vertex_texcoords=True, props=properties
    )
    if wear is not None:
        made.add_attribute("vertex_colour", 3, mesh.colour.astype(np.float32).ravel())
        made.add_attribute("vertex_worn", 3, mesh.worn.astype(np.float32).ravel())
        made.add_attribute("vertex_rough", 1, np.clip(mesh.rough, 0.06, 1).astype(np.float32))
        made.add_attribute("vertex_metal", 1, mesh.metal.astype(np.float32))
    values = mi.traverse(made)
    values["vertex_positions"] = mesh.points.astype(np.float32).ravel()
    values["vertex_normals"] = vertex_normals(mesh).astype(np.float32).ravel()
    values["vertex_texcoords"] = mesh.uv.astype(np.float32).ravel()
    values["faces"] = mesh.faces.astype(np.uint32).ravel()
    values.update()
    return made


def _frame(centre: Floats, x: Floats, y: Floats) -> Any:
    normal = np.cross(x, y)
    normal /= np.linalg.norm(normal)
    matrix = np.eye(4)
    matrix[:3, 0], matrix[:3, 1], matrix[:3, 2], matrix[:3, 3] = x, y, normal, centre
    return _mi().ScalarTransform4f(matrix.tolist())


def _quad(quad: Quad) -> dict[str, Any]:
    texture = {"type": "bitmap", "bitmap": _mi().Bitmap(quad.picture), "raw": True, "wrap_mode": "mirror"}
    texture["to_uv"] = _mi().ScalarTransform4f().scale(2.0)
    inner = {"type": "diffuse", "reflectance": texture}
    return {
        "type": "rectangle",
        "to_world": _frame(quad.centre, quad.x, quad.y),
        "bsdf": {"type": "twosided", "inner": inner},
    }


def _sensor(camera: Camera) -> Any:
    mi = _mi()
    position = camera.position
    view = {
        "type": "thinlens",
        "to_world": mi.ScalarTransform4f().look_at(
            position.tolist(), (position + camera.ahead).tolist(), camera.up.tolist()
        ),
        "fov": float(np.rad2deg(2 * np.arctan(camera.width / 2 / camera.focal))),
        "aperture_radius": camera.lens,
        "focus_distance": camera.focus,
        "near_clip": 5.0,
        "far_clip": 20000.0,
    }
    return film.lens(view, (camera.width, camera.height))


def load(mesh: Mesh, wear: Floats, quads: list[Quad], light: Light) -> tuple[Any, Any]:
    """Return the loaded scene and its mesh object."""
    mi = _mi()
    made = _mesh_object(mesh, wear)
    emitted = {"type": "rgb", "value": list(light.lamp_radiance)}
    lamp = {
        "type": "rectangle",
        "to_world": _frame(light.lamp_centre, light.lamp_x, light.lamp_y),
        "emitter": {"type": "area", "radiance": emitted, "sampling_weight": light.lamp_weight},
    }
    surroundings = {
        "type": "envmap",
        "bitmap": mi.Bitmap(light.surroundings.astype(np.float32)),
        "sampling_weight": 1 - light.lamp_weight,
    }
    scene = {
        "integrator": {"type": "path", "max_depth": 6, "rr_depth": 4},
        "subject": made,
        "first": _quad(quads[0]),
        "second": _quad(quads[1]),
        "surroundings": film.opaque(surroundings, ("to_world",)),
        "lamp": film.opaque(lamp, ("to_world",)),
    }
    return film.load(scene), made


def render(scene: Any, camera: Camera, samples: int, seed: int) -> Floats:
    """Return the linear picture, H x W x 3."""
    size, twice = (camera.width, camera.height), 2 * seed % 2**32  # as the first sets of this studio
    picture = film.expose(scene, _sensor(camera), size, samples, twice)
    return np.asarray(np.nan_to_num(picture, nan=0.0, posinf=1e3), dtype=np.float32)


def bare_scene(mesh: Mesh) -> tuple[Any, Any]:
    """Return a scene of one bare mesh, for casting rays only, and its mesh object."""
    made = _mesh_object(mesh, None)
    return film.load({"subject": made}), made


def first_hits(scene: Any, made: Any, origin: Floats, ways: Floats) -> tuple[Floats, NDArray[np.int64]]:
    """Return for each ray (N x 3 unit directions from one origin) the distance in mm and the face of the
    subject that it meets first (-1: none of it)."""
    mi = _mi()
    if mi.variant().startswith("scalar"):
        return _first_hits_singly(scene, made, origin, ways)
    distance, face, ours = film.first_hits(scene, origin, ways, made)
    return np.asarray(distance, dtype=np.float64), np.where(ours, face, -1)


def _first_hits_singly(
    scene: Any, made: Any, origin: Floats, ways: Floats
) -> tuple[Floats, NDArray[np.int64]]:
    """Do the same ray by ray, for a renderer that knows no arrays."""
    mi = _mi()
    far, face = np.full(len(ways), np.inf), np.full(len(ways), -1, dtype=np.int64)
    for number, way in enumerate(ways.tolist()):
        hit = scene.ray_intersect_preliminary(mi.Ray3f(origin.tolist(), way))
        if hit.is_valid():
            far[number] = hit.t
            face[number] = hit.prim_index if hit.shape == made else -1
    return far, face
