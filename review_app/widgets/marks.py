"""Where on the photo a finding lies: outlines in pixels of the full-size upright photo."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from model.errors import UnknownFamilyError
from model.families import Family, family
from model.judgement import Judgement
from model.vocabulary import Place
from review_app.wording import KIND_COLOUR, KIND_LETTER, place_phrase

_STEPS = 28


def marks_of(judgement: Judgement) -> list[dict[str, Any]]:
    """Return one outline for each finding of ``judgement`` that has a located face.

    Each is a dict with ``points`` ([[x, y], ...] in pixels of the full-size upright photo), ``letter``,
    ``colour`` and ``words``; the list is empty where no face was located.
    """
    if judgement.face is None:
        return []
    try:
        row = family(judgement.face.family)
    except UnknownFamilyError:
        return []
    homography = np.array(judgement.face.homography, dtype=float).reshape(3, 3)
    marks = []
    for finding in judgement.findings:
        shape = _shape(row, finding.place)
        if shape is not None:
            marks.append(
                {
                    "points": np.round(_project(homography, shape), 1).tolist(),
                    "letter": KIND_LETTER[finding.kind],
                    "colour": KIND_COLOUR[finding.kind],
                    "words": place_phrase(finding.kind, finding.place),
                }
            )
    return marks


def _shape(row: Family, place: Place) -> NDArray[np.float64] | None:
    if place is Place.LATCH:
        return None if row.latch_zone is None else row.latch_zone.corners()
    contact = next((c for c in row.contacts if c.place is place), None)
    if contact is None:
        return None
    angles = np.linspace(0, 2 * np.pi, _STEPS, endpoint=False)
    radius = contact.sleeve_diameter / 2 + 1.0
    return np.column_stack([contact.x + radius * np.cos(angles), contact.y + radius * np.sin(angles)])


def _project(homography: NDArray[np.float64], points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    homogeneous = np.column_stack([points_mm, np.ones(len(points_mm))]) @ homography.T
    projected: NDArray[np.float64] = homogeneous[:, :2] / homogeneous[:, 2:]
    return projected
