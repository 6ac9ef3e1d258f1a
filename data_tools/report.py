"""The monthly report: what the lead plans from, as one HTML file that opens anywhere and sends nothing."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

import pandas as pd

from data_tools import trends
from data_tools.access import Actor, Permission
from data_tools.conditions import CAUTIONS
from data_tools.figure_drawings import svg_of
from data_tools.records import EventKind
from data_tools.report_page import Head, Section, page
from data_tools.sites import list_sites
from data_tools.trend_data import load_trends
from data_tools.trends import By, Figure, TrendData
from data_tools.trends.frames import monday, words_for
from data_tools.workspace import Workspace, now_or
from model.errors import BadRequestError
from model.vocabulary import FindingKind

MAX_SITE_CHARTS = 12
MAX_NOTICES = 40
WEEK = pd.Timedelta(days=7)
_EARLIEST_YEAR = 1990
_LAST_TO_END = pd.Timedelta(hours=12)
"""So long after midnight UTC the day ends in the westernmost time zone."""
# Most urgent first; each figure speaks for itself in its notices.
_NOTICE_ORDER = ("comes back", "against", "week by week", "Time to", "Miss rate", "watch")


def monthly_report(
    ws: Workspace, actor: Actor, month: str | None = None, *, now: datetime | None = None
) -> str:
    """Return the report of ``month`` (``YYYY-MM``; default: the last full one) as an HTML document.

    A month is the weeks that begin in it, because rounds are weekly; it is full when the last of them is
    over. Rates, charts of sites and coverage are of those weeks; what needs a history (control charts, time
    to damage, recurrence, agreement, miss rate) uses everything up to their end.

    Raises:
        NotAllowedError: the role may not see trends.
        BadRequestError: not a month, one before 1990, or one that has not begun.
    """
    actor.require(Permission.PLAN)
    moment = now_or(now)
    start, end = month_weeks(month, moment)
    everything = load_trends(ws, actor)
    data = trends.between(everything, pd.Timestamp.min, end)
    names = {site.key: site.name for site in list_sites(ws, actor, closed=True)}
    sections = list(_sections(data, start, end, moment))
    head = Head(
        title="Coupler rounds: monthly report",
        period=f"Weeks from {start:%d %B %Y} to {end - pd.Timedelta(days=1):%d %B %Y}",
        made=f"Made on {moment:%Y-%m-%d %H:%M} UTC for {actor.name}. Sites: {_site_words(names)}.",
        facts=_facts(data, start, end),
        notices=_notices(sections),
        cautions=(*CAUTIONS, _HOW_SURE),
    )
    return page(head, sections)


_HOW_SURE = (
    "Intervals hold the true value in 95 of 100 such figures. Where there is too little data, nothing is "
    "drawn. Damage that no person has confirmed yet is the model's word; the tables tell the two apart."
)


def month_weeks(month: str | None, moment: datetime) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Return the first Monday of the month and the first one after it, naive.

    Raises:
        BadRequestError: ``month`` is not ``YYYY-MM``, is before 1990, or lies ahead.
    """
    now = pd.Timestamp(moment.replace(tzinfo=None))
    if month is None:
        return _last_full_month(now)
    try:
        first = datetime.strptime(month, "%Y-%m")
    except ValueError:
        raise BadRequestError("a month as YYYY-MM", repr(month[:40]), "Correct it.") from None
    # Far years do not fit into the timestamps of the frames; photos before 1990 are refused anyway.
    if first.year < _EARLIEST_YEAR:
        raise BadRequestError(f"a month from {_EARLIEST_YEAR} on", month, "Choose a later one.")
    if first > now.to_pydatetime():
        raise BadRequestError("a month that has begun", month, "Choose an earlier one.")
    return _weeks_of(pd.Timestamp(first))


def _last_full_month(now: pd.Timestamp) -> tuple[pd.Timestamp, pd.Timestamp]:
    """The weeks of the newest month of which the last one is over, wherever the sites are."""
    first = now.normalize().replace(day=1) - pd.DateOffset(months=1)
    start, end = _weeks_of(first)
    if end + _LAST_TO_END > now:
        start, end = _weeks_of(first - pd.DateOffset(months=1))
    return start, end


def _weeks_of(first: pd.Timestamp) -> tuple[pd.Timestamp, pd.Timestamp]:
    return _first_monday(first), _first_monday(first + pd.DateOffset(months=1))


def _first_monday(day: pd.Timestamp) -> pd.Timestamp:
    return monday(day + pd.Timedelta(days=6))


def _sections(data: TrendData, start: pd.Timestamp, end: pd.Timestamp, moment: datetime) -> Iterator[Section]:
    this_month = trends.between(data, start, end)
    yield Section(trends.recurrence(data))
    for by in (By.SITE, By.PART_NUMBER, By.FAMILY, By.PLACE):
        yield _drawn(trends.damage_rate(this_month, by))
    yield _drawn(trends.damage_rate(data, By.AGE))
    yield _drawn(trends.damage_rate(data, By.WEEK))
    yield _drawn(trends.sites_compared(data))
    yield from _site_charts(data)
    for group in ("part_number", "site"):
        figure = trends.time_to_first_damage(data, group)
        yield _drawn(figure)
        if figure.groups is not None and len(figure.groups):
            yield Section(Figure(f"{figure.title}: the groups", figure.groups, figure.n, figure.counted))
    yield from _rounds(data, start, end, moment)
    yield Section(trends.technician_and_model(data))
    yield Section(trends.technicians(data))
    yield _drawn(trends.miss_rate(data))
    yield _drawn(trends.weekly_watch(data))


def _drawn(figure: Figure) -> Section:
    return Section(figure, svg_of(figure))


def _site_charts(data: TrendData) -> Iterator[Section]:
    """A control chart of each site; where there are many, of those with something flagged first."""
    figures = [trends.site_over_weeks(data, site) for site in sorted(data.photos["site"].unique())]
    figures.sort(key=lambda figure: not figure.notices)
    yield from map(_drawn, figures[:MAX_SITE_CHARTS])


def _rounds(data: TrendData, start: pd.Timestamp, end: pd.Timestamp, moment: datetime) -> Iterator[Section]:
    last = min((end - WEEK).tz_localize(UTC), pd.Timestamp(moment))
    covered = trends.roster_coverage(data, last)
    month = covered.table[covered.table["week"] >= start] if covered.enough else covered.table
    yield _drawn(Figure(covered.title, month, int(month["due"].sum()), covered.counted, covered.not_enough))
    yield Section(trends.overdue_units(data, min(end.tz_localize(UTC), pd.Timestamp(moment))))


def _facts(data: TrendData, start: pd.Timestamp, end: pd.Timestamp) -> tuple[tuple[str, str], ...]:
    month = trends.between(data, start, end)
    photos, weeks = month.photos, month.coupler_weeks()
    before = pd.Timestamp(end, tz=UTC)
    events = data.events[data.events["done_at"] < before]
    in_month = events[events["done_at"] >= pd.Timestamp(start, tz=UTC)]
    last = events[events["kind"].isin([EventKind.OUT_OF_SERVICE.value, EventKind.RETURNED.value])]
    last = last.sort_values("done_at").drop_duplicates("unit", keep="last")
    facts = [
        ("Photos", f"{len(photos):,}"),
        ("Could not be judged", f"{int((~photos['usable']).sum()):,} of {len(photos):,}"),
        ("Couplers seen", f"{weeks['coupler_id'].nunique():,}"),
        ("With damage", f"{weeks.loc[weeks['hit'], 'coupler_id'].nunique():,}"),
    ]
    for kind in FindingKind:
        damaged = month.coupler_weeks(kind)
        facts.append((f"… {words_for(kind)}", f"{damaged.loc[damaged['hit'], 'coupler_id'].nunique():,}"))
    facts += [
        ("Decisions", f"{month.decisions['photo_id'].nunique():,}"),
        ("Couplers replaced", f"{int((in_month['kind'] == EventKind.REPLACED.value).sum()):,}"),
        (
            "Units out of service at the end",
            f"{int((last['kind'] == EventKind.OUT_OF_SERVICE.value).sum()):,}",
        ),
        ("Model versions", ", ".join(sorted(photos["model_version"].astype(str).unique())) or "none"),
    ]
    return tuple(facts)


def _notices(sections: list[Section]) -> tuple[str, ...]:
    def urgency(section: Section) -> int:
        title = section.figure.title
        return next((i for i, words in enumerate(_NOTICE_ORDER) if words in title), len(_NOTICE_ORDER))

    told = [notice for section in sorted(sections, key=urgency) for notice in section.figure.notices]
    if len(told) > MAX_NOTICES:
        told[MAX_NOTICES:] = [f"{len(told) - MAX_NOTICES} more: see the figures below."]
    return tuple(told)


def _site_words(names: dict[str, str]) -> str:
    return ", ".join(f"{key} ({name})" for key, name in sorted(names.items())) or "none yet"
