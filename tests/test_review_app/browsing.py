"""Helpers for tests that drive the app in a browser."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from tests.test_house.project import ROOT

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Locator, Page

PHONE = {"width": 390, "height": 844}
DESK = {"width": 1280, "height": 800}
WAIT_MS = 30_000
SCREENS = ROOT / "artefacts" / "screens"


_LISTEN = """
window.sent = 0;
window.owed = false;
const send = WebSocket.prototype.send, heard = new WeakSet();
WebSocket.prototype.send = function (data) {
  if (!heard.has(this)) this.addEventListener("message", () => { window.owed = false; window.quiet = 0; });
  heard.add(this);
  window.sent += 1;
  window.owed = true;
  return send.call(this, data);
};
"""
# Looks are counted, not only time: between two looks, a page that was held up gets on with what it has to do.
_IDLE = """() => {
  const app = document.querySelector("[data-testid=stApp]");
  const drawn = !document.querySelector('[data-stale="true"]');
  const idle = drawn && !window.owed && app?.dataset.testScriptState === "notRunning";
  window.quiet = idle ? window.quiet + 1 : 0;
  return window.quiet > 5;
}"""
MISSED_MS = 2_000
TRIES = 4


def open_page(browser: Browser, address: str, size: dict[str, int], script: str = "") -> Page:
    """Open the app in a fresh browser context; ``script`` runs before any of the page's own."""
    context = browser.new_context(viewport=size, accept_downloads=True)  # type: ignore[arg-type]
    # What the page sends is counted, so that a click that missed is told from one that takes its time.
    context.add_init_script(_LISTEN + script)
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    page.goto(address)
    return page


def sign_in(page: Page, name: str, role: str) -> None:
    """Say who is there; a server that remembers somebody is told that it is somebody else now."""
    page.get_by_role("button", name=re.compile("^(Start|Somebody else)$")).first.wait_for()
    if page.get_by_role("button", name="Somebody else").count():
        press(page, page.get_by_role("button", name="Somebody else"))
    page.get_by_role("button", name="Start").wait_for()
    settle(page)
    page.get_by_label("Your name").fill(name)
    tick(page, role)
    press(page, page.get_by_role("button", name="Start"))
    page.get_by_text(f"{name} · {role}").wait_for()
    settle(page)


def settle(page: Page) -> None:
    """Wait until the server has answered what was sent and has had nothing to draw for a quarter of a second.

    Without an answer the page looks idle: a crowded server may take a second to begin, and then draws anew.
    """
    page.evaluate("window.quiet = 0")
    page.wait_for_function(_IDLE, polling=50)


def press(page: Page, target: Locator) -> None:
    """Click something that the server is told of, again where the click missed.

    While Streamlit still draws, it may put a new element in place of the one under the pointer: press and
    release then land on two elements, and the browser makes no click of it. Nothing is sent in that case, so
    that clicking again does nothing twice.
    """
    for _ in range(TRIES):
        settle(page)
        before = page.evaluate("window.sent")
        target.click()
        from playwright.sync_api import TimeoutError as NothingSent

        try:
            page.wait_for_function("before => window.sent > before", arg=before, timeout=MISSED_MS)
        except NothingSent:
            continue
        return
    raise AssertionError(f"{TRIES} clicks and nothing was sent: {target}")


def tick(page: Page, words: str) -> None:
    """Tick a box or choose one of several in a form, again where the click missed: the server is not told."""
    label = page.locator("label").filter(has=page.get_by_text(words, exact=True))
    for _ in range(TRIES):
        settle(page)
        label.click()
        if label.locator("input").is_checked():
            return
    raise AssertionError(f"{TRIES} clicks and it is not ticked: {words}")


def save(page: Page, button: str) -> Path:
    """Save a file by the first button of that name, and return where it lies."""
    settle(page)
    with page.expect_download() as file:
        page.get_by_role("button", name=button).first.click()
    return Path(file.value.path())


def go_to(page: Page, title: str) -> None:
    """Open another screen by its link at the top."""
    press(page, page.locator(".st-key-nav").get_by_role("link", name=title))
    page.get_by_role("heading", name=title, exact=True).wait_for()
    settle(page)


def pill(page: Page, key: str, words: str) -> None:
    """Tap one of several choices, unless it is chosen already: then there is nothing to send."""
    settle(page)
    choice = page.locator(f'[class*="st-key-{key}"]').get_by_role("radio", name=words, exact=True)
    if choice.get_attribute("aria-checked") != "true":
        press(page, choice)
    settle(page)


def choose(page: Page, label: str, option: str) -> None:
    """Choose from a list; one that closed again, because the page still scrolled, is opened once more."""
    from playwright.sync_api import TimeoutError as Closed

    field, wanted = page.get_by_label(label, exact=True), page.get_by_role("option", name=option)
    for _ in range(TRIES):
        field.scroll_into_view_if_needed()
        settle(page)
        field.press("ArrowDown")
        try:
            wanted.click(timeout=MISSED_MS)
        except Closed:
            page.keyboard.press("Escape")
            continue
        settle(page)
        if option in field.input_value():
            return
    raise AssertionError(f"the list {label!r} does not stay open, or lacks {option!r}")


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
