"""Every page can be opened by its address, kept as a bookmark or sent to a colleague."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.test_review_app.browsing import DESK, go_to, open_page, settle, sign_in
from tests.test_review_app.conftest import serve
from tests.test_review_app.scenario import make_workspace

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser

PAGES = {
    "send": "Send a round",
    "review": "Review",
    "act": "Act",
    "unit": "Units",
    "trends": "Trends",
    "models": "Models",
}
# A box may be gone again before anybody asks for it, so the page itself remembers.
_WATCH = """
window.boxes = [];
new MutationObserver(() => {
  for (const box of document.querySelectorAll('[role=dialog]')) window.boxes.push(box.textContent);
}).observe(document, {childList: true, subtree: true});
"""


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of the app."""
    folder: Path = tmp_path_factory.mktemp("addresses") / "workspace"
    make_workspace(folder).close()
    yield from serve(folder)


def lands_on(page: Page, name: str) -> None:
    """Wait until the page called ``name`` is there; nothing may have been said over it."""
    page.get_by_role("heading", name=PAGES[name], exact=True).wait_for()
    settle(page)
    assert page.evaluate("window.boxes") == []
    assert page.evaluate("location.pathname") == f"/{name}"


@pytest.mark.parametrize("name", PAGES)
def test_an_address_opens_its_page_before_and_after_signing_in(
    browser: Browser, address: str, name: str
) -> None:
    page = open_page(browser, f"{address}/{name}", DESK, _WATCH)
    sign_in(page, "Mara Lind", "Maintenance lead")
    lands_on(page, name)
    page.context.close()
    known = open_page(browser, f"{address}/{name}", DESK, _WATCH)
    lands_on(known, name)
    known.reload()
    lands_on(known, name)
    known.context.close()


def test_the_bare_address_leads_to_the_first_page(browser: Browser, address: str) -> None:
    page = open_page(browser, address, DESK, _WATCH)
    sign_in(page, "Noor Vale", "Facilities")
    lands_on(page, "send")
    page.context.close()


def test_a_page_of_another_role_refuses_in_words(browser: Browser, address: str) -> None:
    page = open_page(browser, address, DESK)
    sign_in(page, "Noor Vale", "Facilities")
    page.context.close()
    page = open_page(browser, f"{address}/models", DESK, _WATCH)
    page.get_by_text("Models is not part of what you do here.").wait_for()
    settle(page)
    assert page.evaluate("window.boxes") == []
    assert page.get_by_role("heading", name="Models", exact=True).count() == 0
    go_to(page, "Units")
    page.context.close()
