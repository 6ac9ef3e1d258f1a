"""A line drawing of the coupler face, made from the family table, with findings marked at their places."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from data_tools.records import TrueFinding
from model.families import Family
from model.vocabulary import FindingKind, Place
from review_app.widgets.marks import by_place
from review_app.widgets.svg import svg_image
from review_app.wording import KIND_COLOUR, KIND_LETTER, PLACE_WORDS, place_phrase

_INK = "#16211F"
_QUIET = "#4A5552"
_LINE = f'fill="#FFFFFF" stroke="{_INK}" stroke-width="1.2"'


def place_numbers(family: Family) -> dict[Place, int]:
    """Return the number of each place on the drawing: pin housings from 1 in table order, then the latch."""
    return {place: number for number, place in enumerate(family.places, start=1)}


def face_image(family: Family, findings: Iterable[TrueFinding] = (), alt: str = "") -> str:
    """Return the face as an HTML image, looking into the handheld coupler with the latch side up.

    Args:
        family: the row of the family table to draw.
        findings: what to mark; each gets its letter and a thick dashed ring.
        alt: what the drawing shows, read out by screen readers.
    """
    found = tuple(findings)
    said = alt or "Coupler face: " + (
        "; ".join(place_phrase(f.kind, f.place) for f in found) or "nothing marked"
    )
    return f'<div class="cr-face">{svg_image(face_svg(family, found), said)}</div>'


def face_svg(family: Family, findings: Iterable[TrueFinding] = ()) -> str:
    """Return the drawing itself; one unit of the view box is one millimetre."""
    view = family.canonical_view
    parts = [
        _outline(family),
        *(_contacts(family)),
        *(_mark(family, place, kinds) for place, kinds in by_place(findings).items()),
    ]
    box = f"{view.left:.1f} {-view.top:.1f} {view.right - view.left:.1f} {view.top - view.bottom:.1f}"
    size = 'width="432" height="432" font-family="sans-serif"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size} viewBox="{box}">{"".join(parts)}</svg>'


def _outline(family: Family) -> str:
    x, y = family.nose_centre[0], -family.nose_centre[1]
    half_w, half_h = family.nose_width / 2, family.nose_height / 2
    if family.nose_width == family.nose_height:
        nose = f'<circle cx="{x}" cy="{y}" r="{half_w}" {_LINE}/>'
    else:
        size = f'width="{2 * half_w}" height="{2 * half_h}" rx="{half_h * 0.62:.1f}"'
        nose = f'<rect x="{x - half_w}" y="{y - half_h}" {size} {_LINE}/>'
    zone = family.latch_zone
    if zone is None:
        return nose
    number = place_numbers(family)[Place.LATCH]
    size = f'width="{zone.right - zone.left - 8}" height="{zone.top - zone.bottom - 6}" rx="2"'
    return (
        f'<rect x="{zone.left + 4}" y="{-zone.top + 6}" {size} {_LINE}/>'
        f"{_number(0, -(zone.top + zone.bottom) / 2 + 3, number, PLACE_WORDS[Place.LATCH])}{nose}"
    )


def _contacts(family: Family) -> Iterable[str]:
    numbers = place_numbers(family)
    for contact in family.contacts:
        yield (
            f'<circle cx="{contact.x}" cy="{-contact.y}" r="{contact.sleeve_diameter / 2}" fill="#F0EEE8" '
            f'stroke="{_INK}" stroke-width="0.8"/>'
            f"{_number(contact.x, -contact.y, numbers[contact.place], PLACE_WORDS[contact.place])}"
        )


def _number(x: float, y: float, number: int, words: str) -> str:
    return (
        f'<text x="{x}" y="{y + 1.5:.1f}" font-size="4.4" font-weight="600" text-anchor="middle" '
        f'fill="{_QUIET}"><title>{words}</title>{number}</text>'
    )


def _mark(family: Family, place: Place, kinds: Sequence[FindingKind]) -> str:
    colour, letters = KIND_COLOUR[kinds[0]], "".join(KIND_LETTER[kind] for kind in kinds)
    if place is Place.LATCH:
        zone = family.latch_zone
        if zone is None:
            return ""
        x, y, radius = (zone.left + zone.right) / 2, -(zone.top + zone.bottom) / 2 + 3, 7.0
    else:
        contact = next((c for c in family.contacts if c.place is place), None)
        if contact is None:
            return ""
        x, y, radius = contact.x, -contact.y, contact.sleeve_diameter / 2 + 0.8
    size = 6.4 if len(letters) == 1 else 4.6
    return (
        f'<circle cx="{x}" cy="{y}" r="{radius}" fill="#FFFFFF" stroke="{colour}" stroke-width="1.8" '
        f'stroke-dasharray="3 1.2"/><text x="{x}" y="{y + size * 0.35:.1f}" font-size="{size}" '
        f'font-weight="800" text-anchor="middle" fill="{colour}">{letters}</text>'
    )
