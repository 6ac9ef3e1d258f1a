"""A coupler's face, or one place on it, cut out of a photo and turned straight, so that photos compare.

Where the face lies is taken from the photo's latest verdict. Nothing is kept: a close-up can always be made
again from the original.
"""

from __future__ import annotations

import numpy as np
from sqlalchemy import func, select

from data_tools.access import Actor, Permission
from data_tools.database.schema import VerdictRow
from data_tools.lookup import judgement_from_json, photo_row
from data_tools.workspace import Workspace
from model.errors import BadRequestError
from model.families import FAMILIES, Box, Family
from model.geometry import box_to_mm, pixels_per_mm, scale_matrix
from model.judgement import LocatedFace
from model.photo import open_photo, reencode_clean
from model.preprocess import warp_view
from model.vocabulary import Place

MIN_SIDE, MAX_SIDE = 48, 1280
_SMALLEST_DECODE = 320
_SPARE = 1.5
"""Decoded at up to this many times the pixels that are shown: sharp, and still without false patterns."""
_AROUND = 1.9
"""A pin housing is shown in a square of this many sleeve diameters: with what surrounds it."""
_AROUND_LATCH = 1.15


def closeup(
    ws: Workspace, actor: Actor, photo_id: int, place: Place | None = None, side: int = 480
) -> bytes | None:
    """Return the face of a kept photo, or ``place`` on it, as an upright JPEG of ``side`` x ``side`` pixels.

    ``None`` where no face was located in it, or where its family has no such place.

    Raises:
        NotFoundError: no such photo, or its original is missing.
        PhotoError: the original cannot be decoded (damaged on disk).
        BadRequestError: ``side`` out of 48..1280.
    """
    actor.require(Permission.SEE)
    if not MIN_SIDE <= side <= MAX_SIDE:
        raise BadRequestError(f"a side of {MIN_SIDE} to {MAX_SIDE} pixels", f"{side}", "Ask for another.")
    with ws.read() as session:
        photo = photo_row(session, photo_id)
        sha256, longest = photo.sha256, max(photo.width, photo.height)
        latest = select(VerdictRow).where(VerdictRow.photo_id == photo.id).order_by(VerdictRow.id.desc())
        verdict = session.scalar(latest.limit(1))
        face = judgement_from_json(verdict.judgement).face if verdict is not None else None
    if face is None or face.family not in FAMILIES:
        return None
    box = box_of(FAMILIES[face.family], place)
    return None if box is None else _cut(ws.photos.get(sha256), longest, face, box, side)


def latest_verdict(ws: Workspace, actor: Actor, photo_id: int) -> int:
    """Return the number of a photo's latest verdict: a close-up is the same as long as this is."""
    actor.require(Permission.SEE)
    with ws.read() as session:
        latest = select(func.max(VerdictRow.id)).where(VerdictRow.photo_id == photo_id)
        return session.scalar(latest) or 0


def box_of(family: Family, place: Place | None) -> Box | None:
    """Return the square on the face plane (mm) that shows ``place``, or the whole face for ``None``."""
    if place is None:
        return family.canonical_view
    if place is Place.LATCH:
        zone = family.latch_zone
        if zone is None:
            return None
        x, y = (zone.left + zone.right) / 2, (zone.top + zone.bottom) / 2
        half = max(zone.right - zone.left, zone.top - zone.bottom) / 2 * _AROUND_LATCH
    else:
        contact = next((c for c in family.contacts if c.place is place), None)
        if contact is None:
            return None
        x, y, half = contact.x, contact.y, contact.sleeve_diameter * _AROUND / 2
    return Box(left=x - half, bottom=y - half, right=x + half, top=y + half)


def _cut(original: bytes, longest: int, face: LocatedFace, box: Box, side: int) -> bytes:
    to_full = np.array(face.homography).reshape(3, 3)
    middle = ((box.left + box.right) / 2, (box.top + box.bottom) / 2)
    wanted = side / (box.right - box.left)
    share = min(1.0, _SPARE * wanted / max(pixels_per_mm(to_full, middle), 1e-6))
    photo = open_photo(original, max_side=max(_SMALLEST_DECODE, int(np.ceil(longest * share))))
    to_photo = scale_matrix(photo.scale) @ to_full @ box_to_mm(box, side)
    return reencode_clean(warp_view(photo.rgb, to_photo, side))
