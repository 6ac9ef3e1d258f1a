"""The app's own look, put on the page once for each run."""

from __future__ import annotations

from pathlib import Path

import streamlit as st
from PIL import Image, ImageDraw

_CSS = Path(__file__).with_name("look.css")


def put_on() -> None:
    """Add the style sheet to the page."""
    st.html(_CSS)


def icon() -> Image.Image:
    """Return the picture of the browser tab, drawn here so that nothing is fetched from outside."""
    image = Image.new("RGBA", (64, 64), (0, 0, 0, 0))
    pen = ImageDraw.Draw(image)
    pen.rounded_rectangle((24, 1, 40, 20), 4, fill="#0B5563")
    pen.ellipse((4, 8, 60, 63), fill="#0B5563")
    for x, y, radius in ((21, 28, 7), (43, 28, 7), (17, 45, 5), (47, 45, 5), (32, 52, 6)):
        pen.ellipse((x - radius, y - radius, x + radius, y + radius), fill="#FBFAF7")
    return image
