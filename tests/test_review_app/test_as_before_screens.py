"""A photo that is as before, no more suspicious than one that a technician ruled on: what the screens say."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from data_tools.history import timeline
from data_tools.review import queue
from data_tools.workspace import Workspace
from review_app.stories import photo_stories
from review_app.widgets.history_list import history_html
from review_app.widgets.work_sheet import worst_and_good
from review_app.wording import Standing, as_before_words
from tests.test_review_app.conftest import OpenApp
from tests.test_review_app.reading import page_words
from tests.test_review_app.scenario import (
    COVERED,
    IN_DOUBT,
    INTACT,
    LEAD,
    MELTED,
    TECHNICIAN,
    UPLOADER,
    make_workspace,
    send,
)
from tests.test_review_app.test_send import upload
from tests.test_review_app.test_send_standing import GREEN, cards, say

BEFORE, LOOK = 'aria-label="No more in doubt than before"', 'aria-label="Not sure: do not use it'


def _day(days_ago: int) -> str:
    day = (datetime.now(UTC) - timedelta(days=days_ago)).astimezone(ZoneInfo("Europe/Lisbon"))
    return f"{day.day} {day:%B %Y}"


def _page(app: Any) -> str:
    return " ".join(block.proto.body for block in app.get("html"))


def test_send_says_since_when_and_that_it_is_no_sign_of_safety(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-02", IN_DOUBT, 1, days_ago=7)
    app = open_app(UPLOADER)
    upload(app, ("H-02.jpg", IN_DOUBT), ("H-03.jpg", IN_DOUBT), ("H-04.jpg", INTACT))
    told = cards(app)
    assert (told.count(LOOK), told.count(BEFORE), told.count(GREEN)) == (2, 0, 1)
    assert "The model was unsure of 2 couplers this week." in _page(app)
    say(ws, "H-02", INTACT, newest=0)
    app = app.run()
    told = cards(app)
    assert (told.count(LOOK), told.count(BEFORE), told.count(GREEN)) == (1, 1, 1)
    assert (
        f"In doubt, but no more than on {_day(7)}, when a technician saw no damage in it. "
        "Not a sign that it is safe." in told
    )
    assert "tell the technician now" in told
    assert "The model was unsure of 2 couplers this week, of 1 of them no more than when" in _page(app)
    say(ws, "H-02", MELTED, newest=0)
    assert BEFORE not in cards(app.run())


def test_many_that_are_as_before_are_named_together_and_need_nobody(open_app: OpenApp, ws: Workspace) -> None:
    units = [f"H-0{number}" for number in range(1, 7)]
    for number, unit in enumerate(units):
        send(ws, unit, IN_DOUBT, number, days_ago=7)
        say(ws, unit, INTACT)
    app = open_app(UPLOADER)
    upload(app, *((f"{unit}.jpg", IN_DOUBT) for unit in units))
    told = cards(app)
    assert "2 more, no more in doubt than before" in told
    assert "more need somebody" not in page_words(app)


def test_history_tells_which_photo_it_was_and_the_work_sheet_is_about_another(ws: Workspace) -> None:
    send(ws, "H-02", MELTED, 1, days_ago=30)
    send(ws, "H-02", IN_DOUBT, 2, days_ago=14)
    number = say(ws, "H-02", INTACT)
    send(ws, "H-02", IN_DOUBT, 3, days_ago=7)
    stories = photo_stories(timeline(ws, LEAD, "H-02"))
    assert [story.standing for story in stories] == [
        Standing.DO_NOT_USE, Standing.NO_DAMAGE, Standing.AS_BEFORE,
    ]  # fmt: skip
    html = history_html(stories, [], "UTC", lambda photo: "")
    assert f"no more than on {_day(14)}, when a technician saw no damage in it" in html
    assert f"(photo {number})" in html
    assert "Model: not sure, perhaps housing melted by heat" in html
    worst, _ = worst_and_good(stories)
    assert worst is stories[0]
    assert worst_and_good(stories[:1])[0] is stories[0]


def test_the_work_sheet_shows_no_photo_in_doubt_as_one_without_damage(ws: Workspace) -> None:
    send(ws, "H-02", IN_DOUBT, 1, days_ago=21)
    say(ws, "H-02", INTACT)
    send(ws, "H-02", IN_DOUBT, 2, days_ago=14)
    send(ws, "H-02", COVERED, 3, days_ago=7)
    send(ws, "H-02", MELTED, 4)
    stories = photo_stories(timeline(ws, LEAD, "H-02"))
    assert [story.standing for story in stories] == [
        Standing.NO_DAMAGE, Standing.AS_BEFORE, Standing.RETAKE, Standing.DO_NOT_USE,
    ]  # fmt: skip
    assert worst_and_good(stories) == (stories[3], stories[0])


def test_review_tells_a_photo_that_is_as_before_from_no_other_doubt(open_app: OpenApp, ws: Workspace) -> None:
    told = []
    for days in (60, 0):
        one = make_workspace(
            ws.folder.parent / f"{days}",
            blind_audit_share=1.0,
            as_before_days=days,
            evidence_first_look=False,
        )
        send(one, "H-02", IN_DOUBT, 1, days_ago=7)
        say(one, "H-02", INTACT)
        send(one, "H-02", IN_DOUBT, 2)
        (item,) = queue(one, TECHNICIAN)
        assert item.blind_audit == (days == 60)
        words = page_words(open_app(TECHNICIAN, "review", workspace=one))
        told.append(re.sub(r"\d\d:\d\d", "", words))
        one.close()
    assert told[0] == told[1]


def test_the_week_in_one_sentence_counts_one_and_many() -> None:
    assert as_before_words(0, 0) == ""
    assert as_before_words(0, 1) == "The model was unsure of 1 coupler this week."
    once = "no more than when a technician saw no damage."
    assert as_before_words(1, 1) == f"The model was unsure of 1 coupler this week, {once}"
    assert as_before_words(2, 3) == f"The model was unsure of 3 couplers this week, of 2 of them {once}"
