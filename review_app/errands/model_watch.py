"""How the live model does: its weeks in the technicians' eyes, what its clear verdicts miss, the photos."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from data_tools.access import Actor
from data_tools.drift_watch import DriftReport, latest_drift
from data_tools.jobs import DRIFT, start_drift
from data_tools.trends import miss_rate, weekly_watch
from data_tools.workspace import Workspace
from review_app import resources
from review_app.errands.trend_tabs import measures_in_words
from review_app.widgets.charts import weekly_lines
from review_app.widgets.figure_panel import figure_panel, table_view
from review_app.widgets.job_panel import job_panel
from review_app.widgets.text import clock, md, plain

_GROUP_WORDS = {"site": "Site", "camera": "Phone"}


def watch(ws: Workspace, actor: Actor) -> None:
    """Draw the weekly watch, the blind audit's miss rate and the drift of the photos."""
    data = resources.trends(ws, actor)
    figure = measures_in_words(weekly_watch(data))
    drawn = weekly_lines(figure.table, "measure") if figure.enough and not figure.table.empty else None
    figure_panel(figure, drawn, key="models-weekly-watch")
    missed = miss_rate(data)
    if missed.enough:
        _miss_words(missed.table)
    figure_panel(missed, None, key="models-miss-rate")
    _drift(ws, actor)


def _miss_words(table: pd.DataFrame) -> None:
    top = table.iloc[0]
    st.metric(
        "Clear verdicts that hide damage, at most (exact, 95 %)",
        f"{top['at_most']:.1%}",
        help=f"{int(top['missed'])} of {int(top['n'])} audited clear verdicts of all versions hid damage.",
    )


def _drift(ws: Workspace, actor: Actor) -> None:
    st.subheader("Do the photos still look as before?", anchor=False)
    report = latest_drift(ws, actor)
    if report is None:
        st.info("Nobody has looked yet.", icon=":material/hourglass_empty:")
    else:
        _found(ws, report)
    st.caption(
        "The last week's photos are compared with earlier ones of the same couplers, by what the live "
        "version sees in them, and with the photos it was measured on or people confirmed. A notice "
        "comes by chance in fewer than one week in fifty."
    )
    job_panel(ws, actor, DRIFT, "Look now", start_drift, icon=":material/compare:")


def _found(ws: Workspace, report: DriftReport) -> None:
    for notice in report.notices:
        st.warning(md(notice, 900), icon=":material/priority_high:")
    words = f"Looked at {clock(report.looked_at, ws.settings.timezone)}: {md(report.words, 300)}"
    if report.stale:
        words += " Since then photos have come or another version is live."
    if not report.notices:
        st.success(words, icon=":material/check:")
    else:
        st.write(words)
    rows = [
        {
            "By": _GROUP_WORDS[row.group],
            "Name": plain(row.name),
            "Result": "moved" if row.flagged else row.lacking or "as before",
            "Photos now": row.test.now,
            "Photos before": row.test.before,
            "Couplers": row.test.couplers,
            "Moved by (standard deviations)": round(row.test.distance, 2),
            "Probability by chance": row.test.p,
            "Couplers unlike what is known": f"{row.unlike.unlike} of {row.unlike.couplers}",
        }
        for row in report.rows
    ]
    table_view(pd.DataFrame(rows), "Drift of the photos by site and phone model")
