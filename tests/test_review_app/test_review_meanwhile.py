"""Review while others work: what they ruled on leaves the desk, what is more urgent comes first, and nothing
that is half entered is lost."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from streamlit.testing.v1 import AppTest

from data_tools.queueing import QueueMark, QueueNews
from data_tools.records import DecisionKind, DecisionRecord, QueueItem
from data_tools.review import decide, queue, withdraw
from data_tools.workspace import Workspace
from model.vocabulary import FindingKind, Place, Triage
from review_app.review_desk import Desk
from tests.test_review_app.conftest import OpenApp
from tests.test_review_app.fakes import scored
from tests.test_review_app.reading import page_words
from tests.test_review_app.scenario import BROKEN, INTACT, MELTED, NO_LATCH, TECHNICIAN, UNSURE, send
from tests.test_review_app.test_review import OTHER, decisions, press
from tests.test_review_app.test_review_desk import item

CONFIRMED, CORRECTED = DecisionKind.CONFIRMED, DecisionKind.CORRECTED


def waits(number: int, priority: float, triage: Triage = Triage.FLAG) -> QueueItem:
    """Return a queued photo of that urgency."""
    return replace(item(number, scored(MELTED, 1.0, "fake")), priority=priority, triage=triage)


def desk_of(*items: QueueItem) -> Desk:
    """Return a desk with these photos and as many waiting."""
    desk = Desk()
    desk.fill(list(items), len(items), QueueMark(9, 9))
    return desk


def order(desk: Desk) -> list[int]:
    """Return the numbers of the photos on the desk."""
    return [entry.photo.id for entry in desk.items]


def news(*fresh: QueueItem, gone: tuple[int, ...] = (), held: tuple[QueueItem, ...] = ()) -> QueueNews:
    """Return what came and what went."""
    return QueueNews(dict.fromkeys(gone, ()), held, fresh, QueueMark(10, 10))


def test_what_came_lies_where_its_urgency_says() -> None:
    audit = waits(2, 1.0, Triage.CLEAR)
    desk = desk_of(waits(1, 90.0), audit, waits(3, 60.0), waits(4, 30.0))
    desk.catch_up(news(waits(5, 95.0), waits(6, 40.0)), keep=False)
    assert order(desk) == [5, 1, 2, 3, 6, 4], "an audit is at a place of its own"
    assert (desk.waiting, desk.mark) == (6, QueueMark(10, 10))
    assert desk.least_urgent == 30.0


def test_what_was_put_off_stays_behind_what_came() -> None:
    desk = desk_of(waits(1, 90.0), waits(2, 60.0))
    desk.skip()
    assert desk.least_urgent == 60.0
    desk.catch_up(news(waits(3, 70.0)), keep=False)
    assert order(desk) == [3, 2, 1]


def test_what_others_ruled_on_leaves_and_the_next_is_as_it_is_now() -> None:
    desk = desk_of(waits(1, 90.0), waits(2, 60.0), waits(3, 30.0))
    now = replace(waits(2, 120.0), conflict=True)
    assert [entry.photo.id for entry in desk.catch_up(news(gone=(1, 3), held=(now,)), keep=False)] == [1, 3]
    assert desk.items == [now]
    assert desk.waiting == 1


def test_a_photo_that_became_more_urgent_moves_up() -> None:
    desk = desk_of(waits(1, 90.0), waits(2, 60.0), waits(3, 1.0, Triage.CLEAR), waits(4, 40.0))
    disputed = replace(waits(3, 70.0, Triage.CLEAR), conflict=True)
    desk.catch_up(news(held=(waits(1, 90.0), waits(4, 80.0), disputed)), keep=False)
    assert order(desk) == [1, 4, 3, 2]
    desk.catch_up(news(held=(waits(1, 9.0),)), keep=True)
    assert order(desk) == [1, 4, 3, 2]


def test_photos_chosen_to_learn_from_keep_their_order_until_somebody_ruled_on_them() -> None:
    ruling = DecisionRecord(1, 2, 2, DecisionKind.CONFIRMED, (), "Kim", datetime.now(UTC), None, "", False)
    desk = desk_of(waits(1, 0.0), waits(2, 0.0), waits(3, 0.0))
    desk.chosen = True
    came = news(waits(4, 95.0), held=(waits(3, 90.0),))
    desk.catch_up(desk.of_concern(replace(came, gone={1: (), 2: (ruling,)})), keep=False)
    assert order(desk) == [1, 3], "1 was not queued before either"
    desk.fill([waits(5, 1.0)], 1, QueueMark(10, 10))
    assert not desk.chosen


def test_a_photo_of_which_something_is_entered_stays_on_top_as_it_is() -> None:
    desk = desk_of(waits(1, 60.0), waits(2, 30.0))
    desk.begin()
    started = desk.started
    assert not desk.touched
    desk.say_kind(FindingKind.BROKEN_PIN_HOUSING)
    assert desk.touched
    assert desk.catch_up(news(waits(3, 95.0), gone=(1,)), keep=True) == ()
    assert order(desk) == [1, 3, 2]
    assert (desk.kind, desk.started) == (FindingKind.BROKEN_PIN_HOUSING, started)


def test_a_photo_put_back_to_be_decided_anew_stays_on_top() -> None:
    desk = desk_of(waits(2, 60.0))
    desk.back(waits(1, 90.0))
    assert desk.touched
    desk.next()
    assert not desk.touched


def test_a_more_urgent_photo_begins_clean() -> None:
    desk = desk_of(waits(1, 60.0))
    desk.begin()
    desk.catch_up(news(waits(2, 95.0)), keep=False)
    assert (order(desk), desk.started) == ([2, 1], None)


@pytest.fixture
def app(open_app: OpenApp, ws: Workspace) -> AppTest:
    """The review with evidence on; a broken, a latchless and an unsure photo wait, the unsure one first."""
    for number, scene in enumerate((BROKEN, NO_LATCH, UNSURE), 1):
        send(ws, f"H-0{number}", scene, number)
    app = open_app(TECHNICIAN, "review")
    app.toggle(key="first_look").set_value(False).run()
    assert "**H\\-03 · Bay 3**" in page_words(app)
    return app


def say_as_other(ws: Workspace, unit: str) -> None:
    """Let a colleague agree with the model on a unit's photo."""
    (found,) = [entry for entry in queue(ws, OTHER) if entry.unit.key == unit]
    decide(ws, OTHER, found.photo.id, found.verdict.id, CONFIRMED)


def test_what_a_colleague_ruled_on_is_not_asked_any_more(app: AppTest, ws: Workspace) -> None:
    say_as_other(ws, "H-01")
    press(app, "agree")
    words = page_words(app)
    assert "**H\\-02 · Bay 2**" in words
    assert "1 waiting" in words
    assert "Ada Berg has ruled on the photo of H\\-01 meanwhile." in words
    assert decisions(ws, "H-01")[0].decided_by == OTHER.name


def test_a_melted_housing_that_came_meanwhile_is_next(app: AppTest, ws: Workspace) -> None:
    send(ws, "H-04", MELTED, 4)
    send(ws, "H-05", INTACT, 5)
    press(app, "agree")
    words = page_words(app)
    assert "**H\\-04 · Bay 4**" in words
    assert "3 waiting" in words


def test_a_photo_about_which_colleagues_fell_out_is_shown_as_that(app: AppTest, ws: Workspace) -> None:
    third = replace(OTHER, name="Bo Lang")
    (found,) = [entry for entry in queue(ws, third) if entry.unit.key == "H-02"]
    say_as_other(ws, "H-02")
    decide(ws, third, found.photo.id, found.verdict.id, CORRECTED)
    press(app, "agree")
    words = page_words(app)
    assert "**H\\-02 · Bay 2**" in words, "a dispute is more urgent than the broken one"
    assert "Two people decided differently" in words


def test_a_photo_taken_back_by_a_colleague_comes_up(app: AppTest, ws: Workspace) -> None:
    send(ws, "H-04", MELTED, 4)
    (found,) = [entry for entry in queue(ws, OTHER) if entry.unit.key == "H-04"]
    said = decide(ws, OTHER, found.photo.id, found.verdict.id, CORRECTED)
    press(app, "agree")
    assert "**H\\-01 · Bay 1**" in page_words(app)
    withdraw(ws, OTHER, said.id)
    press(app, "agree")
    assert "**H\\-04 · Bay 4**" in page_words(app)


def test_opening_the_page_again_asks_anew_and_keeps_what_is_entered(app: AppTest, ws: Workspace) -> None:
    say_as_other(ws, "H-03")
    app.switch_page("screens/unit.py").run()
    app.switch_page("screens/review.py").run()
    words = page_words(app)
    assert "**H\\-01 · Bay 1**" in words
    assert "Ada Berg has ruled on the photo of H\\-03 meanwhile." in words
    press(app, "kind_heat_melted_housing")
    say_as_other(ws, "H-01")
    send(ws, "H-04", MELTED, 4)
    app.switch_page("screens/unit.py").run()
    app.switch_page("screens/review.py").run()
    words = page_words(app)
    assert "**H\\-01 · Bay 1**" in words
    assert "Ada Berg has ruled on the photo of H\\-01 meanwhile. What you entered is still here." in words
    press(app, "place_bottom")
    (_, mine) = decisions(ws, "H-01")
    assert mine.findings[0].kind is FindingKind.HEAT_MELTED_HOUSING
    assert mine.findings[0].place is Place.BOTTOM
    assert "**H\\-04 · Bay 4**" in page_words(app)


def test_a_comment_being_written_keeps_its_photo(app: AppTest, ws: Workspace) -> None:
    (first, *_) = queue(ws, TECHNICIAN)
    app.text_input(key=f"comment_{first.photo.id}").set_value("glare at the top").run()
    say_as_other(ws, "H-03")
    app.toggle(key="first_look").set_value(True).run()
    assert "**H\\-03 · Bay 3**" in page_words(app)
    press(app, "none")
    press(app, "none")
    assert [d.comment for d in decisions(ws, "H-03")] == ["", "glare at the top"]


@pytest.mark.parametrize("key", ["agree", "cannot_tell"])
def test_who_says_what_a_colleague_has_just_said_adds_nothing(app: AppTest, ws: Workspace, key: str) -> None:
    say_as_other(ws, "H-03")
    press(app, key)
    words = page_words(app)
    assert [d.decided_by for d in decisions(ws, "H-03")] == [OTHER.name]
    assert "**H\\-01 · Bay 1**" in words
    assert "Ada Berg has ruled on the photo of H\\-03 meanwhile" in words
    assert "nothing was added" in words


def test_a_second_opinion_asked_for_while_a_colleague_ruled_is_kept(app: AppTest, ws: Workspace) -> None:
    say_as_other(ws, "H-03")
    press(app, "second")
    assert [d.kind for d in decisions(ws, "H-03")] == [CONFIRMED, DecisionKind.SECOND_OPINION]


def test_an_undone_decision_is_asked_again_whatever_came(app: AppTest, ws: Workspace) -> None:
    press(app, "agree")
    send(ws, "H-04", MELTED, 4)
    app.button(key="undo").click().run()
    assert "**H\\-03 · Bay 3**" in page_words(app)
    press(app, "agree")
    assert "**H\\-04 · Bay 4**" in page_words(app)


def test_when_colleagues_emptied_the_desk_it_says_so(app: AppTest, ws: Workspace) -> None:
    say_as_other(ws, "H-01")
    say_as_other(ws, "H-02")
    press(app, "agree")
    words = page_words(app)
    assert "Nothing is waiting" in words
    assert "2 photos wait for you no longer" in words
