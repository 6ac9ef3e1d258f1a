"""The studio "birch": equal arguments give equal labels, labels fit the pictures, damage changes meshes."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

mitsuba = pytest.importorskip("mitsuba")

from data_tools.studios.birch import STUDIO_SALT, photograph  # noqa: E402
from data_tools.studios.birch.assembly import build  # noqa: E402
from data_tools.studios.birch.camera import draw_camera  # noqa: E402
from data_tools.studios.birch.scene import bare_scene  # noqa: E402
from data_tools.studios.birch.subjects import Coupler, draw_coupler, findings_of  # noqa: E402
from data_tools.studios.birch.truth import differs, look  # noqa: E402
from model.vocabulary import Reason  # noqa: E402

pytestmark = pytest.mark.render


@pytest.fixture(autouse=True)
def _variant() -> None:
    mitsuba.set_variant("scalar_rgb")


def _first(damaged: bool) -> Coupler:
    drawn = (draw_coupler(np.random.default_rng([STUDIO_SALT, k])) for k in range(50))
    return next(c for c in drawn if c.damaged == damaged)


def test_equal_arguments_give_equal_labels_and_a_photo_that_decodes() -> None:
    one, other = photograph(7, 0, 2, 0.08), photograph(7, 0, 2, 0.08)
    assert [s.label for s in one] == [s.label for s in other]
    for shot in one:
        picture = cv2.imdecode(np.frombuffer(shot.jpeg, np.uint8), cv2.IMREAD_COLOR)
        assert picture is not None
        assert picture.std() > 3
        assert all(0 <= share <= 1 for share in shot.label.places.values())


def test_the_homography_and_the_camera_agree() -> None:
    rng = np.random.default_rng(3)
    for _ in range(10):
        camera = draw_camera(rng, np.zeros(3), 60.0, 0.5)
        points = np.column_stack([rng.uniform(-30, 30, (8, 2)), np.zeros(8)])
        matrix = np.array(camera.homography()).reshape(3, 3)
        flat = np.column_stack([points[:, :2], np.ones(8)]) @ matrix.T
        assert np.allclose(flat[:, :2] / flat[:, 2:], camera.project(points), atol=1e-6)


def test_the_contacts_project_onto_their_own_sleeves() -> None:
    coupler = _first(damaged=False)
    camera = draw_camera(np.random.default_rng(5), np.zeros(3), 80.0, 0.4, tilt_limit=15.0)
    mesh = build(coupler)
    view = look(mesh, *bare_scene(mesh), camera)
    for number, sleeve in enumerate(coupler.sleeves):
        ring = (sleeve.outer + sleeve.bore) / 2
        spots = np.array([[sleeve.x + ring, sleeve.y, sleeve.top], [sleeve.x - ring, sleeve.y, sleeve.top]])
        at = camera.project(spots) * view.part.shape[1] / camera.width
        seen = [view.part[int(y), int(x)] for x, y in at]
        assert number + 1 in seen


def test_a_damaged_coupler_differs_from_its_twin_and_an_intact_one_does_not() -> None:
    for damaged in (False, True):
        coupler = _first(damaged)
        assert bool(findings_of(coupler)) is damaged
        camera = draw_camera(np.random.default_rng(6), np.zeros(3), 70.0, 0.25, tilt_limit=10.0)
        real, twin = build(coupler), build(coupler, damaged=False)
        changed = differs(look(real, *bare_scene(real), camera), look(twin, *bare_scene(twin), camera))
        assert changed.any() == damaged


def test_a_photo_without_a_coupler_has_no_homography() -> None:
    numbers = (n for n in range(60) if np.random.default_rng([STUDIO_SALT, 7, n]).uniform() < 0.08)
    label = photograph(7, next(numbers), 2, 0.12)[0].label
    assert (label.family, label.homography, label.reason) == (None, None, Reason.NO_FACE)
    assert (label.findings, label.places) == ((), {})
