"""The page of the report: one HTML file with everything in it, and nothing in it that runs.

Every value goes through the template's escaping; only our own drawings do not. A content policy forbids
scripts and any loading from elsewhere, in case something should slip through.
"""

from __future__ import annotations

import base64
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import pandas as pd
from jinja2 import Environment, StrictUndefined

from data_tools.csv_cells import table_csv
from data_tools.trends import SHARE_COLUMNS, Figure
from model.vocabulary import LABEL_OF_KIND

MAX_ROWS = 60
SHORT = 8
_WORDS = frozenset({"kind", "place", "about", "last_reason"})
_NOT_SHOWN = frozenset({"enough", "words", "label", "series", "sigma_z"})
_LABELS: dict[str, str] = {kind.value: label.value for kind, label in LABEL_OF_KIND.items()}
_HEADS = {
    "n": "n",
    "low": "95 % from",
    "high": "95 % to",
    "p_value": "p",
    "needed": "more needed",
    "upper": "upper limit",
    "lower": "lower limit",
    "at_most": "at most (95 %, one-sided)",
}


@dataclass(frozen=True)
class Section:
    """One figure in the report; ``drawing`` is our own SVG. Short tables are shown unfolded."""

    figure: Figure
    drawing: str = ""


@dataclass(frozen=True)
class Head:
    """What stands at the top: ``facts`` are pairs of words and value."""

    title: str
    period: str
    made: str
    facts: tuple[tuple[str, str], ...]
    notices: tuple[str, ...]
    cautions: tuple[str, ...]


def page(head: Head, sections: list[Section]) -> str:
    """Return the report as one HTML document."""
    shown = [
        {
            "figure": section.figure,
            "drawing": section.drawing,
            "open": not section.drawing or len(section.figure.table) <= SHORT,
            "columns": [_head(name) for name in _columns(section.figure.table)],
            "rows": _rows(section.figure.table),
            "more": max(len(section.figure.table) - MAX_ROWS, 0),
            "csv": base64.b64encode(table_csv(section.figure.table)).decode(),
            "file": "".join(c if c.isalnum() else "-" for c in section.figure.title.lower()) + ".csv",
        }
        for section in sections
    ]
    return _TEMPLATE.render(head=head, sections=shown)


def _columns(table: pd.DataFrame) -> list[str]:
    return [str(name) for name in table.columns if name not in _NOT_SHOWN]


def _head(name: str) -> str:
    return _HEADS.get(name, name.replace("_", " "))


def _rows(table: pd.DataFrame) -> list[list[str]]:
    columns = _columns(table)
    return [
        [cell(name, value) for name, value in zip(columns, row, strict=True)]
        for row in table[columns].head(MAX_ROWS).itertuples(index=False, name=None)
    ]


def cell(column: str, value: Any) -> str:
    """Return one value of a table as people read it; what is undefined becomes a dash."""
    if value is None or (not isinstance(value, str) and pd.isna(value)):
        return "–"
    if isinstance(value, bool) or type(value).__name__ == "bool":
        return "yes" if value else "no"
    if isinstance(value, datetime | date):
        return f"{value:%Y-%m-%d}"
    if isinstance(value, str):
        return _LABELS.get(value, value.replace("_", " ")) if column in _WORDS else value
    if column in SHARE_COLUMNS:
        return f"{float(value):.1%}"
    if column == "p_value":
        return f"{float(value):.2g}"
    number = float(value)
    return f"{number:,.0f}" if number.is_integer() else f"{number:.3f}"


_ENVIRONMENT = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
_TEMPLATE = _ENVIRONMENT.from_string("""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy"
 content="default-src 'none'; style-src 'unsafe-inline'; img-src data:">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{{ head.title }}, {{ head.period }}</title>
<style>
body { font: 15px/1.5 system-ui, sans-serif; color: #16211f; max-width: 62rem; margin: 2rem auto;
 padding: 0 1rem }
h1 { font-size: 1.6rem; margin: 0 } h2 { font-size: 1.15rem; margin: 2.2rem 0 .3rem }
table { border-collapse: collapse; font-size: .85rem; font-variant-numeric: tabular-nums }
.wide { overflow-x: auto }
th, td { text-align: left; padding: .25rem .8rem .25rem 0; border-bottom: 1px solid #c9d0cd;
 vertical-align: top }
.notice { border-left: 4px solid #9b1c1c; padding: .4rem .8rem; margin: .5rem 0; background: #fbf1ef }
.few { border-left: 4px solid #4a5552; padding: .4rem .8rem; background: #f1f4f3 }
.small { color: #4a5552; font-size: .85rem } dt { font-weight: 600 } dd { margin: 0 0 .5rem }
dl { display: grid; grid-template-columns: repeat(auto-fill, minmax(12rem, 1fr)); gap: .2rem 1.5rem }
svg { max-width: 100%; height: auto } summary { cursor: pointer }
@media print { section { break-inside: avoid } }
</style>
</head>
<body>
<h1>{{ head.title }}</h1>
<p>{{ head.period }}<br><span class="small">{{ head.made }}</span></p>
<dl>
{% for words, value in head.facts %}
<div><dt>{{ words }}</dt><dd>{{ value }}</dd></div>
{% endfor %}
</dl>
<h2>What needs you</h2>
{% for notice in head.notices %}
<p class="notice">{{ notice }}</p>
{% else %}
<p>Nothing moved beyond chance.</p>
{% endfor %}
{% for item in sections %}
<section>
<h2>{{ item.figure.title }}</h2>
{% if item.figure.not_enough %}
<p class="few">{{ item.figure.not_enough }}</p>
{% elif item.drawing %}
<div role="img" aria-label="{{ item.figure.title }}; the numbers follow">{{ item.drawing | safe }}</div>
{% endif %}
<p class="small">n = {{ "{:,}".format(item.figure.n) }}. Counted: {{ item.figure.counted }}</p>
{% if item.rows %}
<details{% if item.open %} open{% endif %}><summary>Numbers</summary>
<div class="wide" tabindex="0" role="region" aria-label="Numbers of {{ item.figure.title }}"><table>
<thead><tr>{% for name in item.columns %}<th scope="col">{{ name }}</th>{% endfor %}</tr></thead>
<tbody>
{% for row in item.rows %}
<tr>{% for value in row %}<td>{{ value }}</td>{% endfor %}</tr>
{% endfor %}
</tbody>
</table></div>
{% if item.more %}<p class="small">{{ item.more }} more rows are in the CSV file.</p>{% endif %}
<p class="small"><a download="{{ item.file }}" href="data:text/csv;base64,{{ item.csv }}">Save as CSV</a></p>
</details>
{% elif not item.figure.not_enough %}
<p>None.</p>
{% endif %}
</section>
{% endfor %}
<h2>Read this with care</h2>
<ul>
{% for caution in head.cautions %}
<li>{{ caution }}</li>
{% endfor %}
</ul>
</body>
</html>
""")
