"""The plots of a model card as PNG files. What differs by colour differs by shape too; titles say n."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from pathlib import Path

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Canvas
from matplotlib.ticker import NullLocator, PercentFormatter, StrMethodFormatter

from model.bars import TOO_FEW
from model.plot_parts import (
    ACCENT,
    ALARM,
    DPI,
    GREY,
    INK,
    QUIET,
    STYLE,
    Report,
    dots,
    few_marks,
    legend_below,
    new_canvas,
    share_axis,
    words,
)

# matplotlib's settings belong to the process: one drawing at a time.
_lock = threading.Lock()


def draw_plots(report: Report, out: Path) -> tuple[str, ...]:
    """Draw what the report has figures for into the folder ``out``; returns the file names."""
    drawings: dict[str, Callable[[Report], Canvas | None]] = {
        "severity.png": _severity,
        "confusion.png": _confusion,
        "calibration.png": _calibration,
        "risk_coverage.png": _risk,
        "slices.png": _slices,
        "baseline.png": _baseline,
    }
    drawn = []
    with _lock, matplotlib.rc_context(STYLE):
        for name, draw in drawings.items():
            canvas = draw(report)
            if canvas is not None:
                canvas.savefig(out / name, dpi=DPI, metadata={"Software": None})
                drawn.append(name)
    return tuple(drawn)


def _severity(report: Report) -> Canvas:
    kinds = report["kinds"]
    canvas = new_canvas(10, 3.2)
    for axes, (kind, row) in zip(canvas.subplots(1, len(kinds), sharex=True), kinds.items(), strict=True):
        bands = row["by_severity"]
        at = [float(n) for n in range(len(bands))]
        for name, shift, sign, colour in (
            ("flagged", 0.14, "o", ACCENT),
            ("not called clear", -0.14, "D", INK),
        ):
            dots(
                axes,
                [height + shift for height in at],
                [f[name.replace(" ", "_")] for f in bands.values()],
                sign,
                colour,
                name,
            )
        counts = [f["flagged"]["n"] for f in bands.values()]
        axes.set_yticks(at, [f"{band}\nn {n}" for band, n in zip(bands, counts, strict=True)])
        axes.set_ylim(-0.6, len(bands) - 0.4)
        axes.set_xlim(0, 1.02)
        axes.set_title(f"{words(kind)} (n {sum(counts)})")
        axes.set_xlabel("share of judged photos")
        share_axis(axes)
        few_marks(axes, at, [f["flagged"] for f in bands.values()])
        if axes.get_subplotspec().is_first_col():
            axes.set_ylabel("severity")
    named = [pair for axes in canvas.axes for pair in zip(*axes.get_legend_handles_labels(), strict=True)]
    handles = {label: handle for handle, label in named}
    if handles:
        canvas.legend(handles.values(), handles.keys(), frameon=False, ncols=2, loc="outside lower center")
    return canvas


def _confusion(report: Report) -> Canvas:
    table = report["confusion"]
    counts = np.array(table["counts"], float)
    totals = counts.sum(1, keepdims=True)
    shares = np.divide(counts, totals, out=np.zeros_like(counts), where=totals > 0)
    canvas = new_canvas(7.6, 4.4)
    axes = canvas.subplots()
    axes.imshow(shares, cmap="BuGn", vmin=0, vmax=1, aspect="auto")
    for row, column in np.ndindex(*counts.shape):
        if counts[row, column]:
            dark = shares[row, column] > 0.6
            axes.text(
                column, row, f"{counts[row, column]:.0f}", ha="center", va="center",
                color="white" if dark else INK,
            )  # fmt: skip
    axes.set_xticks(range(len(table["columns"])), [c.replace(" ", "\n", 1) for c in table["columns"]])
    axes.set_yticks(
        range(len(table["rows"])),
        [f"{name} (n {n:.0f})" for name, n in zip(table["rows"], totals[:, 0], strict=True)],
    )
    axes.set_xlabel("said")
    axes.set_ylabel("true")
    axes.tick_params(length=0)
    axes.spines[:].set_visible(False)
    axes.set_title(
        f"What was said of what is true: photos, shaded by share of the row (n {counts.sum():.0f})"
    )
    return canvas


def _calibration(report: Report) -> Canvas | None:
    kinds = report["kinds"]
    most = max(b["n"] for row in kinds.values() for b in row["reliability"])
    if not most:
        return None
    canvas = new_canvas(10.5, 4.4)
    grid = canvas.subplots(2, len(kinds), sharex=True, gridspec_kw={"height_ratios": [3.2, 1]})
    for column, (kind, row) in enumerate(kinds.items()):
        curve, sizes = grid[0][column], grid[1][column]
        curve.plot([0, 1], [0, 1], "--", color=QUIET, linewidth=1)
        for b in row["reliability"]:
            if b["n"]:
                _reliability_bin(curve, b)
        ece = "undefined" if row["ece"] is None else f"{row['ece']:.3f}"
        curve.set_title(f"{words(kind)}\nECE {ece}, n {row['auroc']['n']}")
        curve.set_ylim(-0.03, 1.03)
        curve.grid(color=QUIET, linewidth=0.5)
        bins = row["reliability"]
        centres = [(b["low"] + b["high"]) / 2 for b in bins]
        sizes.bar(centres, [b["n"] for b in bins], width=1 / len(bins) * 0.85, color=GREY)
        sizes.set_yscale("log")
        sizes.set_ylim(0.7, 1.5 * max(most, 10))
        sizes.yaxis.set_major_formatter(StrMethodFormatter("{x:.0f}"))
        sizes.yaxis.set_minor_locator(NullLocator())
        sizes.set_xlabel("probability given")
    grid[0][0].set_ylabel("share that was damaged")
    grid[1][0].set_ylabel("photos")
    canvas.suptitle(f"Filled: at least {TOO_FEW} photos in the bin, with the exact 95 % interval", fontsize=9)
    return canvas


def _reliability_bin(axes: Axes, b: Report) -> None:
    enough = b["n"] >= TOO_FEW
    colour = ACCENT if enough else GREY
    axes.vlines(
        b["mean_probability"],
        b["observed_low"],
        b["observed_high"],
        color=colour,
        alpha=1.0 if enough else 0.35,
    )
    axes.plot(b["mean_probability"], b["observed"], "o", color=colour, mfc=colour if enough else "white")


def _risk(report: Report) -> Canvas | None:
    curve = report["risk_coverage"]
    if not curve["n"]:
        return None
    canvas = new_canvas(6.4, 3.8)
    axes = canvas.subplots()
    axes.step(curve["coverage"], curve["risk"], where="post", color=ACCENT, label="surest answers first")
    decided, wrong = curve["decided"], curve["wrong_of_decided"]
    if wrong["n"]:
        axes.errorbar(
            decided["estimate"], wrong["estimate"],
            yerr=[[wrong["estimate"] - wrong["low"]], [wrong["high"] - wrong["estimate"]]],
            fmt="D", color=ALARM, capsize=3, clip_on=False,
            label=f"as set: decided without a person (n {wrong['n']})",
        )  # fmt: skip
    axes.set_xlim(0, 1.02)
    axes.set_ylim(bottom=0)
    axes.set_xlabel("share of judged photos kept")
    axes.set_ylabel("wrong label among them")
    axes.yaxis.set_major_formatter(PercentFormatter(1.0))
    share_axis(axes)
    axes.set_title(f"Risk against coverage: area {curve['area']:.4f}, n {curve['n']}")
    axes.legend(frameon=False, loc="upper left")
    return canvas


def _slices(report: Report) -> Canvas | None:
    rows = [
        (name, value, part) for name, values in report["slices"].items() for value, part in values.items()
    ]
    if not rows:
        return None
    at, labels, headings = _rows_with_gaps([(name, value) for name, value, _ in rows])
    canvas = new_canvas(10.5, 1.4 + 0.24 * (at[-1] + 1))
    left, right = canvas.subplots(1, 2, sharey=True)
    for axes, sign, colour, key, title in (
        (left, "D", INK, "not_called_clear", "Plain damage not called clear"),
        (right, "^", ALARM, "intact_flagged", "Intact photos flagged"),
    ):
        figures = [part[key] for _, _, part in rows]
        dots(axes, at, figures, sign, colour, key)
        few_marks(axes, at, figures)
        for height, figure in zip(at, figures, strict=True):
            axes.annotate(
                f"n {figure['n']}", (1.03, height), xycoords=("axes fraction", "data"), va="center",
                fontsize=7.5, color=GREY,
            )  # fmt: skip
        for height, heading in headings:
            axes.axhline(height, color=QUIET, linewidth=0.8)
            if axes is left:
                axes.annotate(
                    heading + "  ", (0, height), xycoords=("axes fraction", "data"), ha="right", va="center",
                    fontweight="bold", color=ACCENT,
                )  # fmt: skip
        axes.set_title(f"{title} (n {report_n(report, key)})")
        axes.set_ylim(at[-1] + 0.8, -1.0)
        share_axis(axes)
    left.set_yticks(at, labels)
    left.set_xlim(right=1.0)
    right.set_xlim(left=0)
    return canvas


def report_n(report: Report, key: str) -> int:
    """Return the number of cases behind a slice figure over the whole set."""
    if key == "intact_flagged":
        return int(report["intact_flagged"]["n"])
    return sum(int(row["flagged"]["n"]) for row in report["kinds"].values())


def _rows_with_gaps(
    names: Sequence[tuple[str, str]],
) -> tuple[list[float], list[str], list[tuple[float, str]]]:
    """Return heights and labels of the rows, and a heading before each group."""
    at, headings, height, before = [], [], 0.0, None
    for name, _ in names:
        if name != before:
            headings.append((height, words(name)))
            height, before = height + 1, name
        at.append(height)
        height += 1
    return at, [words(value) for _, value in names], headings


def _baseline(report: Report) -> Canvas | None:
    if "baseline" not in report:
        return None
    kinds = report["baseline"]["kinds"]
    canvas = new_canvas(8.4, 3.2)
    axes = canvas.subplots()
    at = [float(n) for n in range(len(kinds))]
    for key, shift, sign, colour in (("ours", 0.14, "o", ACCENT), ("plain", -0.14, "s", ALARM)):
        dots(
            axes,
            [height + shift for height in at],
            [row[key] for row in kinds.values()],
            sign,
            colour,
            _SIDES[key],
        )
    few_marks(axes, at, [row["ours"] for row in kinds.values()])
    axes.set_yticks(at, [f"{words(k)}\nn {r['ours']['n']}, p {r['p']:.2g}" for k, r in kinds.items()])
    axes.set_ylim(-0.6, len(kinds) - 0.4)
    axes.set_xlim(0, 1.02)
    share_axis(axes)
    axes.set_xlabel("visible damage from severity 0.3 that was found")
    axes.set_title(f"Beside the plain way, at as many false alarms ({report['baseline']['photos']} photos)")
    legend_below(axes)
    return canvas


_SIDES = {"ours": "this model", "plain": "one network on the whole photo"}
