"""What a person could read on a page that ran inside the test."""

from __future__ import annotations

import html
import re

from streamlit.testing.v1 import AppTest

_TAG = re.compile(r"<[^>]*>")


def page_words(app: AppTest) -> str:
    """Return the words of a page: HTML without tags, markdown, messages, captions and buttons."""
    parts = [html.unescape(_TAG.sub(" ", block.proto.body)) for block in app.get("html")]
    for name in ("title", "subheader", "markdown", "caption", "info", "success", "warning", "error", "toast"):
        parts += [str(element.value) for element in app.get(name)]
    parts += [str(button.label) for button in app.button]
    return " ".join(" ".join(parts).split())
