"""The studio fir: labels can be relied on, damage shows where it is said to be, measures are right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

pytest.importorskip("mitsuba")
pytest.importorskip("manifold3d")

import mitsuba as mi

from data_tools.studios.fir import coupler, others, paint, photograph
from data_tools.studios.fir.make import draw_make
from data_tools.studios.fir.phone import draw_phone
from data_tools.studios.fir.scene import coupler_mesh
from data_tools.studios.fir.solids import skin
from data_tools.studios.fir.studio import Damage, Subject, damaged, draw_damage
from data_tools.studios.fir.view import draw_view, outlines, projected
from data_tools.studios.fir.world import draw_world
from model.families import FAMILIES, TOLERANCE_MM, TYPE1, TYPE2, Family
from model.manifest import LabelledPhoto
from model.vocabulary import FindingKind, Reason

pytestmark = pytest.mark.render
SCALE, SAMPLES = 0.3, 2
MOST_TRIANGLES = 150_000
DAMAGED, OTHER = (3, 6), (3, 4)
"""A subject with a damage and one that is no coupler (seed, number)."""


@pytest.fixture(autouse=True)
def _renderer() -> None:
    mi.set_variant("scalar_rgb")


def rng(*seed: int) -> np.random.Generator:
    return np.random.default_rng(seed)


def labels(seed: int, number: int) -> list[LabelledPhoto]:
    return [shot.label for shot in photograph(seed, number, SAMPLES, 0.1)]


def test_labels_are_the_same_each_time() -> None:
    first = labels(*DAMAGED)
    assert first[0].findings
    assert labels(*DAMAGED) == first
    assert first[0].coupler == "fir-3-000006"
    assert LabelledPhoto.from_json(first[0].to_json()) == first[0]


@pytest.mark.parametrize(
    ("family", "kind"),
    [
        (TYPE1, FindingKind.MISSING_LATCH),
        (TYPE2, FindingKind.BROKEN_PIN_HOUSING),
        (TYPE1, FindingKind.HEAT_MELTED_HOUSING),
    ],
)
def test_full_damage_changes_its_own_place(family: Family, kind: FindingKind) -> None:
    make = draw_make(rng(5), family)
    damage = damaged(rng(6), make, Damage(), kind, 1.0)
    world = replace(draw_world(rng(7), None), light="overcast", near=None)
    subject = Subject(make, damage, paint.draw_coat(rng(8), family.contact_centres(), 0.2), world)
    phone = replace(draw_phone(rng(9), "overcast"), finger=None, noise=0.01, shake=np.zeros(2, np.float32))
    label = subject.shot(draw_view(rng(10), family, SCALE), phone, "c", SAMPLES, 1).label
    assert label.findings[0].kind is kind
    assert label.findings[0].visible > 0.1  # two paths a pixel: most differences drown in noise


@pytest.mark.parametrize("family", FAMILIES.values(), ids=FAMILIES)
def test_intact_couplers_have_the_measures_of_their_family(family: Family) -> None:
    for seed in range(2):
        make = draw_make(rng(seed), family)
        low = coupler.nose_outline(make).min(0)
        top = coupler.nose_outline(make).max(0)
        assert np.allclose(top - low, (family.nose_width, family.nose_height), atol=TOLERANCE_MM)
        assert np.allclose((top + low) / 2, family.nose_centre, atol=TOLERANCE_MM)
        parts = coupler.build(make, {})
        insert = skin(next(p for p in parts if p.name == "insert").body, 0.8)
        near_mouth = insert.points[insert.points[:, 2] > -3.5]
        for contact in family.contacts:
            away = np.hypot(near_mouth[:, 0] - contact.x, near_mouth[:, 1] - contact.y)
            own = away[away < contact.sleeve_diameter / 2 + 0.6]
            assert own.max() == pytest.approx(contact.sleeve_diameter / 2, abs=TOLERANCE_MM)
            assert own.min() == pytest.approx(contact.bore_diameter / 2, abs=TOLERANCE_MM)
        assert near_mouth[:, 2].max() == pytest.approx(0, abs=2.6)
        lever = [p.body.bounding_box() for p in parts if p.name == "lever"]
        zone = family.latch_zone
        assert len(lever) == (zone is not None)
        assert zone is None or (
            zone.left < lever[0][0] and lever[0][3] < zone.right and lever[0][4] < zone.top
        )


def test_the_homography_is_that_of_the_camera() -> None:
    view = draw_view(rng(2), TYPE2, 1.0)
    spots = np.vstack(list(outlines(TYPE2).values()))
    way = np.column_stack([spots, np.zeros(len(spots))]) - view.eye
    right = np.cross(view.ahead, view.up)
    ahead = way @ view.ahead
    wanted = np.column_stack([way @ right / ahead, -(way @ view.up) / ahead]) * view.focal
    assert np.allclose(projected(view.homography(), spots), wanted + np.array(view.size) / 2)


def test_other_things_have_no_family() -> None:
    for seed, kind in enumerate(others.THINGS):
        if kind not in ("away", "nothing"):
            assert others.build(rng(seed), kind, draw_make(rng(seed), TYPE2))
    label = labels(*OTHER)[0]
    assert (label.family, label.reason, label.findings) == (None, Reason.NO_FACE, ())


def test_whatever_is_drawn_can_be_built_and_is_not_too_large() -> None:
    for seed in (0, 2**40, 7):
        make = draw_make(rng(seed), (TYPE1, TYPE2)[seed % 2])
        damage = draw_damage(rng(seed, 1), make)
        coat = paint.draw_coat(rng(seed), make.family.contact_centres(), 1.0)
        mesh = coupler_mesh(make, coupler.build(make, dict(damage.cuts)), list(damage.melts), coat)
        assert np.isfinite(mesh.points).all()
        assert len(mesh.triangles) < MOST_TRIANGLES
