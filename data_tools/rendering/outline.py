"""The plane outlines shared by the nose, the insulating body and the head, as signed distances in mm."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from data_tools.rendering.sdf import smooth_max
from model.families import Family

Outline = Callable[[NDArray[Any], NDArray[Any]], NDArray[Any]]


def nose_outline(family: Family, build: dict[str, Any]) -> Outline:
    """Return the signed distance of the nose's outer shape, in face coordinates.

    A circle as wide as the family's nose; where the nose is less high than wide its top is flattened.
    ``facet_count`` and ``facet_depth`` make a round shell slightly polygonal.
    """
    radius = family.nose_width / 2 + float(build["nose_grow"])
    bottom = family.nose_centre[1] - family.nose_height / 2 - float(build["nose_grow"])
    top = family.nose_centre[1] + family.nose_height / 2 + float(build["nose_grow"])
    centre_y = bottom + radius
    count, depth, phase = int(build["facet_count"]), float(build["facet_depth"]), float(build["facet_phase"])
    flattened = family.nose_height < family.nose_width - 1.0
    corner = float(build["corner_round"])

    def distance(x: NDArray[Any], y: NDArray[Any]) -> NDArray[Any]:
        dy = y - centre_y
        away = np.hypot(x, dy) - radius
        if count:
            away = away + depth * 0.5 * (1 - np.cos(count * np.arctan2(dy, x) + phase))
        if flattened:
            return np.asarray(smooth_max(away, np.asarray(y - top), corner))
        return np.asarray(away)

    return distance
