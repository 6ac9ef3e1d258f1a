"""What can be seen of each place and of each damage in a photo, measured against the intact twin."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from data_tools.studios.dogwood.camera import Camera
from data_tools.studios.dogwood.mesh import FIRST_PLACE, FOREIGN, Floats, Part
from data_tools.studios.dogwood.render import Hits, cast
from model.families import Family
from model.manifest import LabelledFinding
from model.vocabulary import FindingKind, Place

RAYS = 56
"""Rays along one side of the square in which a place is compared."""
FULL_BREAK = 0.4
"""Share of a place that a break must change to count as wholly visible."""
PLAIN = 0.065
"""Difference of brightness, 0 to 1, that a person notices."""
FEWEST_PIXELS, HARDLY = 28.0, 0.1
"""Below so many changed pixels nobody could tell: the visibility is capped."""


def places_in_view(
    family: Family, intact: Part, mesh: Part, scene: Any, camera: Camera
) -> dict[Place, float]:
    """Share (0 to 1) of the front of each place that is in the frame and not hidden."""
    shares = {}
    away = camera.position - intact.points
    facing = (intact.normals * away).sum(axis=1) / np.linalg.norm(away, axis=1) > 0.15
    for number, place in enumerate(family.places):
        own = np.flatnonzero(intact.owner == FIRST_PLACE + number)
        front = own[intact.points[own, 2] > np.quantile(intact.points[own, 2], 0.98) - 2.5]
        front = front[facing[front]] if facing[front].any() else front
        points = intact.points[front[:: max(1, len(front) // 160)]]
        pixels = camera.project(points)
        hits = cast(mesh, camera, pixels, scene)
        far = np.linalg.norm(points - camera.position, axis=1)
        hidden = (hits.owner >= 0) & (hits.distance < far - 1.2) & (hits.owner != FIRST_PLACE + number)
        shares[place] = round(float(np.mean(_in_frame(camera, pixels) & ~hidden)), 3)
    return shares


def _in_frame(camera: Camera, pixels: NDArray[np.floating]) -> NDArray[np.bool_]:
    return np.asarray(((pixels >= 0) & (pixels < (camera.width, camera.height))).all(axis=1))


def judge(
    found: list[tuple[FindingKind, int, float]],
    family: Family,
    meshes: tuple[Part, Part],
    scenes: tuple[Any, Any],
    camera: Camera,
    shown: tuple[Floats, Floats],
) -> tuple[LabelledFinding, ...]:
    """The findings of a photo, each a (kind, number of its place, severity), with how visible it is.

    ``meshes`` and ``scenes`` are the intact twin, no hand on it, and what was photographed; ``shown`` their
    pictures (H, W, 3), 0 to 1, by the same camera in the same light: only what differs in both counts.
    """
    intact, mesh = meshes
    calm = [cv2.GaussianBlur(picture, (0, 0), 1.4) for picture in shown]
    contrast = np.abs(calm[0] - calm[1]).max(axis=2)
    findings = []
    for kind, number, severity in found:
        own = intact.points[(intact.owner == FIRST_PLACE + number) & (intact.points[:, 2] > -14)]
        pixels = camera.project(own)
        low, high = pixels.min(axis=0) - 2, pixels.max(axis=0) + 2
        x, y = (np.linspace(low[k], high[k], RAYS) for k in (0, 1))
        grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
        before, after = cast(intact, camera, grid, scenes[0]), cast(mesh, camera, grid, scenes[1])
        ours = (before.owner == FIRST_PLACE + number) & (before.metallic < 0.5)
        if kind is FindingKind.MISSING_LATCH:
            ours = before.owner == FIRST_PLACE + number
        seen = _in_frame(camera, grid) & (after.owner != FOREIGN)
        at = np.clip(grid, 0, (camera.width - 1, camera.height - 1)).astype(int)
        plain = contrast[at[:, 1], at[:, 0]] > PLAIN
        changed = _differs(before, after) & plain & seen & (ours | (after.owner == FIRST_PLACE + number))
        share = changed.sum() / max(ours.sum(), 1)
        visible = share / FULL_BREAK if kind is FindingKind.BROKEN_PIN_HOUSING else share
        count = changed.sum() * float(np.prod((high - low) / (RAYS - 1)))
        if count < FEWEST_PIXELS:
            visible = min(visible, HARDLY)
        place = family.places[number]
        findings.append(LabelledFinding(kind, place, round(severity, 3), round(float(min(visible, 1)), 3)))
    return tuple(findings)


def _differs(before: Hits, after: Hits) -> NDArray[np.bool_]:
    """Where two views of the same pixels differ so that a person would see it."""
    with np.errstate(invalid="ignore"):
        moved = np.abs(before.distance - after.distance) > 0.5
    turned = np.abs((before.normal * after.normal).sum(axis=1)) < 0.84
    shade = np.abs(np.sqrt(before.albedo) - np.sqrt(after.albedo)).max(axis=1) > 0.09
    return np.asarray((moved | turned | shade | (before.owner != after.owner)) & (before.owner >= 0))
