"""A printable work sheet for one unit: one HTML file with photos, drawing, history and cautions inside."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime

from data_tools.answers import stand_words
from data_tools.history import Timeline
from data_tools.records import Coupler, EventKind, PhotoRecord, Site
from data_tools.standing import GOOD, OPEN, UNDAMAGED
from model.families import FAMILIES
from review_app.standing import effective, judgement_words, observation_words, said_words
from review_app.stories import PhotoStory, events_of, photo_stories
from review_app.widgets.face_drawing import face_image
from review_app.widgets.history_list import event_words
from review_app.widgets.photo_view import as_url
from review_app.widgets.text import clock, day, esc
from review_app.wording import sentence

_STYLE = """
@page { size: A4; margin: 14mm; }
body { font: 11pt/1.35 system-ui, 'Segoe UI', Roboto, 'Liberation Sans', sans-serif; color: #16211F;
  margin: 0 auto; max-width: 190mm; }
h1 { font-size: 18pt; margin: 0 0 2mm 0; } h2 { font-size: 13pt; margin: 6mm 0 2mm 0; }
table { border-collapse: collapse; width: 100%; }
td, th { border: 1px solid #8A938F; padding: 1.5mm 2mm; text-align: left; }
.row { display: flex; gap: 5mm; align-items: flex-start; } .row > div { flex: 1; }
img { width: 100%; height: auto; } .cr-face img { max-width: 60mm; }
.stop { border: 2px solid #9B1C1C; padding: 2mm 4mm; } .stop ul { margin: 1mm 0; padding-left: 5mm; }
figure { margin: 0; } figcaption { font-size: 9pt; color: #4A5552; }
.line { border-bottom: 1px solid #16211F; height: 9mm; } .coupler { break-inside: avoid; }
"""
_CHECKS = (
    "Isolated and locked out; absence of voltage proven",
    "Coupler off the inlet without force",
    "Contacts, housing, latch, cable and strain relief inspected",
    "Coupler replaced (part number written below)",
    "Wiring and terminals upstream of the coupler checked for heat",
    "Tested after the work as the maker and the local codes ask",
)


def work_sheet(
    whole: Timeline,
    site: Site,
    printed_by: str,
    cautions: Sequence[str],
    picture: Callable[[PhotoRecord], bytes],
    face: Callable[[PhotoRecord], bytes | None] = lambda photo: None,
    now: datetime | None = None,
) -> str:
    """Return the sheet as one HTML document without any outside reference.

    Args:
        whole: the unit's history.
        site: where it stands; its time zone is used.
        printed_by: whose sheet this is.
        cautions: what to heed before the work.
        picture: gives the upright JPEG of a photo, free of metadata.
        face: gives the same coupler's face, straight; None where it is not known.
        now: time of printing (default: this moment).
    """
    unit = whole.unit
    printed = clock(now or datetime.now(UTC), site.timezone)
    on_unit = [coupler for coupler in whole.couplers if coupler.removed_on is None]
    couplers = "".join(_coupler(whole, coupler, site.timezone, picture, face) for coupler in on_unit)
    events = events_of(whole)[-8:]
    rows = "".join(
        f"<tr><td>{esc(clock(e.done_at, site.timezone))}</td><td>{esc(event_words(e), 600)}</td>"
        f"<td>{esc(e.done_by)}</td></tr>"
        for e in reversed(events)
    )
    history = (
        f"<h2>Last events</h2><table><tr><th>When</th><th>What</th><th>Who</th></tr>{rows}</table>"
        if rows
        else ""
    )
    listed = "".join(f"<li>{esc(caution, 400)}</li>" for caution in cautions)
    checks = "".join(f"<tr><td style='width:8mm'>&#9744;</td><td>{esc(check)}</td></tr>" for check in _CHECKS)
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        f"<title>Work sheet, unit {esc(unit.key)}</title><style>{_STYLE}</style></head><body>"
        f"<h1>Work sheet: unit {esc(unit.key)}</h1>"
        f"<p>{esc(unit.name)} · site {esc(site.name)} · {esc(unit.status.value)} · printed {esc(printed)} "
        f"by {esc(printed_by)}</p>"
        f'<div class="stop"><strong>Before you touch anything</strong><ul>{listed}</ul></div>'
        f"{_noted(whole, site.timezone)}{couplers}{history}<h2>Work done</h2><table>{checks}</table>"
        '<h2>Notes</h2><div class="line"></div><div class="line"></div><div class="line"></div>'
        '<h2>New part number, name, date, signature</h2><div class="line"></div><div class="line"></div>'
        "</body></html>"
    )


def _noted(whole: Timeline, timezone: str) -> str:
    """Return what staff noted and nobody has settled since the unit was last returned to service."""
    events = events_of(whole)
    returned = max((e.done_at for e in events if e.kind is EventKind.RETURNED), default=None)
    rows = "".join(
        f"<li>{esc(sentence(observation_words(e)), 600)} "
        f"({esc(e.done_by)}, {esc(clock(e.done_at, timezone))})</li>"
        for e in events
        if e.kind is EventKind.OBSERVED and not e.settled and (returned is None or e.done_at > returned)
    )
    return f"<h2>Noted by staff, not settled</h2><ul>{rows}</ul>" if rows else ""


def _coupler(
    whole: Timeline,
    coupler: Coupler,
    timezone: str,
    picture: Callable[[PhotoRecord], bytes],
    face: Callable[[PhotoRecord], bytes | None],
) -> str:
    row = FAMILIES.get(coupler.family)
    title = row.title if row else coupler.family
    stories = photo_stories(whole, coupler.id)
    bad, good = worst_and_good(stories)
    drawing = face_image(row, bad.findings if bad else ()) if row else ""
    said = _said(bad, timezone) if bad else "No photo of this coupler yet."
    photos = _photo("Photo", bad, timezone, picture) if bad else ""
    close = face(bad.photo) if bad else None
    beside = _figure("Its face", close) if close else ""
    before = _photo("Last without damage", good, timezone, lambda p: face(p) or picture(p)) if good else ""
    return (
        f'<div class="coupler"><h2>Coupler at position {esc(coupler.position)}: {esc(title)}, '
        f"part {esc(coupler.part_number or 'not recorded')}, since {esc(day(coupler.installed_on))}</h2>"
        f'<p>{said}</p><div class="row"><div>{photos}</div><div>{beside}</div>'
        f"<div>{before}</div><div>{drawing}</div></div></div>"
    )


def _photo(words: str, story: PhotoStory, timezone: str, picture: Callable[[PhotoRecord], bytes]) -> str:
    return _figure(f"{words}, {clock(story.at, timezone)}", picture(story.photo))


def _figure(words: str, jpeg: bytes) -> str:
    said = esc(words)
    return f'<figure><img src="{as_url(jpeg)}" alt="{said}"><figcaption>{said}</figcaption></figure>'


def worst_and_good(stories: Sequence[PhotoStory]) -> tuple[PhotoStory | None, PhotoStory | None]:
    """Return the photo that the work is about and the last one before it without damage.

    The first is the latest that names damage, else the latest that is open, else simply the latest.
    """
    if not stories:
        return None, None

    def rank(at: int) -> tuple[bool, bool, int]:
        state = stories[at].state
        is_open = bool(state and state.stand in OPEN)
        return bool(state and state.findings and state.stand not in GOOD), is_open, at

    at = max(range(len(stories)), key=rank)
    before = (s for s in reversed(stories[:at]) if s.state and s.state.stand in UNDAMAGED)
    return stories[at], next(before, None)


def _said(story: PhotoStory, timezone: str) -> str:
    parts = [f"Photo of {esc(clock(story.at, timezone))}."]
    if story.verdict:
        parts.append(f"Model: {esc(judgement_words(story.verdict.judgement, say_unsure=True))}.")
    if story.state and story.state.before:
        parts.append(esc(stand_words(story.state)))
    for decision in effective(story.decisions):
        comment = f" ({esc(decision.comment, 500)})" if decision.comment else ""
        parts.append(f"{esc(decision.decided_by)}: {esc(said_words(decision))}{comment}.")
    return " ".join(parts)
