"""What is true of a photo: where each place is, what hides it, and how much of a damage can be seen."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from data_tools.studios.gorse.body import hook_box
from data_tools.studios.gorse.company import FRONT
from data_tools.studios.gorse.make import Damage, Make
from data_tools.studios.gorse.solids import Array, Mesh
from data_tools.studios.gorse.stage import Camera
from model.families import Family
from model.manifest import LabelledFinding
from model.vocabulary import FindingKind, Place

SEEN_CHANGE = 0.065
"""Change of a display value (0..1) that an eye notices beside its surroundings."""
BREAK_FULL = 0.4
FAINT = 0.1
SUBTLE, HONEST_MELT = ("sag", "fuse", "shrink"), 0.2
"""Melts that cannot be told without the twin below this severity."""
BEHIND = -6.0
"""Parts of a hiding thing deeper than this (z, mm) are behind the mouths."""


def place_points(make_or_family: Make | Family, place: Place) -> Any:
    """Return N x 3 points (mm), evenly over a place: a sleeve's mouth, or the hook (a make has its own)."""
    make = make_or_family if isinstance(make_or_family, Make) else None
    family = make.family if make is not None else make_or_family
    assert isinstance(family, Family)
    if place is Place.LATCH:
        zone = family.latch_zone
        assert zone is not None
        left, bottom, right, top = hook_box(make) if make else (zone.left, zone.bottom, zone.right, zone.top)
        x, y = np.meshgrid(np.linspace(left, right, 16), np.linspace(bottom, top, 16))
        return np.stack([x.ravel(), y.ravel(), np.full(x.size, make.hook_tip if make else 0.0)], 1)
    contact = next(c for c in family.contacts if c.place is place)
    x, y = np.meshgrid(np.linspace(-1, 1, 24), np.linspace(-1, 1, 24))
    inside = np.hypot(x, y) <= 1
    radius = contact.sleeve_diameter / 2
    flat = [contact.x + radius * x[inside], contact.y + radius * y[inside], 0 * x[inside]]
    return np.stack(flat, 1)


def covered(meshes: list[Mesh], camera: Camera) -> Array:
    """Return the mask (H x W, 0 or 1) of what lies in front of the face."""
    mask = np.zeros(camera.size[::-1], np.uint8)
    for mesh in meshes:
        if mesh.name != FRONT:
            continue
        near = (mesh.vertices[mesh.faces][:, :, 2] > BEHIND).all(1)
        seen = camera.project(mesh.vertices)
        points = np.round(seen[:, :2] * 16).astype(np.int32)[mesh.faces[near]]
        for triangle in points[(seen[:, 2] > 1)[mesh.faces[near]].all(1)]:
            cv2.fillConvexPoly(mask, triangle, 1, cv2.LINE_8, 4)
    return mask.astype(np.float32)


def silhouette(meshes: list[Mesh], camera: Camera) -> Array:
    """Return a soft mask of the coupler, its hand and what is in front of it, as portrait modes guess it."""
    mask = np.zeros(camera.size[::-1], np.uint8)
    for mesh in meshes:
        if mesh.name in ("backdrop", "clutter", "thing", "leaves"):
            continue
        seen = camera.project(mesh.vertices[:: max(1, len(mesh.vertices) // 4000)])
        hull = cv2.convexHull(np.round(seen[seen[:, 2] > 1][:, :2]).astype(np.int32))
        cv2.fillConvexPoly(mask, hull, 1)
    return np.asarray(cv2.GaussianBlur(mask.astype(np.float32), (0, 0), max(0.6, max(mask.shape) / 150)))


def judgeable(make: Make, camera: Camera, mask: Array) -> dict[Place, float]:
    """Return the share of each place that is in the picture and not hidden."""
    shares = {}
    for place in make.family.places:
        x, y = _pixels(place_points(make.family, place), camera)
        inside = (x >= 0) & (y >= 0) & (x < camera.size[0]) & (y < camera.size[1])
        column, row = np.clip(x, 0, camera.size[0] - 1), np.clip(y, 0, camera.size[1] - 1)
        shares[place] = round(float((inside & (mask[row, column] < 0.5)).mean()), 3)
    return shares


def _pixels(points: Any, camera: Camera) -> tuple[Any, Any]:
    seen = np.floor(camera.project(points)[:, :2]).astype(int)
    return seen[:, 0], seen[:, 1]


def seen_shares(
    make: Make, damages: tuple[Damage, ...], with_: Array, without: Array, camera: Camera
) -> list[float]:
    """Return for each damage the share of its place where two display pictures of one view differ.

    ``camera`` is the one of these pictures; both are smoothed a little against the noise of rendering."""
    a, b = (cv2.GaussianBlur(picture, (0, 0), 1.4) for picture in (with_, without))
    changed = np.abs(a - b).max(2) > SEEN_CHANGE
    shares = []
    for damage in damages:
        x, y = _pixels(place_points(make, damage.place), camera)
        inside = (x >= 0) & (y >= 0) & (x < camera.size[0]) & (y < camera.size[1])
        column, row = np.clip(x, 0, camera.size[0] - 1), np.clip(y, 0, camera.size[1] - 1)
        shares.append(float((inside & changed[row, column]).mean()))
    return shares


def finding(damage: Damage, share: float) -> LabelledFinding:
    """Return the label of one damage of which ``share`` of the place is seen to differ."""
    visible = min(1.0, share / BREAK_FULL) if damage.kind is not FindingKind.HEAT_MELTED_HOUSING else share
    if damage.mode in SUBTLE and damage.severity < HONEST_MELT:
        visible = min(visible, FAINT)
    return LabelledFinding(damage.kind, damage.place, round(damage.severity, 3), round(visible, 3))
