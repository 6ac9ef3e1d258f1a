"""One figure of the trends: what it counts, what moved beyond chance, the drawing, its numbers as CSV."""

from __future__ import annotations

import altair as alt
import pandas as pd
import streamlit as st

from data_tools.trends import Figure
from review_app.widgets.csv_text import csv_bytes
from review_app.widgets.text import md

Chart = alt.Chart | alt.LayerChart | alt.FacetChart
INK, ACCENT, STOP, QUIET = "#16211F", "#0B5563", "#9B1C1C", "#8A938F"


def figure_panel(figure: Figure, chart: Chart | None, *, key: str) -> None:
    """Draw one figure with its n; too little data gets words instead of a drawing.

    Args:
        figure: title, table, n and words.
        chart: the drawing; ignored where the figure has not enough data.
        key: unique on the page; names the CSV file.
    """
    st.subheader(md(figure.title), anchor=False)
    for notice in figure.notices:
        st.warning(md(notice, 600), icon=":material/priority_high:")
    if not figure.enough:
        st.info(md(figure.not_enough, 300), icon=":material/hourglass_empty:")
    elif chart is not None:
        st.altair_chart(chart, width="stretch", alt=figure.title, key=f"chart_{key}")
    st.caption(f"n = {figure.n:,}. Counted: {md(figure.counted, 800)}")
    if figure.table.empty:
        return
    with st.expander("Numbers"):
        st.dataframe(figure.table, hide_index=True, width="stretch", alt=f"Numbers of {figure.title}")
        st.download_button(
            "Download as CSV",
            csv_bytes(figure.table),
            file_name=f"{key}.csv",
            mime="text/csv",
            key=f"csv_{key}",
            on_click="ignore",
            icon=":material/download:",
        )


def interval_chart(
    table: pd.DataFrame, *, group: str = "group", sort: str | list[str] = "ascending"
) -> Chart:
    """Return points with their intervals, one line a group; groups with too little data say so."""
    rows = table.assign(what=table[group].astype(str), words=[_n_words(row) for row in table.itertuples()])
    y = alt.Y("what:N", title=None, sort=sort, axis=alt.Axis(labelLimit=260))
    x = alt.X("rate:Q", title="share", axis=alt.Axis(format="%"), scale=alt.Scale(zero=True))
    tooltip = [alt.Tooltip("what:N"), alt.Tooltip("rate:Q", format=".1%"), alt.Tooltip("n:Q")]
    base = alt.Chart(rows).encode(y=y)
    bars = (
        base.transform_filter("isValid(datum.rate)")
        .mark_rule(color=ACCENT, strokeWidth=3)
        .encode(x=alt.X("low:Q", title="share"), x2="high:Q")
    )
    points = (
        base.transform_filter("isValid(datum.rate)")
        .mark_point(filled=True, size=110, color=INK, opacity=1)
        .encode(x=x, tooltip=tooltip)
    )
    words = base.mark_text(align="right", dx=-4, color="#4A5552").encode(x=alt.value("width"), text="words:N")
    return alt.layer(bars, points, words, height=alt.Step(30))


def control_chart(table: pd.DataFrame, along: str) -> Chart:
    """Return a control chart; points beyond chance differ in shape and colour."""
    time = along == "week"
    x = alt.X(f"{along}:{'T' if time else 'N'}", title=None)
    rows = table.assign(beyond=["beyond chance" if flag else "within chance" for flag in table["flagged"]])
    rate_axis = alt.Y("rate:Q", title="share newly damaged", axis=alt.Axis(format="%"))
    base = alt.Chart(rows).encode(x=x)
    limits = (
        base.mark_area(opacity=0.25, color=QUIET, interpolate="step")
        if time
        else base.mark_bar(opacity=0.25, color=QUIET)
    )
    band = limits.encode(y=alt.Y("lower:Q", title=""), y2="upper:Q")
    centre = base.mark_line(color=ACCENT, strokeDash=[6, 4]).encode(y="centre:Q")
    line = base.mark_line(color=INK, strokeWidth=1.5).encode(y=rate_axis)
    points = (
        base.transform_filter("isValid(datum.rate)")
        .mark_point(filled=True, size=80, opacity=1)
        .encode(
            y=rate_axis,
            shape=alt.Shape("beyond:N", scale=_BEYOND_SHAPE, legend=alt.Legend(title=None, orient="bottom")),
            color=alt.Color("beyond:N", scale=_BEYOND_COLOUR, legend=alt.Legend(title=None, orient="bottom")),
            tooltip=[
                alt.Tooltip(f"{along}:{'T' if time else 'N'}"),
                "new:Q",
                "n:Q",
                alt.Tooltip("rate:Q", format=".1%"),
            ],
        )
    )
    layers = (band, centre, line, points) if time else (band, centre, points)
    return alt.layer(*layers, height=280)


def curve_chart(table: pd.DataFrame) -> Chart:
    """Return survival curves as steps with their bands."""
    base = alt.Chart(table).encode(x=alt.X("age_days:Q", title="days since installation"))
    colour = alt.Color("group:N", legend=alt.Legend(title=None, orient="bottom"))
    band = base.mark_area(opacity=0.15, interpolate="step-after").encode(
        y=alt.Y(
            "low:Q", title="share without damage", axis=alt.Axis(format="%"), scale=alt.Scale(domain=[0, 1])
        ),
        y2="high:Q",
        color=colour,
    )
    line = base.mark_line(interpolate="step-after", strokeWidth=2.5).encode(
        y="share:Q",
        color=colour,
        strokeDash=alt.StrokeDash("group:N", legend=None),
        tooltip=["group:N", "age_days:Q", alt.Tooltip("share:Q", format=".1%"), "at_risk:Q"],
    )
    return alt.layer(band, line, height=300)


def weekly_lines(table: pd.DataFrame, series: str) -> Chart:
    """Return one line of rates over weeks for each ``series``."""
    chart: Chart = (
        alt.Chart(table, height=260)
        .transform_filter("isValid(datum.rate)")
        .mark_line(point={"size": 45})
        .encode(
            x=alt.X("week:T", title=None),
            y=alt.Y("rate:Q", title="share", axis=alt.Axis(format="%"), scale=alt.Scale(domain=[0, 1])),
            color=alt.Color(f"{series}:N", legend=alt.Legend(title=None, orient="bottom")),
            strokeDash=alt.StrokeDash(f"{series}:N", legend=None),
            tooltip=["week:T", f"{series}:N", alt.Tooltip("rate:Q", format=".1%")],
        )
    )
    return chart


_BEYOND_SHAPE = alt.Scale(domain=["within chance", "beyond chance"], range=["circle", "triangle-up"])
_BEYOND_COLOUR = alt.Scale(domain=["within chance", "beyond chance"], range=[INK, STOP])


def _n_words(row: object) -> str:
    enough, n = getattr(row, "enough", True), getattr(row, "n", 0)
    return f"n = {n}" if enough else f"n = {n}, not enough"
