"""What the plots of a model card share: colours, dots with intervals, marks for too few cases."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure as Canvas
from matplotlib.ticker import PercentFormatter

from model.bars import TOO_FEW

Report = dict[str, Any]
INK, ACCENT, ALARM, QUIET, GREY = "#16211f", "#0b5563", "#9b1c1c", "#c9d0cd", "#4a5552"
DPI = 130
STYLE: Any = {
    "font.size": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 10.0,
    "text.parse_math": False,
}


def new_canvas(width: float, height: float) -> Canvas:
    """Return an empty picture of that many inches."""
    return Canvas(figsize=(width, height), layout="constrained", facecolor="white")


def words(key: str) -> str:
    """Return a vocabulary key as it is read."""
    return {"heat_melted_housing": "heat-melted housing"}.get(key, key.replace("_", " "))


def dots(
    axes: Axes, at: Sequence[float], figures: Sequence[Report], sign: str, colour: str, name: str
) -> None:
    """Draw shares with their intervals at the heights ``at``; what has too few cases is left out."""
    rows = [(height, f) for height, f in zip(at, figures, strict=True) if f["n"] >= TOO_FEW]
    if not rows:  # an empty line without clipping has no extent, which upsets the layout
        return
    heights = [height for height, _ in rows]
    low, high = [f["low"] for _, f in rows], [f["high"] for _, f in rows]
    axes.hlines(heights, low, high, color=colour, linewidth=1.8)
    style: Any = {"color": colour, "markersize": 5.5, "clip_on": False, "linestyle": "none"}
    axes.plot([f["estimate"] for _, f in rows], heights, sign, label=name, **style)


def share_axis(axes: Axes) -> None:
    """Make the x axis one of shares, with a quiet grid."""
    axes.xaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    axes.grid(axis="x", color=QUIET, linewidth=0.6)
    axes.set_axisbelow(True)


def legend_below(axes: Axes, columns: int = 2) -> None:
    """Put the legend under the axis, where there is something to name."""
    if axes.get_legend_handles_labels()[0]:
        axes.legend(frameon=False, ncols=columns, loc="upper center", bbox_to_anchor=(0.5, -0.16))


def few_marks(axes: Axes, at: Sequence[float], figures: Sequence[Report]) -> None:
    """Say so where a row has too few cases for a dot."""
    for height, figure in zip(at, figures, strict=True):
        if figure["n"] < TOO_FEW:
            told = " too few" if figure["n"] else " no cases"
            mark = axes.annotate(
                told, (0, height), xycoords=("axes fraction", "data"), va="center", color=GREY, fontsize=8
            )
            mark.set_in_layout(False)  # it lies inside the axes: the layout need not make room
