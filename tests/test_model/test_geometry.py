"""Homographies against plain trigonometry and against OpenCV."""

import cv2
import numpy as np
import pytest

from model.families import FAMILIES, TYPE1, TYPE2
from model.geometry import (
    CANONICAL_PIXELS,
    canonical_to_mm,
    in_frame_fraction,
    latch_box,
    part_boxes,
    pixels_per_mm,
    project,
    shape_stretch,
    turned_mirror,
)


def view_matrix(tilt_degrees: float, pixels_per_millimetre: float = 5.0) -> np.ndarray:
    """Mm to pixels of a distant camera that looks at the face tilted about the vertical axis."""
    squeeze = np.cos(np.radians(tilt_degrees))
    return np.array(
        [[pixels_per_millimetre * squeeze, 0, 320.0], [0, -pixels_per_millimetre, 240.0], [0, 0, 1.0]]
    )


@pytest.mark.parametrize("tilt", [0.0, 20.0, 40.0])
def test_stretch_of_a_tilted_view_is_one_over_the_cosine(tilt: float) -> None:
    matrix = view_matrix(tilt)
    assert shape_stretch(matrix) == pytest.approx(1 / np.cos(np.radians(tilt)), rel=1e-9)
    assert pixels_per_mm(matrix) == pytest.approx(5.0 * np.sqrt(np.cos(np.radians(tilt))), rel=1e-9)


def test_a_photo_never_mirrors_the_face() -> None:
    assert not turned_mirror(view_matrix(10.0))
    assert turned_mirror(view_matrix(10.0) @ np.diag([-1.0, 1.0, 1.0]))


def test_projection_agrees_with_opencv() -> None:
    matrix = np.array([[4.0, 0.3, 100.0], [-0.2, -4.2, 90.0], [1e-3, -2e-3, 1.0]])
    points = np.random.default_rng(0).uniform(-30, 30, (50, 2))
    reference = cv2.perspectiveTransform(points[None], matrix)[0]
    np.testing.assert_allclose(project(matrix, points), reference, atol=1e-9)


@pytest.mark.parametrize("family", FAMILIES.values(), ids=FAMILIES)
def test_every_part_lies_inside_the_canonical_view(family) -> None:
    boxes = [*part_boxes(family), latch_box(family)]
    assert all((box >= 0).all() and (box <= CANONICAL_PIXELS).all() for box in boxes)
    centres = [(box[:2] + box[2:]) / 2 for box in part_boxes(family)]
    in_mm = project(canonical_to_mm(family), np.array(centres, dtype=np.float64))
    np.testing.assert_allclose(in_mm, family.contact_centres(), atol=1e-4)


def test_the_latch_zone_is_above_the_nose() -> None:
    assert TYPE1.latch_zone is not None
    assert TYPE1.latch_zone.top > TYPE1.nose_height / 2
    assert not TYPE2.has_latch


def test_fraction_in_frame_of_a_disc_cut_in_half() -> None:
    matrix = view_matrix(0.0)
    assert in_frame_fraction(matrix, (0.0, 0.0), 5.0, 640, 480) == 1.0
    assert in_frame_fraction(matrix, (-64.0, 0.0), 5.0, 640, 480) == pytest.approx(
        0.5, abs=0.06
    )  # 49 sample points, 5 on the border
    assert in_frame_fraction(matrix, (-90.0, 0.0), 5.0, 640, 480) == 0.0
