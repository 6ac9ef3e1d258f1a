"""Photo quality: against algebra, and against drawn faces whose blur, light and size are known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from model.families import FAMILIES, TYPE1, TYPE2, Family
from model.quality import LIMITS, laplacian_variance, measure, pixels_per_mm
from model.vocabulary import Reason
from tests.test_model.drawn_face import draw_face

BOTH = pytest.mark.parametrize("family", [TYPE1, TYPE2], ids=["type1", "type2"])


def test_variance_of_the_laplacian_of_one_bright_pixel() -> None:
    # Source: algebra (4-neighbour kernel: one -4v and four v among N): 20 v^2 / N = 195.3125.
    grey = np.zeros((64, 64), np.uint8)
    grey[30, 30] = 200
    assert laplacian_variance(grey) == 195.3125


def test_variance_of_the_laplacian_equals_a_slow_twin() -> None:
    grey = np.random.default_rng(1).integers(0, 256, (12, 9)).astype(np.uint8)
    padded = np.pad(grey.astype(float), 1, mode="reflect")
    slow = [
        padded[r - 1, c] + padded[r + 1, c] + padded[r, c - 1] + padded[r, c + 1] - 4 * padded[r, c]
        for r in range(1, 13)
        for c in range(1, 10)
    ]
    assert laplacian_variance(grey) == pytest.approx(np.var(slow))


@BOTH
@pytest.mark.parametrize("px_per_mm", [3.0, 5.5, 12.0])
def test_a_good_face_can_be_judged_at_any_size(family: Family, px_per_mm: float) -> None:
    picture, homography = draw_face(family, px_per_mm)
    report = measure(picture, homography, family)
    assert report.reason is None
    assert report.measures["px_per_mm"] == pytest.approx(px_per_mm)
    assert report.measures["in_frame_share"] == 1.0


@BOTH
def test_sharpness_depends_on_blur_and_not_on_size_or_light(family: Family) -> None:
    def sharpness(px_per_mm: float, blur_mm: float, gain: float = 1.0) -> float:
        picture, homography = draw_face(family, px_per_mm, blur_mm=blur_mm, gain=gain)
        return measure(picture, homography, family).measures["sharpness"]

    by_blur = [sharpness(8, blur) for blur in (0.0, 0.2, 0.4, 0.8, 1.6)]
    assert all(earlier > later * 1.2 for earlier, later in zip(by_blur, by_blur[1:], strict=False))
    for blur in (0.2, 0.4, 0.8):
        assert sharpness(16, blur) == pytest.approx(sharpness(5, blur), rel=0.12)
        assert sharpness(8, blur, gain=0.5) == pytest.approx(sharpness(8, blur), rel=0.12)


@BOTH
@pytest.mark.parametrize(
    ("fault", "reason"),
    [
        ({"blur_mm": 1.5}, Reason.TOO_BLURRED),
        ({"gain": 0.15}, Reason.TOO_DARK),
        ({"gain": 0.15, "blur_mm": 1.5}, Reason.TOO_DARK),
        ({"haze": 255.0}, Reason.TOO_BRIGHT),
        ({"glare_mm": 20.0}, Reason.TOO_BRIGHT),
        ({"px_per_mm": 1.5}, Reason.TOO_SMALL),
        ({"crop_mm": 30.0}, Reason.OUT_OF_FRAME),
    ],
)
def test_each_fault_has_its_reason(family: Family, fault: dict[str, float], reason: Reason) -> None:
    picture, homography = draw_face(family, **{"px_per_mm": 8.0, **fault})
    assert measure(picture, homography, family).reason is reason


@BOTH
@pytest.mark.parametrize("angle", [0, 30, 45, 90, 120])
def test_a_shaken_photo_is_blurred_whatever_the_direction(family: Family, angle: int) -> None:
    # A shake of 8 mm has a standard deviation of 8 / sqrt(12) = 2.3 mm along it and none across.
    picture, homography = draw_face(family, 8.0)
    length = 64
    trail = np.zeros((length + 1, length + 1), np.float32)
    centre = length / 2
    step = centre * np.array([np.cos(np.radians(angle)), -np.sin(np.radians(angle))])
    start, end = (tuple(map(round, centre + sign * step)) for sign in (-1, 1))
    cv2.line(trail, start, end, 1.0, 1, cv2.LINE_AA)
    shaken = cv2.filter2D(picture, -1, trail / trail.sum())
    assert measure(shaken, homography, family).reason is Reason.TOO_BLURRED


@BOTH
def test_flash_glints_on_contacts_do_not_condemn_a_photo(family: Family) -> None:
    picture, homography = draw_face(family, 8.0)
    plain = measure(picture, homography, family)
    picture, homography = draw_face(family, 8.0, glare_mm=5.0)
    report = measure(picture, homography, family)
    assert report.reason is None
    assert report.measures["glare_share"] > 0
    assert report.measures["sharpness"] == pytest.approx(plain.measures["sharpness"], rel=0.2)


@pytest.mark.parametrize("quarter_turns", [1, 2, 3])
def test_turning_the_photo_changes_nothing(quarter_turns: int) -> None:
    picture, homography = draw_face(TYPE1, 8.0, blur_mm=0.3)
    height, width = picture.shape[:2]
    turned = np.ascontiguousarray(np.rot90(picture, quarter_turns))
    turn = {
        1: [[0, 1, 0], [-1, 0, width], [0, 0, 1]],
        2: [[-1, 0, width], [0, -1, height], [0, 0, 1]],
        3: [[0, -1, height], [1, 0, 0], [0, 0, 1]],
    }[quarter_turns]
    before = measure(picture, homography, TYPE1).measures
    after = measure(turned, np.array(turn) @ homography, TYPE1).measures
    assert after == pytest.approx(before, rel=0.02)


def test_the_face_is_measured_not_its_surroundings() -> None:
    picture, homography = draw_face(TYPE1, 8.0)
    before = measure(picture, homography, TYPE1).measures
    busy = picture.copy()
    busy[:40] = np.random.default_rng(0).integers(0, 256, busy[:40].shape)
    assert measure(busy, homography, TYPE1).measures == pytest.approx(before)


def test_without_a_face_only_gross_faults_count() -> None:
    picture, _ = draw_face(TYPE1, 20.0)
    assert measure(picture).reason is None
    assert measure(cv2.GaussianBlur(picture, (0, 0), 30)).reason is None
    assert measure(np.full((600, 800, 3), 8, np.uint8)).reason is Reason.TOO_DARK
    assert measure(np.full((600, 800, 3), 255, np.uint8)).reason is Reason.TOO_BRIGHT
    assert measure(np.zeros((1, 1, 3), np.uint8)).reason is Reason.TOO_DARK


def test_scale_against_distances_measured_in_the_picture() -> None:
    tilt = np.array([[8.0, 1.0, 300.0], [0.5, -7.0, 280.0], [0.002, 0.001, 1.0]])
    x, y = TYPE2.nose_centre
    square = np.array([[x - 0.5, y - 0.5], [x + 0.5, y - 0.5], [x + 0.5, y + 0.5], [x - 0.5, y + 0.5]])
    corners = cv2.perspectiveTransform(square[None].astype(np.float32), tilt)[0]
    assert pixels_per_mm(tilt, TYPE2) == pytest.approx(np.sqrt(cv2.contourArea(corners)), rel=1e-3)


@pytest.mark.parametrize(
    "matrix",
    [
        np.zeros((3, 3)),
        np.full((3, 3), np.nan),
        np.array([[8.0, 0, 300], [0, 8.0, 300], [0, 0, 1]]),
        np.array([[8.0, 0, 300], [8.0, 0, 300], [0, 0, 1]]),
    ],
    ids=["zeros", "not numbers", "seen from behind", "folded"],
)
def test_an_impossible_homography_means_too_small(matrix: np.ndarray) -> None:
    picture, _ = draw_face(TYPE1, 4.0)
    assert measure(picture, matrix, TYPE1).reason is Reason.TOO_SMALL


def test_a_face_far_outside_the_picture_is_out_of_frame() -> None:
    picture, homography = draw_face(TYPE1, 4.0)
    away = np.array([[1, 0, 9000], [0, 1, 0], [0, 0, 1.0]]) @ homography
    report = measure(picture, away, TYPE1)
    assert report.reason is Reason.OUT_OF_FRAME
    assert "sharpness" not in report.measures


def test_every_limit_can_be_broken_and_names_a_measure() -> None:
    names = {limit.measure for limit in LIMITS}
    for family in FAMILIES.values():
        picture, homography = draw_face(family, 8.0)
        assert names <= measure(picture, homography, family).measures.keys()
    assert all(limit.least > float("-inf") or limit.most < float("inf") for limit in LIMITS)
