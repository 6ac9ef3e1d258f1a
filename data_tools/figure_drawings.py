"""Which drawing fits a figure of the trends, and the figure as a picture: SVG for the report, PNG to save.

Nothing is drawn from too little data, and no picture goes out without its title and its n.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from data_tools import report_charts as charts
from data_tools.trends import Figure
from data_tools.trends.frames import words_for
from model.vocabulary import FindingKind

_LINE_CHART = 2.8
_FRAME, _ROW = 0.7, 0.28


@dataclass(frozen=True)
class Drawing:
    """How to draw a figure: the drawing, the table as it needs it, the height in inches."""

    draw: charts.Draw
    table: pd.DataFrame
    height: float = _LINE_CHART


def drawing_of(figure: Figure) -> Drawing | None:
    """Return the drawing that fits the columns of the figure; ``None`` where words or the table say it."""
    table = figure.table
    if not figure.enough or table.empty or "rate" not in table.columns:
        return Drawing(charts.curves, table) if figure.enough and "age_days" in table else None
    if "measure" in table:
        return Drawing(charts.lines, table.assign(series=table["measure"]))
    if "due" in table:
        return Drawing(charts.lines, table.assign(series=table["site"]))
    if "flagged" in table and "week" in table:
        return Drawing(charts.weeks_chart, table)
    label = next((name for name in ("site", "about", "group") if name in table), None)
    if label is None:
        return None
    if pd.api.types.is_datetime64_any_dtype(table[label]):
        return Drawing(charts.lines, table.assign(week=table[label], series="couplers with damage"))
    draw = charts.against_limits if "flagged" in table else charts.intervals
    height = _FRAME + _ROW * min(len(table), charts.MAX_GROUPS)
    return Drawing(draw, table.assign(label=_labels(table, label)), height)


def _labels(table: pd.DataFrame, label: str) -> pd.Series:
    labels = table[label].astype(str).str.replace("_", " ")
    if "kind" not in table:
        return labels
    return labels + ", " + [words_for(FindingKind(kind)) for kind in table["kind"]]


def svg_of(figure: Figure) -> str:
    """Return the figure as an SVG element; an empty string where it has no drawing."""
    fits = drawing_of(figure)
    return charts.svg(fits.draw, fits.table, height=fits.height) if fits else ""


def png_of(figure: Figure) -> bytes | None:
    """Return the figure as a PNG that stands alone: with title, n and what was counted; or ``None``."""
    fits = drawing_of(figure)
    if fits is None:
        return None
    footer = f"n = {figure.n:,}. Counted: {figure.counted}"
    return charts.png(fits.draw, fits.table, title=figure.title, footer=footer, height=fits.height)
