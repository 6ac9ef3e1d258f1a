"""Drawings as pictures: Streamlit takes inline SVG out of HTML, an image it leaves alone."""

from __future__ import annotations

import base64
import html


def svg_image(svg: str, alt: str, *, width: int | None = None, height: int | None = None) -> str:
    """Return an HTML image of ``svg`` (ours, never a user's); an empty ``alt`` hides it from readers."""
    data = base64.b64encode(svg.encode("utf-8")).decode("ascii")
    size = f' width="{width}" height="{height}"' if width and height else ""
    return f'<img src="data:image/svg+xml;base64,{data}" alt="{html.escape(alt, quote=True)}"{size}>'
