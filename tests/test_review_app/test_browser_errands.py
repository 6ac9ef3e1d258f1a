"""Each person's whole errand in a browser, on a phone and at a desk."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from data_tools.history import timeline
from data_tools.ingest import list_waiting
from data_tools.records import DecisionKind, EventKind, EventRecord, ObservationKind, UnitStatus
from data_tools.settings import Settings
from data_tools.sites import get_unit
from data_tools.workspace import Workspace, open_workspace
from tests.test_review_app.browsing import (
    DESK,
    PHONE,
    choose,
    go_to,
    keep_screen,
    open_page,
    press,
    save,
    settle,
    sign_in,
    tick,
    upload,
)
from tests.test_review_app.fakes import FakeClassifier, draw_photo
from tests.test_review_app.scenario import BLURRED, INTACT, LEAD, MELTED, make_workspace, send_weeks

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser


@pytest.fixture(params=["phone", "desk"])
def size(request: pytest.FixtureRequest) -> str:
    """The size of the screen."""
    return str(request.param)


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a workspace with some weeks of rounds."""
    folder: Path = tmp_path_factory.mktemp("errands") / "workspace"
    ws = make_workspace(folder)
    send_weeks(ws, 2)
    ws.close()
    return folder


@pytest.fixture
def ws(folder: Path) -> Iterator[Workspace]:
    """The workspace that the server uses, opened beside it."""
    workspace = open_workspace(Settings(workspace=folder), classifier=FakeClassifier())
    yield workspace
    workspace.close()


def started(browser: Browser, address: str, size: str, name: str, role: str) -> Page:
    """Open the app as somebody."""
    page = open_page(browser, address, PHONE if size == "phone" else DESK)
    sign_in(page, name, role)
    return page


def events(ws: Workspace, unit: str) -> list[EventRecord]:
    """Return the events of a unit, oldest first."""
    return [entry.event for entry in timeline(ws, LEAD, unit).entries if entry.event]


def test_facilities_send_a_round(browser: Browser, address: str, size: str, ws: Workspace) -> None:
    page = started(browser, address, size, "Una Reyes", "Facilities")
    page.get_by_text("Still missing: H-03, H-05, H-06").wait_for()
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w") as zipped:
        zipped.writestr("H-05.jpg", draw_photo(INTACT, 901))
        zipped.writestr("round/H-06__B.jpg", draw_photo(INTACT, 902))
    page.locator('input[type="file"]').first.set_input_files(
        [{"name": "round.zip", "mimeType": "application/zip", "buffer": archive.getvalue()}]
    )
    page.get_by_text("Received and kept: 2 of 2").wait_for()
    upload(page, ("IMG_0042.jpg", draw_photo(INTACT, 903)), ("H-03.jpg", draw_photo(BLURRED, 904)))
    page.get_by_role("group", name="Take it again").wait_for()
    page.get_by_role("heading", name="Which unit? 1 waiting").wait_for()
    page.reload()
    page.get_by_role("heading", name="Which unit? 1 waiting").wait_for()
    page.get_by_role("group", name="Take it again").wait_for()
    keep_screen(page, f"errand_waiting_{size}")
    press(page, page.locator('[class*="st-key-unit_of_"]').get_by_text("H-06 A", exact=True))
    page.get_by_text("Still missing: H-03", exact=True).wait_for()
    assert not list_waiting(ws, LEAD, "harbour")
    settle(page)

    choose(page, "At which unit?", "H-04 · Bay 4")
    tick(page, "Release button sticks")
    press(page, page.get_by_role("button", name="Send what I saw"))
    page.get_by_role("group", name="DO NOT USE this coupler").wait_for()
    assert [event.what for event in events(ws, "H-04")] == [ObservationKind.RELEASE_BUTTON_STICKS]
    keep_screen(page, f"errand_facilities_{size}")
    page.context.close()


def test_a_technician_clears_the_queue_and_acts(
    browser: Browser, address: str, size: str, ws: Workspace
) -> None:
    page = started(browser, address, size, "Ivo Tamm", "Technician")
    go_to(page, "Review")
    page.get_by_text("H-01 · Bay 1").wait_for()
    for button in ("Housing melted by heat", "Upper left"):
        press(page, page.locator(".stMain").get_by_role("button", name=button))
    page.get_by_text("Saved: H-01 · housing melted by heat, upper left").wait_for()
    press(page, page.get_by_role("button", name="Undo"))
    page.get_by_text("Saved:").wait_for(state="detached")
    press(page, page.get_by_role("button", name="Show what the model found"))
    press(page, page.get_by_role("button", name="Agree: housing melted by heat, upper left"))
    page.get_by_text("Saved: H-01").wait_for()
    keep_screen(page, f"errand_review_{size}")
    kinds = [entry.decision.kind for entry in timeline(ws, LEAD, "H-01").entries if entry.decision]
    assert kinds == [DecisionKind.CONFIRMED, DecisionKind.WITHDRAWN, DecisionKind.CONFIRMED]

    press(page, page.get_by_role("link", name="Act on H-01"))
    page.get_by_role("heading", name="H-01 · Bay 1").wait_for()
    settle(page)
    page.get_by_label("Reason").fill("Melted at the upper left contact")
    press(page, page.get_by_role("button", name="Take out of service"))
    page.get_by_text("Unit H-01 is out of service until somebody returns it.").wait_for()
    words = save(page, "Work sheet to print").read_text(encoding="utf-8")
    assert "housing melted by heat, upper left" in words
    assert "Melted at the upper left contact" in words

    # Where the server takes its time, words are typed before the form for them is there: they must be kept.
    page.get_by_label("Reason").fill("Coupler and terminals replaced")
    press(page, page.locator('[class*="st-key-what_"]').get_by_text("Return to service"))
    page.get_by_text("A qualified person has checked it").wait_for()
    settle(page)
    assert page.get_by_label("Reason").input_value() == "Coupler and terminals replaced"
    tick(page, "A qualified person has checked it and it may be used again")
    press(page, page.get_by_test_id("stFormSubmitButton").get_by_role("button", name="Return to service"))
    page.get_by_text("Unit H-01 is back in service.").wait_for()
    keep_screen(page, f"errand_act_{size}")
    assert get_unit(ws, LEAD, "H-01").status is UnitStatus.IN_SERVICE
    assert [event.kind for event in events(ws, "H-01")] == [EventKind.OUT_OF_SERVICE, EventKind.RETURNED]
    page.context.close()


def test_a_lead_reads_the_trends(browser: Browser, address: str, size: str) -> None:
    page = started(browser, address, size, "Mara Lind", "Maintenance lead")
    go_to(page, "Trends")
    page.get_by_text("damage that came back within half a year").wait_for()
    press(page, page.get_by_text("Damage", exact=True).first)
    page.get_by_text("Not enough yet").first.wait_for()
    press(page, page.get_by_text("Rounds", exact=True))
    page.get_by_role("heading", name="Roster coverage by site and week").wait_for()
    text = save(page, "Save as CSV").read_text(encoding="utf-8-sig")
    assert text.startswith("site,week,due,covered")
    assert save(page, "Save as picture").read_bytes().startswith(b"\x89PNG")
    keep_screen(page, f"errand_trends_{size}")
    press(page, page.get_by_text("Monthly report", exact=True))
    press(page, page.get_by_role("button", name="Make the report"))
    page.get_by_role("button", name="Download the report").wait_for()
    html = save(page, "Download the report").read_text(encoding="utf-8")
    assert html.lstrip().lower().startswith("<!doctype html>")
    go_to(page, "Models")
    page.get_by_text("Live: shipped").wait_for()
    page.context.close()


def test_each_person_stays_out_of_the_others_pages(browser: Browser, address: str, size: str) -> None:
    page = started(browser, address, size, "Una Reyes", "Facilities")
    page.goto(f"{address}/review")
    links = page.locator(".st-key-nav").get_by_role("link")
    links.filter(has_text="Send a round").wait_for()
    settle(page)
    assert [words.splitlines()[-1] for words in links.all_inner_texts()] == ["Send a round", "Units"]
    assert page.get_by_role("heading", name="Review", exact=True).count() == 0
    page.context.close()


def test_the_unit_cannot_be_changed_while_photos_are_on_their_way(browser: Browser, address: str) -> None:
    page = open_page(browser, address, PHONE)
    sign_in(page, "Una", "Facilities")
    choose(page, "Whose photo comes next?", "H-05 (missing)")
    settle(page)
    line = page.context.new_cdp_session(page)
    line.send("Network.enable")
    slow = {"offline": False, "latency": 20, "downloadThroughput": -1, "uploadThroughput": 150_000}
    line.send("Network.emulateNetworkConditions", slow)
    box = page.locator(".st-key-whose")
    photo = {"name": "IMG_1.jpg", "mimeType": "image/jpeg", "buffer": draw_photo(INTACT, 951)}
    page.locator('input[type="file"]').first.set_input_files([photo])
    page.get_by_test_id("stFileChipIconSpinner").wait_for()
    assert box.evaluate("e => getComputedStyle(e).pointerEvents") == "none"
    page.get_by_text("Received and kept").wait_for()
    settle(page)
    assert box.evaluate("e => getComputedStyle(e).pointerEvents") == "auto"


def test_melted_photos_never_read_as_fine(browser: Browser, address: str, size: str) -> None:
    page = started(browser, address, size, "Ebba Nord", "Facilities")
    upload(page, ("H-02.jpg", draw_photo(MELTED, 950)))
    page.get_by_role("group", name="DO NOT USE this coupler").wait_for()
    assert page.get_by_role("group", name="No damage seen").count() == 0
    page.context.close()


def test_a_chosen_unit_is_not_sent_again_with_the_next_photo(
    browser: Browser, address: str, ws: Workspace
) -> None:
    """The browser keeps what was chosen until it is told otherwise; these names say nothing."""
    page = started(browser, address, "phone", "Uma Reyl", "Facilities")
    chosen = page.get_by_label("Whose photo comes next?", exact=True)
    choose(page, "Whose photo comes next?", "H-05")
    upload(page, ("IMG_1.jpg", draw_photo(INTACT, 711)))
    page.get_by_text("Received and kept: 1 of 1").wait_for()
    settle(page)
    assert chosen.input_value() == "Read it from the label in the photo"
    upload(page, ("IMG_2.jpg", draw_photo(INTACT, 712)))
    page.get_by_text("Which unit? 1 waiting").wait_for()
    assert [photo.file_name for photo in list_waiting(ws, LEAD, "harbour")] == ["IMG_2.jpg"]
