"""One figure of the trends: what it counts, what moved beyond chance, the drawing, its numbers as CSV."""

from __future__ import annotations

import re

import pandas as pd
import streamlit as st

from data_tools.csv_cells import table_csv
from data_tools.trends import SHARE_COLUMNS, Figure
from review_app.widgets.charts import Chart
from review_app.widgets.small_table import FEW, Cell, long_table, percent, small_table
from review_app.widgets.text import md
from review_app.wording import COLUMN_WORDS, sentence, value_words

_MOST_NOTICES = 8
_RULE = re.compile(r"\. (?=Flagged:|A week is flagged|Each counts)")


def figure_panel(figure: Figure, chart: Chart | None, *, key: str) -> None:
    """Draw one figure with its n; too little data gets words instead of a drawing.

    Args:
        figure: title, table, n and words.
        chart: the drawing, or None where the table itself is what to read.
        key: unique on the page; names the CSV file.
    """
    st.subheader(md(figure.title), anchor=False)
    for notice in figure.notices[:_MOST_NOTICES]:
        st.warning(md(notice, 600), icon=":material/priority_high:")
    if len(figure.notices) > _MOST_NOTICES:
        st.caption(f"{len(figure.notices) - _MOST_NOTICES} more of these: see the numbers.")
    if not figure.enough:
        st.info(md(figure.not_enough, 300), icon=":material/hourglass_empty:")
    elif chart is not None:
        st.altair_chart(chart, width="stretch", alt=figure.title, key=f"chart_{key}")
    elif not figure.table.empty:
        table_view(figure.table, figure.title)
    else:
        st.info("None.", icon=":material/check:")
    # The rule behind the flags is for whoever opens the numbers; above all stands what was counted.
    counted, *rule = [figure.counted] if figure.table.empty else _RULE.split(figure.counted, 1)
    st.caption(f"n = {figure.n:,}. Counted: {md(counted, 800)}")
    if figure.table.empty:
        return
    _downloads(figure, key)
    with st.expander("Numbers and rules" if rule else "Numbers"):
        if rule:
            st.markdown(md(rule[0], 800))
        table_view(figure.table, f"Numbers of {figure.title}")


def _downloads(figure: Figure, key: str) -> None:
    """Offer the numbers as CSV and the drawing as a picture; both are made only when asked for."""
    from data_tools.figure_drawings import drawing_of, png_of

    with st.container(horizontal=True):
        st.download_button(
            "Save as CSV",
            lambda: table_csv(figure.table),
            file_name=f"{key}.csv",
            mime="text/csv",
            key=f"csv_{key}",
            on_click="ignore",
            icon=":material/download:",
        )
        if drawing_of(figure) is not None:
            st.download_button(
                "Save as picture",
                lambda: png_of(figure) or b"",
                file_name=f"{key}.png",
                mime="image/png",
                key=f"png_{key}",
                on_click="ignore",
                icon=":material/image:",
            )


def table_view(table: pd.DataFrame, title: str) -> None:
    """Show a table with its columns in words, shares in percent and days without a time."""
    shown = table.copy()
    # What a library noted down there may hold NaN, which the browser's JSON cannot read.
    shown.attrs = {}
    # Rows that are too thin say so by what they still need; a column of ticks beside it says it twice.
    shown = shown.drop(columns=[name for name in ("enough",) if {"enough", "needed"} <= set(shown.columns)])
    shares = SHARE_COLUMNS - {"low", "high"} if "kappa" in shown.columns else SHARE_COLUMNS
    words, cells, columns = {}, dict[str, Cell](), {}
    for name in map(str, shown.columns):
        words[name] = name if name == "n" else sentence(COLUMN_WORDS.get(name, name.replace("_", " ")))
        if name == "kappa":
            columns[name] = st.column_config.NumberColumn(words[name], format="%.2f")
            cells[name] = "{:.2f}".format
        elif name in shares:
            columns[name] = st.column_config.NumberColumn(words[name], format="percent")
            cells[name] = percent
        elif pd.api.types.is_datetime64_any_dtype(shown[name]):
            columns[name] = st.column_config.DateColumn(words[name])
        else:
            columns[name] = st.column_config.Column(words[name])
            if not pd.api.types.is_numeric_dtype(shown[name]):
                shown[name] = [value_words(value) for value in shown[name]]
    if len(shown) <= FEW:
        st.html(small_table(shown, title, words, cells))
        return
    # Scrolled and sorted at a desk; on a phone, where that shows two columns, it is read row by row instead.
    # The server does not know how wide the screen is: the style sheet shows one of the two.
    name = re.sub(r"\W+", "_", title)
    with st.container(key=f"grid_{name}"):
        st.dataframe(shown, hide_index=True, width="stretch", column_config=columns, alt=title)
    with st.container(key=f"rows_{name}"):
        st.html(long_table(shown, title, words, cells))
