"""All vertices of a coupler laid out as one array, so that paint is one pass over positions in mm."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from data_tools.rendering.noise import Array, noise
from data_tools.rendering.spec import Mesh


class Canvas:
    """Positions, normals and convexity of every vertex, and the attributes being painted.

    ``albedo`` (N, 3) linear RGB, ``roughness`` (N,), ``metallic`` (N,); ``convex`` (N,) is positive on
    edges and negative in corners, about -1..1.
    """

    def __init__(self, meshes: Sequence[Mesh]) -> None:
        self.meshes = list(meshes)
        counts = [len(mesh.vertices) for mesh in self.meshes]
        self.starts = np.concatenate([[0], np.cumsum(counts)])
        self.points = np.concatenate([mesh.vertices for mesh in self.meshes]).astype(np.float32)
        self.owner = np.repeat(np.arange(len(counts)), counts)
        self.x, self.y, self.z = (np.ascontiguousarray(self.points[:, i]) for i in range(3))
        faces = np.concatenate(
            [m.faces.astype(np.int64) + s for m, s in zip(self.meshes, self.starts, strict=False)]
        )
        self.normals, self.convex = _shape_of(self.points, faces)
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
            return noise(self.x, self.y, self.z, wavelength, seed, octaves)
        result = np.zeros(len(self.x), np.float32)
        result[where] = noise(self.x[where], self.y[where], self.z[where], wavelength, seed, octaves)
        return result

    def blend(
        self,
        colour: Sequence[float] | NDArray[Any],
        amount: Array,
        roughness: float | None = None,
        metallic: float | None = None,
    ) -> None:
        """Mix a colour (and roughness, metalness) over everything by ``amount`` (N,) 0..1."""
        part = amount[:, None]
        self.albedo += part * (np.asarray(colour, np.float32) - self.albedo)
        if roughness is not None:
            self.roughness += amount * (np.float32(roughness) - self.roughness)
        if metallic is not None:
            self.metallic += amount * (np.float32(metallic) - self.metallic)

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
    corner = points[faces]
    across = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    total = len(points)
    normals = np.empty((total, 3), np.float64)
    mean = np.empty((total, 3), np.float64)
    flat = faces.ravel()
    count = np.bincount(flat, minlength=total).astype(np.float64)
    centroid = corner.mean(axis=1)
    for axis in range(3):
        normals[:, axis] = np.bincount(flat, np.repeat(across[:, axis], 3), total)
        mean[:, axis] = np.bincount(flat, np.repeat(centroid[:, axis], 3), total)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True) + 1e-12
    mean /= np.maximum(count, 1)[:, None]
    size = np.sqrt(
        np.bincount(flat, np.repeat(np.linalg.norm(across, axis=1), 3), total) / np.maximum(count, 1)
    )
    bend = ((points - mean) * normals).sum(axis=1) / np.maximum(size, 1e-6)
    return normals.astype(np.float32), np.clip(bend * 3.0, -1, 1).astype(np.float32)
