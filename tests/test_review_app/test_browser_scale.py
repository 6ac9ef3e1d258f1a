"""Three years, 5,000 units, 100,000 photos in the browser, beside 1,000 photos on the same machine.

Run it with ``make slow PYTEST_ARGS="-k in_the_browser -s"``; the times are kept in
``artefacts/screens/scale.json``.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.test_data_tools.test_store_scale import filled
from tests.test_review_app.browsing import DESK, SCREENS, open_page, settle, sign_in
from tests.test_review_app.conftest import serve

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = [pytest.mark.browser, pytest.mark.slow]

STORES = ((1_000, 50), (100_000, 5_000))
TRENDS_S, PAGE_S = 2.0, 2.0
BUSY = 3
"""A machine that does other work too may take so many times the bar; the figures themselves are kept."""

TABS = {
    "Damage": "couplers seen; damaged",
    "Sites and weeks": "Counted: coupler-weeks",
    "Time to first damage": "couplers followed from",
    "Comes back": "pairs of couplers",
    "Rounds": "couplers due in the week",
    "Trust in the model": "photos decided by both",
}


@contextmanager
def served(folder: Path, photos: int, units: int) -> Iterator[str]:
    """Fill a store and serve it."""
    ws = filled(folder, photos, units)
    ws.close()
    server = serve(folder / "workspace")
    yield next(server)
    server.close()


def seconds(act: Callable[[], object], done: Callable[[], object]) -> float:
    """Return how long it takes from ``act`` until ``done`` is on the screen."""
    start = time.perf_counter()
    act()
    done()
    return round(time.perf_counter() - start, 2)


def says(page: Page, words: str) -> None:
    """Wait until ``words`` are on the page, looked for every 20 ms: a locator may look half a second late."""
    page.wait_for_function(
        "words => document.querySelector('[data-testid=stMain]')?.textContent.includes(words)",
        arg=words,
        polling=20,
    )


def painted_other_than(page: Page, shown: str | None) -> None:
    """Wait until the viewer has painted a photo, and not the one that was ``shown``."""
    page.wait_for_function(
        "shown => [...document.querySelectorAll('[data-painted]')].some(v => v.dataset.painted !== shown)",
        arg=shown,
        polling=20,
    )


def to_screen(page: Page, title: str, words: str) -> float:
    """Open a screen by its link and wait for ``words``."""
    link = page.locator(".st-key-nav").get_by_role("link", name=title)
    settle(page)
    return seconds(link.click, lambda: says(page, words))


def measured(page: Page) -> dict[str, float]:
    """Return the seconds of each page as a person waits for it."""
    took = {"act": to_screen(page, "Act", "Another unit")}
    took["review"] = seconds(
        page.locator(".st-key-nav").get_by_role("link", name="Review").click,
        lambda: painted_other_than(page, None),
    )
    settle(page)
    shown = page.locator("[data-painted]").get_attribute("data-painted")
    took["review, next photo"] = seconds(
        lambda: page.keyboard.press("t"),
        lambda: painted_other_than(page, shown),
    )
    took["unit"] = to_screen(page, "Units", "What happened")
    took["send"] = to_screen(page, "Send a round", "This week's units")
    took["trends, first"] = to_screen(page, "Trends", "damage that came back within half a year")
    for tab, words in TABS.items():
        settle(page)
        pill = page.locator(".st-key-trend_tab").get_by_text(tab, exact=True)
        took[f"trends, {tab}"] = seconds(pill.click, lambda words=words: says(page, words))
    return took


def test_every_screen_stays_quick_in_the_browser(browser: Browser, tmp_path: Path) -> None:
    found = {}
    for photos, units in STORES:
        with served(tmp_path / str(photos), photos, units) as address:
            page = open_page(browser, address, DESK)
            sign_in(page, "Mara Lind", "Maintenance lead")
            found[f"{photos:,} photos, just started"] = measured(page)
            page.context.close()
            page = open_page(browser, address, DESK)
            sign_in(page, "Osa Brandt", "Maintenance lead")  # for whom nothing has been counted yet
            found[f"{photos:,} photos"] = measured(page)
            page.context.close()
    print(json.dumps(found, indent=1))
    SCREENS.mkdir(parents=True, exist_ok=True)
    (SCREENS / "scale.json").write_text(json.dumps(found, indent=1), encoding="utf-8")
    for when in ("", ", just started"):
        for name, took in found[f"{STORES[-1][0]:,} photos{when}"].items():
            assert took < BUSY * (TRENDS_S if name.startswith("trends") else PAGE_S), found
