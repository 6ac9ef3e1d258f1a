"""How long until the first damage: Kaplan-Meier by part number or site, with log-rank."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from data_tools.statistics import GroupTest, kaplan_meier, log_rank
from data_tools.trends.frames import (
    MIN_AT_RISK,
    MIN_COUPLERS,
    MIN_EVENTS,
    Figure,
    TrendData,
    not_enough,
    words_for,
)
from model.vocabulary import FindingKind

COUNTED = (
    "couplers followed from a photo without damage; age counts from installation. Each counts as at risk "
    "only after its first photo and until its first damage or last photo. The day of the first photo that "
    f"shows damage stands for the day it broke. A curve is drawn while {MIN_AT_RISK} or more are at risk."
)


@dataclass(frozen=True, eq=False)
class LifetimeFigure(Figure):
    """Curves in ``table`` (``group``, ``age_days``, ``share``, ``low``, ``high``, ``at_risk``), one row a
    drop. ``groups`` has a row for each group: ``group``, ``n``, ``events``, ``from_age_days`` (the curve
    holds for couplers undamaged at that age), ``to_age_days``, ``median_days``, ``enough``, ``needed``.
    ``test`` compares the groups that are drawn; ``None`` with fewer than two."""

    groups: pd.DataFrame | None = None
    test: GroupTest | None = None


def coupler_lifetimes(data: TrendData, kind: FindingKind | None = None) -> pd.DataFrame:
    """Return one row for each coupler ever judged, with when it was followed and how that ended.

    Columns: ``coupler_id``, ``unit``, ``site``, ``family``, ``part_number``, ``entry_days``, ``exit_days``
    (ages at the first photo and at the end), ``event`` (ended in damage), ``followed`` (false where the
    first photo showed damage already, or nothing came after it).
    """
    weeks = data.coupler_weeks(kind)
    known = weeks[weeks["age_days"] >= 0]
    grouped = known.groupby("coupler_id", sort=True)
    spans = grouped["age_days"].agg(entry_days="min", last_days="max")
    first_hit = known[known["hit"]].groupby("coupler_id")["age_days"].min()
    lives = data.couplers.set_index("coupler_id").join(spans, how="inner")
    lives["hit_days"] = first_hit.reindex(lives.index)
    lives["event"] = lives["hit_days"].notna()
    lives["exit_days"] = lives["hit_days"].fillna(lives["last_days"])
    lives["followed"] = lives["exit_days"] > lives["entry_days"]
    kept = ["unit", "site", "family", "part_number", "entry_days", "exit_days", "event", "followed"]
    return lives[kept].reset_index()


def time_to_first_damage(
    data: TrendData, by: str = "part_number", kind: FindingKind | None = None
) -> LifetimeFigure:
    """Return the share still without damage by age, for each part number or site (``by``)."""
    if by not in ("part_number", "site"):
        raise ValueError(f"wanted part_number or site, got {by!r}")
    lives = coupler_lifetimes(data, kind)
    followed = lives[lives["followed"]].assign(group=lambda rows: rows[by].astype(str))
    curves, groups, drawn = [], [], []
    for name, group in followed.groupby("group", sort=True):
        inside = _well_observed(group)
        events = int(inside["event"].sum())
        enough = len(inside) >= MIN_COUPLERS and events >= MIN_EVENTS
        groups.append(_group_row(str(name), inside, events, enough))
        if enough:
            drawn.append(inside)
            curves.append(_curve_rows(str(name), inside))
            groups[-1]["median_days"] = curves[-1].attrs["median"]
    title = f"Time to first {words_for(kind)} by {by.replace('_', ' ')}"
    summary = pd.DataFrame(groups, columns=list(_group_row("", followed.head(0), 0, False)))
    if not curves:
        words = f"{MIN_COUPLERS} followed couplers with {MIN_EVENTS} damages in one {by.replace('_', ' ')}"
        most = f"{summary['n'].max()} with {summary['events'].max()}" if len(summary) else "none"
        lacking = f"Not enough yet: {words} needed; the largest has {most}."
        return LifetimeFigure(title, _NO_CURVES, len(followed), COUNTED, lacking, (), summary, None)
    test, notices = _compared(drawn, by)
    table = pd.concat(curves, ignore_index=True)
    return LifetimeFigure(title, table, len(followed), COUNTED, "", notices, summary, test)


_NO_CURVES = pd.DataFrame(columns=["group", "age_days", "share", "low", "high", "at_risk"])


def _well_observed(group: pd.DataFrame) -> pd.DataFrame:
    """Cut the group to the ages at which enough couplers are at risk at the same time.

    With late entries a lone early coupler would otherwise pull the whole curve to zero.
    """
    entry, leave = group["entry_days"].to_numpy(), group["exit_days"].to_numpy()
    ages = np.unique(np.concatenate([entry, leave]))
    at_risk = np.searchsorted(np.sort(entry), ages, side="right") - np.searchsorted(
        np.sort(leave), ages, side="right"
    )
    ready = np.flatnonzero(at_risk >= MIN_AT_RISK)
    if not ready.size:
        return group.head(0)
    start = ages[ready[0]]
    thin = np.flatnonzero((at_risk < MIN_AT_RISK) & (ages > start))
    end = ages[thin[0]] if thin.size else ages[-1]
    inside = group[(group["exit_days"] > start) & (group["entry_days"] < end)].copy()
    inside["event"] &= inside["exit_days"] <= end
    inside["entry_days"] = inside["entry_days"].clip(lower=start)
    inside["exit_days"] = inside["exit_days"].clip(upper=end)
    return inside


def _group_row(name: str, inside: pd.DataFrame, events: int, enough: bool) -> dict[str, object]:
    some = len(inside) > 0
    return {
        "group": name,
        "n": len(inside),
        "events": events,
        "from_age_days": float(inside["entry_days"].min()) if some else np.nan,
        "to_age_days": float(inside["exit_days"].max()) if some else np.nan,
        "median_days": np.nan,
        "enough": enough,
        "needed": "" if enough else _needed(len(inside), events),
    }


def _needed(n: int, events: int) -> str:
    parts = [not_enough(n, MIN_COUPLERS, "followed couplers"), not_enough(events, MIN_EVENTS, "damages")]
    return " ".join(part for part in parts if part)


def _curve_rows(name: str, inside: pd.DataFrame) -> pd.DataFrame:
    start = float(inside["entry_days"].min())
    curve = kaplan_meier(inside["exit_days"] - start, inside["event"], inside["entry_days"] - start)
    rows = pd.DataFrame(
        {
            "group": name,
            "age_days": np.concatenate([[start], curve.times + start]),
            "share": np.concatenate([[1.0], curve.survival]),
            "low": np.concatenate([[1.0], curve.low]),
            "high": np.concatenate([[1.0], curve.high]),
            "at_risk": np.concatenate([[(inside["entry_days"] <= start).sum()], curve.at_risk]),
        }
    )
    rows.attrs["median"] = np.nan if curve.median is None else curve.median + start
    return rows


def _compared(drawn: list[pd.DataFrame], by: str) -> tuple[GroupTest | None, tuple[str, ...]]:
    if len(drawn) < 2:
        return None, ()
    rows = pd.concat(drawn)
    test = log_rank(rows["exit_days"], rows["event"], rows["group"].tolist(), rows["entry_days"])
    if test.p is None or test.p >= 0.05:
        return test, ()
    words = by.replace("_", " ")
    return test, (
        f"The time to first damage differs between {words}s by more than chance (log-rank p {test.p:.2g}, "
        f"{test.n} couplers, {test.events} damages). Compare the curves before ordering more of the worst.",
    )
