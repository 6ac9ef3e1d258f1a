"""Fifty queued photos by keyboard: keys a photo, and the time from the key to the next photo painted."""

from __future__ import annotations

import json
import statistics
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from data_tools.history import timeline
from data_tools.records import DecisionKind
from data_tools.review import queue
from data_tools.settings import load_settings
from data_tools.workspace import open_workspace
from tests.test_review_app.browsing import DESK, SCREENS, go_to, open_page, sign_in
from tests.test_review_app.fakes import FakeClassifier
from tests.test_review_app.scenario import BROKEN, LEAD, MELTED, TECHNICIAN, make_workspace, send

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytestmark = pytest.mark.browser

PHOTOS = 50
SLOWEST_MEDIAN_MS = 900
"""On a quiet machine the median has to stay below 300 ms; on a crowded one it may take three times that."""

WATCH = """
window.waits = [];
window.keys = 0;
addEventListener("keydown", () => { window.pressedAt = performance.now(); window.keys += 1; }, true);
new MutationObserver(() => {
  if (window.pressedAt !== undefined) window.waits.push(performance.now() - window.pressedAt);
  window.pressedAt = undefined;
}).observe(document.body, { subtree: true, attributes: true, attributeFilter: ["data-painted"] });
"""


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a workspace with fifty flagged photos, in which evidence is shown at once."""
    folder: Path = tmp_path_factory.mktemp("keyboard") / "workspace"
    ws = make_workspace(folder)
    (folder / "settings.toml").write_text("evidence_first_look = false\n", encoding="utf-8")
    for number in range(PHOTOS):
        send(ws, f"H-0{number % 6 + 1}", MELTED if number % 2 else BROKEN, number, days_ago=PHOTOS - number)
    assert len(queue(ws, TECHNICIAN)) == PHOTOS
    ws.close()
    return folder


def test_fifty_photos_take_fifty_keys(browser: Browser, address: str, folder: Path) -> None:
    page = open_page(browser, address, DESK)
    sign_in(page, TECHNICIAN.name, "Technician")
    go_to(page, "Review")
    page.locator("[data-painted]").wait_for()
    page.evaluate(WATCH)
    for left in range(PHOTOS, 0, -1):
        page.get_by_text(f"{left} waiting").wait_for()
        shown = page.locator("[data-painted]").get_attribute("data-painted")
        page.locator(f".st-key-key_agree_{shown}").get_by_role("button").wait_for()
        page.keyboard.press("a")
        if left > 1:
            page.wait_for_function(f"window.waits.length === {PHOTOS - left + 1}")
    page.get_by_text("Nothing is waiting").wait_for()
    waits: list[float] = page.evaluate("window.waits")
    assert len(waits) == PHOTOS - 1
    found = {
        "photos": PHOTOS,
        "keys a photo": page.evaluate("window.keys") / PHOTOS,
        "median ms from key to next photo painted": round(statistics.median(waits)),
        "95 % within ms": round(statistics.quantiles(waits, n=20)[-1]),
        "slowest ms": round(max(waits)),
    }
    print(json.dumps(found))
    SCREENS.mkdir(parents=True, exist_ok=True)
    (SCREENS / "keyboard.json").write_text(json.dumps(found, indent=1), encoding="utf-8")

    ws = open_workspace(load_settings(folder), classifier=FakeClassifier())
    kinds = [
        e.decision.kind for n in range(1, 7) for e in timeline(ws, LEAD, f"H-0{n}").entries if e.decision
    ]
    assert kinds == [DecisionKind.CONFIRMED] * PHOTOS
    ws.close()
    assert found["keys a photo"] == 1
    assert statistics.median(waits) < SLOWEST_MEDIAN_MS, found
