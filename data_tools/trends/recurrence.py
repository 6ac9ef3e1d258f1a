"""What comes back: the same damage at the same place of a unit, on a later coupler."""

from __future__ import annotations

import pandas as pd

from data_tools.trends.frames import Figure, TrendData, words_for
from model.vocabulary import FindingKind

WORDS: dict[FindingKind, str] = {
    FindingKind.HEAT_MELTED_HOUSING: (
        "a new coupler melted at the same contact: this points to the wiring or terminals upstream, not to "
        "the coupler. The unit stays out of service, or is taken out, until a licensed electrician has "
        "checked it, also where the coupler there now shows no damage."
    ),
    FindingKind.BROKEN_PIN_HOUSING: (
        "the same pin housing broke again on a new coupler: look at the holster, the cable length and how "
        "the coupler is put back."
    ),
    FindingKind.MISSING_LATCH: (
        "the latch was lost again on a new coupler: look at the holster and at whether vehicles drive off "
        "or pull with the coupler locked in."
    ),
}
COLUMNS = [
    "site",
    "unit",
    "position",
    "kind",
    "place",
    "first_coupler",
    "first_seen",
    "next_coupler",
    "seen_again",
    "days_after_installation",
    "confirmed",
    "words",
]


def recurrence(data: TrendData) -> Figure:
    """Return every damage that appeared at the same place on two couplers of a position of a unit.

    ``next_coupler`` is the next one on which it was seen: a coupler between them that was taken off in time,
    or never photographed so, makes a cause upstream no less likely.

    ``confirmed`` tells whether a person confirmed it on both. One recurrence is enough to be listed: it is
    a fact about a unit and no rate. Gravest kind first, then newest.
    """
    seen = _damage_by_coupler(data)
    same = ["unit", "position", "kind", "place"]
    seen = seen.sort_values([*same, "number"])
    before = seen.groupby(same, sort=False)[["number", "seen", "confirmed"]].shift(1)
    table = seen.assign(
        first_coupler=before["number"], first_seen=before["seen"], before_confirmed=before["confirmed"]
    )
    table = table[table["first_coupler"].notna()]
    table = table.assign(
        first_coupler=table["first_coupler"].astype("int64"),
        next_coupler=table["number"],
        seen_again=table["seen"],
        days_after_installation=(table["seen"] - table["installed_on"]).dt.days,
        confirmed=table["confirmed"].astype(bool) & (table["before_confirmed"] == True),  # noqa: E712
        words=[WORDS[FindingKind(kind)] for kind in table["kind"]],
        gravity=(table["kind"] != FindingKind.HEAT_MELTED_HOUSING).astype(int),
    )
    table = table.sort_values(["gravity", "seen_again"], ascending=[True, False])[COLUMNS]
    table = table.reset_index(drop=True)
    notices = tuple(_notice(row, data) for row in table.itertuples())
    counted = (
        "pairs of couplers of one position, the earlier one and the next on which the damage was seen "
        "(others may have hung there between them); a complete list, no estimate"
    )
    return Figure("Damage that comes back", table, len(table), counted, "", notices)


def _damage_by_coupler(data: TrendData) -> pd.DataFrame:
    """One row for each coupler, kind and place that ever stood as damaged, with the day it was first seen."""
    photos = data.photos[["photo_id", "coupler_id", "week", "seen_at"]]
    found = data.findings.merge(photos, on="photo_id")
    found["seen"] = found["seen_at"].dt.tz_localize(None).dt.normalize()
    rows = found.groupby(["coupler_id", "kind", "place"], sort=True, as_index=False).agg(
        seen=("seen", "min"), confirmed=("confirmed", "max")
    )
    couplers = data.couplers[["coupler_id", "site", "unit", "position", "number", "installed_on"]]
    return rows.merge(couplers, on="coupler_id")


def _notice(row: object, data: TrendData) -> str:
    kind, place = words_for(FindingKind(row.kind)), f", {row.place}".replace("_", " ")  # type: ignore[attr-defined]
    if row.kind == FindingKind.MISSING_LATCH:  # type: ignore[attr-defined]
        place = ""
    checked = "" if row.confirmed else " (not yet confirmed by a person on both)"  # type: ignore[attr-defined]
    at = data.called(row.site)  # type: ignore[attr-defined]
    return f"{row.unit} at {at}, {kind}{place}{checked}: {row.words}"  # type: ignore[attr-defined]
