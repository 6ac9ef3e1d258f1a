"""What needs the lead now: what moved beyond chance lately, what came back, what is overdue, in sentences."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import pandas as pd

from data_tools.trends.agreement import miss_rate
from data_tools.trends.charts import site_over_weeks, sites_compared
from data_tools.trends.coverage import overdue_units
from data_tools.trends.frames import Figure, TrendData, monday
from data_tools.trends.lifetimes import lifetime_notices
from data_tools.trends.recurrence import recurrence
from data_tools.trends.watch import weekly_watch

RECENT_WEEKS = 5
"""Weeks that were flagged earlier than this are history; the charts still show them."""
RECURRED_DAYS = 182


class Topic(StrEnum):
    """Which figure a notice comes from."""

    COMES_BACK = "comes back"
    SITES = "sites and weeks"
    LIFETIMES = "time to first damage"
    ROUNDS = "rounds"
    TRUST = "trust in the model"


@dataclass(frozen=True)
class Notice:
    """One sentence and the topic under which its figure is found."""

    topic: Topic
    words: str


def attention(data: TrendData, today: pd.Timestamp) -> tuple[Notice, ...]:
    """Return what needs the lead at ``today`` (aware), most urgent first; empty where nothing does.

    Damage that came back within half a year; sites and weeks flagged beyond chance in the last five weeks;
    part numbers or sites whose couplers last differently; misses of the blind audit; couplers overdue.
    """
    since = monday(today) - pd.Timedelta(weeks=RECENT_WEEKS - 1)
    found = [(Topic.COMES_BACK, words) for words in _recurred(data, today)]
    found += [(Topic.TRUST, words) for words in miss_rate(data).notices]
    found += [(Topic.SITES, words) for words in sites_compared(data).notices]
    for site in sorted(data.photos["site"].unique()):
        found += [(Topic.SITES, words) for words in recent_notices(site_over_weeks(data, site), since)]
    found += [(Topic.TRUST, words) for words in recent_notices(weekly_watch(data), since)]
    for by in ("part_number", "site"):
        found += [(Topic.LIFETIMES, words) for words in lifetime_notices(data, by)]
    found += [(Topic.ROUNDS, words) for words in _overdue(data, today)]
    return tuple(Notice(topic, words) for topic, words in found)


def recent_notices(figure: Figure, since: pd.Timestamp) -> list[str]:
    """Return the notices of flagged weeks from ``since`` on; the figure has one for each flagged row."""
    if not figure.notices:
        return []
    weeks = figure.table.loc[figure.table["flagged"].astype(bool), "week"]
    return [words for words, week in zip(figure.notices, weeks, strict=True) if week >= since]


def _recurred(data: TrendData, today: pd.Timestamp) -> list[str]:
    figure = recurrence(data)
    since = today.tz_localize(None).normalize() - pd.Timedelta(days=RECURRED_DAYS)
    pairs = zip(figure.notices, figure.table["seen_again"], strict=True)
    return [words for words, seen in pairs if seen >= since]


def _overdue(data: TrendData, today: pd.Timestamp) -> list[str]:
    table = overdue_units(data, today).table
    if table.empty:
        return []
    longest = table.iloc[0]
    where = data.called(str(longest["site"]))
    many = f"{len(table)} couplers" if len(table) > 1 else "1 coupler"
    return [
        f"{many} of units in service had no photo that could be judged for 7 days or more; the longest wait "
        f"is {longest['unit']} at {where}, {int(longest['days'])} days. Send somebody round."
    ]
