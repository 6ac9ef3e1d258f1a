"""The truth of one photo: what is in view, and how much of each damage can be seen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from data_tools.studios.cedar.camera import View
from data_tools.studios.cedar.meshes import COVER, LATCH, METAL, Array
from data_tools.studios.cedar.stage import Cast
from model.families import Family
from model.manifest import LabelledFinding
from model.vocabulary import FindingKind, Place

Mask = NDArray[np.bool_]
TELLING = 0.1
"""The most that counts as visible where a person could not tell without the twin."""
FULL_AT = 0.4
"""A break or a lost latch counts as fully visible from this share of its place."""


def _differs(a: Cast, b: Cast) -> Mask:
    """Return the pixels where two casts differ clearly."""
    plastic = (a.part != METAL) & (b.part != METAL)
    turned = (a.normal * b.normal).sum(-1) < np.cos(np.radians(25))
    brightness = np.maximum(np.maximum(a.colour, b.colour).mean(-1), 0.03)
    recoloured = np.abs(a.colour - b.colour).mean(-1) > 0.45 * brightness
    cover = (a.part == COVER) & (b.part == COVER)
    differs = (np.abs(a.depth - b.depth) > 0.4) | turned | (a.part != b.part) | (recoloured & plastic)
    return np.asarray(differs & ~cover)


def _discs(view: View, family: Family) -> dict[Place, NDArray[np.float64]]:
    """Return points (Nx2 pixels) spread over each sleeve's disc at the mouth."""
    steps = np.arange(160)
    r, a = np.sqrt((steps + 0.5) / 160), steps * 2.39996
    unit = np.stack([r * np.cos(a), r * np.sin(a)], 1)
    result = {}
    for c in family.contacts:
        flat = unit * c.sleeve_diameter / 2 + [c.x, c.y]
        result[c.place] = view.project(np.concatenate([flat, np.zeros((160, 1))], 1))
    return result


def _free(points: NDArray[np.float64], depths: NDArray[np.float64], seen: Cast) -> float:
    h, w = seen.part.shape
    x, y = np.floor(points[:, 0]).astype(int), np.floor(points[:, 1]).astype(int)
    inside = (x >= 0) & (x < w) & (y >= 0) & (y < h)
    x, y = x.clip(0, w - 1), y.clip(0, h - 1)
    hidden = (seen.part[y, x] == COVER) & (seen.depth[y, x] < depths + 2.0)
    return float((inside & ~hidden).mean())


def places_in_view(view: View, family: Family, lever: Array | None, seen: Cast) -> dict[Place, float]:
    """Return for each place the fraction (0..1) in the frame and not covered; ``view`` as cast.

    ``lever`` are points (Nx3 mm) of the undamaged lever's front.
    """
    result = {}
    for place, points in _discs(view, family).items():
        contact = next(c for c in family.contacts if c.place is place)
        depth = float(np.linalg.norm(view.eye - [contact.x, contact.y, 0.0]))
        result[place] = round(_free(points, np.full(len(points), depth), seen), 3)
    if family.has_latch and lever is not None:
        depths = np.linalg.norm(lever - view.eye, axis=1)
        result[Place.LATCH] = round(_free(view.project(lever), depths, seen), 3)
    return result


def _disc_mask(view: View, family: Family, place: Place, casts: tuple[Cast, Cast], floor: float) -> Mask:
    """Return the pixels of one sleeve: its disc at the mouth and what stands there."""
    contact = next(c for c in family.contacts if c.place is place)
    h, w = casts[0].part.shape
    y, x = np.mgrid[0:h, 0:w] + 0.5
    homography = np.array(view.homography()).reshape(3, 3)
    plane = np.linalg.inv(homography) @ np.stack([x.ravel(), y.ravel(), np.ones(h * w)])
    at = (plane[:2] / plane[2]).T.reshape(h, w, 2)
    radius = contact.sleeve_diameter / 2
    mask = np.hypot(at[..., 0] - contact.x, at[..., 1] - contact.y) < radius
    for seen in casts:
        p = seen.position
        near = np.hypot(p[..., 0] - contact.x, p[..., 1] - contact.y) < radius + 0.4
        mask |= near & (p[..., 2] > floor + 1.0) & (p[..., 2] < 3.0) & (seen.part != COVER) & (seen.part >= 0)
    return np.asarray(mask)


def _readable(mask: Mask, picture: NDArray[np.uint8]) -> bool:
    """Say whether the differing pixels are bright and many enough for a person to tell."""
    h, w = picture.shape[:2]
    rows, columns = np.nonzero(mask)
    if len(rows) < 8:
        return False
    y = (rows * h // mask.shape[0]).clip(0, h - 1)
    x = (columns * w // mask.shape[1]).clip(0, w - 1)
    return bool(np.percentile(picture[y, x].mean(-1), 92) > 14)


def how_visible(
    view: View,
    family: Family,
    finding: LabelledFinding,
    pair: tuple[Cast, Cast],
    floor: float,
    free: float,
    picture: NDArray[np.uint8],
) -> float:
    """Return ``visible`` (0..1): how much of a damaged place differs from its twin in this photo.

    ``pair``: casts with and without the damage, of ``view``; ``floor``: z of the insert's floor, mm;
    ``free``: fraction of the place in view and not covered; ``picture``: the developed photo.
    """
    differs = _differs(*pair)
    if finding.place is Place.LATCH:
        mask = (pair[1].part == LATCH) | ((pair[0].part == LATCH) & differs)
        mask &= (pair[1].position[..., 2] > -16) | (pair[0].position[..., 2] > -16)
        seen = free  # a lever behind a hand is in neither cast
    else:
        mask = _disc_mask(view, family, finding.place, pair, floor)
        points = _discs(view, family)[finding.place]
        seen = float(((points > 0) & (points < [view.width, view.height])).all(1).mean())
    changed = mask & differs
    share = seen * float(changed.sum()) / max(int(mask.sum()), 1)
    if finding.kind is not FindingKind.HEAT_MELTED_HOUSING:
        share = min(share / FULL_AT, 1.0)
    return share if _readable(changed, picture) else min(share, TELLING)
