"""Studio alder: its photos decode, its labels are stable, its truth hits what it names."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

mitsuba = pytest.importorskip("mitsuba")

from data_tools.studios.alder import coupler, photograph, sleeves  # noqa: E402
from data_tools.studios.alder.breaks import draw_break  # noqa: E402
from data_tools.studios.alder.camera import face_camera  # noqa: E402
from data_tools.studios.alder.melts import draw_melt  # noqa: E402
from data_tools.studios.alder.scene import Solid  # noqa: E402
from data_tools.studios.alder.truth import differing, in_view  # noqa: E402
from model.families import FAMILIES, TYPE1, TYPE2  # noqa: E402
from model.vocabulary import FindingKind, Reason  # noqa: E402

pytestmark = pytest.mark.render


@pytest.fixture(autouse=True)
def _variant():
    mitsuba.set_variant("llvm_ad_rgb")


def test_the_same_arguments_give_the_same_labels_and_the_photo_decodes():
    first, again = photograph(7, 5, 2, 0.15), photograph(7, 5, 2, 0.15)
    assert [s.label for s in first] == [s.label for s in again]
    picture = cv2.imdecode(np.frombuffer(first[0].jpeg, np.uint8), cv2.IMREAD_COLOR)
    assert picture.std() > 5
    assert set(first[0].label.places) == set(FAMILIES[str(first[0].label.family)].places)


@pytest.mark.parametrize("family", [TYPE1, TYPE2])
def test_the_homography_puts_every_sleeve_on_its_own_mesh(family, monkeypatch):
    monkeypatch.setattr(coupler, "_kinds", lambda rng, family: set())
    rng = np.random.default_rng(3)
    made = coupler.build(rng, family)
    camera = face_camera(rng, family, 0.5, 0.2)
    homography, solid = camera.homography(), Solid.of(made.mesh)
    for index, spot in enumerate(family.contacts):
        wall = (spot.sleeve_diameter + spot.bore_diameter) / 4
        turns = np.arange(16) * np.pi / 8
        ring = np.stack([spot.x + wall * np.cos(turns), spot.y + wall * np.sin(turns), np.ones(16)], 1)
        seen = ring @ homography.T
        _, face = solid.first_hits(camera.eye, camera.towards(seen[:, :2] / seen[:, 2:]))
        assert (made.mesh.place[face] == index).mean() > 0.6  # the rest falls into slots and round edges
    assert min(in_view(solid, made.lever, family, camera).values()) > 0.9


def test_a_damaged_coupler_differs_from_its_twin_where_it_is_damaged_only(monkeypatch):
    kinds = {FindingKind.MISSING_LATCH, FindingKind.BROKEN_PIN_HOUSING}
    monkeypatch.setattr(coupler, "_kinds", lambda rng, family: kinds)
    rng = np.random.default_rng(8)
    made = coupler.build(rng, TYPE1)
    shares = differing(Solid.of(made.mesh), Solid.of(made.twin), TYPE1, face_camera(rng, TYPE1, 0.5, 0.2), 1)
    hurt = {TYPE1.places.index(d.place) for d in made.damages}
    assert max(shares[k] for k in hurt) > 0.2
    assert all(shares[k] < 0.12 for k in range(6) if k not in hurt)


def test_breaks_take_plastic_away_and_melts_lower_the_rim():
    rng = np.random.default_rng(4)
    style, spot = sleeves.draw_style(rng, (0.02, 0.02, 0.02), 0.5), TYPE2.contacts[3]
    whole, _ = sleeves.group([spot], [None], style, [3])
    _, lost = sleeves.group([spot], [draw_break(rng, style.depth)], style, [3])
    melted, _ = sleeves.group([spot], [draw_melt(rng, style.depth, 0.9)], style, [3])
    assert 0 < lost[0] <= 1
    assert whole.points[:, 2].max() == pytest.approx(0.0, abs=0.3)  # the mouth lies in the face plane
    rim_left = (melted.points[:, 2] > -0.5).sum() / (whole.points[:, 2] > -0.5).sum()
    assert rim_left < 0.7  # most of the mouth has sunk out of the face plane


def test_a_photo_without_a_face_has_neither_family_nor_homography():
    number = next(n for n in range(200) if np.random.default_rng([1001, 7, n]).random() < 0.08)
    label = photograph(7, number, 2, 0.15)[0].label
    assert (label.family, label.homography, label.reason) == (None, None, Reason.NO_FACE)
    assert (label.findings, label.places) == ((), {})
