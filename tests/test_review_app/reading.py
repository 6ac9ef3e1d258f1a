"""What a person could read on a page that ran inside the test, and on a work sheet."""

from __future__ import annotations

import html
import re

from streamlit.testing.v1 import AppTest

from data_tools.conditions import CAUTIONS
from data_tools.history import timeline
from data_tools.sites import list_sites
from data_tools.workspace import Workspace
from review_app.widgets.work_sheet import work_sheet
from tests.test_review_app.scenario import LEAD

_TAG = re.compile(r"<[^>]*>")


def page_words(app: AppTest) -> str:
    """Return the words of a page: HTML without tags, markdown, messages, captions and buttons."""
    parts = [html.unescape(_TAG.sub(" ", block.proto.body)) for block in app.get("html")]
    for name in ("title", "subheader", "markdown", "caption", "info", "success", "warning", "error", "toast"):
        parts += [str(element.value) for element in app.get(name)]
    parts += [str(button.label) for button in app.button]
    return " ".join(" ".join(parts).split())


def sheet_of(ws: Workspace, unit: str) -> str:
    """Return the work sheet of a unit, without its pictures."""
    (site,) = list_sites(ws, LEAD)
    return work_sheet(timeline(ws, LEAD, unit), site, "Ivo", CAUTIONS, lambda photo: b"", lambda photo: b"")
