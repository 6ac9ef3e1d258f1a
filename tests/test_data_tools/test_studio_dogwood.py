"""The studio "dogwood": its truth is where its pictures are, and its damage changes the place it names."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

pytest.importorskip("mitsuba")

from data_tools.rendering.renderer import Renderer
from data_tools.studios.dogwood import photograph
from data_tools.studios.dogwood.breaks import STYLES, Break
from data_tools.studios.dogwood.build import Build, draw_build, outline
from data_tools.studios.dogwood.camera import Camera, draw_camera
from data_tools.studios.dogwood.face import Damage, coupler
from data_tools.studios.dogwood.latch import LATCH_LOSSES, LatchLoss
from data_tools.studios.dogwood.melts import draw_melts
from data_tools.studios.dogwood.mesh import FIRST_PLACE, Part
from data_tools.studios.dogwood.render import cast, ray_scene
from data_tools.studios.dogwood.studio import draw_subject
from model.families import FAMILIES, TYPE1, TYPE2
from model.photo import open_photo
from model.vocabulary import FindingKind

pytestmark = pytest.mark.render


@pytest.fixture(scope="module", autouse=True)
def renderer() -> Renderer:
    return Renderer("auto", 1)


@pytest.fixture(scope="module")
def build() -> Build:
    return draw_build(np.random.default_rng(3), TYPE1)


@pytest.fixture(scope="module")
def intact(build: Build) -> Part:
    return coupler(build, Damage())


def straight() -> Camera:
    """From 200 mm straight at the origin, 4 pixels a mm."""
    return Camera(320, 300, 800.0, np.array([0.0, 0.0, 200.0]), np.diag([1.0, -1.0, -1.0]))


def test_the_homography_projects_the_face_plane() -> None:
    for seed in range(20):
        camera, tilt = draw_camera(np.random.default_rng(seed), (0.0, -3.0), 50.0, 0.5)
        plane = np.array([[-20.0, 11.0], [8.0, -14.0], [0.0, 0.0]])
        flat = np.column_stack([plane, np.ones(3)]) @ camera.homography().T
        expected = camera.project(np.column_stack([plane, np.zeros(3)]))
        np.testing.assert_allclose(flat[:, :2] / flat[:, 2:], expected, atol=1e-6)
        assert 0 <= tilt <= 38
    assert straight().project(np.array([[1.0, 2.0, 0.0]])).tolist() == [[164.0, 142.0]]


def test_rays_meet_each_contact_where_the_homography_says(intact: Part) -> None:
    camera = straight()
    at = np.column_stack([TYPE1.contact_centres(), np.ones(5)]) @ camera.homography().T
    hits = cast(intact, camera, at[:, :2] / at[:, 2:], ray_scene(intact))
    assert hits.owner.tolist() == [FIRST_PLACE + n for n in range(5)]


def test_a_nose_is_as_wide_and_as_high_as_its_family_says() -> None:
    angle = np.linspace(0, 2 * np.pi, 3000)
    for family in FAMILIES.values():
        edge = outline(family, angle)
        width, height = np.ptp(edge * np.cos(angle)), np.ptp(edge * np.sin(angle))
        assert (width, height) == pytest.approx((family.nose_width, family.nose_height), abs=1.0)


@pytest.mark.parametrize("style", STYLES)
def test_a_break_changes_its_own_sleeve_and_no_other(build: Build, intact: Part, style: str) -> None:
    broken = coupler(build, Damage(breaks=(Break(2, max(STYLES[style][0], 0.3), style, 5),)))
    count = len(intact.points) if style != "flake" else 0
    for number in range(5):
        own = intact.owner == FIRST_PLACE + number
        if count:
            moved = np.linalg.norm(broken.points[own] - intact.points[own], axis=1).max()
            assert (moved > 0.8) == (number == 2)
    assert broken.fresh.max() > 0.9 or style == "bent"
    assert set(broken.owner[broken.fresh > 0.5].tolist()) <= {FIRST_PLACE + 2}


def test_a_melt_leaves_the_metal_and_the_other_sleeves(build: Build, intact: Part) -> None:
    melted = coupler(build, Damage(melts=draw_melts(np.random.default_rng(1), [0], 0.6)))
    moved = np.linalg.norm(melted.points - intact.points, axis=1)
    assert moved[(intact.owner == FIRST_PLACE) & (intact.metallic < 0.5)].max() > 1.0
    assert moved[intact.metallic > 0.5].max() == 0
    assert all(moved[intact.owner == FIRST_PLACE + number].max() == 0 for number in range(1, 5))


@pytest.mark.parametrize("style", LATCH_LOSSES)
def test_a_lost_latch_no_longer_reaches_the_face(build: Build, intact: Part, style: str) -> None:
    lost = coupler(build, Damage(latch=LatchLoss(0.8, style, 1)))
    own = intact.owner == FIRST_PLACE + 5
    front = intact.points[own, 2] > intact.points[own, 2].max() - 2
    gone = lost.points[own][front, 2] < intact.points[own][front, 2] - 2
    assert gone.mean() > (0.25 if style == "half" else 0.99)


def test_the_same_subject_has_the_same_truth() -> None:
    first, second = (photograph(4, 2, 1, 0.1) for _ in range(2))
    assert [shot.label for shot in first] == [shot.label for shot in second]
    for shot in first:
        assert open_photo(shot.jpeg).rgb.std() > 5


def test_what_is_drawn_is_spread_over_families_and_damages() -> None:
    subjects = [draw_subject(np.random.default_rng(seed)) for seed in range(600)]
    found = [{kind for kind, _, _ in subject.found()} for subject in subjects]
    assert 0.34 < np.mean([not kinds for kinds in found]) < 0.46
    assert 0.1 < np.mean([len(kinds) > 1 for kinds in found]) < 0.21
    assert 0.44 < np.mean([subject.build.family is TYPE2 for subject in subjects]) < 0.56
    assert all(np.mean([kind in kinds for kinds in found]) > 0.1 for kind in FindingKind)
    assert all(len(subject.build.keys) < 4 for subject in subjects)
    for subject in subjects:
        assert replace(subject).found() == subject.found()
        assert len({place for _, place, _ in subject.found()}) == len(subject.found())
