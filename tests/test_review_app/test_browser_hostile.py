"""Words that would like to be markup, formulas or links: on every screen, in the sheets and in the report.

Nothing runs, nothing is fetched from elsewhere, and the words are there to be read as they were typed.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from data_tools.access import Actor, Role
from data_tools.conditions import observe, take_out_of_service
from data_tools.ingest import UploadSource, ingest
from data_tools.records import DecisionKind
from data_tools.review import decide, queue
from data_tools.settings import Settings
from data_tools.sites import add_site, add_unit
from data_tools.workspace import Workspace, init_workspace
from tests.test_review_app.browsing import DESK, go_to, open_page, press, save, settle, sign_in, upload
from tests.test_review_app.fakes import FakeClassifier, draw_photo
from tests.test_review_app.scenario import INTACT, LEAD, MELTED, TECHNICIAN, UNSURE

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser

TAG = "<img src=x onerror=alert(1)>"
SCRIPT = '"><script>alert(2)</script>'
LINK = (
    "[now](javascript:alert(3)) ![p](http://elsewhere.example/p.png) $\\frac{1}{2}$ :material/delete: **b**"
)
FORMULA = '=HYPERLINK("http://elsewhere.example","x")'
EVE = Actor("<b onmouseover=alert(4)>Eve</b>", Role.TECHNICIAN)
TABS = ("Damage", "Sites and weeks", "Time to first damage", "Comes back", "Rounds", "Trust in the model")

INJECTED = """() => [...document.querySelectorAll(
  "body script:not([src]), img[src='x'], [onerror], [onmouseover], a[href^='javascript'], "
  + "img[src*='elsewhere'], .katex")].map(e => e.outerHTML.slice(0, 120))"""


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a workspace in which everything that people name is hostile."""
    folder: Path = tmp_path_factory.mktemp("hostile") / "workspace"
    ws = init_workspace(Settings(workspace=folder), classifier=FakeClassifier())
    add_site(ws, LEAD, "harbour", f"{TAG}{SCRIPT}")
    for number in range(1, 4):
        add_unit(ws, LEAD, "harbour", f"H-0{number}", f"{LINK}{TAG}", part_number=FORMULA)
    _photos(ws)
    observe(ws, EVE, "H-03", "other", f"{FORMULA} {LINK} {TAG}")
    observe(ws, EVE, "H-01", "cable_cut_or_frayed", f"{TAG} {LINK}", position="A")
    take_out_of_service(ws, EVE, "H-02", f"{SCRIPT} {LINK}")
    ws.close()
    return folder


def _photos(ws: Workspace) -> None:
    for number, scene in enumerate((MELTED, UNSURE, INTACT), start=1):
        ingest(ws, EVE, [UploadSource(f"H-0{number}_{TAG}.jpg", draw_photo(scene, number))], "harbour")
    ingest(ws, EVE, [UploadSource(f"{SCRIPT}.jpg", draw_photo(INTACT, 9))], "harbour")
    ingest(ws, EVE, [UploadSource(f"=cmd()_{TAG}.jpg", b"no photo")], "harbour")
    item = queue(ws, TECHNICIAN)[0]
    decide(ws, EVE, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED, comment=f"{FORMULA} {TAG} {LINK}")
    decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CORRECTED, ())


@pytest.fixture
def trouble() -> list[str]:
    """What went wrong in the page: dialogs, errors, requests to other machines."""
    return []


def watched(browser: Browser, address: str, name: str, role: str, trouble: list[str]) -> Page:
    """Open the app as somebody and note everything that must not happen."""
    page = open_page(browser, address, DESK)
    page.on("dialog", lambda dialog: (trouble.append(f"dialog {dialog.message}"), dialog.dismiss()))
    page.on("pageerror", lambda error: trouble.append(f"error {error}"))
    page.on(
        "request",
        lambda asked: (
            None if asked.url.startswith((address, "data:", "blob:")) else trouble.append(asked.url)
        ),
    )
    sign_in(page, name, role)
    return page


def quiet(page: Page, trouble: list[str]) -> None:
    """Nothing ran, nothing was fetched from elsewhere, nothing of it became markup."""
    settle(page)
    assert not page.evaluate(INJECTED)
    assert not trouble


def test_every_screen_shows_words_as_words(browser: Browser, address: str, trouble: list[str]) -> None:
    page = watched(browser, address, EVE.name, "Maintenance lead", trouble)
    page.get_by_role("heading", name="Which unit? 1 waiting").wait_for()
    assert page.get_by_text(TAG).count() > 0
    upload(page, (f"H-02_{TAG}.jpg", draw_photo(MELTED, 77)))
    page.get_by_role("group", name="DO NOT USE this coupler").last.wait_for()
    quiet(page, trouble)
    go_to(page, "Review")
    page.locator("[data-painted]").wait_for()
    page.get_by_text("now](javascript:alert(3))").first.wait_for()
    quiet(page, trouble)
    go_to(page, "Act")
    press(page, page.get_by_role("button", name="Act on H-01"))
    page.get_by_text("Cable cut or frayed").first.wait_for()
    quiet(page, trouble)
    go_to(page, "Units")
    page.get_by_text("What happened").wait_for()
    quiet(page, trouble)
    page.context.close()


def test_trends_and_what_is_saved_of_them(browser: Browser, address: str, trouble: list[str]) -> None:
    page = watched(browser, address, EVE.name, "Maintenance lead", trouble)
    go_to(page, "Trends")
    for tab in TABS:
        press(page, page.locator(".st-key-trend_tab").get_by_text(tab, exact=True))
        page.get_by_text("Counted:").first.wait_for()
        quiet(page, trouble)
    press(page, page.locator(".st-key-trend_tab").get_by_text("Damage", exact=True))
    press(page, page.locator(".st-key-trend_by").get_by_text("Part number", exact=True))
    page.get_by_role("heading", name="by part number").wait_for()
    text = save(page, "Save as CSV").read_text(encoding="utf-8-sig")
    assert "'=HYPERLINK" in text
    assert "\n=HYPERLINK" not in text
    assert '\n"=HYPERLINK' not in text
    press(page, page.locator(".st-key-trend_tab").get_by_text("Monthly report", exact=True))
    press(page, page.get_by_role("button", name="Make the report"))
    page.get_by_role("button", name="Download the report").wait_for()
    _opened(page, save(page, "Download the report"), trouble)
    page.context.close()


def test_the_work_sheet(browser: Browser, address: str, trouble: list[str]) -> None:
    page = watched(browser, address, EVE.name, "Technician", trouble)
    go_to(page, "Act")
    press(page, page.get_by_role("button", name="Act on H-02"))
    page.get_by_role("button", name="Work sheet to print").wait_for()
    _opened(page, save(page, "Work sheet to print"), trouble)
    page.context.close()


def _opened(page: Page, file: Path, trouble: list[str]) -> None:
    """Open a saved file as its reader would."""
    reader = page.context.new_page()
    reader.on("dialog", lambda dialog: (trouble.append(f"dialog {dialog.message}"), dialog.dismiss()))
    reader.set_content(file.read_text(encoding="utf-8"))
    reader.wait_for_timeout(300)
    assert not reader.evaluate(INJECTED)
    assert not trouble
    reader.close()


def test_two_technicians_decide_one_photo_at_once(browser: Browser, address: str, folder: Path) -> None:
    pages = []
    for name in ("Ada Berg", "Osa Brandt"):
        page = open_page(browser, address, DESK)
        sign_in(page, name, "Technician")
        go_to(page, "Review")
        page.locator("[data-painted]").wait_for()
        pages.append(page)
    units = [page.locator(".stMain strong").first.inner_text() for page in pages]
    assert units[0] == units[1], "both look at the same photo"
    press(pages[0], pages[0].get_by_role("button", name="Cannot tell"))
    press(pages[1], pages[1].get_by_role("button", name="Housing melted by heat"))
    press(pages[1], pages[1].get_by_role("button", name="Lower right"))
    pages[1].get_by_text("Ada Berg decided on the same photo").wait_for()
    for page in pages:
        page.context.close()
