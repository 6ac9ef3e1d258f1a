"""Review: the queue through the screen, key by key."""

from __future__ import annotations

import re

import numpy as np
import pytest
from numpy.typing import NDArray
from streamlit.testing.v1 import AppTest
from streamlit.testing.v1.element_tree import Button

from data_tools.access import Actor, Role
from data_tools.history import timeline
from data_tools.model_side import Judge
from data_tools.records import DecisionKind, DecisionRecord
from data_tools.review import decide, queue
from data_tools.workspace import Workspace
from model.judgement import Judgement
from model.photo import Photo
from review_app.errands.review_keys import Keys
from review_app.errands.review_keys import press as press_key
from review_app.review_desk import Desk
from tests.test_review_app.conftest import OpenApp
from tests.test_review_app.reading import page_words
from tests.test_review_app.scenario import (
    BLURRED,
    BROKEN,
    INTACT,
    LEAD,
    MELTED,
    TECHNICIAN,
    UNSURE,
    UPLOADER,
    make_workspace,
    send,
)

OTHER = Actor("Ada Berg", Role.TECHNICIAN)


def press(app: AppTest, key: str) -> None:
    """Press one of the review's buttons."""
    button_of(app, key).click().run()
    assert not app.exception


def button_of(app: AppTest, key: str) -> Button:
    """Return one of the review's buttons, whatever photo it is drawn for."""
    (found,) = [button for button in app.button if re.fullmatch(rf"key_{key}_\d+", button.key or "")]
    return found


def decisions(ws: Workspace, unit: str) -> list[DecisionRecord]:
    """Return every decision on a unit's photos, oldest first."""
    return [entry.decision for entry in timeline(ws, LEAD, unit).entries if entry.decision]


def test_the_evidence_is_hidden_until_asked_for(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    app = open_app(TECHNICIAN, "review")
    assert "Model:" not in page_words(app)
    press(app, "show")
    assert "Model: **Housing melted by heat, upper left**" in page_words(app)
    press(app, "agree")
    (decision,) = decisions(ws, "H-01")
    assert decision.kind is DecisionKind.CONFIRMED
    assert decision.evidence_shown


def test_a_first_look_without_evidence_is_kept_as_such(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    app = open_app(TECHNICIAN, "review")
    press(app, "kind_heat_melted_housing")
    press(app, "place_upper_left")
    (decision,) = decisions(ws, "H-01")
    assert decision.kind is DecisionKind.CONFIRMED
    assert not decision.evidence_shown
    assert decision.seconds is not None


def test_with_the_evidence_on_one_key_confirms_and_the_next_photo_is_there(
    open_app: OpenApp, ws: Workspace
) -> None:
    send(ws, "H-01", MELTED, 1)
    send(ws, "H-02", BROKEN, 2)
    app = open_app(TECHNICIAN, "review")
    app.toggle(key="first_look").set_value(False).run()
    assert "**H\\-01 · Bay 1**" in page_words(app)
    press(app, "agree")
    assert "**H\\-02 · Bay 2**" in page_words(app)
    assert "Saved: **H\\-01** · housing melted by heat, upper left" in page_words(app)


def test_undo_takes_the_decision_back_and_shows_the_photo_again(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    app = open_app(TECHNICIAN, "review")
    press(app, "show")
    press(app, "agree")
    assert "Nothing is waiting" in page_words(app)
    app.button(key="undo").click().run()
    assert "**H\\-01 · Bay 1**" in page_words(app)
    assert [decision.kind for decision in decisions(ws, "H-01")] == [
        DecisionKind.CONFIRMED,
        DecisionKind.WITHDRAWN,
    ]


def test_dropping_a_melted_housing_asks_once_more(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    app = open_app(TECHNICIAN, "review")
    press(app, "none")
    assert not decisions(ws, "H-01")
    assert "Say the same again" in page_words(app)
    press(app, "none")
    assert decisions(ws, "H-01")[0].findings == ()


def test_comment_cannot_tell_and_second_opinion_are_kept(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    send(ws, "H-02", BROKEN, 2)
    app = open_app(TECHNICIAN, "review")
    (first,) = [entry.photo.id for entry in timeline(ws, LEAD, "H-01").entries if entry.photo]
    app.text_input(key=f"comment_{first}").set_value("glare on =SUM(A1)").run()
    press(app, "second")
    press(app, "cannot_tell")
    (asked,), (unclear,) = decisions(ws, "H-01"), decisions(ws, "H-02")
    assert asked.kind is DecisionKind.SECOND_OPINION
    assert asked.comment == "glare on =SUM(A1)"
    assert unclear.kind is DecisionKind.CANNOT_TELL
    assert {entry.unit.key for entry in queue(ws, OTHER)} == {"H-01", "H-02"}
    assert queue(ws, TECHNICIAN) == []


def test_a_dispute_leaves_the_desk_of_who_has_said_the_same_again(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    (item,) = queue(ws, TECHNICIAN)
    decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED)
    decide(ws, OTHER, item.photo.id, item.verdict.id, DecisionKind.CORRECTED)
    app = open_app(TECHNICIAN, "review")
    assert "decided differently" in page_words(app)
    assert "Your word settles it" not in page_words(app)
    press(app, "show")
    assert "Ada Berg corrected the model: no damage seen" in page_words(app).replace("\\", "")
    press(app, "agree")
    assert "Nothing is waiting" in page_words(app)
    assert len(decisions(ws, "H-01")) == 3
    assert "Your word settles it" in page_words(open_app(LEAD, "review"))


def test_agreeing_that_a_photo_cannot_be_judged_is_saved_as_that(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", BLURRED, 1)
    (verdict,) = [entry.verdict for entry in timeline(ws, LEAD, "H-01").entries if entry.verdict]
    decide(ws, OTHER, verdict.photo_id, verdict.id, DecisionKind.SECOND_OPINION)
    app = open_app(TECHNICIAN, "review")
    press(app, "show")
    press(app, "agree")
    assert "Saved: **H\\-01** · this photo cannot be judged" in page_words(app)


def test_blind_audits_look_like_the_others(open_app: OpenApp, ws: Workspace) -> None:
    audited = make_workspace(ws.folder.parent / "audited", blind_audit_share=1.0, evidence_first_look=False)
    send(audited, "H-01", INTACT, 1)
    send(audited, "H-02", UNSURE, 2)
    items = {entry.unit.key: entry for entry in queue(audited, TECHNICIAN)}
    assert items["H-01"].blind_audit
    assert not items["H-02"].blind_audit
    audited.close()
    shown = []
    for scene in (INTACT, UNSURE):
        unit = "H-01" if scene is INTACT else "H-02"
        send_into = make_workspace(
            ws.folder.parent / f"one_{unit}", blind_audit_share=1.0, evidence_first_look=False
        )
        send(send_into, "H-03", scene, 5)
        shown.append(_screen_of(send_into, open_app))
        send_into.close()
    assert shown[0] == shown[1]


def _screen_of(workspace: Workspace, open_app: OpenApp) -> str:
    app = open_app(TECHNICIAN, "review", workspace=workspace)
    return page_words(app)


def test_two_technicians_on_one_photo_are_both_kept_and_told(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    app = open_app(TECHNICIAN, "review")
    (entry,) = queue(ws, OTHER)
    decide(ws, OTHER, entry.photo.id, entry.verdict.id, DecisionKind.CORRECTED, ())
    press(app, "show")
    press(app, "agree")
    assert {decision.decided_by for decision in decisions(ws, "H-01")} == {OTHER.name, TECHNICIAN.name}
    assert "Ada Berg decided on the same photo" in page_words(app)


def test_a_conflict_is_shown_to_a_third_person_without_leading_them(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    (entry,) = queue(ws, OTHER)
    decide(ws, OTHER, entry.photo.id, entry.verdict.id, DecisionKind.CORRECTED, ())
    decide(ws, TECHNICIAN, entry.photo.id, entry.verdict.id, DecisionKind.CONFIRMED)
    words = page_words(open_app(LEAD, "review"))
    assert "Two people decided differently" in words
    assert OTHER.name not in words
    assert "melted" not in words.lower().replace("housing melted by heat", "")


def test_a_late_press_never_lands_on_the_next_photo(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    send(ws, "H-02", BROKEN, 2)
    desk = Desk(items=queue(ws, TECHNICIAN), first_look=False)
    assert desk.current is not None
    keys = Keys(ws, TECHNICIAN, desk, desk.current.photo.id)
    press_key(keys, "agree")
    press_key(keys, "agree")
    assert len(decisions(ws, "H-01")) == 1
    assert not decisions(ws, "H-02")


def test_each_photo_has_buttons_of_its_own(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    send(ws, "H-02", BROKEN, 2)
    app = open_app(TECHNICIAN, "review")
    before = {button.key for button in app.button if (button.key or "").startswith("key_")}
    press(app, "show")
    press(app, "agree")
    after = {button.key for button in app.button if (button.key or "").startswith("key_")}
    assert not before & after


def test_an_uploader_cannot_open_the_review(open_app: OpenApp) -> None:
    app = open_app(UPLOADER)
    assert "Review" not in [link.proto.label for link in app.get("page_link")]


def test_a_key_pressed_past_the_menu_changes_nothing(ws: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    send(ws, "H-01", MELTED, 1)
    told: list[str] = []
    monkeypatch.setattr("review_app.errands.review_keys.tell", lambda words, icon: told.append(words))
    desk = Desk(items=queue(ws, TECHNICIAN), first_look=False)
    assert desk.current is not None
    press_key(Keys(ws, UPLOADER, desk, desk.current.photo.id), "agree")
    assert not decisions(ws, "H-01")
    assert len(desk.items) == 1
    assert "a role that may decide" in told[0]


def test_where_the_model_looked_is_shown_only_after_the_first_look(
    open_app: OpenApp, ws: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    send(ws, "H-01", MELTED, 1)
    asked: list[str] = []

    def coloured(judge: Judge, photo: Photo, judgement: Judgement) -> NDArray[np.uint8]:
        asked.append(judgement.model_version)
        return photo.rgb

    monkeypatch.setattr("data_tools.evidence_view.evidence_of", coloured)
    app = open_app(TECHNICIAN, "review")
    assert not [button for button in app.button if (button.key or "").startswith("key_looked")]
    press(app, "show")
    assert not asked
    press(app, "looked")
    assert asked == ["fake-1"]
    press(app, "looked")
    press(app, "agree")
    assert decisions(ws, "H-01")[0].evidence_shown


def test_a_judge_without_networks_says_so(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    app = open_app(TECHNICIAN, "review")
    press(app, "show")
    press(app, "looked")
    assert "Only the live version can show where it looked" in page_words(app)
