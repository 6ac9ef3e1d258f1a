"""What can be seen: places in view, and how much of a damaged place differs from its undamaged twin."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from data_tools.studios.birch.camera import Camera
from data_tools.studios.birch.meshes import LATCH, OCCLUDER, SURROUNDINGS, Floats, Ints, Mesh, face_normals
from data_tools.studios.birch.scene import first_hits
from data_tools.studios.birch.sleeves import Sleeve
from model.vocabulary import FindingKind

Mask = NDArray[np.bool_]
HALF = 0.5
"""Share of the photo's size at which twins are compared."""


@dataclass(frozen=True)
class View:
    """The first hits of one photo at half size: distance (H x W mm), part (H x W, -1 none), normal and
    colour (H x W x 3)."""

    distance: Floats
    part: Ints
    normal: Floats
    colour: Floats


def look(mesh: Mesh, scene: Any, made: Any, camera: Camera) -> View:
    """Return what the camera's pinhole sees of the mesh."""
    ways, wide, tall = camera.rays(HALF)
    distance, face = first_hits(scene, made, camera.position, ways)
    hit = face >= 0
    at = np.where(hit, face, 0)
    colour = mesh.colour[mesh.faces[at]].mean(1)
    shape = (tall, wide)
    return View(
        np.where(hit, distance, 1e5).reshape(shape),
        np.where(hit, mesh.part[at], -1).reshape(shape),
        (face_normals(mesh)[at] * hit[:, None]).reshape(*shape, 3),
        (colour * hit[:, None]).reshape(*shape, 3),
    )


def differs(one: View, other: View) -> Mask:
    """Return where two views differ clearly: depth by 0.4 mm, normal by 25 degrees, colour, or part."""
    deep = np.abs(one.distance - other.distance) > 0.4
    facing = np.abs((one.normal * other.normal).sum(-1)) < np.cos(np.deg2rad(25))
    tone = np.abs(np.sqrt(one.colour) - np.sqrt(other.colour)).max(-1) > 0.12
    facing &= (one.part >= 0) & (other.part >= 0)
    return np.asarray(deep | facing | tone | (one.part != other.part))


def _disc(sleeve: Sleeve, camera: Camera, shape: tuple[int, ...]) -> tuple[Mask, float]:
    """Return the mouth's disc as a mask at half size, and its whole area in pixels (out of frame too)."""
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    ring = np.stack([sleeve.x + sleeve.outer * np.cos(turn), sleeve.y + sleeve.outer * np.sin(turn)], -1)
    line = camera.project(np.column_stack([ring, np.full(48, sleeve.top)]))
    line = line * np.array([shape[1] / camera.width, shape[0] / camera.height]) - 0.5
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round(line * 16).astype(np.int32)], 1, shift=4)
    return mask > 0, float(cv2.contourArea(line.astype(np.float32)))


def housing_visible(
    kind: FindingKind, number: int, sleeve: Sleeve, camera: Camera, real: View, twin: View
) -> float:
    """Return the visible share (0..1) of damage to housing ``number``."""
    disc, area = _disc(sleeve, camera, real.part.shape)
    place = disc | (real.part == number + 1) | (twin.part == number + 1)
    place &= ~np.isin(real.part, (LATCH, OCCLUDER, SURROUNDINGS))
    changed = int((place & differs(real, twin)).sum())
    share = changed / max(area, float((disc & place).sum()), 1.0)
    return _told(kind, share, changed)


def latch_visible(camera: Camera, lever: Mesh, real: View, twin: View) -> float:
    """Return the visible share (0..1) of damage to the latch; ``lever`` is the undamaged one."""
    there = twin.part == LATCH
    changed = int((there & differs(real, twin)).sum())
    whole = max(float(there.sum()), _lever_area(camera, lever, real.part.shape), 1.0)
    return _told(FindingKind.MISSING_LATCH, changed / whole, changed)


def _lever_area(camera: Camera, lever: Mesh, shape: tuple[int, ...]) -> float:
    """Return how many pixels at half size the front of the lever would fill if nothing hid it."""
    front = lever.points[lever.points[:, 2] > -12]
    if len(front) < 3:
        return 1.0
    line = camera.project(front) * (shape[1] / camera.width)
    hull = cv2.convexHull(line.astype(np.float32))
    return 0.6 * float(cv2.contourArea(hull))


def _told(kind: FindingKind, share: float, changed: int) -> float:
    """Scale a share; what is too small to tell without the twin is capped at 0.1."""
    scaled = share if kind == FindingKind.HEAT_MELTED_HOUSING else share / 0.4
    limit = 0.1 if changed < 10 or share < 0.025 else 1.0
    return float(np.clip(scaled, 0.0, limit))


def _free(points: Floats, camera: Camera, view: View) -> float:
    """Return the share of points (N x 3) inside the frame and not behind an occluder."""
    tall, wide = view.part.shape
    at = camera.project(points) * np.array([wide / camera.width, tall / camera.height])
    inside = (at[:, 0] >= 0) & (at[:, 0] < wide) & (at[:, 1] >= 0) & (at[:, 1] < tall)
    x = np.clip(at[:, 0].astype(int), 0, wide - 1)
    y = np.clip(at[:, 1].astype(int), 0, tall - 1)
    off = np.linalg.norm(points - camera.position, axis=1)
    hidden = (view.part[y, x] == OCCLUDER) & (view.distance[y, x] < off + 1.0)
    return float((inside & ~hidden).mean())


def sleeve_in_view(sleeve: Sleeve, camera: Camera, view: View) -> float:
    """Return the share of a mouth's disc that is in the frame and not hidden by fingers or cables."""
    spiral = np.sqrt((np.arange(160) + 0.5) / 160) * sleeve.outer
    turn = np.arange(160) * 2.39996
    x, y = sleeve.x + spiral * np.cos(turn), sleeve.y + spiral * np.sin(turn)
    return _free(np.column_stack([x, y, np.full(160, sleeve.top)]), camera, view)


def latch_in_view(lever: Mesh, camera: Camera, view: View) -> float:
    """Return the share of the undamaged latch's front that is in the frame and not hidden."""
    front = lever.points[lever.points[:, 2] > -12]
    points = front if len(front) > 20 else lever.points
    return _free(points[:: max(1, len(points) // 300)], camera, view)
