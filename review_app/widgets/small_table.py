"""Tables that are read whole: rows beside each other at a desk, each row by itself on a phone."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date

import pandas as pd

from review_app.widgets.text import esc
from review_app.wording import MORE_ROWS, ROWS_OF

Cell = Callable[[object], str]
FEW = 12
"""Tables of so many rows are read whole."""
_PART = 24
MOST_ROWS = FEW + 10 * _PART
"""More rows than these nobody reads on a phone."""


def percent(value: object) -> str:
    """Return a share (0..1) in percent, with the decimals that it has, two at most."""
    return f"{100 * float(str(value)):.2f}".rstrip("0").rstrip(".") + "%"


def plain_cell(value: object) -> str:
    """Return a number, a day, yes or no, or words as they are read."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, date):
        return f"{value:%Y-%m-%d}"
    if isinstance(value, float):
        return f"{value:,.0f}" if value.is_integer() else f"{value:.4g}"
    return str(value)


def small_table(table: pd.DataFrame, title: str, words: Mapping[str, str], cells: Mapping[str, Cell]) -> str:
    """Return ``table`` as HTML: ``words`` head its columns, ``cells`` say how those of a column are written;
    the first column names the rows."""
    heads = [esc(words[str(name)]) for name in table.columns]
    head = "".join(f'<th role="columnheader" scope="col">{name}</th>' for name in heads)
    body = "".join(_row(table, row, heads, cells) for row in table.itertuples(index=False, name=None))
    return (
        f'<table class="cr-table" role="table" aria-label="{esc(title)}">'
        f'<thead role="rowgroup"><tr role="row">{head}</tr></thead>'
        f'<tbody role="rowgroup">{body}</tbody></table>'
    )


def long_table(table: pd.DataFrame, title: str, words: Mapping[str, str], cells: Mapping[str, Cell]) -> str:
    """Return the first rows of ``table`` as ``small_table`` does, and the others in parts that open when they
    are asked for, each named by its first and last row; all of it is on the page already."""
    parts = [small_table(table.head(FEW), title, words, cells)]
    naming = _naming(table)
    for start in range(FEW, min(len(table), MOST_ROWS), _PART):
        part = table.iloc[start : start + _PART]
        ends = [
            ", ".join(cells.get(name, plain_cell)(part[name].iloc[at]) for name in naming) for at in (0, -1)
        ]
        said = ROWS_OF.format(
            first=start + 1, last=start + len(part), all=len(table), named=" – ".join(dict.fromkeys(ends))
        )
        inner = small_table(part, f"{title}, {start + 1} to {start + len(part)}", words, cells)
        parts.append(f"<details><summary>{esc(said, 200)}</summary>{inner}</details>")
    if len(table) > MOST_ROWS:
        parts.append(f'<p class="cr-quiet">{esc(MORE_ROWS.format(left=len(table) - MOST_ROWS))}</p>')
    return f'<div class="cr-rows">{"".join(parts)}</div>'


def _naming(table: pd.DataFrame) -> list[str]:
    """Return the first column, or as many as it takes (three at most) to tell every row from the others."""
    names = [str(name) for name in table.columns[:3]]
    for many in range(1, len(names)):
        if not table.duplicated(names[:many]).any():
            return names[:many]
    return names


def _row(table: pd.DataFrame, row: tuple[object, ...], heads: list[str], cells: Mapping[str, Cell]) -> str:
    first, *rest = (
        "–" if pd.isna(value) else esc(cells.get(str(name), plain_cell)(value), 400)
        for name, value in zip(table.columns, row, strict=True)
    )
    is_text = [' class="cr-text"' if isinstance(value, str) else "" for value in row[1:]]
    others = "".join(
        f'<td role="cell" data-of="{head}"{text}>{cell}</td>'
        for head, text, cell in zip(heads[1:], is_text, rest, strict=True)
    )
    return f'<tr role="row"><th role="rowheader" scope="row">{first}</th>{others}</tr>'
