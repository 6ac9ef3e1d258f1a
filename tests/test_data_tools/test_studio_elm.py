"""Elm: its labels repeat, its homography is where the contacts are drawn, its damages are where they say."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("mitsuba")

from data_tools.rendering.renderer import Renderer
from data_tools.studios.elm import coupler, damage, photograph, studio
from data_tools.studios.elm.build import draw_build, nose_outline
from data_tools.studios.elm.coupler import Damages
from data_tools.studios.elm.damage import Break, Melt
from data_tools.studios.elm.noise import stream
from data_tools.studios.elm.plan import Plan, draw_camera, draw_plan
from data_tools.studios.elm.solids import Kind, Part
from data_tools.studios.elm.stage import Camera
from model.families import FAMILIES, TYPE1, TYPE2, Family
from model.vocabulary import FindingKind, Place

pytestmark = pytest.mark.render


def parts_of(family: Family, wrong: Damages, number: int = 3) -> list[Part]:
    return coupler.make(family, draw_build(family, stream(1, number, "build")), wrong, 1, number)


def sleeve_of(parts: list[Part], place: int) -> Part:
    return next(p for p in parts if p.kind is Kind.SLEEVE and p.place == place)


@pytest.fixture(scope="module", autouse=True)
def variant() -> None:
    Renderer("auto")


def test_a_sleeve_that_is_gone_is_seen_to_be_gone(monkeypatch: pytest.MonkeyPatch) -> None:
    face = np.array([0.0, 0.0, 220.0])
    ahead = np.array([[1.0, 0, 0], [0, 1.0, 0], [0, 0, -1.0]])
    camera = Camera(face, ahead, 560.0, (200, 200), 0.0, 220.0)
    monkeypatch.setattr(studio, "draw_camera", lambda *_: camera)
    session = studio.Session(Plan(TYPE2, Damages((Break(3, 0.95, "gone", 0.0),)), (), 1), 4, 11)
    label = session.shoot(0, 4, 0.2).label
    assert [(f.kind, f.place) for f in label.findings] == [(FindingKind.BROKEN_PIN_HOUSING, Place.CENTRE)]
    assert label.findings[0].visible > 0.5
    assert label.reason is None
    assert min(label.places.values()) > 0.8


def test_the_same_subject_gives_the_same_labels() -> None:
    number = next(n for n in range(99) if (p := draw_plan(stream(5, n, "plan"))).wrong.melt and p.photos == 1)
    first, again = photograph(5, number, 2, 0.2), photograph(5, number, 2, 0.2)
    assert [shot.label for shot in first] == [shot.label for shot in again]
    label = first[0].label
    assert label.coupler == f"elm-5-{number:06d}"
    assert label.findings
    assert label.family in FAMILIES
    assert set(label.places) == set(FAMILIES[label.family].places)


@pytest.mark.parametrize("family", FAMILIES.values(), ids=FAMILIES)
def test_the_rim_has_the_size_of_its_family(family: Family) -> None:
    x, y = nose_outline(family, 30)(np.linspace(0, 2 * np.pi, 2000), 0.0)
    assert np.ptp(x) == pytest.approx(family.nose_width, abs=0.5)
    assert np.ptp(y) == pytest.approx(family.nose_height, abs=1.5)
    assert (y.max() + y.min()) / 2 == pytest.approx(family.nose_centre[1], abs=0.75)


def test_homography_and_projection_agree_and_rays_go_through_pixel_centres() -> None:
    for number in range(20):
        camera = draw_camera(TYPE2, 0.3, stream(2, number, "camera"))
        flat = TYPE2.contact_centres()
        spots = camera.project(np.c_[flat, np.zeros(len(flat))])
        mapped = camera.homography() @ np.c_[flat, np.ones(len(flat))].T
        np.testing.assert_allclose((mapped[:2] / mapped[2]).T, spots, atol=1e-6)
        origin, way = camera.rays()
        pixel = 5 * camera.size[0] + 7
        back = camera.project((origin[:, pixel] + 100 * way[:, pixel])[None])
        np.testing.assert_allclose(back, [[7.5, 5.5]], atol=1e-6)


@pytest.mark.parametrize("style", ["chip", "chips", "crack", "split", "part", "halved", "gone"])
def test_a_break_takes_away_from_its_sleeve_only(style: str) -> None:
    severity = {"gone": 0.95, "part": 0.7, "halved": 0.7, "split": 0.6}.get(style, 0.4)
    broken = parts_of(TYPE2, Damages((Break(3, severity, style, 1.0),)))
    twin = parts_of(TYPE2, Damages())
    for ours, theirs in zip(broken, twin, strict=True):
        lower = theirs.points[..., 2] - ours.points[..., 2]
        if ours.kind is Kind.SLEEVE and ours.place == 3:
            assert lower.max() > 1
            assert np.max(ours.fresh) == 1
        else:
            assert np.abs(lower).max() == 0


@pytest.mark.parametrize("severity", [0.1, 0.3, 0.6, 0.9])
def test_a_melt_is_as_severe_as_it_says_and_falls_off(severity: float) -> None:
    melt = Melt(3, severity, 9.0, 0.5, -1.5, 0.3)
    build = draw_build(TYPE2, stream(1, 3, "build"))
    heat = coupler.sleeve_heat(TYPE2, build, melt)
    assert heat[3] == pytest.approx(severity, abs=0.02)
    assert heat[3] == max(heat)
    melted, whole = (sleeve_of(parts_of(TYPE2, Damages(melt=m)), 3).points for m in (melt, None))
    assert np.abs(melted - whole).max() > 1.0 + 2 * severity


def test_a_missing_latch_leaves_a_stub_or_nothing() -> None:
    def front(missing: float) -> float:
        parts = parts_of(TYPE1, Damages(latch=missing))
        return max((p.points[..., 2].max() for p in parts if p.kind is Kind.LATCH), default=-99.0)

    assert front(0.0) > -4
    assert front(0.0) - 6 > front(0.3) > front(0.7) > front(1.0) == -99


def test_heat_does_nothing_where_it_is_not() -> None:
    melt = Melt(0, 0.4, 6.0, 0.5, 0.0, 0.3)
    far = damage.heat_at(np.array([[60.0, 0.0, 0.0]]), melt, np.zeros(2), 1.0)
    assert far.max() == 0


def test_subjects_are_spread_as_wanted() -> None:
    plans = [draw_plan(stream(9, n, "plan")) for n in range(1500)]
    couplers = [p for p in plans if p.family]
    intact = [p for p in couplers if not p.wrong]
    assert 0.03 < 1 - len(couplers) / len(plans) < 0.09
    assert 0.35 < len(intact) / len(couplers) < 0.45
    assert 0.4 < sum(bool(p.hard) for p in intact) / len(intact) < 0.6
    assert 0.45 < sum(p.family is TYPE1 for p in couplers) / len(couplers) < 0.55
    kinds = [(bool(p.wrong.breaks), p.wrong.melt is not None, p.wrong.latch > 0) for p in couplers]
    shares = np.mean(kinds, axis=0)
    assert (shares > 0.13).all()
    assert 0.10 < np.mean(np.sum(kinds, axis=1) == 2) < 0.20
