"""The card that tells a person what came of one photo and what to do now."""

from __future__ import annotations

from collections.abc import Sequence

from review_app.widgets.signs import sign_image
from review_app.widgets.text import esc
from review_app.wording import SIGNS, Standing


def card(
    standing: Standing,
    *,
    unit: str = "",
    body: str = "",
    steps: Sequence[str] = (),
    file_name: str = "",
    picture: str = "",
    words: str | None = None,
) -> str:
    """Return one result as HTML; every argument is plain text and is made harmless here.

    Args:
        standing: decides sign, colour and heading.
        unit: which unit the photo belongs to.
        body: one or two sentences.
        steps: what to do now, as a numbered list.
        file_name: shown small at the end.
        picture: a data URL made by us, or empty.
        words: heading instead of the sign's own words.
    """
    sign = SIGNS[standing]
    heading = esc(words or sign.words)
    list_html = _steps(steps)
    body_html = f"<div>{esc(body, 800)}</div>" if body else ""
    picture_html = f'<img src="{picture}" alt="">' if picture else ""
    file_html = f'<div class="cr-file">{esc(file_name)}</div>' if file_name else ""
    unit_html = f'<div class="cr-unit"{_on(sign.filled)}>{esc(unit)}</div>' if unit else ""
    head_style = f"background:{sign.ink};color:#FFFFFF" if sign.filled else f"color:{sign.ink}"
    ink, void = ("#FFFFFF", sign.ink) if sign.filled else (sign.ink, sign.paper)
    return (
        f'<div class="cr-card{" cr-filled" if sign.filled else ""}" role="group" aria-label="{heading}" '
        f'style="border-color:{sign.ink};background:{sign.paper}">'
        f'<div class="cr-head" style="{head_style}">{sign_image(standing, 38, ink, void)}'
        f'<div><div class="cr-words">{heading}</div>{unit_html}</div></div>'
        f'<div class="cr-body">{picture_html}<div>{body_html}{file_html}</div></div>{list_html}</div>'
    )


def _on(filled: bool) -> str:
    return ' style="color:#FFFFFF"' if filled else ""


def _steps(steps: Sequence[str]) -> str:
    if len(steps) == 1:
        return f'<div class="cr-step">{esc(steps[0], 400)}</div>'
    return f"<ol>{''.join(f'<li>{esc(step, 400)}</li>' for step in steps)}</ol>" if steps else ""
