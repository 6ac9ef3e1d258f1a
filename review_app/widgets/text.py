"""Text that came from people, made harmless for markdown and HTML; times as people read them."""

from __future__ import annotations

import html
import re
from datetime import date, datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

_MARKDOWN = re.compile(r"([\\`*_{}\[\]()<>#+\-.!|~$:^&=@/])")
_CONTROL = re.compile(r"[\x00-\x1f\x7f\u200e\u200f\u202a-\u202e\u2066-\u2069]")


def plain(text: str, limit: int = 200) -> str:
    """Return ``text`` on one line without control or direction characters, cut to ``limit`` characters."""
    line = " ".join(_CONTROL.sub(" ", text).split())
    return line if len(line) <= limit else line[: limit - 1] + "…"


def esc(text: str, limit: int = 200) -> str:
    """Return ``text`` harmless inside HTML text and quoted attributes."""
    return html.escape(plain(text, limit), quote=True)


def md(text: str, limit: int = 200) -> str:
    """Return ``text`` harmless inside Streamlit markdown, button labels included."""
    return _MARKDOWN.sub(r"\\\1", plain(text, limit))


def zone(name: str) -> ZoneInfo:
    """Return the IANA zone called ``name``; UTC where this machine does not know it."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        return ZoneInfo("UTC")


def day(moment: date, today: date | None = None) -> str:
    """Return a date as "Tue 24 Nov", with the year when it is not ``today``'s."""
    words = f"{moment:%a} {moment.day} {moment:%b}"
    return words if today and moment.year == today.year else f"{words} {moment.year}"


def clock(moment: datetime, timezone: str) -> str:
    """Return an aware time as "Tue 24 Nov, 14:05" in the site's zone, with the year when it is another."""
    local = moment.astimezone(zone(timezone))
    today = datetime.now(zone(timezone)).date()
    return f"{day(local.date(), today)}, {local:%H:%M}"
