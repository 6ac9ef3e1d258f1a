"""How long until the first damage: Kaplan-Meier by part number or site, with log-rank."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

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
from model.paired import SIGNIFICANCE, p_words
from model.vocabulary import FindingKind

Floats = NDArray[np.float64]
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
    A group without damage is drawn as a flat line without a band. ``test`` compares the groups that are
    drawn; ``None`` with fewer than two.
    """

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
    seen = _followed(data, by, kind)
    title = f"Time to first {words_for(kind)} by {by.replace('_', ' ')}"
    summary = pd.DataFrame(seen.rows, columns=list(_group_row("", seen.couplers.head(0), 0)))
    if seen.lacking:
        return LifetimeFigure(title, _NO_CURVES, len(seen.couplers), COUNTED, seen.lacking, (), summary, None)
    curves = [_curve_rows(name, inside) for name, inside in seen.drawn.items()]
    medians = {name: rows.attrs["median"] for name, rows in zip(seen.drawn, curves, strict=True)}
    summary["median_days"] = summary["group"].map(medians)
    test, notices = _compared(list(seen.drawn.values()), by)
    table = pd.concat(curves, ignore_index=True)
    return LifetimeFigure(title, table, len(seen.couplers), COUNTED, "", notices, summary, test)


def lifetime_notices(
    data: TrendData, by: str = "part_number", kind: FindingKind | None = None
) -> tuple[str, ...]:
    """Return the notices of ``time_to_first_damage`` without its curves, which cost far more to draw."""
    seen = _followed(data, by, kind)
    return () if seen.lacking else _compared(list(seen.drawn.values()), by)[1]


@dataclass(frozen=True)
class _Followed:
    """All followed couplers, a row for each group, and the couplers of the groups that can be drawn."""

    couplers: pd.DataFrame
    rows: list[dict[str, object]]
    drawn: dict[str, pd.DataFrame]
    lacking: str


def _followed(data: TrendData, by: str, kind: FindingKind | None) -> _Followed:
    if by not in ("part_number", "site"):
        raise ValueError(f"wanted part_number or site, got {by!r}")
    lives = coupler_lifetimes(data, kind)
    followed = lives[lives["followed"]].assign(group=lambda rows: rows[by].astype(str))
    rows: list[dict[str, object]] = []
    drawn: dict[str, pd.DataFrame] = {}
    sizes: list[int] = []
    for name, group in followed.groupby("group", sort=True):
        inside = _well_observed(group)
        sizes.append(len(inside))
        rows.append(_group_row(str(name), inside, int(inside["event"].sum())))
        if rows[-1]["enough"]:
            drawn[str(name)] = inside
    most = max(sizes, default=0)
    events = sum(int(inside["event"].sum()) for inside in drawn.values())
    lacking = not_enough(most, MIN_COUPLERS, f"followed couplers in the largest {by.replace('_', ' ')}")
    lacking = lacking or not_enough(events, MIN_EVENTS, "first damages among them")
    return _Followed(followed, rows, drawn, lacking)


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
    start, end = _longest_watch(ages, at_risk)
    if end <= start:
        return group.head(0)
    inside = group[(group["exit_days"] > start) & (group["entry_days"] < end)].copy()
    inside["event"] &= inside["exit_days"] <= end
    inside["entry_days"] = inside["entry_days"].clip(lower=start)
    inside["exit_days"] = inside["exit_days"].clip(upper=end)
    return inside


def _longest_watch(ages: Floats, at_risk: NDArray[np.int64]) -> tuple[float, float]:
    """The span of ages, with enough at risk throughout, that holds the most coupler-days; (0, 0) for none."""
    steps = np.diff(ages)
    watched = at_risk[:-1] >= MIN_AT_RISK
    edges = np.flatnonzero(np.diff(np.concatenate([[False], watched, [False]]).astype(np.int8)))
    best, span = 0.0, (0.0, 0.0)
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        coupler_days = float(np.sum(at_risk[first:last] * steps[first:last]))
        if coupler_days > best:
            best, span = coupler_days, (float(ages[first]), float(ages[last]))
    return span


def _group_row(name: str, inside: pd.DataFrame, events: int) -> dict[str, object]:
    some = len(inside) > 0
    return {
        "group": name,
        "n": len(inside),
        "events": events,
        "from_age_days": float(inside["entry_days"].min()) if some else np.nan,
        "to_age_days": float(inside["exit_days"].max()) if some else np.nan,
        "median_days": np.nan,
        "enough": len(inside) >= MIN_COUPLERS,
        "needed": max(MIN_COUPLERS - len(inside), 0),
    }


def _curve_rows(name: str, inside: pd.DataFrame) -> pd.DataFrame:
    start, end = float(inside["entry_days"].min()), float(inside["exit_days"].max())
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
    if rows["age_days"].iloc[-1] < end:  # carry the last step to the end of what was followed
        still = (inside["exit_days"] >= end).sum()
        rows = pd.concat([rows, rows.tail(1).assign(age_days=end, at_risk=still)], ignore_index=True)
    if curve.events == 0:  # nothing happened: that is no certainty, and no band can be drawn
        rows[["low", "high"]] = np.nan
    rows.attrs["median"] = np.nan if curve.median is None else curve.median + start
    return rows


def _compared(drawn: list[pd.DataFrame], by: str) -> tuple[GroupTest | None, tuple[str, ...]]:
    if len(drawn) < 2:
        return None, ()
    rows = pd.concat(drawn)
    test = log_rank(rows["exit_days"], rows["event"], rows["group"].tolist(), rows["entry_days"])
    if test.p is None or test.p >= SIGNIFICANCE:
        return test, ()
    words = by.replace("_", " ")
    return test, (
        f"The time to first damage differs between {words}s by more than chance (log-rank {p_words(test.p)}, "
        f"{test.n} couplers, {test.events} damages). Compare the curves before ordering more of the worst.",
    )
