"""Act and Units: what is done about a coupler, and what its history shows."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from streamlit.testing.v1 import AppTest

from data_tools.conditions import CAUTIONS, observe, take_out_of_service
from data_tools.history import timeline
from data_tools.open_damage import open_damage
from data_tools.records import DecisionKind, EventKind, EventRecord, UnitStatus
from data_tools.review import decide, queue
from data_tools.sites import add_unit, get_unit
from data_tools.workspace import Workspace
from model.vocabulary import Triage
from review_app.errands.growth import picked
from tests.test_review_app.conftest import OpenApp
from tests.test_review_app.fakes import Scene
from tests.test_review_app.reading import page_words, sheet_of
from tests.test_review_app.scenario import (
    BROKEN,
    INTACT,
    LEAD,
    MELTED,
    TECHNICIAN,
    UNSURE,
    UPLOADER,
    send,
)

HOSTILE = "<script>alert(1)</script> =HYPERLINK(1)"


def act_on(open_app: OpenApp, unit: str) -> AppTest:
    """Open a unit from the list of the act screen."""
    app = open_app(TECHNICIAN, "act")
    next(
        button for button in app.button if button.label == f"Act on {unit.replace('-', chr(92) + '-')}"
    ).click()
    app.run()
    assert not app.exception
    return app


def write(app: AppTest, words: str, name: str = "reason") -> None:
    """Fill in a field of the form that is open."""
    fields = [*app.text_area, *app.text_input]
    next(field for field in fields if (field.key or "").startswith(f"{name}_")).set_value(words)


def choose(app: AppTest, what: str) -> None:
    """Say what was done."""
    next(pills for pills in app.pills if (pills.key or "").startswith("what_")).set_value(what).run()


def submit(app: AppTest, label: str) -> None:
    """Press the button of a form."""
    next(button for button in app.button if button.label == label and button.proto.form_id).click().run()
    assert not app.exception


def events(ws: Workspace, unit: str) -> list[EventRecord]:
    """Return the events of a unit, oldest first."""
    return [entry.event for entry in timeline(ws, LEAD, unit).entries if entry.event]


def test_a_unit_is_taken_out_and_stays_out_until_returned(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    app = act_on(open_app, "H-01")
    write(app, "melted at 1")
    submit(app, "Take out of service")
    assert get_unit(ws, LEAD, "H-01").status is UnitStatus.OUT_OF_SERVICE
    assert not next(field for field in app.text_area).value, "the next form starts empty"
    send(ws, "H-01", INTACT, 2)
    assert get_unit(ws, LEAD, "H-01").status is UnitStatus.OUT_OF_SERVICE
    assert "1** out of service" in page_words(open_app(TECHNICIAN, "act"))


def test_returning_needs_a_reason_and_the_check(open_app: OpenApp, ws: Workspace) -> None:
    take_out_of_service(ws, TECHNICIAN, "H-01", "melted")
    app = act_on(open_app, "H-01")
    choose(app, "Return to service")
    submit(app, "Return to service")
    assert get_unit(ws, LEAD, "H-01").status is UnitStatus.OUT_OF_SERVICE
    write(app, "coupler and terminals replaced")
    submit(app, "Return to service")
    assert get_unit(ws, LEAD, "H-01").status is UnitStatus.OUT_OF_SERVICE
    assert next(field for field in app.text_area).value, "what was written stays when something is missing"
    app.checkbox[0].check()
    submit(app, "Return to service")
    assert get_unit(ws, LEAD, "H-01").status is UnitStatus.IN_SERVICE
    assert [event.kind for event in events(ws, "H-01")] == [EventKind.OUT_OF_SERVICE, EventKind.RETURNED]


def test_a_new_coupler_starts_on_the_same_unit(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    app = act_on(open_app, "H-01")
    choose(app, "Replace the coupler")
    write(app, "K-33", "part")
    write(app, "melted at 1")
    submit(app, "Replace the coupler")
    (coupler,) = get_unit(ws, LEAD, "H-01").couplers
    assert coupler.part_number == "K-33"
    app.button(key="act_back").click().run()
    assert "No unit of this site is out of service" in page_words(app)


def test_the_family_offered_is_that_of_the_position_chosen(open_app: OpenApp, ws: Workspace) -> None:
    add_unit(ws, LEAD, "harbour", "H-06", family="type2", position="C")
    take_out_of_service(ws, TECHNICIAN, "H-06", "worn")
    app = act_on(open_app, "H-06")
    choose(app, "Replace the coupler")
    app.selectbox(key="position_H-06").set_value("C").run()
    write(app, "worn")
    submit(app, "Replace the coupler")
    (new,) = [coupler for coupler in get_unit(ws, LEAD, "H-06").couplers if coupler.position == "C"]
    assert (new.family, new.part_number) == ("type2", "")


def test_what_staff_noted_waits_on_the_list_until_it_is_settled(open_app: OpenApp, ws: Workspace) -> None:
    observe(ws, UPLOADER, "H-02", "cable_cut_or_frayed", HOSTILE)
    words = page_words(open_app(UPLOADER))
    row = words[words.index("H-02 · Bay 2 cable cut or frayed") :]
    assert "Do not use" in row[: row.index("H-03")]
    app = act_on(open_app, "H-02")
    assert "Cable cut or frayed" in page_words(app)
    choose(app, "Settle what was noted")
    submit(app, "Settle what was noted")
    assert "Write what you found" in page_words(app)
    write(app, "new cable, tested")
    submit(app, "Settle what was noted")
    (event,) = events(ws, "H-02")
    assert event.settled is not None
    assert (event.settled.done_by, event.settled.how) == ("Ivo Tamm", "new cable, tested")
    app.button(key="act_back").click().run()
    assert "No unit of this site is out of service" in page_words(app)
    assert "settled by Ivo Tamm: new cable, tested" in page_words(_history(open_app, "H-02"))


def _history(open_app: OpenApp, unit: str) -> AppTest:
    app = open_app(UPLOADER)
    app.query_params["unit"] = unit
    return app.switch_page("screens/unit.py").run()


def test_the_time_of_a_swap_takes_the_photos_since_along(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    app = act_on(open_app, "H-01")
    choose(app, "Replace the coupler")
    here = datetime.now(ZoneInfo("Europe/Lisbon")).replace(tzinfo=None)
    next(field for field in app.get("datetime_input")).set_value(here - timedelta(hours=3))
    write(app, "worn")
    submit(app, "Replace the coupler")
    (coupler,) = get_unit(ws, LEAD, "H-01").couplers
    assert [damage.photo.coupler_id for damage in open_damage(ws, LEAD)] == [coupler.id]


def test_a_wrongly_filed_photo_is_moved_where_it_is_looked_at(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    assert not [box for box in _history(open_app, "H-01").selectbox if box.label == "It shows unit"]
    app = open_app(TECHNICIAN)
    app.query_params["unit"] = "H-01"
    app.switch_page("screens/unit.py").run()

    def press() -> None:
        next(button for button in app.button if button.label == "Move the photo").click().run()
        assert not app.exception

    press()
    assert "Choose the coupler that the photo shows" in page_words(app)
    next(box for box in app.selectbox if box.label == "It shows unit").set_value("H-06").run()
    write(app, "wrong unit chosen", "move_why")
    press()
    assert "Choose the coupler that the photo shows" in page_words(app), "H-06 has two couplers"
    new = next(c for c in get_unit(ws, LEAD, "H-06").couplers if c.position == "B")
    app.selectbox(key="move_coupler_H-06").set_value(new.id)
    press()
    (damage,) = open_damage(ws, LEAD)
    assert (damage.photo.unit_key, damage.photo.position) == ("H-06", "B")
    words = page_words(app).replace("\\", "")
    assert "Moved. Photo" in words
    assert "Photo moved: Photo 1 (H-01_1.jpg) from H-01 A" in words
    there = _history(open_app, "H-06")
    there.selectbox(key="coupler_H-06").set_value(new.id).run()
    assert "wrong unit chosen" in page_words(there)


def test_the_cautions_are_on_the_screen(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    words = page_words(act_on(open_app, "H-01")).replace("\\", "")
    assert all(caution in words for caution in CAUTIONS)


def test_units_that_people_differ_about_are_not_to_be_used(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    entry = queue(ws, TECHNICIAN)[0]
    decide(ws, TECHNICIAN, entry.photo.id, entry.verdict.id, DecisionKind.CONFIRMED)
    decide(ws, LEAD, entry.photo.id, entry.verdict.id, DecisionKind.CORRECTED)
    assert "1** in service but not to be used" in page_words(open_app(TECHNICIAN, "act"))
    assert "seen by a technician, not settled yet" in page_words(act_on(open_app, "H-01"))
    assert "sent by Noor Vale Do not use" in page_words(_history(open_app, "H-01"))
    sheet = sheet_of(ws, "H-01")
    assert "Ivo Tamm: housing melted by heat, upper left." in sheet
    assert "Mara Lind: no damage seen." in sheet


def test_the_history_tells_photos_decisions_and_events(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", INTACT, 1, days_ago=14)
    send(ws, "H-01", UNSURE, 2, days_ago=7)
    send(ws, "H-01", MELTED, 3)
    entry = queue(ws, TECHNICIAN)[0]
    decide(ws, TECHNICIAN, entry.photo.id, entry.verdict.id, DecisionKind.CONFIRMED, comment=HOSTILE)
    take_out_of_service(ws, TECHNICIAN, "H-01", "melted <b>badly</b>")
    app = open_app(UPLOADER, "unit")
    words = page_words(app)
    assert "Ivo Tamm agreed with the model: housing melted by heat, upper left" in words
    assert "Taken out of service: melted <b>badly</b>" in words
    assert "Model: not sure" in words
    assert "Act on this unit" not in [link.proto.label for link in app.get("page_link")]
    html = " ".join(block.proto.body for block in app.get("html"))
    assert "<script" not in html
    assert "<b>badly" not in html


def test_growth_is_not_drawn_from_two_photos(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", INTACT, 1, days_ago=7)
    send(ws, "H-01", MELTED, 2)
    app = open_app(TECHNICIAN, "unit")
    assert "Not enough data for a curve: 2 judged photos, 3 needed" in page_words(app)
    assert not app.get("arrow_vega_lite_chart")


def test_each_finding_is_shown_photo_by_photo(open_app: OpenApp, ws: Workspace) -> None:
    both = Scene(MELTED.findings + BROKEN.findings, Triage.FLAG)
    for number, scene in enumerate([INTACT, INTACT, MELTED, both]):
        send(ws, "H-01", scene, number, days_ago=28 - 7 * number)
    entry = next(e for e in queue(ws, TECHNICIAN) if len(e.verdict.judgement.findings) == 2)
    decide(ws, TECHNICIAN, entry.photo.id, entry.verdict.id, DecisionKind.CORRECTED, BROKEN.findings)
    app = open_app(TECHNICIAN, "unit")
    pills = next(p for p in app.pills if (p.key or "").startswith("growth_"))
    assert pills.options == ["Pin housing broken, bottom", "Housing melted by heat, upper left"]
    words = page_words(app)
    assert "n = 4 photos, oldest first" in words
    assert "model 93% Ivo Tamm: yes" in words
    assert "n = 4 judged photos" in words
    pills.set_value(1).run()
    assert "model 93% Ivo Tamm: no" in page_words(app)


def test_long_histories_are_shown_from_first_to_last() -> None:
    stories = list(range(100))
    shown = picked(stories)  # type: ignore[arg-type]
    assert len(shown) == 8
    assert (shown[0], shown[-1]) == (0, 99)
    assert picked(stories[:5]) == stories[:5]  # type: ignore[arg-type]


def test_a_unit_without_photos_says_so(open_app: OpenApp) -> None:
    assert "Nothing yet." in page_words(open_app(TECHNICIAN, "unit"))


def test_a_link_opens_the_unit_it_names(open_app: OpenApp) -> None:
    app = open_app(TECHNICIAN)
    app.query_params["unit"] = "H-04"
    app.switch_page("screens/unit.py").run()
    assert app.selectbox(key="unit").value == "H-04"
    app.selectbox(key="unit").set_value("H-02").run()
    assert app.selectbox(key="unit").value == "H-02"
    assert app.query_params["unit"] == "H-02"


def test_a_link_to_a_unit_that_is_not_there_opens_another(open_app: OpenApp) -> None:
    app = open_app(TECHNICIAN)
    app.query_params["unit"] = "<script>"
    app.switch_page("screens/unit.py").run()
    assert not app.exception
    assert app.selectbox(key="unit").value == "H-01"
