"""The signs: one drawn shape for each standing, so that none is told apart by colour alone."""

from __future__ import annotations

from review_app.widgets.svg import svg_image
from review_app.widgets.text import esc
from review_app.wording import SIGNS, Standing

# Drawn on a 24 x 24 field; "currentColor" takes the ink of the words beside it.
_SHAPES: dict[str, str] = {
    "octagon": '<path d="M8 2h8l6 6v8l-6 6H8l-6-6V8z" fill="currentColor"/>'
    '<path d="M7 12h10" stroke="VOID" stroke-width="3.4"/>',
    "again": '<path d="M19 12a7 7 0 1 1-2.2-5.1" fill="none" stroke="currentColor" stroke-width="2.8"/>'
    '<path d="M20.5 2.5v6h-6z" fill="currentColor"/>',
    "question": '<circle cx="12" cy="12" r="10" fill="currentColor"/>'
    '<path d="M8.8 9.4c0-4.6 6.6-4.3 6.4-.3-.1 2.3-3.2 2.5-3.2 5" fill="none" stroke="VOID" '
    'stroke-width="2.3"/>'
    '<circle cx="12" cy="17.6" r="1.5" fill="VOID"/>',
    "triangle": '<path d="M12 2.5 23 21.5H1z" fill="currentColor"/>'
    '<path d="M12 9.5v5.5" stroke="VOID" stroke-width="2.6"/><circle cx="12" cy="18" r="1.5" fill="VOID"/>',
    "bar": '<circle cx="12" cy="12" r="9" fill="none" stroke="currentColor" stroke-width="2.8"/>'
    '<path d="M5.8 18.2 18.2 5.8" stroke="currentColor" stroke-width="2.8"/>',
    "ring": '<circle cx="12" cy="12" r="9" fill="none" stroke="currentColor" stroke-width="2.4"'
    ' stroke-dasharray="3.6 3.4"/>',
    "box": '<path d="M2.5 4h19v5h-19z" fill="currentColor"/>'
    '<path d="M4.5 9h15v11h-15z" fill="none" stroke="currentColor" stroke-width="2.4"/>'
    '<path d="M9 13h6" stroke="currentColor" stroke-width="2.4"/>',
    "equal": '<circle cx="12" cy="12" r="10" fill="currentColor"/>'
    '<path d="M7 9.5h10M7 14.5h10" stroke="VOID" stroke-width="2.6"/>',
    "tick": '<circle cx="12" cy="12" r="10" fill="currentColor"/>'
    '<path d="m7.2 12.4 3.4 3.4 6.4-7" fill="none" stroke="VOID" stroke-width="2.6"/>',
}


def sign_image(standing: Standing, size: int = 24, ink: str | None = None, void: str = "#FFFFFF") -> str:
    """Return a standing's sign as an HTML image; ``void`` colours its cut-out, ``ink`` the rest."""
    sign = SIGNS[standing]
    drawn = _SHAPES[sign.shape].replace("VOID", void).replace("currentColor", ink or sign.ink)
    box = f'width="{size}" height="{size}" viewBox="0 0 24 24"'
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" {box}>{drawn}</svg>'
    return svg_image(svg, "", width=size, height=size)


def badge(standing: Standing, words: str | None = None) -> str:
    """Return a small sign with its words as HTML."""
    sign = SIGNS[standing]
    text = esc(words or sign.short)
    if sign.filled:
        colours, ink, void = f"color:#FFFFFF;background:{sign.ink}", "#FFFFFF", sign.ink
    else:
        colours, ink, void = (
            f"color:{sign.ink};background:{sign.paper};border-color:{sign.ink}",
            sign.ink,
            sign.paper,
        )
    image = sign_image(standing, 18, ink, void)
    return f'<span class="cr-badge" style="{colours}">{image}<span>{text}</span></span>'
