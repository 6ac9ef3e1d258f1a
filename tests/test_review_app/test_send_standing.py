"""Send: the answers to what was sent follow what people found since, and end with the day."""

from __future__ import annotations

from datetime import datetime, timedelta, tzinfo
from typing import Any

import pytest

from data_tools.conditions import replace_coupler, return_to_service, take_out_of_service
from data_tools.history import timeline
from data_tools.records import DecisionKind
from data_tools.refile import refile
from data_tools.review import decide
from data_tools.workspace import Workspace
from review_app.errands import results
from tests.test_review_app.conftest import OpenApp
from tests.test_review_app.fakes import draw_photo
from tests.test_review_app.scenario import BLURRED, INTACT, LEAD, MELTED, TECHNICIAN, UNSURE, UPLOADER, send
from tests.test_review_app.test_send import upload

GREEN, RED = 'aria-label="No damage seen"', 'aria-label="DO NOT USE this coupler"'


def cards(app: Any) -> str:
    """Return the answers on the page as HTML, without the roster."""
    bodies = [block.proto.body for block in app.get("html")]
    return " ".join(body for body in bodies if body.startswith('<div class="cr-card'))


def say(ws: Workspace, unit: str, scene: Any, newest: int = -1) -> int:
    """Let a technician say what a photo of the unit shows; return the photo's number."""
    verdict = [entry.verdict for entry in timeline(ws, LEAD, unit).entries if entry.verdict][newest]
    decide(ws, TECHNICIAN, verdict.photo_id, verdict.id, DecisionKind.CORRECTED, scene.findings)
    return verdict.photo_id


def test_a_green_card_turns_red_when_a_technician_sees_damage(open_app: OpenApp, ws: Workspace) -> None:
    app = open_app(UPLOADER)
    upload(app, ("H-02.jpg", INTACT))
    assert GREEN in cards(app)
    say(ws, "H-02", MELTED)
    for page in (app.run(), open_app(UPLOADER)):
        told = cards(page)
        assert RED in told
        assert GREEN not in told
        assert "Seen: housing melted by heat, upper left. A technician saw damage in it" in told
        assert "No visible damage found" not in told


def test_a_red_card_turns_green_when_a_technician_sees_none(open_app: OpenApp, ws: Workspace) -> None:
    app = open_app(UPLOADER)
    upload(app, ("H-02.jpg", MELTED))
    say(ws, "H-02", INTACT)
    told = cards(app.run())
    assert RED not in told
    assert GREEN in told
    assert "A technician saw no damage in it" in told


def test_a_clear_photo_of_a_coupler_with_open_damage_is_not_green(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-02", UNSURE, 1, days_ago=2)
    app = open_app(UPLOADER)
    upload(app, ("H-02.jpg", INTACT), ("H-03.jpg", INTACT))
    told = cards(app)
    assert told.count(GREEN) == 1
    assert 'aria-label="Not sure: do not use it' in told
    say(ws, "H-02", MELTED, newest=0)
    told = cards(app.run())
    assert told.count(RED) == 1
    assert "No damage seen in this photo, but" in told
    assert "housing melted by heat, upper left (confirmed)" in told


def test_take_it_again_does_not_hide_do_not_use(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-02", MELTED, 1, days_ago=2)
    app = open_app(UPLOADER)
    upload(app, ("H-02.jpg", BLURRED), ("H-03.jpg", BLURRED))
    told = cards(app)
    assert told.count(RED) == 1
    assert told.count('aria-label="Take it again"') == 1
    assert "Take it again. The photo is blurred" in told
    assert "shows housing melted by heat, upper left (not yet confirmed" in told


@pytest.mark.parametrize("put_right", ["replaced", "returned", "ruled out"])
def test_damage_that_was_put_right_leaves_the_list(open_app: OpenApp, ws: Workspace, put_right: str) -> None:
    app = open_app(UPLOADER)
    upload(app, ("H-02.jpg", MELTED))
    if put_right == "replaced":
        replace_coupler(ws, TECHNICIAN, "H-02", "A", "K-33", "melted")
    elif put_right == "returned":
        take_out_of_service(ws, TECHNICIAN, "H-02", "melted")
        return_to_service(ws, TECHNICIAN, "H-02", "checked")
    else:
        app.file_uploader[0].set_value([("H-02.jpg", draw_photo(INTACT, 90), "image/jpeg")]).run()
        say(ws, "H-02", INTACT)
    for page in (app.run(), open_app(UPLOADER)):
        assert RED not in cards(page)


def test_an_answer_to_a_photo_sent_again_follows_too(open_app: OpenApp, ws: Workspace) -> None:
    photo = draw_photo(INTACT, 71)
    app = open_app(UPLOADER)
    for _ in range(2):
        app.file_uploader[0].set_value([("H-03.jpg", photo, "image/jpeg")]).run()
    assert "Already here: a photo of unit H-03" in cards(app)
    say(ws, "H-03", MELTED)
    told = cards(app.run())
    assert "A technician saw damage in it" in told
    assert "No visible damage found" not in told


def test_a_photo_that_was_moved_is_told_under_its_unit(open_app: OpenApp, ws: Workspace) -> None:
    app = open_app(UPLOADER)
    upload(app, ("H-02.jpg", MELTED))
    (photo,) = [entry.photo for entry in timeline(ws, LEAD, "H-02").entries if entry.photo]
    refile(ws, TECHNICIAN, photo.id, "H-04", "wrong unit")
    told = cards(app.run())
    assert "Unit H-04" in told
    assert "Unit H-02" not in told


def test_yesterdays_answers_are_gone_today(
    open_app: OpenApp, ws: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = open_app(UPLOADER)
    upload(app, ("H-02.jpg", INTACT), ("H-03.jpg", MELTED))

    class Tomorrow(datetime):
        """The next day, at the same time."""

        @classmethod
        def now(cls, tz: tzinfo | None = None) -> Tomorrow:
            """Return the time a day later."""
            return cls.fromtimestamp((datetime.now(tz) + timedelta(days=1)).timestamp(), tz)

    monkeypatch.setattr(results, "datetime", Tomorrow)
    assert not cards(app.run()), "the tab stayed open overnight"
    assert not cards(open_app(UPLOADER))
    app.file_uploader[0].set_value([("H-04.jpg", draw_photo(INTACT, 90), "image/jpeg")]).run()
    told = cards(app)
    assert "Unit H-04" in told
    assert "Unit H-02" not in told
