"""The photo viewer: large, zoomable, with outlines of findings on top."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import streamlit as st

_HERE = Path(__file__).parent

# Registered once, when this module is first imported: a second registration would restart the viewer.
_viewer = st.components.v2.component(
    "coupler_photo_view",
    html=(_HERE / "photo_view.html").read_text(encoding="utf-8"),
    css=(_HERE / "photo_view.css").read_text(encoding="utf-8"),
    js=(_HERE / "photo_view.js").read_text(encoding="utf-8"),
)


def as_url(jpeg: bytes) -> str:
    """Return JPEG bytes as a data URL."""
    return "data:image/jpeg;base64," + base64.b64encode(jpeg).decode("ascii")


def photo_view(
    jpeg: bytes,
    *,
    photo_id: str,
    alt: str,
    size: tuple[int, int],
    marks: Sequence[dict[str, Any]] = (),
    focus: Sequence[float] | None = None,
    ahead: bytes | None = None,
    key: str = "photo_view",
) -> None:
    """Show an upright JPEG with zoom and pan.

    Args:
        jpeg: the picture, upright.
        photo_id: changes when the photo changes; appears as ``data-painted`` once the photo is decoded.
        alt: what the photo shows, in words.
        size: width and height in pixels of the full-size upright photo, the frame of ``marks``.
        marks: outlines from ``review_app.widgets.marks``.
        focus: left, top, right, bottom in the frame of ``marks`` of what to show large at first.
        ahead: the next photo, decoded in the browser while this one is looked at.
        key: widget key; one viewer for each key.
    """
    _viewer(
        key=key,
        data={
            "id": photo_id,
            "src": as_url(jpeg),
            "alt": alt,
            "width": size[0],
            "height": size[1],
            "marks": list(marks),
            "focus": list(focus) if focus else None,
            "ahead": as_url(ahead) if ahead else None,
        },
    )
