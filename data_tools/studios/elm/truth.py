"""What can be seen of every place and of every damage in one photo, measured on the photo and its twin."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np

from data_tools.studios.elm.damage import ring
from data_tools.studios.elm.noise import Array
from data_tools.studios.elm.phone import tone
from data_tools.studios.elm.solids import Kind, Mesh
from data_tools.studios.elm.stage import Camera
from model.families import Family
from model.vocabulary import FindingKind

LATCH = 99
_COVERS = (Kind.HAND, Kind.SHELL, Kind.BODY)


@dataclass(frozen=True)
class View:
    """One scene as one camera sees it: the linear picture times the phone's gain, the distance (mm) and the
    face of the mesh in every pixel (-1: the backdrop)."""

    mesh: Mesh
    light: Array
    depth: Array
    face: Array

    @cached_property
    def _vertex(self) -> Array:
        return np.asarray(self.mesh.faces[self.face.clip(0), 0])

    def of(self, values: Array) -> Array:
        """Return a property of the vertices (rows) for every pixel; the backdrop has that of the last one."""
        return np.asarray(values[self._vertex])


def in_view(camera: Camera, view: View, points: Array) -> tuple[float, float]:
    """Return which share of ``points`` (n x 3 mm) lies in the frame, and in it and not behind anything."""
    spots = camera.project(points)
    w, h = camera.size
    inside = ((spots >= 0) & (spots < [w, h])).all(1)
    column, row = np.clip(spots.astype(int), 0, [w - 1, h - 1]).T
    away = np.linalg.norm(points - camera.origin, axis=1)
    kind = view.of(view.mesh.kind)[row, column]
    nearer = (view.face[row, column] >= 0) & (view.depth[row, column] < away - 1.5)
    hidden = nearer & np.isin(kind, [int(k) for k in _COVERS])
    return float(inside.mean()), float((inside & ~hidden).mean())


def place_points(family: Family, radii: tuple[tuple[float, float], ...], twin: Mesh) -> list[Array]:
    """Return points (n x 3 mm) on every place: on the mouths of the sleeves, on the front of the latch."""
    points = [ring(c, r) for c, r in zip(family.contact_centres(), radii, strict=True)]
    if family.has_latch:
        latch = twin.points[twin.place == LATCH]
        points.append(latch[latch[:, 2] > latch[:, 2].max() - 4][::7])
    return points


def differing(photo: View, twin: View) -> tuple[Array, Array]:
    """Return where (h x w) the scene differs by its shape or paint and the photo shows it, and by how much
    the photo's display values differ there (0..1)."""
    shown = [tone(cv2.GaussianBlur(v.light, (0, 0), 1.3)) for v in (photo, twin)]
    change = np.abs(shown[0] - shown[1]).max(-1)
    deeper = np.abs(photo.depth - twin.depth) > 0.3
    turned = np.abs(photo.of(photo.mesh.normals) - twin.of(twin.mesh.normals)).max(-1) > 0.25
    painted = np.abs(photo.of(photo.mesh.colour) - twin.of(twin.mesh.colour)).max(-1) > 0.02
    either = (photo.face >= 0) | (twin.face >= 0)
    return (deeper | turned | painted) & either & (change > 0.05), change


def visibility(kind: FindingKind, place: int, photo: View, twin: View, seen: tuple[Array, Array]) -> float:
    """Return how much (0..1) of a damaged place can be told from its twin; ``seen`` is what differs."""
    material = Kind.LATCH if kind is FindingKind.MISSING_LATCH else Kind.SLEEVE
    where = np.zeros(photo.face.shape, dtype=bool)
    for view in (photo, twin):
        ours = (view.of(view.mesh.place) == place) & (view.of(view.mesh.kind) == material) & (view.face >= 0)
        where |= ours & (view.of(view.mesh.points[:, 2]) > -9)
    differs, change = seen
    here = where & differs
    if here.sum() < 4:
        return 0.0
    share = here.sum() / where.sum() / (0.4 if kind is FindingKind.BROKEN_PIN_HOUSING else 0.7)
    # A person has no twin to compare with: a few pixels or a faint change tell nothing.
    faint = here.sum() < 18 or np.percentile(change[here], 85) < 0.09
    return float(min(share, 0.1 if faint else 1.0))
