"""The rules of the review keys, without a screen."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from data_tools.records import (
    Coupler,
    DecisionKind,
    PhotoRecord,
    QueueItem,
    TrueFinding,
    Unit,
    UnitStatus,
    VerdictRecord,
)
from model.judgement import Judgement
from model.vocabulary import FindingKind, Outcome, Place, Reason
from review_app.review_desk import Desk, Statement
from tests.test_review_app.fakes import Scene, scored
from tests.test_review_app.scenario import BROKEN, INTACT, MELTED

NOW = datetime(2026, 3, 3, 9, 30, tzinfo=UTC)
M, B, L = FindingKind.HEAT_MELTED_HOUSING, FindingKind.BROKEN_PIN_HOUSING, FindingKind.MISSING_LATCH


def item(number: int, judgement: Judgement, family: str = "type1") -> QueueItem:
    """Return a queued photo with that judgement."""
    coupler = Coupler(1, "U-1", "A", family, "K-32", date(2025, 1, 1), None)
    unit = Unit(1, "U-1", "site", "", UnitStatus.IN_SERVICE, (coupler,))
    photo = PhotoRecord(number, "0" * 64, "a.jpg", "U-1", 1, "site", 1, NOW, NOW, "x", 1200, 900)
    return QueueItem(photo, VerdictRecord(number, number, NOW, "fake", judgement), unit, None, 1.0, False)


def desk_of(*scenes: Scene, first_look: bool = False) -> Desk:
    """Return a desk with one photo for each scene and a clock that ticks two seconds at each look."""
    ticks = iter(range(0, 1000, 2))
    items = [item(at, scored(scene, 1.0, "fake")) for at, scene in enumerate(scenes, 1)]
    desk = Desk(items=items, first_look=first_look, clock=lambda: float(next(ticks)))
    desk.begin()
    return desk


def said(statement: Statement | None) -> tuple[DecisionKind, tuple[TrueFinding, ...]]:
    """Return what a statement says; fails where there is none."""
    assert statement is not None
    return statement.kind, statement.findings


def test_agreeing_takes_one_key() -> None:
    assert said(desk_of(MELTED).agree()) == (DecisionKind.CONFIRMED, MELTED.findings)


def test_nobody_agrees_with_what_they_have_not_seen() -> None:
    desk = desk_of(MELTED, first_look=True)
    assert desk.agree() is None
    desk.shown = True
    assert desk.agree() is not None


@pytest.mark.parametrize("order", ["kind first", "place first"])
def test_correcting_takes_two_keys_in_either_order(order: str) -> None:
    desk = desk_of(INTACT)
    if order == "kind first":
        assert desk.say_kind(M) is None
        statement = desk.say_place(Place.BOTTOM)
    else:
        assert desk.say_place(Place.BOTTOM) is None
        statement = desk.say_kind(M)
    assert said(statement) == (DecisionKind.CORRECTED, (TrueFinding(M, Place.BOTTOM),))


def test_saying_the_same_as_the_model_unled_is_a_confirmation() -> None:
    desk = desk_of(BROKEN, first_look=True)
    desk.say_kind(B)
    statement = desk.say_place(Place.BOTTOM)
    assert said(statement) == (DecisionKind.CONFIRMED, BROKEN.findings)
    assert statement is not None
    assert not statement.evidence_shown


def test_dropping_a_melted_housing_must_be_said_twice_and_shows_the_evidence() -> None:
    desk = desk_of(MELTED, first_look=True)
    assert desk.say_none() is None
    assert desk.evidence_visible
    statement = desk.say_none()
    assert said(statement) == (DecisionKind.CORRECTED, ())
    assert statement is not None
    assert statement.evidence_shown


def test_another_damage_does_not_pass_for_the_melted_one_at_once() -> None:
    desk = desk_of(MELTED)
    desk.say_kind(B)
    assert desk.say_place(Place.UPPER_LEFT) is None
    desk.say_kind(B)
    assert said(desk.say_place(Place.UPPER_LEFT))[0] is DecisionKind.CORRECTED


def test_no_damage_on_a_photo_without_findings_takes_one_key() -> None:
    assert said(desk_of(INTACT).say_none()) == (DecisionKind.CONFIRMED, ())


def test_the_latch_needs_no_place() -> None:
    assert said(desk_of(INTACT).say_kind(L)) == (DecisionKind.CORRECTED, (TrueFinding(L, Place.LATCH),))


def test_a_pin_housing_damage_cannot_lie_at_the_latch() -> None:
    desk = desk_of(INTACT)
    desk.say_kind(M)
    statement = desk.say_place(Place.LATCH)
    assert said(statement)[1] == (TrueFinding(L, Place.LATCH),)


def test_a_place_of_another_family_is_not_taken() -> None:
    desk = Desk(items=[item(1, scored(INTACT, 1.0, "fake"))], first_look=False)
    desk.say_kind(M)
    assert desk.say_place(Place.CENTRE) is None
    assert desk.place is None


def test_several_damages_are_listed_and_saved_together() -> None:
    desk = desk_of(INTACT)
    desk.several = True
    desk.say_kind(M)
    desk.say_place(Place.UPPER_LEFT)
    desk.say_kind(L)
    assert said(desk.say_listed())[1] == (TrueFinding(M, Place.UPPER_LEFT), TrueFinding(L, Place.LATCH))


def test_what_was_listed_is_not_lost_by_one_key() -> None:
    desk = desk_of(INTACT)
    desk.several = True
    desk.say_kind(M)
    desk.say_place(Place.UPPER_LEFT)
    assert desk.agree() is None
    assert desk.asked_twice == ()
    assert said(desk.agree()) == (DecisionKind.CONFIRMED, ())


def test_naming_a_listed_damage_again_takes_it_off() -> None:
    desk = desk_of(INTACT)
    desk.several = True
    for _ in range(2):
        desk.say_kind(M)
        desk.say_place(Place.UPPER_LEFT)
    assert desk.listed == ()


def test_agreeing_with_a_refusal_confirms_it() -> None:
    refused = Judgement(Outcome.CANNOT_JUDGE, "fake", reason=Reason.TOO_DARK)
    desk = Desk(items=[item(1, refused)], first_look=False)
    assert said(desk.agree()) == (DecisionKind.CONFIRMED, ())


def test_seconds_are_counted_from_the_first_look() -> None:
    desk = desk_of(MELTED)
    desk.begin()
    statement = desk.agree()
    assert statement is not None
    assert statement.seconds == 2.0


def test_the_next_photo_starts_clean() -> None:
    desk = desk_of(MELTED, BROKEN, first_look=True)
    desk.shown = True
    desk.say_kind(M)
    desk.next()
    assert desk.current is not None
    assert desk.current.photo.id == 2
    assert (desk.shown, desk.kind, desk.started) == (False, None, None)


def test_later_puts_the_photo_to_the_end_and_undo_on_top() -> None:
    desk = desk_of(MELTED, BROKEN, INTACT)
    first = desk.items[0]
    desk.skip()
    assert [entry.photo.id for entry in desk.items] == [2, 3, 1]
    desk.back(first)
    assert [entry.photo.id for entry in desk.items] == [1, 2, 3]


def test_an_empty_desk_says_nothing() -> None:
    desk = Desk()
    assert desk.agree() is None
    assert desk.say_none() is None
    assert desk.other(DecisionKind.CANNOT_TELL) is None
