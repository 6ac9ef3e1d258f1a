"""The main job in a real browser: photo in on a phone, confirmed at a desk, found in the unit's history."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from data_tools.history import timeline
from data_tools.records import DecisionKind
from data_tools.settings import Settings
from data_tools.workspace import open_workspace
from tests.test_review_app.browsing import (
    DESK,
    PHONE,
    choose,
    go_to,
    keep_screen,
    open_page,
    sign_in,
    upload,
)
from tests.test_review_app.fakes import FakeClassifier, draw_photo
from tests.test_review_app.scenario import INTACT, LEAD, MELTED, make_workspace

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a fresh workspace."""
    folder: Path = tmp_path_factory.mktemp("browser") / "workspace"
    make_workspace(folder).close()
    return folder


def test_a_photo_goes_all_the_way(browser: Browser, address: str, folder: Path) -> None:
    phone = open_page(browser, address, PHONE)
    sign_in(phone, "Noor Vale", "Facilities")
    upload(phone, ("H-02.jpg", draw_photo(INTACT, 1)), ("H-05.jpg", draw_photo(MELTED, 2)))
    phone.get_by_role("group", name="DO NOT USE this coupler").wait_for()
    phone.get_by_role("group", name="No damage seen").wait_for()
    assert phone.get_by_text("Tell the technician now").count() == 1
    keep_screen(phone, "send_phone")

    desk = open_page(browser, address, DESK)
    sign_in(desk, "Ivo Tamm", "Technician")
    go_to(desk, "Review")
    desk.get_by_text("H-05 · Bay 5").wait_for()
    assert desk.get_by_text("Housing melted by heat, upper left").count() == 0, "led before the first look"
    desk.locator("[data-painted]").wait_for()
    desk.keyboard.press("e")
    desk.get_by_text("Housing melted by heat, upper left", exact=True).wait_for()
    keep_screen(desk, "review_desk")
    desk.keyboard.press("a")
    desk.get_by_text("Saved: H-05 · housing melted by heat, upper left").wait_for()

    go_to(desk, "Units")
    choose(desk, "Unit", "H-05 · Bay 5")
    desk.get_by_text("Ivo Tamm agreed with the model: housing melted by heat, upper left").wait_for()
    keep_screen(desk, "unit_desk")

    ws = open_workspace(Settings(workspace=folder), classifier=FakeClassifier())
    (decision,) = [entry.decision for entry in timeline(ws, LEAD, "H-05").entries if entry.decision]
    assert decision.kind is DecisionKind.CONFIRMED
    assert decision.decided_by == "Ivo Tamm"
    assert decision.evidence_shown
    assert decision.seconds is not None
    assert decision.seconds > 0
    ws.close()
