"""Every screen at phone and desktop size: nothing spills over, and nothing serious for accessibility.

The checker is axe-core with its rules for WCAG 2.0 to 2.2, levels A and AA.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.test_review_app.browsing import DESK, PHONE, go_to, keep_screen, open_page, sign_in, upload
from tests.test_review_app.conftest import serve
from tests.test_review_app.fakes import draw_photo
from tests.test_review_app.scenario import BLURRED, INTACT, MELTED, UNSURE, make_workspace, send_weeks

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser

TITLES = ["Send a round", "Review", "Act", "Units", "Trends", "Models"]
SERIOUS = {"serious", "critical"}
LEAST_PX = 44
# What Streamlit itself lays over charts, tables and pictures can be left alone: nothing needs it.
_SMALL = f"""[...document.querySelectorAll(`button, a[href], summary, [data-testid=stRadioOption],
  [data-testid=stCheckbox] label, .react-aria-ComboBox > [role=group]`)]
  .filter(e => e.offsetParent && !e.closest(`[data-testid=stElementToolbar], [data-testid=stTooltipIcon],
    .vega-embed`))
  .map(e => [Math.round(e.getBoundingClientRect().height), (e.textContent || e.ariaLabel || '').slice(0, 60)])
  .filter(([height, words]) => height > 1 && height < {LEAST_PX})"""


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of the app on a workspace with some weeks of rounds."""
    folder: Path = tmp_path_factory.mktemp("looks") / "workspace"
    ws = make_workspace(folder)
    send_weeks(ws, 3)
    ws.close()
    yield from serve(folder)


@pytest.fixture(scope="module")
def pages(browser: Browser, address: str) -> dict[str, Page]:
    """A lead signed in on a phone and at a desk."""
    opened = {}
    for name, size in (("phone", PHONE), ("desk", DESK)):
        opened[name] = open_page(browser, address, size)
        sign_in(opened[name], "Mara Lind", "Maintenance lead")
    return opened


def settled(page: Page, title: str) -> None:
    """Open a screen and wait until it is drawn."""
    go_to(page, title)
    page.get_by_text("Mara Lind · Maintenance lead").wait_for()
    page.wait_for_function("!document.querySelector('[data-testid=\"stStatusWidget\"]')")
    page.wait_for_timeout(700)


@pytest.mark.parametrize("size", ["phone", "desk"])
@pytest.mark.parametrize("title", TITLES)
def test_nothing_spills_over_and_every_field_has_a_name(
    pages: dict[str, Page], title: str, size: str
) -> None:
    page = pages[size]
    settled(page, title)
    if title == "Send a round":
        scenes = (MELTED, INTACT, BLURRED, UNSURE)
        photos = [(f"H-0{at}.jpg", draw_photo(scene, 500 + at)) for at, scene in enumerate(scenes, 1)]
        upload(page, *photos, ("IMG_77.jpg", draw_photo(INTACT, 600)))
        page.get_by_role("group", name="DO NOT USE this coupler").first.wait_for()
    keep_screen(page, f"{title.split()[0].lower()}_{size}")
    wide = page.evaluate("document.scrollingElement.scrollWidth - window.innerWidth")
    assert wide <= 0
    assert page.get_by_role("heading", level=1).count() == 1
    bare = page.evaluate(
        """[...document.querySelectorAll('button, input:not([type=hidden]), textarea, [role=combobox]')]
        .filter(e => e.offsetParent && !(e.textContent || '').trim() && !e.getAttribute('aria-label')
            && !e.getAttribute('aria-labelledby') && !(e.labels && e.labels.length) && !e.title)
        .map(e => e.outerHTML.slice(0, 160))"""
    )
    assert not bare


@pytest.mark.parametrize("size", ["phone", "desk"])
@pytest.mark.parametrize("title", TITLES)
def test_axe_finds_nothing_serious(pages: dict[str, Page], axe_source: str, title: str, size: str) -> None:
    page = pages[size]
    settled(page, title)
    page.evaluate(axe_source)
    found: dict[str, Any] = page.evaluate(
        "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']})"
    )
    bad = {
        violation["id"]: [node["html"][:200] for node in violation["nodes"]]
        for violation in found["violations"]
        if violation["impact"] in SERIOUS
    }
    assert not bad


@pytest.mark.parametrize("title", TITLES)
def test_on_a_phone_nothing_to_tap_is_small(pages: dict[str, Page], title: str) -> None:
    page = pages["phone"]
    settled(page, title)
    small = page.evaluate(_SMALL)
    assert not small


def test_on_a_phone_the_six_pages_stand_three_above_three_and_none_lies_over_another(
    pages: dict[str, Page],
) -> None:
    tops, heights = zip(
        *pages["phone"]
        .locator(".st-key-nav a")
        .evaluate_all("links => links.map(e => e.getBoundingClientRect()).map(r => [r.top, r.height])"),
        strict=True,
    )
    assert len(tops) == len(TITLES)
    first, second = set(tops[:3]), set(tops[3:])
    assert len(first) == len(second) == 1
    assert first.pop() + max(heights) <= second.pop()
