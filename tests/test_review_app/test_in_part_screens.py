"""A photo that shows too little of a coupler: what staff, technicians and leads are told."""

from __future__ import annotations

from data_tools.history import timeline
from data_tools.queueing import queue_length
from data_tools.workspace import Workspace
from review_app.stories import photo_stories
from review_app.widgets.history_list import history_html
from review_app.wording import Standing
from tests.test_review_app.conftest import OpenApp
from tests.test_review_app.scenario import COVERED, INTACT, LEAD, TECHNICIAN, UPLOADER, send
from tests.test_review_app.test_send import upload
from tests.test_review_app.test_send_standing import GREEN, cards

AGAIN, LOOK = 'aria-label="Take it again"', 'aria-label="Not sure: do not use it'
ASKED = (
    "Take another photo: the latch is not in view. "
    "If it looks gone, broken or melted to you, do not use this coupler: tell the technician."
)


def test_staff_are_asked_for_another_photo_and_told_what_is_missing(open_app: OpenApp, ws: Workspace) -> None:
    app = open_app(UPLOADER)
    upload(app, ("H-02.jpg", COVERED), ("H-03.jpg", INTACT))
    told = cards(app)
    assert (told.count(AGAIN), told.count(GREEN), told.count(LOOK)) == (1, 1, 0)
    assert ASKED in told
    assert queue_length(ws, TECHNICIAN) == 0  # a technician sees no more of it in this photo


def test_a_better_photo_settles_it(open_app: OpenApp, ws: Workspace) -> None:
    app = open_app(UPLOADER)
    upload(app, ("H-02.jpg", COVERED))
    upload(app, ("H-02 again.jpg", INTACT))
    told = cards(app)
    assert (told.count(AGAIN), told.count(GREEN)) == (0, 1)


def test_what_is_out_of_view_again_waits_for_a_technician(open_app: OpenApp, ws: Workspace) -> None:
    """A latch that is gone can look like one that is covered, week after week."""
    send(ws, "H-02", COVERED, 1, days_ago=7)
    assert queue_length(ws, TECHNICIAN) == 0
    app = open_app(UPLOADER)
    upload(app, ("H-02.jpg", COVERED))
    told = cards(app)
    assert (told.count(AGAIN), told.count(LOOK)) == (0, 1)
    assert "Something may be wrong here: the latch is not in view." in told
    assert queue_length(ws, TECHNICIAN) == 1


def test_the_history_says_what_was_not_in_view(ws: Workspace) -> None:
    send(ws, "H-02", COVERED, 1)
    (story,) = photo_stories(timeline(ws, LEAD, "H-02"))
    assert story.standing is Standing.RETAKE
    html = history_html([story], [], "UTC", lambda photo: "")
    assert "Model: no damage in what shows; the latch is not in view" in html
