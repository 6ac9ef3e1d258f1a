"""Were the rounds walked? Roster coverage by site and week, and units that are overdue."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from data_tools.records import EventKind
from data_tools.trends.frames import Figure, TrendData

WEEK = pd.Timedelta(days=7)
OVERDUE_DAYS = 7
COUNTED = (
    "units due in the week: known by then and not out of service at its end; covered when a photo of the "
    "week could be judged. A complete count, so it has no interval"
)


def roster_coverage(data: TrendData, until: pd.Timestamp | None = None) -> Figure:
    """Return how many of the units due were photographed, by site and week up to the week of ``until``.

    Table: ``site``, ``week``, ``due``, ``covered``, ``unusable`` (photographed, but nothing could be
    judged), ``rate`` (NaN when none was due).
    """
    photos, units = data.photos, data.units.reset_index(drop=True)
    title = "Roster coverage by site and week"
    columns = ["site", "week", "due", "covered", "unusable", "rate"]
    if photos.empty or units.empty:
        return Figure(
            title, pd.DataFrame(columns=columns), 0, COUNTED, "Not enough yet: no rounds, 1 needed."
        )
    last = monday(until) if until is not None else photos["week"].max()
    weeks = pd.date_range(photos["week"].min(), max(last, photos["week"].min()), freq="7D")
    usable, any_photo = _marks(photos, units, weeks)
    due = _due(data, units, weeks)
    table = _by_site(units["site"], weeks, due, usable, any_photo)
    return Figure(title, table[columns], int(table["due"].sum()), COUNTED)


def overdue_units(data: TrendData, today: pd.Timestamp) -> Figure:
    """Return units in service without a usable photo in the last seven days, the longest wait first.

    Table: ``site``, ``unit``, ``last_photo`` (NaT: never), ``days``, ``last_reason`` (why the newest photo
    could not be judged, or empty). ``today`` is an aware time.
    """
    in_service = data.units[~data.units["out_of_service"].astype(bool)]
    usable = data.photos[data.photos["usable"]].groupby("unit")["seen_at"].max()
    newest = data.photos.sort_values("seen_at").drop_duplicates("unit", keep="last").set_index("unit")
    last = in_service["unit"].map(usable)
    waiting_since = last.fillna(in_service["added_at"])
    table = pd.DataFrame(
        {
            "site": in_service["site"],
            "unit": in_service["unit"],
            "last_photo": last,
            "days": (today - waiting_since).dt.days,
            "last_reason": in_service["unit"].map(newest["reason"]).fillna(""),
        }
    )
    table = table[table["days"] >= OVERDUE_DAYS]
    table = table.sort_values(["days", "unit"], ascending=[False, True]).reset_index(drop=True)
    counted = f"units in service; listed without a photo that could be judged for {OVERDUE_DAYS} days or more"
    lacking = "" if len(data.units) else "Not enough yet: no units, 1 needed."
    return Figure("Overdue units", table, len(in_service), counted, lacking)


def monday(day: pd.Timestamp) -> pd.Timestamp:
    """Return the Monday (naive midnight) of the week that holds ``day``."""
    plain = day.tz_localize(None) if day.tzinfo is not None else day
    return plain.normalize() - pd.Timedelta(days=plain.weekday())


def _marks(
    photos: pd.DataFrame, units: pd.DataFrame, weeks: pd.DatetimeIndex
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Units x weeks: has a photo that could be judged, has any photo."""
    usable = np.zeros((len(units), len(weeks)), np.bool_)
    any_photo = usable.copy()
    row = pd.Index(units["unit"]).get_indexer(photos["unit"])
    column = ((photos["week"] - weeks[0]) // WEEK).to_numpy(np.int64)
    known = (row >= 0) & (column >= 0) & (column < len(weeks))
    any_photo[row[known], column[known]] = True
    known &= photos["usable"].to_numpy(np.bool_)
    usable[row[known], column[known]] = True
    return usable, any_photo


def _due(data: TrendData, units: pd.DataFrame, weeks: pd.DatetimeIndex) -> NDArray[np.bool_]:
    """Units x weeks: known by the end of the week, and not out of service at its end.

    A unit is known from the earlier of its entry in the store and its first photo: rounds may be taken in
    later than they were walked.
    """
    ends = (weeks + WEEK).tz_localize("UTC")
    first_photo = units["unit"].map(data.photos.groupby("unit")["seen_at"].min())
    added = units["added_at"]
    known_from = added.where(~(first_photo < added), first_photo)
    due = known_from.to_numpy()[:, None] < ends.to_numpy()[None, :]
    position = pd.Series(units.index, index=units["unit"])
    events = data.events[data.events["kind"].isin([EventKind.OUT_OF_SERVICE, EventKind.RETURNED])]
    for event in events.sort_values("done_at").itertuples():
        if event.unit in position.index:
            later = np.asarray(ends > event.done_at)
            # Each event sets the state from its own time on; a later event overwrites it.
            due[position[event.unit], later] = event.kind == EventKind.RETURNED
    return np.asarray(due, np.bool_)


def _by_site(
    sites: pd.Series,
    weeks: pd.DatetimeIndex,
    due: NDArray[np.bool_],
    usable: NDArray[np.bool_],
    any_photo: NDArray[np.bool_],
) -> pd.DataFrame:
    rows = []
    for site in sorted(sites.unique()):
        at = (sites == site).to_numpy()
        asked = due[at].sum(axis=0)
        covered = (due & usable)[at].sum(axis=0)
        unusable = (due & any_photo & ~usable)[at].sum(axis=0)
        frame = pd.DataFrame(
            {"site": site, "week": weeks, "due": asked, "covered": covered, "unusable": unusable}
        )
        rows.append(frame)
    table = pd.concat(rows, ignore_index=True)
    return table.assign(rate=(table["covered"] / table["due"].where(table["due"] > 0)).astype(float))
