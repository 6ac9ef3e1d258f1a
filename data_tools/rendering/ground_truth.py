"""What is true of one photo: where the places are, how much of each is in view, how visible each damage is.

*In view*: points on a place are projected into the photo and compared with the depth that the renderer met
there. *Visible*: the photo is compared with one of the coupler's undamaged twin, same light, same camera.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from data_tools.rendering.camera import Array, Camera, undistort
from data_tools.rendering.directions import Floats
from data_tools.rendering.phone import develop_pair, exposure
from data_tools.rendering.phone_look import PhoneLook
from data_tools.rendering.renderer import FirstHits
from data_tools.rendering.spec import Damage, Mesh
from data_tools.rendering.tone import colours, to_display
from model.families import Family
from model.vocabulary import FindingKind, Place, Reason

Region = tuple[NDArray[np.bool_], float]
"""A mask (H x W) of the pixels that may show a place's damage, and the area of the whole place, pixels."""
IN_FRONT_MM = 2.0
"""Nearer by more than this than the point looked for means that something covers it."""
FACE_PLANE_MARGIN = 1.15
"""The damaged place is searched for a difference this much wider than the pin housing."""
FAINT = 0.04
"""Smallest difference of a display channel (0..1) that counts, before noise is added."""
FEWEST_PIXELS, PLENTY_OF_PIXELS = 12.0, 45.0
"""A difference of fewer photo pixels than the first is not visible; from the second on it counts fully."""
BREAK_SHARE = 0.4
"""A break that changes this share of its place is as visible as a break can be: a gap of a quarter of the
sleeve catches the eye, whereas heat changes the whole place."""
SLIGHT = 0.3
CHANGED_FROM = 0.03
"""Share of an undamaged place that differs from the twin's from which it counts as changed all the same."""
BLUR_LIMIT_MM = 0.7
"""Standard deviation of the blur on the face, mm, from which a photo counts as too blurred."""
PASSES_FOR_INTACT = 0.1
"""Most that a latch damage counts as visible while what is left of the hook looks like some build's intact
hook: between "shown" and "not shown" for whoever teaches or measures, because the photo cannot tell."""
HOOK_MOVED_MM = 3.0
LATCH_PARTS = ("latch_hook", "latch_lever", "latch_stub")


def place_points(family: Family, intact: Sequence[Mesh]) -> dict[Place, Array]:
    """Return N x 3 points (mm) on each place: the mouth of each pin housing, and the latch's hook.

    ``intact`` are the meshes of the undamaged coupler, which tell where the hook is or was.
    """
    ring = np.array([(r * np.cos(a), r * np.sin(a)) for r, n in ((0.95, 24), (0.7, 18), (0.4, 12), (0.0, 1))
                     for a in np.linspace(0, 2 * np.pi, n, endpoint=False)])  # fmt: skip
    points: dict[Place, Array] = {}
    for contact in family.contacts:
        flat = np.array([contact.x, contact.y]) + ring * contact.sleeve_diameter / 2
        points[contact.place] = np.column_stack([flat, np.zeros(len(flat))])
    if family.has_latch:
        hook = [mesh.vertices for mesh in intact if mesh.part == LATCH_PARTS[0]]
        lever = [mesh.vertices for mesh in intact if mesh.part in LATCH_PARTS]
        found = np.concatenate(hook or lever) if lever else np.zeros((0, 3), np.float32)
        points[Place.LATCH] = _upper_side(found.astype(np.float64))
    return points


def _upper_side(points: Array, most: int = 240) -> Array:
    """Keep the part of the hook that a viewer in front can see: the foremost point of each 0.8 mm cell."""
    if not len(points):
        return points
    cell = np.floor(points[:, :2] / 0.8).astype(np.int64)
    order = np.lexsort((-points[:, 2], cell[:, 1], cell[:, 0]))
    first = np.ones(len(order), bool)
    first[1:] = (np.diff(cell[order], axis=0) != 0).any(axis=1)
    front = points[order[first]]
    step = max(1, len(front) // most)
    return front[::step]


def places_in_view(points: Mapping[Place, Array], camera: Camera, hits: FirstHits) -> dict[Place, float]:
    """Return for each place the share (0..1) of its points in the frame with nothing in front of them."""
    return {place: _share_in_view(where, camera, hits) for place, where in points.items()}


def _share_in_view(points: Array, camera: Camera, hits: FirstHits) -> float:
    if not len(points):
        return 0.0
    pixels = np.floor(camera.project_straight(points)).astype(int)
    inside = ((pixels >= 0) & (pixels < [camera.width, camera.height])).all(axis=1)
    column = np.clip(pixels[:, 0], 0, camera.width - 1)
    row = np.clip(pixels[:, 1], 0, camera.height - 1)
    met = hits.distance[row, column]
    reach = np.linalg.norm(points - camera.position, axis=1)
    free = (met <= 0) | (met > reach - IN_FRONT_MM)
    return round(float((inside & free).mean()), 3)


def share_in_frame(points: Array, camera: Camera) -> float:
    """Return the share of N x 3 points that fall into the photo."""
    if not len(points):
        return 1.0
    pixels = camera.project(points)
    return float(((pixels >= 0) & (pixels <= [camera.width, camera.height])).all(axis=1).mean())


def visibility(
    places: Iterable[Place],
    pair: tuple[Floats, Floats],
    camera: Camera,
    look: PhoneLook,
    points: Mapping[Place, Array],
    final_scale: float,
    regions: Mapping[Place, Region] | None = None,
) -> list[float]:
    """Return how visible the damage at each place is, 0..1: the share of the place whose colour differs.

    ``pair`` is the radiance of the damaged coupler and of its twin on ``camera``'s pixel grid, whose pixels
    are 1 / ``final_scale`` photo pixels wide. Both are developed alike; a pixel counts fully where its most
    different channel differs by 0.1 more than ``FAINT`` plus the photo's noise there, and not at all below
    that. Fewer than ``FEWEST_PIXELS`` photo pixels in all count as nothing. A place partly outside the frame
    or covered can only show the rest of itself. ``regions`` replaces the region that is searched for some
    places (see :func:`hook_region`).
    """
    small_look = replace(look, motion_px=look.motion_px / final_scale)
    damaged, twin = develop_pair(pair[0], pair[1], camera, small_look)
    blurred = [cv2.GaussianBlur(picture, (0, 0), 0.8) for picture in (damaged, twin)]
    difference = _largest(cv2.absdiff(blurred[0], blurred[1]))
    strength = np.clip((difference - FAINT - _noise_level(pair[0], look)) / 0.1, 0, 1)
    known = regions or {}
    return [
        _visible(strength, known[place] if place in known else region_of(place, points, camera), final_scale)
        for place in places
    ]


def hook_region(hits: FirstHits, twin: FirstHits, camera: Camera, share_in_view: float) -> Region:
    """Return where the photo shows that the hook is gone: the pixels where the intact twin shows its hook and
    the damaged coupler does not, or shows it ``HOOK_MOVED_MM`` or more further back; and the area (pixels)
    of the whole hook, that part of it included which is covered or out of the frame."""
    hook = _part_mask(twin, LATCH_PARTS[0])
    kept = _part_mask(hits, LATCH_PARTS[0]) & (hits.distance < twin.distance + HOOK_MOVED_MM)
    area = float(hook.sum()) / max(share_in_view, 0.05)
    return _as_photographed((hook & ~kept).astype(np.uint8), camera).astype(bool), area


def _part_mask(hits: FirstHits, part: str) -> NDArray[np.bool_]:
    if part not in hits.parts:
        return np.zeros(hits.part.shape, bool)
    return np.asarray(hits.part == hits.parts.index(part))


def _as_photographed(mask: NDArray[np.uint8], camera: Camera) -> NDArray[np.uint8]:
    """Bend a mask of the straight picture as the lens bends the photo."""
    if abs(camera.distortion) < 5e-4:
        return mask
    row, column = np.mgrid[0 : camera.height, 0 : camera.width] + 0.5
    source = undistort(np.stack([column.ravel(), row.ravel()], axis=1), camera) - 0.5
    maps = source.reshape(camera.height, camera.width, 2).astype(np.float32)
    return np.asarray(cv2.remap(mask, maps, None, cv2.INTER_NEAREST), np.uint8)  # type: ignore[call-overload]


def _visible(strength: Floats, region: Region, final_scale: float) -> float:
    mask, area = region
    differing = float(strength[mask].sum())
    pixels = differing * final_scale**2
    if pixels < FEWEST_PIXELS or area <= 0:
        return 0.0
    return round(min(1.0, differing / area) * min(1.0, pixels / PLENTY_OF_PIXELS), 4)


def of_damage(damage: Damage, share: float, others: Iterable[Damage]) -> float:
    """Return how visible one damage is where ``share`` of its place differs.

    Two damages at one place cannot be told apart by that: the milder of them, and one that is slight, counts
    at most as ``PASSES_FOR_INTACT`` (a sleeve that is gone cannot look softened, and what is missing from
    one that has run may have run).
    """
    if damage.kind is FindingKind.BROKEN_PIN_HOUSING:
        share = min(1.0, share / BREAK_SHARE)
    worst = max((o.severity for o in others if o.place is damage.place and o is not damage), default=None)
    if worst is not None and (damage.severity < worst or damage.severity < SLIGHT):
        share = min(share, PASSES_FOR_INTACT)
    return round(share, 4)


def _noise_level(radiance: Floats, look: PhoneLook) -> Floats:
    """Return the noise of the developed photo per pixel, in display units, after its own smoothing."""
    exposed = radiance * exposure(radiance, look)
    level = look.noise * np.sqrt(np.maximum(exposed, 0) / 0.18 + 0.15) * (1 - 0.6 * look.smear)
    neutral = np.ones(3, np.float32)
    low, high = (to_display(colours(e, look, neutral), look) for e in (exposed, exposed + level))
    return np.asarray(cv2.GaussianBlur(_largest(cv2.absdiff(high, low)), (0, 0), 2.0), np.float32)


def _largest(picture: NDArray[Any]) -> Floats:
    """Return the largest channel of each pixel (H x W)."""
    red, green, blue = cv2.split(picture)
    return np.asarray(np.maximum(np.maximum(red, green), blue), np.float32)


def region_of(place: Place, points: Mapping[Place, Array], camera: Camera) -> Region:
    """Return the mask of a place on the camera's grid (H x W) and its whole area in pixels, also outside."""
    pixels = camera.project(points[place])
    if len(pixels) < 3:
        return np.zeros((camera.height, camera.width), bool), 0.0
    hull = cv2.convexHull(pixels.astype(np.float32)).reshape(-1, 2)
    hull = hull.mean(axis=0) + (hull - hull.mean(axis=0)) * FACE_PLANE_MARGIN
    mask = np.zeros((camera.height, camera.width), np.uint8)
    cv2.fillPoly(mask, [np.round(hull).astype(np.int32)], 1)
    return mask.astype(bool), float(cv2.contourArea(hull.astype(np.float32)))


def blur_sd_mm(defocus_mm: float, motion_px: float, px_per_mm: float) -> float:
    """Return the standard deviation of the blur along its longer direction, mm on the face.

    A disc of diameter D has a standard deviation of D / 4 along a line, a stroke of length L of L / sqrt(12).
    """
    return float(np.hypot(defocus_mm / 4, motion_px / px_per_mm / np.sqrt(12)))


def is_hidden(places: Mapping[Place, float]) -> bool:
    """Whether too little of the face is in view to judge it: fewer than half of the places half free."""
    return bool(np.mean([share >= 0.5 for share in places.values()]) < 0.5)


def first_reason(checks: Iterable[tuple[bool, Reason]]) -> Reason | None:
    """Return the reason of the first check that holds."""
    return next((reason for holds, reason in checks if holds), None)
