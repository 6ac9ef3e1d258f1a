"""Helpers for tests that drive the app in a browser."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from tests.test_house.project import ROOT

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

PHONE = {"width": 390, "height": 844}
DESK = {"width": 1280, "height": 800}
WAIT_MS = 30_000
SCREENS = ROOT / "artefacts" / "screens"


def open_page(browser: Browser, address: str, size: dict[str, int]) -> Page:
    """Open the app in a fresh browser context."""
    page = browser.new_context(viewport=size, accept_downloads=True).new_page()  # type: ignore[arg-type]
    page.set_default_timeout(WAIT_MS)
    page.goto(address)
    return page


def sign_in(page: Page, name: str, role: str) -> None:
    """Say who is there; a server that remembers somebody is told that it is somebody else now."""
    page.get_by_role("button", name=re.compile("^(Start|Somebody else)$")).first.wait_for()
    if page.get_by_role("button", name="Somebody else").count():
        page.get_by_role("button", name="Somebody else").click()
    page.get_by_role("button", name="Start").wait_for()
    page.get_by_label("Your name").fill(name)
    page.get_by_text(role, exact=True).click()
    page.get_by_role("button", name="Start").click()
    page.get_by_text(f"{name} · {role}").wait_for()
    settle(page)


def settle(page: Page) -> None:
    """Wait until the server has nothing more to draw: a click into a page that still moves may miss."""
    page.wait_for_timeout(150)
    page.wait_for_function(
        "document.querySelector('[data-testid=stApp]')?.dataset.testScriptState === 'notRunning'"
    )
    page.wait_for_timeout(150)


def go_to(page: Page, title: str) -> None:
    """Open another screen by its link at the top."""
    page.locator(".st-key-nav").get_by_role("link", name=title).click()
    page.get_by_role("heading", name=title, exact=True).wait_for()
    settle(page)


def choose(page: Page, label: str, option: str) -> None:
    """Choose from a list by keyboard and mouse (a list opened while the page still scrolls closes again)."""
    field = page.get_by_label(label, exact=True)
    field.scroll_into_view_if_needed()
    settle(page)
    field.press("ArrowDown")
    page.get_by_role("option", name=option).click()
    settle(page)


def upload(page: Page, *files: tuple[str, bytes]) -> None:
    """Choose files in the uploader."""
    page.locator('input[type="file"]').first.set_input_files(
        [{"name": name, "mimeType": "image/jpeg", "buffer": data} for name, data in files]
    )


def keep_screen(page: Page, name: str) -> None:
    """Keep a picture of the screen as a test artefact."""
    SCREENS.mkdir(parents=True, exist_ok=True)
    page.screenshot(path=SCREENS / f"{name}.png")


def painted(page: Page, photo_id: int) -> None:
    """Wait until the viewer has painted the photo with that id."""
    page.locator(f'[data-painted="{photo_id}"]').wait_for()


def server_log(folder: Path) -> str:
    """Return what the server wrote."""
    return (folder / "server.log").read_text(encoding="utf-8", errors="replace")
