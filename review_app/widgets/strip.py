"""A row of small pictures, oldest first, that scrolls sideways where it does not fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from review_app.widgets.text import esc


@dataclass(frozen=True)
class Shot:
    """One picture: a data URL made by us, a heading, and lines beneath it (plain text)."""

    url: str
    title: str
    lines: tuple[str, ...] = ()


def strip_html(shots: Sequence[Shot], words: str) -> str:
    """Return the pictures as an HTML list that is read out as ``words``."""
    items = "".join(
        f'<li><img src="{shot.url}" alt=""><div class="cr-name">{esc(shot.title)}</div>'
        + "".join(f'<div class="cr-when">{esc(line)}</div>' for line in shot.lines)
        + "</li>"
        for shot in shots
    )
    return f'<ul class="cr-strip" tabindex="0" aria-label="{esc(words)}">{items}</ul>'
