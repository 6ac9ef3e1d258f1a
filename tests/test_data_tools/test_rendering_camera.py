"""Camera: projection against OpenCV's pinhole model, homography, distortion, pose limits."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from data_tools.rendering.camera import (
    MAX_DISTANCE_MM,
    MIN_DISTANCE_MM,
    Camera,
    Framing,
    blur_on_face_mm,
    distort,
    fit_homography,
    frame_margin,
    reference_points,
    sample_camera,
    undistort,
)
from model.families import TYPE1, TYPE2, Family
from model.geometry import project


def _cameras(family: Family, count: int, framing: Framing = Framing.ORDINARY) -> list[Camera]:
    return [sample_camera(np.random.default_rng([7, number]), family, framing) for number in range(count)]


@pytest.mark.parametrize("family", [TYPE1, TYPE2])
def test_projection_agrees_with_the_pinhole_model_of_opencv(family: Family) -> None:
    """Published source: the pinhole model as OpenCV's ``projectPoints`` implements it."""
    points = np.random.default_rng(0).uniform(-30, 30, (40, 3))
    for camera in _cameras(family, 10):
        # OpenCV looks along +z with y down.
        rotation = camera.axes * np.array([[1.0], [-1.0], [1.0]])
        matrix = np.array(
            [[camera.focal_px, 0, camera.width / 2], [0, camera.focal_px, camera.height / 2], [0, 0, 1]]
        )
        vector, _ = cv2.Rodrigues(rotation)
        expected, _ = cv2.projectPoints(points, vector, -rotation @ camera.position, matrix, None)
        assert np.allclose(camera.project_straight(points), expected.reshape(-1, 2), atol=1e-6)


@pytest.mark.parametrize("family", [TYPE1, TYPE2])
def test_axes_are_a_right_handed_frame_that_sees_the_face(family: Family) -> None:
    for camera in _cameras(family, 30):
        assert np.allclose(camera.axes @ camera.axes.T, np.eye(3), atol=1e-9)
        assert np.allclose(np.cross(camera.axes[0], camera.axes[1]), -camera.axes[2])
        assert camera.position[2] > 0


def test_distortion_can_be_undone() -> None:
    for camera in _cameras(TYPE1, 20):
        pixels = np.random.default_rng(1).uniform(0, 1, (50, 2)) * [camera.width, camera.height]
        assert np.allclose(undistort(distort(pixels, camera), camera), pixels, atol=1e-3)


@pytest.mark.parametrize("family", [TYPE1, TYPE2])
def test_the_homography_finds_the_contacts_within_a_tenth_of_a_millimetre(family: Family) -> None:
    for camera in _cameras(family, 40):
        plane = family.contact_centres()
        truth = camera.project(np.column_stack([plane, np.zeros(len(plane))]))
        error = np.linalg.norm(project(camera.homography(family), plane) - truth, axis=1)
        assert error.max() / camera.px_per_mm < 0.1


def test_fit_homography_agrees_with_opencv() -> None:
    source = reference_points(TYPE2)
    target = project(np.array([[3.0, 0.2, 100], [0.1, -3.1, 90], [1e-4, 2e-4, 1]]), source)
    expected, _ = cv2.findHomography(source, target)
    assert np.allclose(fit_homography(source, target), expected, rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize("family", [TYPE1, TYPE2])
def test_ordinary_photos_keep_the_face_in_the_frame_at_arm_s_length(family: Family) -> None:
    for camera in _cameras(family, 60):
        assert frame_margin(camera, family) > 0
        assert MIN_DISTANCE_MM <= camera.distance_mm <= MAX_DISTANCE_MM
        assert camera.tilt_deg <= 40
        assert camera.px_per_mm > 2.6
        assert blur_on_face_mm(camera, family) < 0.75


def test_faulty_framings_are_faulty() -> None:
    assert all(frame_margin(camera, TYPE1) < -0.1 for camera in _cameras(TYPE1, 20, Framing.OUT_OF_FRAME))
    assert all(camera.px_per_mm < 1.05 for camera in _cameras(TYPE2, 20, Framing.TOO_SMALL))


def test_the_same_seed_gives_the_same_camera() -> None:
    first, second = _cameras(TYPE1, 1)[0], _cameras(TYPE1, 1)[0]
    assert np.array_equal(first.position, second.position)
    assert np.array_equal(first.axes, second.axes)


def test_some_photos_are_taken_sideways_or_upside_down() -> None:
    rolls = np.abs([camera.roll_deg for camera in _cameras(TYPE1, 300)])
    assert 0.03 < np.mean(rolls > 45) < 0.15
