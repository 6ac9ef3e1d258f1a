"""Were the rounds walked? Roster coverage by site and week, and couplers that are overdue."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from data_tools.records import EventKind
from data_tools.trends.frames import Figure, TrendData, monday

WEEK = pd.Timedelta(days=7)
OVERDUE_DAYS = 7
COUNTED = (
    "couplers due in the week: known by then, at its end their site open and their unit not out of service; "
    "covered when a photo "
    "of the week could be judged. A complete count, so it has no interval"
)
_COVERAGE = ["site", "week", "due", "covered", "unusable", "rate"]


def roster_coverage(data: TrendData, until: pd.Timestamp | None = None) -> Figure:
    """Return how many of the couplers due were photographed, by site and week up to the week of ``until``.

    Table: ``site``, ``week``, ``due``, ``covered``, ``unusable`` (photographed, but nothing could be
    judged), ``rate`` (NaN when none was due).
    """
    title, photos, slots = "Roster coverage by site and week", data.photos, _slots(data)
    if photos.empty or slots.empty:
        return Figure(
            title, pd.DataFrame(columns=_COVERAGE), 0, COUNTED, "Not enough yet: no rounds, 1 needed."
        )
    first = photos["week"].min()
    last = monday(until) if until is not None else photos["week"].max()
    weeks = pd.date_range(first, max(last, first), freq="7D")
    usable, any_photo = _marks(photos, _slots_of(data), slots, weeks)
    table = _by_site(slots, weeks, _due(data, slots, _ends(weeks)), usable, any_photo)
    return Figure(title, table[_COVERAGE], int(table["due"].sum()), COUNTED)


def overdue_units(data: TrendData, today: pd.Timestamp) -> Figure:
    """Return couplers of units in service at ``today`` without a usable photo in seven days, the longest wait
    first; closed sites owe none.

    Table: ``site``, ``unit``, ``position``, ``last_photo`` (NaT: never), ``days``, ``last_reason`` (why the
    newest photo could not be judged, or empty). ``today`` is an aware time.
    """
    slots = _slots(data)
    # As of that day, so that a past month tells what it told then.
    in_service = slots[_due(data, slots, pd.DatetimeIndex([today]))[:, 0]] if len(slots) else slots
    photos = data.photos[["seen_at", "usable", "reason"]].assign(slot=_slots_of(data))
    seen = photos[photos["seen_at"] <= today].sort_values("seen_at")
    usable = seen[seen["usable"]].groupby("slot")["seen_at"].max()
    newest = seen.drop_duplicates("slot", keep="last")
    last = in_service["slot"].map(usable)
    waiting_since = last.fillna(in_service["put_on_at"])
    reasons = in_service["slot"].map(newest.set_index("slot")["reason"]).fillna("")
    table = in_service[["site", "unit", "position"]].assign(
        last_photo=last, days=(today - waiting_since).dt.days, last_reason=reasons
    )
    table = table[table["days"] >= OVERDUE_DAYS]
    table = table.sort_values(["days", "unit", "position"], ascending=[False, True, True])
    counted = (
        f"couplers of units in service; listed after {OVERDUE_DAYS} days without a photo that could be judged"
    )
    lacking = "" if len(slots) else "Not enough yet: no units, 1 needed."
    return Figure("Overdue couplers", table.reset_index(drop=True), len(in_service), counted, lacking)


def _slots(data: TrendData) -> pd.DataFrame:
    """One row for each position of each unit: what a round has to photograph."""
    first = data.couplers.assign(slot=_slot_numbers(data.couplers)).sort_values("number")
    first = first.drop_duplicates("slot")[["slot", "unit", "position", "put_on_at"]]
    return first.merge(data.units, on="unit", validate="many_to_one")


def _slot_numbers(couplers: pd.DataFrame) -> pd.Series:
    return couplers.groupby(["unit", "position"], sort=True, observed=True).ngroup()


def _slots_of(data: TrendData) -> pd.Series:
    """The slot of each photo: the position on which its coupler is or was."""
    numbers = _slot_numbers(data.couplers).set_axis(data.couplers["coupler_id"])
    return data.photos["coupler_id"].map(numbers)


def _marks(
    photos: pd.DataFrame, at: pd.Series, slots: pd.DataFrame, weeks: pd.DatetimeIndex
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Slots x weeks: has a photo that could be judged, has any photo."""
    usable = np.zeros((len(slots), len(weeks)), np.bool_)
    any_photo = usable.copy()
    row = pd.Index(slots["slot"]).get_indexer(at)
    column = ((photos["week"] - weeks[0]) // WEEK).to_numpy(np.int64)
    known = (row >= 0) & (column >= 0) & (column < len(weeks))
    any_photo[row[known], column[known]] = True
    known &= photos["usable"].to_numpy(np.bool_)
    usable[row[known], column[known]] = True
    return usable, any_photo


def _ends(weeks: pd.DatetimeIndex) -> pd.DatetimeIndex:
    return (weeks + WEEK).tz_localize("UTC")


def _due(data: TrendData, slots: pd.DataFrame, moments: pd.DatetimeIndex) -> NDArray[np.bool_]:
    """Slots x moments: known by then, the site still open, and the unit not out of service.

    A coupler is known from the earlier of its entry in the store and its first photo: rounds may be taken
    in later than they were walked.
    """
    first_photo = slots["slot"].map(data.photos.groupby(_slots_of(data), sort=False)["seen_at"].min())
    known_from = slots["put_on_at"].where(~(first_photo < slots["put_on_at"]), first_photo)
    known, closed = (each.to_numpy("datetime64[ns]")[:, None] for each in (known_from, slots["closed_at"]))
    at = moments.to_numpy("datetime64[ns]")
    still_open = ~(closed <= at)  # never closed is no time, and that compares as false
    return np.asarray((known < at) & still_open & ~_out_of_service(data.events, slots["unit"], moments))


def _out_of_service(events: pd.DataFrame, units: pd.Series, ends: pd.DatetimeIndex) -> NDArray[np.bool_]:
    """Slots x moments: the unit was out of service. Each event sets the state until the next one."""
    out = np.zeros((len(units), len(ends)), np.bool_)
    rows_of = units.groupby(units, sort=False).indices
    switches = events[events["kind"].isin([EventKind.OUT_OF_SERVICE.value, EventKind.RETURNED.value])]
    for event in switches.sort_values("done_at").itertuples():
        if event.unit in rows_of:
            first_end_after = ends.searchsorted(event.done_at, side="right")
            out[rows_of[event.unit], first_end_after:] = event.kind == EventKind.OUT_OF_SERVICE.value
    return out


def _by_site(
    slots: pd.DataFrame,
    weeks: pd.DatetimeIndex,
    due: NDArray[np.bool_],
    usable: NDArray[np.bool_],
    any_photo: NDArray[np.bool_],
) -> pd.DataFrame:
    rows = []
    for site, closed_at in slots.drop_duplicates("site").set_index("site")["closed_at"].sort_index().items():
        at = (slots["site"] == site).to_numpy()
        counts = {
            "due": due[at].sum(axis=0),
            "covered": (due & usable)[at].sum(axis=0),
            "unusable": (due & any_photo & ~usable)[at].sum(axis=0),
        }
        table = pd.DataFrame({"site": site, "week": weeks, **counts})
        rows.append(table[~(_ends(weeks) >= closed_at)])
    table = pd.concat(rows, ignore_index=True)
    return table.assign(rate=(table["covered"] / table["due"].where(table["due"] > 0)).astype(float))
