"""The drawings of the trends: intervals, control charts, survival curves, weekly lines."""

from __future__ import annotations

import altair as alt
import pandas as pd

from review_app.wording import value_words

Chart = alt.Chart | alt.LayerChart | alt.FacetChart
INK, ACCENT, STOP, QUIET = "#16211F", "#0B5563", "#9B1C1C", "#8A938F"
# Told apart by hue and by lightness, so that they also differ in grey.
SERIES = alt.Scale(range=["#0B5563", "#B3541E", "#6A4C93", "#16211F", "#8A6D00", "#2F7D4F"])
_LEGEND = alt.Legend(title=None, orient="bottom", labelLimit=400, labelColor=INK)
# One below the other: side by side, names would run off a phone.
_NAMES = alt.Legend(title=None, orient="bottom", labelLimit=300, labelColor=INK, columns=1)
_PLAIN_AXIS = alt.Axis(labelColor=INK, titleColor=INK)
_SHARES = alt.Axis(format="%", labelColor=INK, titleColor=INK)
_ROW_PX, _AXIS_PX = 46, 70
_FEW_PERCENT = 0.05


def interval_chart(table: pd.DataFrame, *, group: str = "group") -> Chart:
    """Return points with their intervals, one row a group in table order; the label says n."""
    labels = [_label(row, group) for row in table.itertuples()]
    rows = _plain(table).assign(what=labels)
    drawn = rows[rows["rate"].notna()]
    y = alt.Y("what:N", title=None, sort=labels, axis=None)
    x = alt.X("rate:Q", title="share", axis=_SHARES, scale=_from_zero(drawn["high"]))
    # Above its bar: beside it, a long name would leave a phone no room for the bars.
    names = alt.Chart(rows).mark_text(align="left", dy=-15, color=INK, fontSize=12, limit=0)
    names = names.encode(y=y, x=alt.value(0), text="what:N")
    bars = alt.Chart(drawn).mark_rule(color=ACCENT, strokeWidth=4).encode(y=y, x=alt.X("low:Q"), x2="high:Q")
    points = alt.Chart(drawn).mark_point(filled=True, size=130, color=INK, opacity=1)
    points = points.encode(y=y, x=x, tooltip=["what:N", alt.Tooltip("rate:Q", format=".1%"), "n:Q"])
    chart: Chart = alt.layer(names, bars, points, height=_ROW_PX * len(rows) + _AXIS_PX)
    return chart


def control_chart(table: pd.DataFrame, along: str) -> Chart:
    """Return a control chart along ``week`` or ``site``; points beyond chance differ in shape and colour."""
    time = along == "week"
    x = alt.X(f"{along}:{'T' if time else 'N'}", title=None, axis=alt.Axis(labelAngle=0, labelColor=INK))
    beyond = ["flagged" if flag else "not flagged" for flag in table["flagged"]]
    rows = _plain(table).assign(beyond=beyond)
    rows = rows[rows["rate"].notna()]
    scale = _from_zero(rows[["upper", "rate"]].max(axis=1))
    rate = alt.Y("rate:Q", title="share newly damaged", axis=_SHARES, scale=scale)
    base = alt.Chart(rows).encode(x=x)
    band = (base.mark_area(interpolate="step") if time else base.mark_bar(size=60)).encode(
        y=alt.Y("lower:Q", title="share newly damaged", scale=scale),
        y2="upper:Q",
        color=alt.value(QUIET),
        opacity=alt.value(0.3),
    )
    centre = base.mark_line(strokeDash=[6, 4]) if time else base.mark_tick(thickness=3, size=60)
    centre = centre.encode(y=alt.Y("centre:Q", scale=scale), color=alt.value(ACCENT))
    points = base.mark_point(filled=True, size=110, opacity=1).encode(
        y=rate,
        shape=alt.Shape("beyond:N", scale=_BEYOND_SHAPE, legend=_LEGEND),
        color=alt.Color("beyond:N", scale=_BEYOND_COLOUR, legend=_LEGEND),
        tooltip=[f"{along}:{'T' if time else 'N'}", "new:Q", "n:Q", alt.Tooltip("rate:Q", format=".1%")],
    )
    chart: Chart = alt.layer(band, centre, points, height=300)
    return chart


def curve_chart(table: pd.DataFrame) -> Chart:
    """Return survival curves as steps with their bands."""
    base = alt.Chart(_plain(table)).encode(
        x=alt.X("age_days:Q", title="days since installation", axis=_PLAIN_AXIS)
    )
    share = alt.Scale(domain=[0, 1])
    band = base.mark_area(opacity=0.15, interpolate="step-after").encode(
        y=alt.Y("low:Q", title="share without damage", axis=_SHARES, scale=share),
        y2="high:Q",
        color=alt.Color("group:N", scale=SERIES, legend=_NAMES),
    )
    line = base.mark_line(interpolate="step-after", strokeWidth=2.5).encode(
        y=alt.Y("share:Q", scale=share),
        color=alt.Color("group:N", scale=SERIES, legend=_NAMES),
        strokeDash=alt.StrokeDash("group:N", legend=_NAMES),
        tooltip=["group:N", "age_days:Q", alt.Tooltip("share:Q", format=".1%"), "at_risk:Q"],
    )
    chart: Chart = alt.layer(band, line, height=320)
    return chart


def weekly_lines(table: pd.DataFrame, series: str) -> Chart:
    """Return one line of rates over weeks for each ``series``, told apart by colour and dash.

    Where the table has ``low`` and ``high``, each point carries its interval.
    """
    rows = _plain(table)
    rows = rows[rows["rate"].notna()]
    within = "low" in rows.columns
    base = alt.Chart(rows, height=280).encode(
        x=alt.X("week:T", title=None, axis=alt.Axis(format="%d %b %y", labelColor=INK)),
        color=alt.Color(f"{series}:N", scale=SERIES, legend=_NAMES),
    )
    y = alt.Y(
        "rate:Q", title="share", axis=_SHARES, scale=_from_zero(rows["high"] if within else rows["rate"])
    )
    lines = base.mark_line(point=alt.OverlayMarkDef(size=45, aria=False), aria=False).encode(
        y=y,
        strokeDash=alt.StrokeDash(f"{series}:N", legend=_NAMES),
        tooltip=["week:T", f"{series}:N", alt.Tooltip("rate:Q", format=".1%"), "n:Q"]
        if "n" in rows.columns
        else ["week:T", f"{series}:N", alt.Tooltip("rate:Q", format=".1%")],
    )
    if not within:
        chart: Chart = lines
        return chart
    bars = base.mark_rule(opacity=0.35, strokeWidth=2, aria=False).encode(
        y=alt.Y("low:Q", title="share"), y2="high:Q"
    )
    layered: Chart = alt.layer(bars, lines)
    return layered


_BEYOND_SHAPE = alt.Scale(domain=["not flagged", "flagged"], range=["circle", "triangle-up"])
_BEYOND_COLOUR = alt.Scale(domain=["not flagged", "flagged"], range=[INK, STOP])


def _plain(table: pd.DataFrame) -> pd.DataFrame:
    """Copy a table without what a library noted down beside it: NaN there stops the browser."""
    rows = table.copy()
    rows.attrs = {}
    return rows


def _from_zero(values: pd.Series) -> alt.Scale:
    top = values.max() if len(values) else 0.0
    return alt.Scale(domain=[0, min(1.0, max(_FEW_PERCENT, float(top) * 1.05))], nice=False)


def _label(row: object, group: str) -> str:
    n = getattr(row, "n", 0)
    name = value_words(getattr(row, group))
    return f"{name} (n = {n})" if getattr(row, "enough", True) else f"{name} (n = {n}, not enough)"
