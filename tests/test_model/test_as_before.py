"""Which unsure photos are as before: the rule alone, without a store."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import pytest

from model import as_before as rule
from model.as_before import as_before
from model.families import TYPE1
from model.judgement import Finding, Judgement, LocatedFace
from model.vocabulary import FindingKind, Outcome, Place, Reason, Triage

LATCH, BROKEN, MELTED = FindingKind
BOTTOM, LEFT = Place.BOTTOM, Place.UPPER_LEFT


def _face(family: str = "type1", *unseen: Place) -> LocatedFace:
    return LocatedFace(family, 0.9, (1.0,) * 9, {place: place not in unseen for place in TYPE1.places})


def _said(
    triage: Triage = Triage.UNSURE,
    *,
    melted: float = 0.3,
    broken: float = 0.02,
    latch: float = 0.01,
    place: Place = BOTTOM,
    at: float | None = None,
    at_latch: float = 0.01,
    unseen: tuple[Place, ...] = (),
) -> Judgement:
    chances = {LATCH: latch, BROKEN: broken, MELTED: melted}
    found = tuple(
        Finding(kind, Place.LATCH if kind is LATCH else place, chance)
        for kind, chance in chances.items()
        if chance >= 0.05
    )
    places: dict[Place, dict[FindingKind, float]] = {
        p: {MELTED: 0.01, BROKEN: 0.01} for p in TYPE1.housing_places
    }
    places[place][MELTED] = melted if at is None else at
    places[Place.LATCH] = {LATCH: at_latch}
    return Judgement(
        Outcome.SCORED,
        "v1",
        triage=triage,
        findings=found,
        probabilities=chances,
        place_probabilities=places,
        face=_face("type1", *unseen),
    )


def test_no_more_of_what_is_in_doubt_is_as_before() -> None:
    assert as_before(_said(melted=0.3), [_said(melted=0.3)]) == (0,)
    assert as_before(_said(melted=0.5), [_said(melted=0.2), _said(melted=0.4)]) == (1,)
    assert as_before(_said(melted=0.5), [_said(melted=0.3)]) == ()
    assert as_before(_said(melted=0.2, broken=0.1), [_said(melted=0.3, broken=0.02)]) == ()


def test_what_is_not_in_doubt_is_not_compared() -> None:
    assert as_before(_said(melted=0.3, broken=0.04), [_said(melted=0.3, broken=0.001)]) == (0,)


def test_a_clear_and_a_flagged_reference_count_by_their_numbers() -> None:
    assert as_before(_said(melted=0.3), [_said(Triage.CLEAR, melted=0.01)]) == ()
    assert as_before(_said(melted=0.3), [_said(Triage.FLAG, melted=0.97)]) == (0,)


def test_without_a_reference_nothing_is_as_before() -> None:
    assert as_before(_said(), []) == ()


@pytest.mark.parametrize("triage", [Triage.FLAG, Triage.CLEAR])
def test_only_unsure_photos_are_spared_and_never_a_flag(triage: Triage) -> None:
    assert as_before(_said(triage), [_said(Triage.FLAG, melted=0.99, broken=0.99, latch=0.99)]) == ()


def test_a_photo_that_cannot_be_judged_is_not_as_before_and_no_reference() -> None:
    refused = Judgement(Outcome.CANNOT_JUDGE, "v1", Reason.TOO_DARK, face=_face())
    assert as_before(refused, [_said()]) == ()
    assert as_before(_said(), [refused]) == ()
    assert as_before(replace(_said(), face=None), [_said()]) == ()
    assert as_before(_said(), [replace(_said(), face=None)]) == ()


def test_another_version_or_family_says_nothing() -> None:
    assert as_before(_said(), [replace(_said(), model_version="v2")]) == ()
    assert as_before(_said(), [replace(_said(), face=_face("type2"))]) == ()


def test_a_latch_out_of_sight_in_the_reference_says_nothing_of_the_latch() -> None:
    doubt = _said(latch=0.2, melted=0.02)
    assert as_before(doubt, [_said(latch=0.3, melted=0.02)]) == (0,)
    assert as_before(doubt, [_said(latch=0.3, melted=0.02, unseen=(Place.LATCH,))]) == ()
    assert as_before(_said(melted=0.3), [_said(melted=0.3, unseen=(LEFT,))]) == (0,)
    assert as_before(_said(melted=0.3), [_said(melted=0.3, unseen=(BOTTOM,))]) == ()


@pytest.mark.parametrize("place", [Place.LATCH, LEFT])
def test_a_photo_that_does_not_show_all_is_not_as_before(place: Place) -> None:
    """A latch that is gone can look like one that is covered."""
    assert as_before(_said(unseen=(place,)), [_said()]) == ()


def test_a_photo_whose_doubt_has_no_name_is_not_as_before() -> None:
    assert as_before(replace(_said(), findings=()), [_said()]) == ()


def test_a_place_may_show_a_little_more_than_before(monkeypatch: pytest.MonkeyPatch) -> None:
    assert as_before(_said(melted=0.3, at=0.2), [_said(melted=0.3, at=0.1)]) == (0,)  # 0.81 in log odds
    assert as_before(_said(melted=0.3, at=0.25), [_said(melted=0.3, at=0.1)]) == ()  # 1.10
    monkeypatch.setattr(rule, "PLACE_MARGIN", 0.0)
    assert as_before(_said(melted=0.3, at=0.2), [_said(melted=0.3, at=0.1)]) == ()


def test_a_doubt_at_another_place_is_a_new_one(monkeypatch: pytest.MonkeyPatch) -> None:
    flagged = _said(Triage.FLAG, melted=0.97, place=LEFT)
    assert as_before(_said(melted=0.3, place=BOTTOM), [flagged]) == ()
    monkeypatch.setattr(rule, "PLACE_MARGIN", 99.0)
    assert as_before(_said(melted=0.3, place=BOTTOM), [flagged]) == (0,)


def test_the_margin_is_of_log_odds(monkeypatch: pytest.MonkeyPatch) -> None:
    photo, reference = _said(melted=0.5, at=0.2), _said(melted=0.3)
    assert as_before(photo, [reference]) == ()
    monkeypatch.setattr(rule, "MARGIN", 0.84)  # ln(0.7 / 0.3) = 0.847
    assert as_before(photo, [reference]) == ()
    monkeypatch.setattr(rule, "MARGIN", 0.85)
    assert as_before(photo, [reference]) == (0,)


def test_each_damage_may_have_a_reference_of_its_own() -> None:
    melted, broken = _said(melted=0.4, broken=0.01), _said(melted=0.1, broken=0.3)
    photo = _said(melted=0.3, broken=0.2)
    assert as_before(photo, [melted, broken]) == (0, 1)
    assert as_before(photo, [melted, broken, _said(melted=0.4, broken=0.4)]) == (2,)


def test_a_damage_that_the_reference_was_not_asked_about_counts_as_more() -> None:
    other = replace(_said(), probabilities={LATCH: 0.9, BROKEN: 0.9})
    assert as_before(_said(), [other]) == ()


def test_the_rule_loads_no_torch() -> None:
    code = "import sys, model.as_before; sys.exit('torch' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
