"""Send a round: what facilities staff see after an upload, and what is kept."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import streamlit as st

from data_tools.history import timeline
from data_tools.ingest import UploadSource, ingest, list_waiting
from data_tools.records import DecisionKind, IngestReport, ObservationKind
from data_tools.review import decide, queue
from data_tools.sites import add_unit, roster
from data_tools.workspace import Workspace
from model.vocabulary import ADVICE, Reason
from review_app.errands import send as send_page
from tests.test_review_app.conftest import OpenApp
from tests.test_review_app.fakes import Scene, draw_photo
from tests.test_review_app.reading import page_words
from tests.test_review_app.scenario import BLURRED, INTACT, LEAD, MELTED, UNSURE, UPLOADER, send


def upload(app: object, *files: tuple[str, Scene | bytes]) -> None:
    """Send files through the uploader of the page."""
    sources = [
        (name, what if isinstance(what, bytes) else draw_photo(what, 1000 + at), "image/jpeg")
        for at, (name, what) in enumerate(files)
    ]
    app.file_uploader[0].set_value(sources).run()  # type: ignore[attr-defined]


def test_each_photo_gets_its_answer(open_app: OpenApp) -> None:
    app = open_app(UPLOADER)
    upload(app, ("H-01.jpg", MELTED), ("H-02.jpg", INTACT), ("H-03.jpg", BLURRED), ("H-04.jpg", UNSURE))
    words = page_words(app)
    assert "DO NOT USE this coupler" in words
    assert "do not pull or force it" in words
    assert "licensed electrician" in words
    assert "No damage seen" in words
    assert "Take it again" in words
    assert ADVICE[Reason.TOO_BLURRED] in words
    assert "do not use it until a technician has looked" in words
    assert "Received and kept: 4 of 4" in words


def test_no_answer_says_safe(open_app: OpenApp) -> None:
    app = open_app(UPLOADER)
    upload(app, ("H-02.jpg", INTACT))
    assert "safe" not in page_words(app).lower()


def test_the_uploader_is_empty_afterwards_and_nothing_is_sent_twice(open_app: OpenApp, ws: Workspace) -> None:
    app = open_app(UPLOADER)
    upload(app, ("H-02.jpg", INTACT))
    app.run()
    assert not app.file_uploader[0].value
    assert len([e for e in timeline(ws, LEAD, "H-02").entries if e.photo]) == 1


def test_choosing_the_next_unit_meanwhile_moves_no_photo(
    open_app: OpenApp, ws: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, rounds = send_page.ingest, []

    def interrupted(*given: Any, **options: Any) -> IngestReport:
        """Take in one photo and stop, as a tap on the page does; the second time, all."""
        rounds.append(options["unit_key"])
        if len(rounds) == 1:
            real(*given[:2], given[2][:1], *given[3:], **options)
            st.stop()
        return real(*given, **options)

    monkeypatch.setattr(send_page, "ingest", interrupted)
    app = open_app(UPLOADER)
    app.selectbox(key="whose").set_value(("H-03", "A")).run()
    upload(app, ("IMG_1.jpg", MELTED), ("IMG_2.jpg", MELTED), ("IMG_3.jpg", INTACT))
    app.selectbox(key="whose").set_value(("H-05", "A")).run()
    assert rounds == ["H-03", "H-03"]
    assert len([e for e in timeline(ws, LEAD, "H-03").entries if e.photo]) == 3
    assert "Received and kept: 3 of 3" in page_words(app)
    assert app.selectbox(key="whose").value == ("H-05", "A"), "chosen for the next photos"
    upload(app, ("IMG_4.jpg", UNSURE))
    assert rounds[2:] == ["H-05"]


def test_a_clock_that_is_far_off_is_told_at_once_and_in_a_new_tab(open_app: OpenApp) -> None:
    app = open_app(UPLOADER)
    last_year = datetime.now(UTC) - timedelta(days=365)
    upload(app, ("H-02.jpg", draw_photo(INTACT, 71, taken_at=last_year)))
    for page in (app, open_app(UPLOADER)):
        words = page_words(page)
        assert "which is not believed: it counts from when it came in. If it is that old, photograph" in words


def test_a_known_photo_that_a_person_could_not_tell_is_answered_once(
    open_app: OpenApp, ws: Workspace
) -> None:
    upload(open_app(UPLOADER), ("H-02.jpg", INTACT))
    (verdict,) = [entry.verdict for entry in timeline(ws, LEAD, "H-02").entries if entry.verdict]
    decide(ws, LEAD, verdict.photo_id, verdict.id, DecisionKind.CANNOT_TELL)
    again = open_app(UPLOADER)
    upload(again, ("H-02.jpg", INTACT))
    assert page_words(again).count("Already here") == 1


def test_a_photo_without_a_unit_waits_and_takes_one_tap(open_app: OpenApp, ws: Workspace) -> None:
    app = open_app(UPLOADER)
    upload(app, ("IMG_0001.jpg", INTACT))
    (waiting,) = list_waiting(ws, LEAD, "harbour")
    app.pills(key=f"unit_of_{waiting.id}").set_value(("H-05", "A")).run()
    assert not list_waiting(ws, LEAD, "harbour")
    assert [e.photo.unit_key for e in timeline(ws, LEAD, "H-05").entries if e.photo] == ["H-05"]


def test_a_photo_named_after_another_unit_than_the_chosen_one_waits_for_one_tap(
    open_app: OpenApp, ws: Workspace
) -> None:
    app = open_app(UPLOADER)
    app.selectbox(key="whose").set_value(("H-01", "A")).run()
    upload(app, ("H-06__B.jpg", MELTED), ("IMG_2041.jpg", INTACT))
    assert "The file name says H-06, but H-01 was chosen" in page_words(app)
    assert [e.photo.file_name for e in timeline(ws, LEAD, "H-01").entries if e.photo] == ["IMG_2041.jpg"]
    (waiting,) = list_waiting(ws, LEAD, "harbour")
    options = [option.replace("\\", "") for option in app.pills(key=f"unit_of_{waiting.id}").options]
    assert options == ["H-06 B", "H-01"]
    app.pills(key=f"unit_of_{waiting.id}").set_value(("H-06", "B")).run()
    assert "DO NOT USE this coupler" in page_words(app)
    assert [e.photo.position for e in timeline(ws, LEAD, "H-06").entries if e.photo] == ["B"]


def test_a_folder_sent_under_the_wrong_unit_takes_one_tap(open_app: OpenApp, ws: Workspace) -> None:
    app = open_app(UPLOADER)
    app.selectbox(key="whose").set_value(("H-01", "A")).run()
    upload(
        app, *((f"H-06__B_{n}.jpg", MELTED) for n in range(10)), ("H-02.jpg", INTACT), ("H-03.jpg", INTACT)
    )
    words = page_words(app).replace("\\", "")
    assert "12 of them are of **H-02 (1), H-03 (1), H-06 B (10)**" in words
    send(ws, "H-04", INTACT, 9)  # what somebody else sends meanwhile changes nothing of it
    ingest(ws, LEAD, [UploadSource("H-05.jpg", draw_photo(INTACT, 5))], "harbour", unit_key="H-01")
    app.button(key="file_as_said").click().run()
    assert "DO NOT USE this coupler" in page_words(app)
    assert not app.exception
    assert len([e for e in timeline(ws, LEAD, "H-06").entries if e.photo]) == 10
    assert not [e for e in timeline(ws, LEAD, "H-01").entries if e.photo]
    assert [waits.file_name for waits in list_waiting(ws, LEAD)] == ["H-05.jpg"], "it was not told of"
    assert "file_as_said" not in {button.key for button in app.button}


def test_waiting_photos_are_still_there_in_a_new_tab(open_app: OpenApp) -> None:
    upload(open_app(UPLOADER), ("IMG_0001.jpg", INTACT))
    assert "Which unit? 1 waiting" in page_words(open_app(UPLOADER))


def test_a_new_tab_tells_the_answers_of_today_again(open_app: OpenApp, ws: Workspace) -> None:
    upload(open_app(UPLOADER), ("H-01.jpg", MELTED), ("H-02.jpg", INTACT), ("notes.jpg", b"words"))
    words = page_words(open_app(UPLOADER))
    assert "Received and kept: 3 of 3" in words
    assert "DO NOT USE this coupler" in words
    assert ADVICE[Reason.UNREADABLE] in words
    assert "Received and kept" not in page_words(open_app(LEAD)), "somebody else's photos"
    (item,) = queue(ws, LEAD)
    decide(ws, LEAD, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED)
    words = page_words(open_app(UPLOADER))
    assert "Received and kept: 3 of 3" in words
    assert "A technician saw damage in it" in words


def test_a_good_photo_ends_take_it_again(open_app: OpenApp) -> None:
    app = open_app(UPLOADER)
    upload(app, ("H-03.jpg", BLURRED))
    assert "Take it again" in page_words(app)
    app.file_uploader[0].set_value([("H-03.jpg", draw_photo(INTACT, 77), "image/jpeg")]).run()
    assert "Take it again" not in page_words(app)


def test_a_large_site_keeps_the_page_short(open_app: OpenApp, ws: Workspace) -> None:
    for number in range(70):
        add_unit(ws, LEAD, "harbour", f"Z-{number:03d}")
    send(ws, "Z-069", MELTED, 1)
    app = open_app(UPLOADER)
    words = page_words(app)
    assert "Z-069" in words
    assert "Z-068" not in words
    app.toggle(key="whole_roster").set_value(True).run()
    assert "Z-068" in page_words(app)
    upload(app, ("IMG_0001.jpg", INTACT))
    (waiting,) = list_waiting(ws, LEAD, "harbour")
    assert len(app.pills(key=f"unit_of_{waiting.id}").options) == 12
    app.selectbox(key=f"other_unit_of_{waiting.id}").set_value(("Z-042", "A")).run()
    assert [e.photo.unit_key for e in timeline(ws, LEAD, "Z-042").entries if e.photo] == ["Z-042"]


def test_a_tapped_unit_counts_for_one_upload_only(open_app: OpenApp, ws: Workspace) -> None:
    app = open_app(UPLOADER)
    app.selectbox(key="whose").set_value(("H-04", "A")).run()
    upload(app, ("IMG_0002.jpg", INTACT))
    assert [e.photo.unit_key for e in timeline(ws, LEAD, "H-04").entries if e.photo] == ["H-04"]
    assert app.selectbox(key="whose").value == ("", "")


def test_a_file_that_is_no_photo_is_told_in_words(open_app: OpenApp) -> None:
    app = open_app(UPLOADER)
    upload(app, ("H-01.jpg", b"these are words, not a photo"))
    assert ADVICE[Reason.UNREADABLE] in page_words(app)
    assert not app.exception


def test_hostile_names_are_shown_as_text(open_app: OpenApp) -> None:
    name = "H-02_<img src=x onerror=alert(1)>.jpg"
    app = open_app(UPLOADER)
    upload(app, (name, INTACT))
    html = " ".join(block.proto.body for block in app.get("html"))
    assert "<img src=x" not in html
    assert "&lt;img src=x" in html


def test_damage_stays_on_the_roster_through_a_later_clear_photo(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1, days_ago=7)
    send(ws, "H-01", INTACT, 2)
    blocks = [block.proto.body for block in open_app(UPLOADER).get("html")]
    roster_rows = next(body for body in blocks if "cr-roster" in body)
    row = roster_rows[roster_rows.index("H-01") :]
    assert "Do not use" in row[: row.index("</li>")]


def test_a_unit_with_two_couplers_is_done_only_with_both(open_app: OpenApp, ws: Workspace) -> None:
    app = open_app(UPLOADER)
    upload(app, ("H-06.jpg", INTACT))
    assert "coupler B missing" in page_words(app)
    assert not next(line for line in roster(ws, LEAD, "harbour") if line.unit.key == "H-06").done_this_week


def test_what_was_seen_is_asked_of_the_unit_chosen_last(open_app: OpenApp) -> None:
    app = open_app(UPLOADER)
    for unit in (("H-01", "A"), ("H-03", "A")):
        app.selectbox(key="whose").set_value(unit).run()
        assert next(box for box in app.selectbox if box.label == "At which unit?").value == unit


def test_what_a_photo_does_not_show_is_recorded(open_app: OpenApp, ws: Workspace) -> None:
    app = open_app(UPLOADER)
    form = app.selectbox(key="observe_unit_0_")
    form.set_value(("H-03", "A"))
    app.checkbox(key="observe_cable_cut_or_frayed_0").check()
    app.number_input(key="observe_blinks_0").set_value(4)
    app.text_area(key="observe_note_0").set_value("<b>sheath open</b> at the unit")
    next(button for button in app.button if button.label == "Send what I saw").click().run()
    seen = [e.event for e in timeline(ws, LEAD, "H-03").entries if e.event]
    assert {event.what for event in seen} == {
        ObservationKind.CABLE_CUT_OR_FRAYED,
        ObservationKind.INDICATOR_FAULT,
    }
    assert next(event.blinks for event in seen if event.what is ObservationKind.INDICATOR_FAULT) == 4
    assert "DO NOT USE this coupler" in page_words(app)


def test_an_empty_observation_is_refused(open_app: OpenApp, ws: Workspace) -> None:
    app = open_app(UPLOADER)
    next(button for button in app.button if button.label == "Send what I saw").click().run()
    assert "Choose the unit" in page_words(app)
    assert not [e for e in timeline(ws, LEAD, "H-01").entries if e.event]


def test_a_doubt_of_last_week_does_not_hide_that_this_weeks_photo_is_missing(
    open_app: OpenApp, ws: Workspace
) -> None:
    send(ws, "H-01", UNSURE, 1, days_ago=7)
    send(ws, "H-02", UNSURE, 2)
    app = open_app(UPLOADER, "send")
    roster_rows = next(block.proto.body for block in app.get("html") if "cr-roster" in block.proto.body)
    (old,) = [row for row in roster_rows.split("<li>") if "H-01" in row]
    (new,) = [row for row in roster_rows.split("<li>") if "H-02" in row]
    assert "Not sure: do not use" in old
    assert "No photo this week" in old
    assert "No photo this week" not in new
    assert roster_rows.index("H-01") < roster_rows.index("H-02")
    assert "H-01 (missing)" in app.selectbox(key="whose").options
    assert "H-02" in app.selectbox(key="whose").options


def test_a_photo_sent_again_tells_what_a_technician_found_since(open_app: OpenApp, ws: Workspace) -> None:
    app = open_app(UPLOADER)
    upload(app, ("H-02.jpg", INTACT))
    (verdict,) = [entry.verdict for entry in timeline(ws, LEAD, "H-02").entries if entry.verdict]
    decide(ws, LEAD, verdict.photo_id, verdict.id, DecisionKind.CORRECTED, MELTED.findings)
    again = open_app(UPLOADER)
    upload(again, ("H-02.jpg", INTACT))
    words = page_words(again)
    assert "Seen: housing melted by heat, upper left." in words
    assert "A technician saw damage in it" in words
    assert "No visible damage found" not in words
