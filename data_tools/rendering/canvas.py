"""All vertices of a coupler laid out as one array, so that paint is one pass over positions in mm."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from data_tools.rendering.facets import across_faces, summed_at_vertices
from data_tools.rendering.noise import Array, noise
from data_tools.rendering.spec import Mesh


class Canvas:
    """Positions, normals and convexity of every vertex, and the attributes being painted.

    ``albedo`` (N, 3) linear RGB, ``roughness`` (N,), ``metallic`` (N,); ``convex`` (N,) is positive on
    edges and negative in corners, about -1..1.
    """

    def __init__(self, meshes: Sequence[Mesh], like: Canvas | None = None) -> None:
        """Lay out ``meshes``; what ``like`` measured of the arrays it shares is taken over."""
        self.meshes = list(meshes)
        counts = [len(mesh.vertices) for mesh in self.meshes]
        self.starts = np.concatenate([[0], np.cumsum(counts)])
        self.points = np.concatenate([mesh.vertices for mesh in self.meshes]).astype(np.float32)
        self.owner = np.repeat(np.arange(len(counts)), counts)
        self.x, self.y, self.z = (np.ascontiguousarray(self.points[:, i]) for i in range(3))
        self._like = like
        self._fields: dict[tuple[float, int, int], Array] = {}
        self._taken, self._fresh = self._shared_with(like) if like else ([], np.arange(len(self.points)))
        self.normals, self.convex = self._measured()
        total = len(self.points)
        self.albedo = np.full((total, 3), 0.2, np.float32)
        self.roughness = np.full(total, 0.5, np.float32)
        self.metallic = np.zeros(total, np.float32)

    def where(self, wanted: Callable[[str], bool]) -> NDArray[np.bool_]:
        """Return a mask of the vertices whose part name satisfies ``wanted``."""
        chosen = np.array([wanted(mesh.part) for mesh in self.meshes])
        return np.asarray(chosen[self.owner])

    def noise(
        self, wavelength: float, seed: int, octaves: int = 1, where: NDArray[np.bool_] | None = None
    ) -> Array:
        """Return noise at every vertex, wavelength in mm; 0 outside ``where`` if given, which is faster."""
        if where is None:
            return self._everywhere(wavelength, seed, octaves)
        result = np.zeros(len(self.x), np.float32)
        result[where] = noise(self.x[where], self.y[where], self.z[where], wavelength, seed, octaves)
        return result

    def _everywhere(self, wavelength: float, seed: int, octaves: int) -> Array:
        key = wavelength, seed, octaves
        known = self._like._fields.get(key) if self._like else None
        if known is None:
            field = noise(self.x, self.y, self.z, wavelength, seed, octaves)
        else:
            field, new = np.empty(len(self.x), np.float32), self._fresh
            for here, there in self._taken:
                field[here] = known[there]
            field[new] = noise(self.x[new], self.y[new], self.z[new], wavelength, seed, octaves)
        self._fields[key] = field
        return field.copy()

    def _shared_with(self, like: Canvas) -> tuple[list[tuple[slice, slice]], NDArray[np.intp]]:
        """Return where in both canvases the vertices of shared meshes lie, and the numbers of all others."""
        there = {id(mesh.vertices): number for number, mesh in enumerate(like.meshes)}
        taken, fresh = [], np.ones(len(self.points), bool)
        for number, mesh in enumerate(self.meshes):
            other = there.get(id(mesh.vertices))
            if other is not None:
                here = slice(int(self.starts[number]), int(self.starts[number + 1]))
                taken.append((here, slice(int(like.starts[other]), int(like.starts[other + 1]))))
                fresh[here] = False
        return taken, np.flatnonzero(fresh)

    def _measured(self) -> tuple[Array, Array]:
        """Return normals and convexity of every vertex."""
        normals, convex = np.empty((len(self.points), 3), np.float32), np.empty(len(self.points), np.float32)
        number = np.zeros(len(self.points), np.int64)
        number[self._fresh] = np.arange(len(self._fresh))
        shared = {here.start for here, _ in self._taken}
        faces = [
            number[mesh.faces.astype(np.int64) + start]
            for mesh, start in zip(self.meshes, self.starts, strict=False)
            if int(start) not in shared
        ]
        if faces:
            new = _shape_of(self.points[self._fresh], np.concatenate(faces))
            normals[self._fresh], convex[self._fresh] = new
        for here, there in self._taken:
            assert self._like is not None
            normals[here], convex[here] = self._like.normals[there], self._like.convex[there]
        return normals, convex

    def blend(
        self,
        colour: Sequence[float] | NDArray[Any],
        amount: Array,
        roughness: float | None = None,
        metallic: float | None = None,
    ) -> None:
        """Mix a colour (and roughness, metalness) over everything by ``amount`` (N,) 0..1."""
        colours = np.broadcast_to(np.asarray(colour, np.float32), self.albedo.shape)
        some = np.flatnonzero(amount)
        touched: NDArray[np.intp] | slice = some if 2 * len(some) < len(amount) else slice(None)
        part = amount[touched]
        for channel in range(3):
            now = self.albedo[touched, channel]
            self.albedo[touched, channel] = now + part * (colours[touched, channel] - now)
        for attribute, value in ((self.roughness, roughness), (self.metallic, metallic)):
            if value is not None:
                now = attribute[touched]
                attribute[touched] = now + part * (np.float32(value) - now)

    def finish(self) -> list[Mesh]:
        """Return the meshes with ``albedo``, ``roughness`` and ``metallic`` attached."""
        np.clip(self.albedo, 0.002, 0.92, out=self.albedo)
        np.clip(self.roughness, 0.06, 1.0, out=self.roughness)
        np.clip(self.metallic, 0.0, 1.0, out=self.metallic)
        for index, mesh in enumerate(self.meshes):
            part = slice(int(self.starts[index]), int(self.starts[index + 1]))
            mesh.attributes = {
                "albedo": self.albedo[part].copy(),
                "roughness": self.roughness[part, None].copy(),
                "metallic": self.metallic[part, None].copy(),
            }
        return self.meshes


def _shape_of(points: NDArray[np.float32], faces: NDArray[np.int64]) -> tuple[Array, Array]:
    """Return vertex normals (N, 3) and convexity (N,) of a triangle soup with shared vertices."""
    across = across_faces(points, faces)
    rows = np.ascontiguousarray(points.T)
    centroid = sum(rows.take(faces[:, k], axis=1) for k in range(3)) / np.float32(3.0)
    area = np.sqrt(across[0] ** 2 + across[1] ** 2 + across[2] ** 2)
    each = np.concatenate([across, centroid, area[None], np.ones((1, len(faces)), np.float32)])
    summed = summed_at_vertices(faces, len(points), each)
    normals, count = summed[:3], np.maximum(summed[7], 1)
    normals /= np.sqrt(normals[0] ** 2 + normals[1] ** 2 + normals[2] ** 2) + 1e-12
    away = (rows - summed[3:6] / count) * normals
    bend = (away[0] + away[1] + away[2]) / np.maximum(np.sqrt(summed[6] / count), 1e-6)
    return normals.T.astype(np.float32), np.clip(bend * 3.0, -1, 1).astype(np.float32)
