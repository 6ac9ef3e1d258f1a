"""From meshes to one scene of constant structure: one opaque mesh, one glass mesh, one sky, one flash.

A renderer that compiles a kernel for each scene structure then compiles once for the whole run.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from data_tools.rendering.camera import Camera
from data_tools.rendering.facets import across_faces, summed_at_vertices
from data_tools.rendering.spec import Mesh

Floats = NDArray[np.float32]
CREASE_COSINE = float(np.cos(np.radians(38)))
MAX_VALENCE = 24


@dataclass(frozen=True)
class Merged:
    """Many meshes as one: N vertices with normals and surface attributes, F faces with part numbers."""

    vertices: Floats
    normals: Floats
    faces: NDArray[np.uint32]
    albedo: Floats
    roughness: Floats
    metallic: Floats
    face_part: NDArray[np.int32]
    parts: tuple[str, ...]


@dataclass(frozen=True)
class Flash:
    """The phone's lamp: a point next to the lens. ``intensity`` is linear RGB, zero when off."""

    position: tuple[float, float, float]
    intensity: tuple[float, float, float]


@dataclass(frozen=True)
class Stage:
    """Everything one photo shows: surfaces, surroundings (H x W x 3 linear radiance), flash and camera.

    ``sky_to_face`` rotates directions of the surroundings (y up) into face coordinates. ``flash_ratio`` is
    the light of the flash on the face in units of that of the surroundings.
    """

    opaque: Merged
    glass: Merged
    surroundings: Floats
    sky_to_face: NDArray[np.float64]
    flash: Flash
    camera: Camera
    flash_ratio: float = 0.0


Creases = dict[tuple[int, int], tuple[NDArray[np.int64], Floats, NDArray[np.uint32]]]
"""Results of :func:`split_at_creases` by the identity of the vertices and faces."""


def merge(meshes: Sequence[Mesh], known: Creases | None = None) -> tuple[Merged, Merged]:
    """Return (opaque, glass) meshes; an absent one is a speck far behind the coupler.

    ``known`` is filled with what was worked out: handed on for a twin, whatever meshes it shares (the very
    same arrays, kept alive by the caller) are not worked on again.

    Raises:
        ValueError: a mesh has no faces, values that are not finite, or attributes of the wrong length.
    """
    glass = [mesh for mesh in meshes if mesh.material == "glass"]
    opaque = [mesh for mesh in meshes if mesh.material != "glass"]
    known = {} if known is None else known
    return _joined(opaque or [_speck()], known), _joined(glass or [_speck()], known)


def moved(mesh: Mesh, rotation: NDArray[np.float64], shift: NDArray[np.float64]) -> Mesh:
    """Return ``mesh`` rotated (3 x 3) and then shifted (3, mm)."""
    vertices = mesh.vertices @ rotation.T.astype(np.float32) + shift.astype(np.float32)
    return Mesh(
        mesh.part, mesh.material, vertices.astype(np.float32), mesh.faces, mesh.attributes, mesh.smooth
    )


def combine(first: Merged, second: Merged) -> Merged:
    """Return one mesh of both; part numbers of ``second`` follow those of ``first``."""
    joined = {
        name: np.concatenate([getattr(first, name), getattr(second, name)])
        for name in ("vertices", "normals", "albedo", "roughness", "metallic")
    }
    faces = np.concatenate([first.faces, second.faces + np.uint32(len(first.vertices))])
    face_part = np.concatenate([first.face_part, second.face_part + len(first.parts)])
    return Merged(**joined, faces=faces, face_part=face_part, parts=(*first.parts, *second.parts))


def soiled(merged: Merged, wetness: float, dust: float) -> Merged:
    """Return the surface as it looks in one photo: wet (darker, glossier) or under fresh dust (0..1 each)."""
    if wetness <= 0 and dust <= 0:
        return merged
    dielectric = 1 - merged.metallic
    albedo = merged.albedo * (1 - 0.35 * wetness * dielectric)
    roughness = merged.roughness * (1 - 0.65 * wetness)
    lying = dust * np.clip(0.35 + 0.65 * merged.normals[:, 2:3], 0, 1) * 0.5
    albedo = albedo * (1 - lying) + lying * np.array([0.36, 0.32, 0.26], np.float32)
    roughness = roughness + (0.9 - roughness) * lying
    return replace(
        merged, albedo=albedo.astype(np.float32), roughness=np.clip(roughness, 0.04, 1).astype(np.float32)
    )


def flattened(merged: Merged) -> Merged:
    """Return the surface with every part in its own mean colour and gloss: no dirt, no wear, no grain."""
    number = np.full(len(merged.vertices), len(merged.parts), np.int64)  # one more: what no face uses
    number[merged.faces.ravel()] = np.repeat(merged.face_part, 3)
    count = np.maximum(np.bincount(number), 1)

    def evened(values: Floats) -> Floats:
        means = np.stack([np.bincount(number, column) / count for column in values.T], axis=1)
        return means[number].astype(np.float32)

    return replace(
        merged,
        albedo=evened(merged.albedo),
        roughness=evened(merged.roughness),
        metallic=np.rint(evened(merged.metallic)).astype(np.float32),
    )


def _speck() -> Mesh:
    corners = np.array([[0, 0, -9000], [1, 0, -9000], [0, 1, -9000]], np.float32)
    attributes = {"albedo": np.full((3, 3), 0.5, np.float32), "roughness": np.full((3, 1), 0.5, np.float32)}
    return Mesh("speck", "plastic", corners, np.array([[0, 1, 2]], np.uint32), attributes)


def _joined(meshes: Sequence[Mesh], known: Creases) -> Merged:
    pieces = [_shaded(mesh, known) for mesh in meshes]
    starts = np.cumsum([0] + [len(piece[0]) for piece in pieces[:-1]])
    parts = tuple(dict.fromkeys(mesh.part for mesh in meshes))
    number = {part: index for index, part in enumerate(parts)}
    columns = [np.concatenate([piece[i] for piece in pieces]) for i in (0, 1, 3, 4, 5)]
    faces = np.concatenate([piece[2] + start for piece, start in zip(pieces, starts, strict=True)])
    face_part = np.concatenate([np.full(len(mesh.faces), number[mesh.part], np.int32) for mesh in meshes])
    vertices, normals, albedo, roughness, metallic = columns
    return Merged(vertices, normals, faces.astype(np.uint32), albedo, roughness, metallic, face_part, parts)


def _shaded(mesh: Mesh, known: Creases) -> tuple[Floats, Floats, NDArray[np.uint32], Floats, Floats, Floats]:
    """Return vertices, normals, faces, albedo, roughness, metallic with creased corners split."""
    _check(mesh)
    key = id(mesh.vertices), id(mesh.faces)
    if key not in known:
        known[key] = split_at_creases(mesh.vertices, mesh.faces)
    source, normals, faces = known[key]
    count = len(mesh.vertices)
    default_metal = np.full((count, 1), 1.0 if mesh.material == "metal" else 0.0, np.float32)
    albedo = np.clip(mesh.attributes["albedo"], 0.004, 0.95)
    roughness = np.clip(mesh.attributes["roughness"].reshape(count, 1), 0.04, 1.0)
    metallic = np.clip(mesh.attributes.get("metallic", default_metal).reshape(count, 1), 0.0, 1.0)
    return mesh.vertices[source], normals, faces, albedo[source], roughness[source], metallic[source]


def _check(mesh: Mesh) -> None:
    count = len(mesh.vertices)
    if count == 0 or len(mesh.faces) == 0:
        message = f"part {mesh.part}: no faces"
        raise ValueError(message)
    arrays = [mesh.vertices, *mesh.attributes.values()]
    if any(len(array) != count or not np.isfinite(array).all() for array in arrays):
        message = f"part {mesh.part}: attributes of the wrong length or not finite"
        raise ValueError(message)


def split_at_creases(
    vertices: Floats, faces: NDArray[np.uint32]
) -> tuple[NDArray[np.int64], Floats, NDArray[np.uint32]]:
    """Return (source vertex of each new vertex, its normal, new faces), smooth but sharp at creases.

    Corners whose face turns away from the vertex's mean normal by more than the crease angle get a vertex
    of their own, with the mean of only those neighbouring faces that lie within the angle.
    """
    corners = faces.reshape(-1).astype(np.int64)
    face_normal = across_faces(vertices, corners.reshape(-1, 3))
    unit = _unit(face_normal)
    mean = _unit(summed_at_vertices(faces, len(vertices), face_normal))
    agree = np.zeros(len(corners), np.float32)
    for of_face, of_vertex in zip(unit, mean, strict=True):
        agree += np.repeat(of_face, 3) * of_vertex.take(corners)
    creased_vertex = np.zeros(len(vertices), bool)
    creased_vertex[corners[agree < CREASE_COSINE]] = True
    creased = np.flatnonzero(creased_vertex.take(corners))
    own_normals = _corner_normals(
        corners[creased], unit.take(creased // 3, axis=1).T, face_normal.take(creased // 3, axis=1).T
    )
    new_faces = corners.astype(np.uint32)
    new_faces[creased] = len(vertices) + np.arange(len(creased))
    source = np.concatenate([np.arange(len(vertices)), corners[creased]])
    return source, np.concatenate([mean.T, own_normals]), new_faces.reshape(-1, 3)


def _corner_normals(vertex: NDArray[np.int64], unit: Floats, weighted: Floats) -> Floats:
    if not len(vertex):
        return np.zeros((0, 3), np.float32)
    order = np.argsort(vertex, kind="stable")
    first = np.flatnonzero(np.diff(vertex[order], prepend=-1))
    group = np.cumsum(np.diff(vertex[order], prepend=-1) != 0) - 1
    rank = np.arange(len(order)) - first[group]
    unit, weighted = unit[order], weighted[order]
    result = np.ascontiguousarray(unit)
    valence = np.bincount(group)
    width = int(min(valence.max(), MAX_VALENCE))
    inside = (rank < width) & (valence[group] <= MAX_VALENCE)
    table_unit = np.zeros((len(first), width, 3), np.float32)
    table_weight = np.zeros((len(first), width, 3), np.float32)
    table_unit[group[inside], rank[inside]] = unit[inside]
    table_weight[group[inside], rank[inside]] = weighted[inside]
    close = table_unit @ table_unit.transpose(0, 2, 1) > CREASE_COSINE
    summed = close.astype(np.float32) @ table_weight
    result[inside] = _unit(summed[group[inside], rank[inside]].T).T
    back = np.empty_like(result)
    back[order] = result
    return back


def _unit(vectors: NDArray[Any]) -> Floats:
    """Return 3 x N vectors at length 1; (0, 0, 1) for those without a direction."""
    x, y, z = vectors
    length = np.sqrt(x * x + y * y + z * z)
    unit = vectors / np.maximum(length, 1e-20)
    unit[:, length <= 1e-20] = np.array([[0.0], [0.0], [1.0]])
    return np.asarray(unit, np.float32)
