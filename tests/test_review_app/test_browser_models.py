"""The Models screen in a browser: each tab on phone and desk, a training from the button to its answer."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.test_review_app.browsing import DESK, PHONE, go_to, keep_screen, open_page, pill, press, sign_in
from tests.test_review_app.conftest import serve
from tests.test_review_app.scenario import make_workspace, send_weeks

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser

TABS = ["How it does", "Teach it", "Versions"]
SIZES = {"phone": PHONE, "desk": DESK}


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of the app on a workspace with some weeks of rounds."""
    folder: Path = tmp_path_factory.mktemp("models") / "workspace"
    ws = make_workspace(folder)
    send_weeks(ws, 3)
    ws.close()
    yield from serve(folder)


@pytest.fixture(scope="module")
def pages(browser: Browser, address: str) -> dict[str, Page]:
    """The Models screen on a phone and at a desk."""
    opened = {}
    for name, size in SIZES.items():
        opened[name] = open_page(browser, address, size)
        sign_in(opened[name], "Mara Lind", "Maintenance lead")
        go_to(opened[name], "Models")
    return opened


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("tab", TABS)
def test_no_tab_spills_over_or_shuts_somebody_out(
    pages: dict[str, Page], axe_source: str, tab: str, size: str
) -> None:
    page = pages[size]
    pill(page, "model_tab", tab)
    keep_screen(page, f"models_{tab.split()[0].lower()}_{size}")
    assert page.evaluate("document.scrollingElement.scrollWidth - window.innerWidth") <= 0
    page.evaluate(axe_source)
    found: dict[str, Any] = page.evaluate(
        "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']})"
    )
    bad = {v["id"]: [n["html"][:200] for n in v["nodes"]] for v in found["violations"]}
    serious = {v["id"] for v in found["violations"] if v["impact"] in ("serious", "critical")}
    assert not serious, bad


def test_a_training_that_cannot_start_says_why_and_what_to_do(pages: dict[str, Page]) -> None:
    page = pages["desk"]
    pill(page, "model_tab", "Teach it")
    press(page, page.get_by_role("button", name="Train now"))
    page.get_by_text("at least 30 confirmed photos").wait_for()
    page.get_by_text("Review more photos first").wait_for()
    assert page.get_by_role("button", name="Train now").is_visible()


def test_few_rows_are_read_whole_on_a_phone(pages: dict[str, Page]) -> None:
    page = pages["phone"]
    pill(page, "model_tab", "How it does")
    page.get_by_text(re.compile("^Numbers")).first.click()
    cells = page.locator(".cr-table").first.locator("td")
    cells.first.scroll_into_view_if_needed()
    for cell in cells.all()[:5]:
        box = cell.bounding_box()
        assert box is not None
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= PHONE["width"]
        assert "none" not in cell.evaluate("cell => getComputedStyle(cell, '::before').content")
