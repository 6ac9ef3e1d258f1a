"""The model card: a report of ``model.evaluate`` as text for people, with its plots beside it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from model.bars import TOO_FEW
from model.card_plots import draw_plots
from model.plot_parts import words
from model.scorebook import VISIBLE_FROM

Figure = dict[str, Any]
Report = dict[str, Any]
TEMPLATE = Path(__file__).with_name("model_card.md.jinja")
PREVALENCES = (0.01, 0.05)
"""Shares of damaged couplers for which the planning table is worked out: assumptions, not findings."""

_SLICES = {"light": "lighting", "confounder": "what else is in the photo (a photo counts in several rows)"}
_WHOLE = {
    "damaged_flagged": "plainly damaged photos flagged, whatever the name",
    "damaged_unsure": "plainly damaged photos unsure",
    "damaged_clear": "plainly damaged photos called clear",
    "intact_flagged": "intact photos flagged (false alarms)",
    "intact_unsure": "intact photos unsure",
    "unsure": "all judged photos unsure",
    "family_right": "family right, where a face was found",
}


def write_card(report: Report, out: Path) -> None:
    """Write ``card.md``, ``card.json`` and the plots into the folder ``out``."""
    out.mkdir(parents=True, exist_ok=True)
    (out / "card.json").write_text(json.dumps(report, indent=1), encoding="utf-8")
    plots = draw_plots(report, out)
    (out / "card.md").write_text(model_card(report, plots), encoding="utf-8")


def model_card(report: Report, plots: Sequence[str] = ()) -> str:
    """Return the report as Markdown; ``plots`` are the picture files that lie beside it."""
    # Markdown, not HTML: nothing to escape; ``_table`` cleans its cells.
    environment = Environment(
        loader=FileSystemLoader(TEMPLATE.parent),
        undefined=StrictUndefined,
        trim_blocks=True,
        autoescape=False,
    )
    environment.filters |= {
        "words": words, "percent": percent, "number": number, "of_100": of_100, "rest_of_100": rest_of_100
    }  # fmt: skip

    def picture(start: str) -> str:
        return "\n\n".join(f"![{words(Path(p).stem)}]({p})" for p in plots if p.startswith(start))

    text = environment.get_template(TEMPLATE.name).render(
        report=report,
        tables=_tables(report),
        slices={_SLICES.get(name, words(name)): _slice(name, v) for name, v in report["slices"].items()},
        picture=picture,
        few=TOO_FEW,
        visible_from=VISIBLE_FROM,
    )
    return re.sub(r"\n{3,}", "\n\n", text).strip() + "\n"


def summary_lines(report: Report) -> list[str]:
    """Return the report in a few lines: each bar, what was measured, and the verdict."""
    lines = [f"{bar['title']}: {_measured(bar['figure'])}, {bar['verdict']}" for bar in report["bars"]]
    return [f"{report['photos']} photos judged by {report['model_version']}.", *lines]


def percent(figure: Figure) -> str:
    """Return a proportion with its interval and n; with few cases the bare counts."""
    if figure["n"] < TOO_FEW:
        return f"too few ({figure['count']} of {figure['n']})" if figure["n"] else "no cases"
    return f"{figure['estimate']:.1%} ({figure['low']:.1%} to {figure['high']:.1%}, n {figure['n']:,})"


def of_100(figure: Figure) -> str:
    """Return how many of 100 with the interval, in plain words."""
    return _of_100(figure, figure["estimate"], figure["low"], figure["high"])


def rest_of_100(figure: Figure) -> str:
    """Return how many of 100 are not in the figure."""
    if figure["n"] < TOO_FEW:
        return of_100(figure)
    return _of_100(figure, 1 - figure["estimate"], 1 - figure["high"], 1 - figure["low"])


def _of_100(figure: Figure, estimate: float, low: float, high: float) -> str:
    if figure["n"] < TOO_FEW:
        return f"(too few to say, n {figure['n']})"
    return f"{100 * estimate:.1f} ({100 * low:.1f} to {100 * high:.1f})"


def number(value: float | None) -> str:
    """Return a figure that is no proportion."""
    return "undefined" if value is None else f"{value:.4f}"


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(map(_cell, line)) + " |" for line in lines)


def _cell(text: str) -> str:
    """Keep what a label says from breaking the table."""
    return " ".join(text.replace("|", "/").split())


def _tables(report: Report) -> dict[str, str]:
    return {
        "planning": _planning(report),
        "bars": _bars(report),
        "damages": _damages(report),
        "severity": _banded(report, "by_severity", "severity"),
        "visibility": _banded(report, "by_visibility", "of it visible"),
        "whole": _table(["", "share"], [[title, percent(report[key])] for key, title in _WHOLE.items()]),
        "confusion": _confusion(report),
        "calibration": _calibration(report),
        "risk": _risk(report),
        "refusals": _refusals(report),
        "places": _places(report),
        "baseline": _baseline(report) if "baseline" in report else "",
    }


def _planning(report: Report) -> str:
    share = {name: report[name]["estimate"] for name in (*_WHOLE, "good_refused")}
    if any(report[name]["n"] < TOO_FEW for name in ("damaged_flagged", "intact_flagged", "good_refused")):
        return ""
    rows = []
    for prevalence in PREVALENCES:
        judged = 1000 * (1 - share["good_refused"])
        damaged, intact = judged * prevalence, judged * (1 - prevalence)
        unsure = damaged * share["damaged_unsure"] + intact * share["intact_unsure"]
        flags = [damaged * share["damaged_flagged"], intact * share["intact_flagged"]]
        missed, most = (damaged * report["damaged_clear"][name] for name in ("estimate", "high"))
        cells = [f"{cell:.1f}" for cell in (damaged, *flags, unsure)]
        missing = f"{missed:.1f} (at most {most:.1f})"
        rows.append([f"{prevalence:.0%}", *cells, missing, f"{1000 - judged:.1f}"])
    head = ["assumed damaged", "damaged", "flagged, damaged", "flagged for nothing", "unsure",
            "damaged, called clear", "refused"]  # fmt: skip
    return _table(head, rows)


def _bars(report: Report) -> str:
    rows = [
        [
            bar["title"],
            f"{'at most' if bar['at_most'] else 'at least'} {bar['limit']:.0%}",
            _measured(bar["figure"]),
            bar["verdict"],
        ]
        for bar in report["bars"]
    ]
    return _table(["bar", "wanted", "measured", "verdict"], rows)


def _measured(figure: Figure) -> str:
    """Return a share, or a calibration error, which has no interval."""
    if "low" in figure:
        return percent(figure)
    if figure["n"] < TOO_FEW or figure["estimate"] is None:
        return f"too few (n {figure['n']})"
    return f"{figure['estimate']:.2%} (n {figure['n']:,})"


def _damages(report: Report) -> str:
    names = ("flagged", "not_called_clear", "severe_refused", "place_right", "intact_flagged", "flag_right")
    rows = [[words(kind), *(percent(row[name]) for name in names)] for kind, row in report["kinds"].items()]
    head = ["damage, visible, severity from 0.3", "flagged", "not called clear", "refused", "place right",
            "intact flagged as this", "flags that were right"]  # fmt: skip
    return _table(head, rows)


def _banded(report: Report, table: str, title: str) -> str:
    rows = [
        [words(kind), band, percent(figures["flagged"]), percent(figures["not_called_clear"])]
        for kind, row in report["kinds"].items()
        for band, figures in row[table].items()
    ]
    return _table(["damage", title, "flagged", "not called clear"], rows)


def _confusion(report: Report) -> str:
    table = report["confusion"]
    rows = [
        [name, *map(str, counts), str(sum(counts))]
        for name, counts in zip(table["rows"], table["counts"], strict=True)
    ]
    return _table(["true", *table["columns"], "n"], rows)


def _calibration(report: Report) -> str:
    rows = [
        [words(kind), number(row["ece"]), number(row["auroc"]["value"]), str(row["damaged"]),
         str(row["auroc"]["n"])]
        for kind, row in report["kinds"].items()
    ]  # fmt: skip
    return _table(["damage", "ECE", "area under ROC", "damaged", "n"], rows)


def _risk(report: Report) -> str:
    curve = report["risk_coverage"]
    rows = [[f"surest {share}", percent(figure)] for share, figure in curve["wrong_at"].items()]
    rows.append(["decided without a person (not unsure)", percent(curve["wrong_of_decided"])])
    return _table(["answers kept", "wrong label"], rows)


def _refusals(report: Report) -> str:
    rows = [["good photo", percent(report["good_refused"]), ""]]
    rows += [
        [words(reason), percent(row["refused"]), percent(row["reason_right"])]
        for reason, row in report["refused_by_reason"].items()
    ]
    return _table(["true state of the photo", "refused", "of those with that very reason"], rows)


def _places(report: Report) -> str:
    rows = [
        [words(place), words(kind), percent(figures["not_called_clear"]), percent(figures["named"])]
        for place, kinds in report["places"].items()
        for kind, figures in kinds.items()
    ]
    head = ["place", "damage, severity from 0.3", "not called clear", "this place named"]
    return _table(head, rows) if rows else ""


def _slice(name: str, values: dict[str, Report]) -> str:
    tail = ("intact_flagged", "unsure", "refused")
    rows = [
        [
            words(value),
            f"{row['photos']:,}",
            percent(row["not_called_clear"]),
            *(percent(figures["flagged"]) for figures in row["kinds"].values()),
            *(percent(row[key]) for key in tail),
        ]
        for value, row in values.items()
    ]
    kinds = [f"{words(kind)} flagged" for kind in next(iter(values.values()))["kinds"]]
    return _table([words(name), "photos", "damage not called clear", *kinds, *map(words, tail)], rows)


def _baseline(report: Report) -> str:
    shares = ("ours", "plain", "ours_intact_flagged", "plain_intact_flagged")
    rows = [
        [words(kind), *(percent(row[name]) for name in shares), f"{row['only_ours']} : {row['only_plain']}",
         f"{row['p']:.2g}"]
        for kind, row in report["baseline"]["kinds"].items()
    ]  # fmt: skip
    head = ["damage, severity from 0.3", "ours flagged", "baseline flagged", "intact flagged, ours",
            "intact flagged, baseline", "by ours only : by baseline only", "p"]  # fmt: skip
    return _table(head, rows)
