"""A table of few rows that is read whole: beside each other at a desk, each row by itself on a phone."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date

import pandas as pd

from review_app.widgets.text import esc

Cell = Callable[[object], str]


def percent(value: object) -> str:
    """Return a share (0..1) in percent, with the decimals that it has, two at most."""
    return f"{100 * float(str(value)):.2f}".rstrip("0").rstrip(".") + "%"


def plain_cell(value: object) -> str:
    """Return a number, a day or words as they are read."""
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
