"""The trends by subject: how much damage, where, since when, rounds walked, how far to trust the model."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import pandas as pd
import streamlit as st

from data_tools.access import Actor
from data_tools.sites import list_sites
from data_tools.trends import (
    By,
    Figure,
    TrendData,
    damage_rate,
    last_weeks,
    miss_rate,
    overdue_units,
    recurrence,
    roster_coverage,
    site_over_weeks,
    sites_compared,
    technician_and_model,
    technicians,
    time_to_first_damage,
    weekly_watch,
)
from data_tools.trends.frames import monday
from data_tools.workspace import Workspace
from model.vocabulary import FindingKind
from review_app.widgets.charts import Chart, control_chart, curve_chart, interval_chart, weekly_lines
from review_app.widgets.figure_panel import figure_panel, table_view
from review_app.widgets.text import md, plain
from review_app.wording import KIND_WORDS, PLACE_WORDS, WATCH_WORDS, sentence

_ANY = "any damage"
_BY_WORDS = {
    By.SITE: "Site",
    By.WEEK: "Week",
    By.FAMILY: "Connector family",
    By.PART_NUMBER: "Part number",
    By.AGE: "Age of the coupler",
    By.PLACE: "Place on the face",
}
_PERIODS: dict[str, int | None] = {"All weeks so far": None, "The last 52 weeks": 52, "The last 13 weeks": 13}
_GROUPS = {"Part number": "part_number", "Site": "site"}


def draw(tab: str, ws: Workspace, actor: Actor, data: TrendData) -> None:
    """Draw one subject by its name in ``review_app.errands.trends.TABS``."""
    _DRAWN[tab](ws, actor, data)


def _pick_kind() -> FindingKind | None:
    chosen = st.selectbox(
        "Damage",
        [_ANY, *FindingKind],
        format_func=lambda kind: (
            sentence(KIND_WORDS[kind]) if isinstance(kind, FindingKind) else sentence(_ANY)
        ),
        key="trend_kind",
        persist_state="session",
        width=300,
    )
    return chosen if isinstance(chosen, FindingKind) else None


def _pick_period(data: TrendData) -> TrendData:
    """Return the photos of the chosen weeks, this one included."""
    chosen = st.selectbox("Photos of", list(_PERIODS), key="trend_period", persist_state="session", width=220)
    weeks = _PERIODS[chosen]
    if weeks is None:
        return data
    return last_weeks(data, weeks, pd.Timestamp(datetime.now(UTC)))


def _damage(ws: Workspace, actor: Actor, data: TrendData) -> None:
    with st.container(horizontal=True):
        kind, data = _pick_kind(), _pick_period(data)
    by = st.pills(
        "By", list(By), default=By.SITE, required=True, format_func=lambda by: _BY_WORDS[by], key="trend_by"
    )
    by = by or By.SITE
    figure = damage_rate(data, by, kind)
    table = figure.table
    if by is By.WEEK:
        figure_panel(figure, _drawn(figure, _weeks_chart), key="damage-by-week")
        return
    if by is By.PLACE:
        words = [
            f"{KIND_WORDS[FindingKind(k)]}, {PLACE_WORDS[g]}"
            for g, k in zip(table["group"], table["kind"], strict=True)
        ]
        figure = replace(figure, table=table.assign(group=words).drop(columns="kind"))
    elif by is By.SITE:
        figure = named(figure, data, "group")
    figure_panel(figure, interval_chart(figure.table), key=f"damage-by-{by.value}")


def _weeks_chart(table: pd.DataFrame) -> Chart:
    """Return the weekly rate as one line with its intervals."""
    return weekly_lines(
        table.rename(columns={"group": "week"}).assign(series="couplers with damage"), "series"
    )


def _charts(ws: Workspace, actor: Actor, data: TrendData) -> None:
    kind = _pick_kind()
    compared = named(sites_compared(data, kind), data)
    figure_panel(compared, _drawn(compared, lambda t: control_chart(t, "site")), key="sites-compared")
    sites = {site.key: site.name for site in list_sites(ws, actor, closed=True)}
    if not sites:
        return
    key = st.selectbox(
        "One site, week by week",
        list(sites),
        format_func=lambda key: plain(sites[key]),
        key="chart_site",
        width=320,
    )
    weeks = site_over_weeks(data, key, kind)
    figure_panel(weeks, _drawn(weeks, lambda t: control_chart(t, "week")), key=f"site-{plain(key)}-weeks")


def _lifetimes(ws: Workspace, actor: Actor, data: TrendData) -> None:
    kind = _pick_kind()
    by = st.pills("Compare by", list(_GROUPS), default=next(iter(_GROUPS)), required=True, key="lifetime_by")
    figure = time_to_first_damage(data, _GROUPS[by or next(iter(_GROUPS))], kind)
    figure_panel(figure, _drawn(figure, curve_chart), key="time-to-first-damage")
    if figure.groups is not None and not figure.groups.empty:
        table_view(figure.groups, "Groups of the curves")
    if figure.test is not None:
        st.caption(md(str(figure.test), 400))


def _recurring(ws: Workspace, actor: Actor, data: TrendData) -> None:
    figure_panel(named(recurrence(data), data), None, key="comes-back")


def _rounds(ws: Workspace, actor: Actor, data: TrendData) -> None:
    now = pd.Timestamp(datetime.now(UTC))
    covered = named(over_weeks(roster_coverage(data, now), now), data)
    figure_panel(covered, _drawn(covered, lambda t: weekly_lines(t, "site")), key="roster-coverage")
    figure_panel(named(overdue_units(data, now), data), None, key="overdue-units")


def named(figure: Figure, data: TrendData, column: str = "site") -> Figure:
    """Return the figure with sites by the names that people call them, as everywhere else on the screens."""
    if column not in figure.table.columns:
        return figure
    names = [plain(data.called(str(key))) for key in figure.table[column]]
    return replace(figure, table=figure.table.assign(**{column: names}))


def measures_in_words(figure: Figure) -> Figure:
    """Return the weekly watch with what it measures in words."""
    words = figure.table["measure"].map(WATCH_WORDS)
    return replace(figure, table=figure.table.assign(measure=words))


def over_weeks(covered: Figure, now: pd.Timestamp) -> Figure:
    """Return coverage without the running week: half a round walked by Wednesday is no gap yet."""
    if not covered.enough or covered.table["week"].nunique() < 2:
        return covered
    table = covered.table[covered.table["week"] < monday(now)]
    counted = f"{covered.counted}. The running week is left out"
    return replace(covered, table=table, n=int(table["due"].sum()), counted=counted)


def _trust(ws: Workspace, actor: Actor, data: TrendData) -> None:
    missed = miss_rate(data)
    figure_panel(missed, _drawn(missed, lambda t: interval_chart(t, group="about")), key="miss-rate")
    watched = measures_in_words(weekly_watch(data))
    figure_panel(watched, _drawn(watched, lambda t: weekly_lines(t, "measure")), key="weekly-watch")
    figure_panel(technician_and_model(data), None, key="people-and-model")
    figure_panel(technicians(data), None, key="between-technicians")


def _report(ws: Workspace, actor: Actor, data: TrendData) -> None:
    """Offer the report of a month as one file to print or send on."""
    if data.photos.empty:
        st.info("Not enough yet: no photos.")
        return
    months = sorted({f"{week:%Y-%m}" for week in data.photos["week"].unique()}, reverse=True)
    month = st.selectbox("Month", months, key="report_month", width=200)
    if st.button("Make the report", icon=":material/description:"):
        from data_tools.report import monthly_report

        st.session_state["report"] = (month, monthly_report(ws, actor, month))
    made: tuple[str, str] | None = st.session_state.get("report")
    if made and made[0] == month:
        st.download_button(
            f"Download the report of {month} (one HTML file)",
            made[1],
            file_name=f"coupler-rounds-{month}.html",
            mime="text/html",
            on_click="ignore",
            icon=":material/download:",
        )


def _drawn(figure: Figure, draw: Callable[[pd.DataFrame], Chart]) -> Chart | None:
    return draw(figure.table) if figure.enough and not figure.table.empty else None


_DRAWN: dict[str, Callable[[Workspace, Actor, TrendData], None]] = {
    "Damage": _damage,
    "Sites and weeks": _charts,
    "Time to first damage": _lifetimes,
    "Comes back": _recurring,
    "Rounds": _rounds,
    "Trust in the model": _trust,
    "Monthly report": _report,
}
