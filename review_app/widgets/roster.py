"""The roster of one week as a list that reads well on a phone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from data_tools.records import RosterLine
from review_app.widgets.pickers import unit_title
from review_app.widgets.signs import badge
from review_app.widgets.text import clock, esc
from review_app.wording import Standing

_ORDER = list(Standing)


def ranked(rows: Sequence[tuple[RosterLine, Standing]]) -> list[tuple[RosterLine, Standing]]:
    """Return units with their standings, what needs somebody first."""
    return sorted(rows, key=lambda row: (_ORDER.index(row[1]), not is_missing(*row), row[0].unit.key))


def is_missing(line: RosterLine, standing: Standing) -> bool:
    """Whether this week's round still owes a photo of the unit, whatever earlier photos say of it."""
    return not line.done_this_week and standing is not Standing.OUT_OF_SERVICE


def rows_html(
    rows: Sequence[tuple[RosterLine, Standing]], timezone: str, notes: Mapping[str, str] | None = None
) -> str:
    """Return units with their standings as an HTML list, what needs somebody first.

    ``notes`` says something of some units, by unit key, in place of when the last photo was taken.
    """
    items = [
        _row(line, standing, timezone, (notes or {}).get(line.unit.key, ""))
        for line, standing in ranked(rows)
    ]
    return f'<ul class="cr-roster">{"".join(items)}</ul>'


def entry_html(line: RosterLine, standing: Standing, timezone: str, note: str) -> str:
    """Return one unit by itself, for a list whose entries carry buttons."""
    photo = line.last_photo
    when = clock(photo.seen_at or photo.received_at, timezone) if photo else "never photographed"
    return (
        f'<div class="cr-entry"><span class="cr-name">{esc(unit_title(line.unit))}</span> {badge(standing)}'
        f'<div class="cr-when">{esc(note or when, 400)}</div></div>'
    )


def _row(line: RosterLine, standing: Standing, timezone: str, note: str) -> str:
    photo = line.last_photo
    when = clock(photo.seen_at or photo.received_at, timezone) if photo else "never photographed"
    positions = line.missing_positions
    part = f"coupler {', '.join(positions)} missing" if 0 < len(positions) < len(line.unit.couplers) else when
    # An earlier photo's doubt would hide that this week's photo is still to be taken.
    owed = standing in (Standing.DO_NOT_USE, Standing.LOOK) and is_missing(line, standing)
    badges = badge(standing) + (f" {badge(Standing.MISSING, 'No photo this week')}" if owed else "")
    return (
        f'<li><span><span class="cr-name">{esc(unit_title(line.unit))}</span> '
        f'<span class="cr-when">{esc(note or part, 400)}</span></span><span>{badges}</span></li>'
    )
