"""Drawings of the trend figures as SVG text, for a report that is one file.

Text stays text (searchable, read aloud) and is never read as mathematics, whatever a part is called. What is
flagged differs by shape as well as by colour.
"""

from __future__ import annotations

import threading
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from io import BytesIO, StringIO
from textwrap import shorten, wrap
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Canvas
from matplotlib.ticker import PercentFormatter
from numpy.typing import NDArray

INK, ACCENT, ALARM, QUIET, GREY = "#16211f", "#0b5563", "#9b1c1c", "#c9d0cd", "#4a5552"
LINES = ("-", "--", "-.", ":")
MAX_GROUPS = 30
PNG_DPI = 160
MAX_FOOTER_LINES = 6
_STYLE: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "rounds",
    "text.parse_math": False,
    "font.size": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
}
# matplotlib's settings belong to the process: one drawing at a time.
_lock = threading.Lock()
Draw = Callable[[Axes, pd.DataFrame], None]


def svg(draw: Draw, table: pd.DataFrame, *, width: float = 7.2, height: float = 2.8) -> str:
    """Return ``draw``'s picture of ``table`` as an SVG element, ``width`` x ``height`` inches."""
    with _lock, _styled():
        canvas = Canvas(figsize=(width, height), layout="constrained")
        draw(canvas.subplots(), table)
        buffer = StringIO()
        canvas.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    return text[text.index("<svg") :]


def png(
    draw: Draw, table: pd.DataFrame, *, title: str, footer: str, width: float = 7.2, height: float = 2.8
) -> bytes:
    """Return ``draw``'s picture of ``table`` as a PNG with ``title`` above it and ``footer`` beneath it."""
    lines_below = wrap(footer, 118)[:MAX_FOOTER_LINES]
    room = 0.5 + 0.16 * len(lines_below)
    with _lock, _styled():
        canvas = Canvas(figsize=(width, height + room), layout="constrained")
        axes = canvas.subplots()
        draw(axes, table)
        canvas.suptitle(shorten(title, 90), x=0.01, ha="left", fontsize=11, fontweight="bold", color=INK)
        canvas.supxlabel("\n".join(lines_below), x=0.01, ha="left", fontsize=7.5, color=GREY)
        buffer = BytesIO()
        canvas.savefig(buffer, format="png", dpi=PNG_DPI, metadata={"Software": None})
    return buffer.getvalue()


@contextmanager
def _styled() -> Iterator[None]:
    with matplotlib.rc_context(_STYLE), warnings.catch_warnings():
        # A letter that our font lacks is drawn by the reader's own font, because text stays text.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        yield


def intervals(axes: Axes, table: pd.DataFrame) -> None:
    """One line a group: rate with its interval and n. Needs ``label``, ``rate``, ``low``, ``high``, ``n``."""
    rows = table.head(MAX_GROUPS).iloc[::-1]
    at, known = _groups(axes, rows)
    axes.hlines(at[known], rows["low"][known], rows["high"][known], color=ACCENT, linewidth=2.5)
    axes.plot(rows["rate"][known], at[known], "o", color=INK, markersize=6, clip_on=False)
    axes.set_xlim(left=0)


def against_limits(axes: Axes, table: pd.DataFrame) -> None:
    """One line a group: its rate, and the limits and centre drawn from the others; flagged is a triangle."""
    rows = table.head(MAX_GROUPS).iloc[::-1]
    at, known = _groups(axes, rows)
    axes.barh(at, rows["upper"] - rows["lower"], left=rows["lower"], height=0.6, color=QUIET)
    axes.plot(rows["centre"], at, "|", color=ACCENT, markersize=12)
    for flagged, sign, colour in ((False, "o", INK), (True, "^", ALARM)):
        some = known & (rows["flagged"].to_numpy(np.bool_) == flagged)
        axes.plot(rows["rate"][some], at[some], sign, color=colour, markersize=7, clip_on=False)
    axes.set_xlim(left=0)


def _groups(axes: Axes, rows: pd.DataFrame) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Name the lines of the chart and return their heights, and which of them have a rate."""
    at, known = np.arange(len(rows)), rows["rate"].notna().to_numpy(np.bool_)
    axes.set_yticks(at, [f"{label}  (n {n:,})" for label, n in zip(rows["label"], rows["n"], strict=True)])
    axes.set_ylim(-0.7, len(rows) - 0.3)
    axes.xaxis.set_major_formatter(PercentFormatter(1.0))
    axes.grid(axis="x", color=QUIET, linewidth=0.6)
    axes.set_axisbelow(True)
    for height in at[~known]:
        axes.annotate(
            " not enough yet", (0, height), xycoords=("axes fraction", "data"), va="center", color=GREY
        )
    return at, known


def weeks_chart(axes: Axes, table: pd.DataFrame) -> None:
    """A control chart over weeks: rate, centre line, upper limit; flagged weeks are triangles."""
    weeks = table["week"]
    axes.fill_between(weeks, table["lower"], table["upper"], step="mid", color=QUIET, alpha=0.6, linewidth=0)
    axes.plot(weeks, table["centre"], "--", color=ACCENT, linewidth=1)
    axes.plot(weeks, table["rate"], "-o", color=INK, markersize=3.5, linewidth=1)
    flagged = table[table["flagged"]]
    axes.plot(flagged["week"], flagged["rate"], "^", color=ALARM, markersize=10)
    axes.yaxis.set_major_formatter(PercentFormatter(1.0))
    axes.set_ylim(bottom=0)


def curves(axes: Axes, table: pd.DataFrame) -> None:
    """Survival curves as steps with their bands."""
    for number, (name, rows) in enumerate(table.groupby("group", sort=True)):
        line = axes.step(
            rows["age_days"], rows["share"], where="post", linestyle=LINES[number % 4], label=str(name)
        )[0]
        axes.fill_between(
            rows["age_days"], rows["low"], rows["high"], step="post", alpha=0.12, color=line.get_color()
        )
    axes.set_xlabel("days since installation")
    axes.set_ylabel("without damage")
    axes.yaxis.set_major_formatter(PercentFormatter(1.0))
    axes.set_ylim(0, 1.02)
    axes.legend(frameon=False)


def lines(axes: Axes, table: pd.DataFrame) -> None:
    """One line of weekly rates for each ``series``, with intervals where ``low`` and ``high`` are there."""
    for number, (name, rows) in enumerate(table.groupby("series", sort=True)):
        line = axes.plot(
            rows["week"],
            rows["rate"],
            LINES[number % 4],
            marker="o",
            markersize=3,
            linewidth=1.2,
            label=str(name),
        )[0]
        if "low" in rows:
            axes.vlines(rows["week"], rows["low"], rows["high"], color=line.get_color(), alpha=0.35)
    axes.yaxis.set_major_formatter(PercentFormatter(1.0))
    axes.set_ylim(0, 1.02)
    axes.legend(frameon=False, ncols=3, loc="upper center", bbox_to_anchor=(0.5, 1.2))
