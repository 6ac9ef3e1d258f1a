"""A printable work sheet for one unit: one HTML file with photos, drawing, history and cautions inside."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime

from data_tools.records import Coupler, PhotoRecord, Site, Timeline, TrueFinding
from model.families import FAMILIES
from review_app.standing import effective, findings_of, findings_words, judgement_words
from review_app.stories import PhotoStory, events_of, photo_stories
from review_app.widgets.face_drawing import face_image
from review_app.widgets.history_list import event_words
from review_app.widgets.photo_view import as_url
from review_app.widgets.text import clock, day, esc

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
    now: datetime | None = None,
) -> str:
    """Return the sheet as one HTML document without any outside reference.

    Args:
        whole: the unit's history.
        site: where it stands; its time zone is used.
        printed_by: whose sheet this is.
        cautions: what to heed before the work.
        picture: gives the upright JPEG of a photo, free of metadata.
        now: time of printing (default: this moment).
    """
    unit = whole.unit
    printed = clock(now or datetime.now(UTC), site.timezone)
    on_unit = [coupler for coupler in whole.couplers if coupler.removed_on is None]
    couplers = "".join(_coupler(whole, coupler, site.timezone, picture) for coupler in on_unit)
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
        f"{couplers}{history}<h2>Work done</h2><table>{checks}</table>"
        '<h2>Notes</h2><div class="line"></div><div class="line"></div><div class="line"></div>'
        '<h2>New part number, name, date, signature</h2><div class="line"></div><div class="line"></div>'
        "</body></html>"
    )


def _coupler(
    whole: Timeline, coupler: Coupler, timezone: str, picture: Callable[[PhotoRecord], bytes]
) -> str:
    row = FAMILIES.get(coupler.family)
    title = row.title if row else coupler.family
    stories = photo_stories(whole, coupler.id)
    latest = stories[-1] if stories else None
    found = _standing_findings(latest)
    drawing = face_image(row, found) if row else ""
    said = _said(latest, timezone) if latest else "No photo of this coupler yet."
    photo = f'<img src="{as_url(picture(latest.photo))}" alt="Latest photo">' if latest else ""
    return (
        f'<div class="coupler"><h2>Coupler at position {esc(coupler.position)}: {esc(title)}, '
        f"part {esc(coupler.part_number or 'not recorded')}, since {esc(day(coupler.installed_on))}</h2>"
        f'<p>{said}</p><div class="row"><div>{photo}</div><div>{drawing}</div></div></div>'
    )


def _standing_findings(story: PhotoStory | None) -> tuple[TrueFinding, ...]:
    if story is None:
        return ()
    decided = effective(story.decisions)
    if decided:
        return decided[-1].findings
    return findings_of(story.verdicts[-1].judgement) if story.verdicts else ()


def _said(story: PhotoStory, timezone: str) -> str:
    parts = [f"Photo of {esc(clock(story.at, timezone))}."]
    if story.verdicts:
        parts.append(f"Model: {esc(judgement_words(story.verdicts[-1].judgement, say_unsure=True))}.")
    for decision in effective(story.decisions):
        comment = f" ({esc(decision.comment, 500)})" if decision.comment else ""
        parts.append(f"{esc(decision.decided_by)}: {esc(findings_words(decision.findings))}{comment}.")
    return " ".join(parts)
