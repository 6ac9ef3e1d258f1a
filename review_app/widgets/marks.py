"""Where on the photo a finding lies: outlines in pixels of the full-size upright photo."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from data_tools.records import TrueFinding
from model.families import FAMILIES, Family
from model.judgement import Judgement
from model.vocabulary import GRAVITY, FindingKind, Place
from review_app.wording import KIND_COLOUR, KIND_LETTER, place_phrase

_STEPS = 28
_GAP_MM = 4.0
_LETTER = 0.32


def marks_of(judgement: Judgement) -> list[dict[str, Any]]:
    """Return one outline for each place of ``judgement`` that has findings and a located face.

    Each is a dict with ``points`` ([[x, y], ...] in pixels of the full-size upright photo), ``letter`` (one
    for each kind, the gravest first) with the middle ``at`` and the ``size`` to write it, ``colour`` and
    ``words``; empty where no face was located.
    """
    located = _located(judgement)
    if located is None:
        return []
    row, homography = located
    marks = []
    for place, kinds in by_place(TrueFinding(f.kind, f.place) for f in judgement.findings).items():
        shape = _shape(row, place)
        if shape is not None:
            marks.append(
                {
                    "points": np.round(_project(homography, shape), 1).tolist(),
                    "at": np.round(_project(homography, _beyond(row, place))[0], 1).tolist(),
                    "size": round(float(np.hypot(*np.ptp(_project(homography, shape), axis=0))) * _LETTER, 1),
                    "letter": "".join(KIND_LETTER[kind] for kind in kinds),
                    "colour": KIND_COLOUR[kinds[0]],
                    "words": "; ".join(place_phrase(kind, place) for kind in kinds),
                }
            )
    return marks


def face_box(judgement: Judgement) -> list[float] | None:
    """Return left, top, right, bottom of the located face in pixels of the full-size photo, or None."""
    located = _located(judgement)
    if located is None:
        return None
    corners = _project(located[1], located[0].canonical_view.corners())
    if not np.isfinite(corners).all():
        return None
    return [*corners.min(axis=0).tolist(), *corners.max(axis=0).tolist()]


def by_place(findings: Iterable[TrueFinding]) -> dict[Place, list[FindingKind]]:
    """Return the kinds found at each place, the gravest first."""
    found = frozenset(findings)
    places = dict.fromkeys(finding.place for finding in sorted(found, key=lambda finding: finding.place))
    return {place: [kind for kind in GRAVITY if TrueFinding(kind, place) in found] for place in places}


def _located(judgement: Judgement) -> tuple[Family, NDArray[np.float64]] | None:
    if judgement.face is None or judgement.face.family not in FAMILIES:
        return None
    return FAMILIES[judgement.face.family], np.array(judgement.face.homography, dtype=float).reshape(3, 3)


def _shape(row: Family, place: Place) -> NDArray[np.float64] | None:
    if place is Place.LATCH:
        return None if row.latch_zone is None else row.latch_zone.corners()
    contact = next((c for c in row.contacts if c.place is place), None)
    if contact is None:
        return None
    angles = np.linspace(0, 2 * np.pi, _STEPS, endpoint=False)
    radius = contact.sleeve_diameter / 2 + 1.0
    return np.column_stack([contact.x + radius * np.cos(angles), contact.y + radius * np.sin(angles)])


def _beyond(row: Family, place: Place) -> NDArray[np.float64]:
    """Return a point outside the mark, mm, away from the middle of the face so that letters keep apart."""
    if place is Place.LATCH:
        zone = row.latch_zone or row.canonical_view
        # Beside the zone, not above it: above is often outside the photo.
        return np.array([[zone.right + _GAP_MM, (zone.top + zone.bottom) / 2]])
    contact = next(c for c in row.contacts if c.place is place)
    outward = np.array([contact.x, contact.y]) - np.array(row.nose_centre)
    length = float(np.hypot(*outward))
    direction = outward / length if length > 1 else np.array([0.0, 1.0])
    reach = contact.sleeve_diameter / 2 + _GAP_MM
    return np.array([[contact.x, contact.y]]) + reach * direction


def _project(homography: NDArray[np.float64], points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    homogeneous = np.column_stack([points_mm, np.ones(len(points_mm))]) @ homography.T
    projected: NDArray[np.float64] = homogeneous[:, :2] / homogeneous[:, 2:]
    return projected
