"""What opens inside the screens: every form, tab and state, on a phone and at a desk, and the saved files.

Each is checked by axe-core (WCAG 2.0 to 2.2, levels A and AA) and for what spills over the edge.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from data_tools.conditions import observe, take_out_of_service
from data_tools.review import queue
from data_tools.workspace import Workspace
from tests.test_review_app.browsing import (
    DESK,
    PHONE,
    go_to,
    keep_screen,
    open_page,
    pill,
    press,
    save,
    settle,
    sign_in,
)
from tests.test_review_app.conftest import serve
from tests.test_review_app.scenario import (
    BLURRED,
    INTACT,
    LEAD,
    MELTED,
    UPLOADER,
    make_workspace,
    send,
    send_weeks,
)

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser

SERIOUS = {"serious", "critical"}
RULES = "{runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']}"
TABS = (
    "What needs you",
    "Damage",
    "Sites and weeks",
    "Time to first damage",
    "Comes back",
    "Rounds",
    "Trust in the model",
    "Monthly report",
)


def serious(page: Page, axe_source: str) -> dict[str, list[str]]:
    """Return what axe-core finds serious or critical on the page."""
    page.evaluate(axe_source)
    found: dict[str, Any] = page.evaluate(f"axe.run(document, {RULES})")
    return {
        violation["id"]: [node["html"][:200] for node in violation["nodes"]]
        for violation in found["violations"]
        if violation["impact"] in SERIOUS
    }


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of the app on a workspace in which every state can be seen."""
    folder: Path = tmp_path_factory.mktemp("views") / "workspace"
    ws = make_workspace(folder)
    _fill(ws)
    ws.close()
    yield from serve(folder)


def _fill(ws: Workspace) -> None:
    send_weeks(ws, 14)
    for number in range(4):
        send(ws, "H-04", MELTED if number > 1 else INTACT, 900 + number, days_ago=4 - number)
    send(ws, "H-05", BLURRED, 950)
    observe(ws, UPLOADER, "H-02", "cable_cut_or_frayed", "near the plug", position="A")
    observe(ws, UPLOADER, "H-06", "indicator_shows_fault", blinks=4)
    take_out_of_service(ws, LEAD, "H-03", "cracked")
    assert queue(ws, LEAD)


@pytest.fixture(scope="module", params=["phone", "desk"])
def page(browser: Browser, address: str, request: pytest.FixtureRequest) -> Iterator[Page]:
    """A lead signed in, at each size."""
    opened = open_page(browser, address, PHONE if request.param == "phone" else DESK)
    sign_in(opened, "Noor Vale", "Maintenance lead")
    yield opened
    opened.context.close()


def on_unit(page: Page, unit: str) -> None:
    """Open a unit on the act screen."""
    go_to(page, "Act")
    if page.get_by_role("button", name="All units that wait").count():
        press(page, page.get_by_role("button", name="All units that wait"))
    press(page, page.get_by_role("button", name=f"Act on {unit}"))
    page.get_by_text("Before you touch anything").wait_for()


def _answers(page: Page) -> None:
    go_to(page, "Send a round")
    page.get_by_role("group", name="Take it again").first.wait_for()


def _replace(page: Page) -> None:
    on_unit(page, "H-03")
    pill(page, "what_", "Replace the coupler")


def _return(page: Page) -> None:
    on_unit(page, "H-03")
    pill(page, "what_", "Return to service")
    page.get_by_text("A qualified person has checked it").wait_for()


def _settle_form(page: Page) -> None:
    on_unit(page, "H-02")
    pill(page, "what_", "Settle what was noted")
    page.get_by_text("What you found or put right").wait_for()


def _fresh_desk(page: Page) -> None:
    """Open the review anew: what was said of the photo is forgotten, so that a second try can say it too."""
    page.reload()
    go_to(page, "Review")


def _evidence(page: Page) -> None:
    _fresh_desk(page)
    press(page, page.get_by_role("button", name="Show what the model found"))
    page.get_by_role("button", name="Agree").wait_for()
    press(page, page.get_by_role("button", name="More than one damage"))


def _asked_twice(page: Page) -> None:
    _fresh_desk(page)
    press(page, page.get_by_role("button", name="No damage seen"))
    page.get_by_text("Say the same again to keep it").wait_for()


def _history(page: Page) -> None:
    page.goto(page.url.split("/")[0] + "//" + page.url.split("/")[2] + "/unit?site=harbour&unit=H-04")
    page.get_by_text("How it grew").wait_for()
    page.get_by_text("photos, oldest first").wait_for()


def _tab(words: str) -> Callable[[Page], None]:
    def opened(page: Page) -> None:
        go_to(page, "Trends")
        pill(page, "trend_tab", words)

    return opened


VIEWS: dict[str, Callable[[Page], None]] = {
    "answers to a round": _answers,
    "what to act on": lambda page: go_to(page, "Act"),
    "take out": lambda page: on_unit(page, "H-04"),
    "replace": _replace,
    "return": _return,
    "settle": _settle_form,
    "evidence": _evidence,
    "asked twice": _asked_twice,
    "history": _history,
    **{f"trends {words}": _tab(words) for words in TABS},
}


@pytest.mark.parametrize("view", VIEWS)
def test_nothing_serious_and_nothing_beyond_the_edge(page: Page, axe_source: str, view: str) -> None:
    VIEWS[view](page)
    settle(page)
    size = "phone" if (page.viewport_size or PHONE)["width"] == PHONE["width"] else "desk"
    keep_screen(page, f"view_{view.replace(' ', '_')}_{size}")
    assert page.evaluate("document.scrollingElement.scrollWidth - window.innerWidth") <= 0
    main = "document.querySelector('[data-testid=stMain]')"
    assert page.evaluate(f"{main}.scrollWidth - {main}.clientWidth") <= 0
    assert not serious(page, axe_source)


def test_a_long_table_is_read_row_by_row_on_a_phone_and_sorted_at_a_desk(page: Page) -> None:
    phone = (page.viewport_size or PHONE)["width"] == PHONE["width"]
    _numbers(page, "Time to first damage")
    assert not phone or not page.locator("[data-testid=stDataFrame]:visible").count()
    _numbers(page, "Sites and weeks")
    grids, rows = page.locator("[data-testid=stDataFrame]:visible"), page.locator(".cr-rows tr:visible")
    keep_screen(page, f"long_table_{'phone' if phone else 'desk'}")
    assert (grids.count() > 0, rows.count() > 0) == (not phone, phone)
    if phone:
        before, more = rows.count(), page.locator(".cr-rows summary:visible").first
        assert more.inner_text().startswith("Rows 13 to ")
        more.click()
        assert rows.count() > before
        assert page.evaluate("document.scrollingElement.scrollWidth - window.innerWidth") <= 0


def _numbers(page: Page, tab: str) -> None:
    """Open all numbers of a tab of the trends."""
    _tab(tab)(page)
    closed = page.locator("[data-testid=stExpander] details:not([open], .cr-rows *) > summary:visible")
    while closed.count():
        closed.first.click()
    settle(page)


def test_the_saved_files_read_well_too(page: Page, axe_source: str) -> None:
    _tab("Monthly report")(page)
    press(page, page.get_by_role("button", name="Make the report"))
    page.get_by_role("button", name="Download the report").wait_for()
    report = save(page, "Download the report")
    on_unit(page, "H-04")
    sheet = save(page, "Work sheet to print")
    for name, file in (("report", report), ("sheet", sheet)):
        reader = page.context.new_page()
        reader.set_content(file.read_text(encoding="utf-8"))
        reader.wait_for_timeout(300)
        keep_screen(reader, f"saved_{name}")
        assert not serious(reader, axe_source), name
        reader.close()
