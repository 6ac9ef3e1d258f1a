"""Commands for the technician and the lead: decisions by spreadsheet, and trends."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from data_tools import review_sheets
from data_tools.cli.frame import ATTENTION, Station, as_json, refuse_unused, say, station
from data_tools.review_sheets import SAID_BEFORE, SheetReport
from model.errors import storage_errors
from model.vocabulary import FindingKind

if TYPE_CHECKING:  # pandas is loaded only by the command that needs it
    from data_tools.trends import Figure

GROUPS = ("site", "week", "family", "part_number", "age", "place")


@click.command()
@click.argument("sheet", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--write", is_flag=True, help="Write the queue to SHEET for filling in, instead of reading decisions."
)
@click.option("--site", help="With --write: only this site.")
@click.option(
    "--limit", type=click.IntRange(1), default=500, show_default=True, help="With --write: at most so many."
)
@as_json
@click.pass_context
def review(ctx: click.Context, sheet: Path, write: bool, site: str | None, limit: int, as_json: bool) -> None:
    """Read decisions from the CSV file SHEET (see `--write` for its columns)."""
    at = ctx.ensure_object(Station)
    if write:
        count = review_sheets.queue_to_csv(at.ws, at.actor, sheet, site, limit)
        say(as_json, {"file": sheet, "photos": count}, f"Wrote {count} photos to {sheet}.")
        return
    refuse_unused("site", "limit", why="goes with --write")
    report = review_sheets.decide_from_csv(at.ws, at.actor, sheet)
    say(as_json, report, lambda: _report_lines(report))
    ctx.exit(ATTENTION if report.refused else 0)


def _report_lines(report: SheetReport) -> Iterator[str]:
    for line in report.refused:
        yield f"line {line.number}: refused. {line.message}"
    kept = sum(line.message != SAID_BEFORE for line in report.accepted)
    before = f", {len(report.accepted) - kept} said before" if kept < len(report.accepted) else ""
    yield f"{kept} decisions kept{before}, {len(report.refused)} refused."


@click.command()
@click.option("--since", type=click.DateTime(["%Y-%m-%d"]), help="Only photos seen from this day on (UTC).")
@click.option("--by", type=click.Choice(GROUPS), default="site", show_default=True, help="Rates by this.")
@click.option("--kind", type=click.Choice([kind.value for kind in FindingKind]), help="Only this damage.")
@click.option(
    "--report", type=click.Path(path_type=Path, dir_okay=False), help="Write the report (HTML) here."
)
@click.option("--month", help="Month of the report, YYYY-MM (default: the last full one).")
@as_json
@station
def trends(
    at: Station,
    since: datetime | None,
    by: str,
    kind: str | None,
    report: Path | None,
    month: str | None,
    as_json: bool,
) -> None:
    """Show damage rates with their intervals, or write the monthly report."""
    if report is not None:
        _write_report(at, report, month)
        say(as_json, {"file": report}, f"Wrote {report}.")
        return
    refuse_unused("month", why="goes with --report; --since chooses the days of the rates")
    figure = _rates(at, since, by, kind)
    say(as_json, _figure_data(figure), lambda: _figure_lines(figure))


def _rates(at: Station, since: datetime | None, by: str, kind: str | None) -> Figure:
    from data_tools.trend_data import load_trends
    from data_tools.trends import By, damage_rate

    data = load_trends(at.ws, at.actor, since.replace(tzinfo=UTC) if since else None)
    return damage_rate(data, By(by), FindingKind(kind) if kind else None)


def _figure_data(figure: Figure) -> dict[str, object]:
    rows = json.loads(figure.table.to_json(orient="records", date_format="iso"))
    told = {"title": figure.title, "counted": figure.counted, "n": figure.n, "not_enough": figure.not_enough}
    return {**told, "rows": rows, "notices": figure.notices}


def _figure_lines(figure: Figure) -> Iterator[str]:
    yield f"{figure.title} (n = {figure.n}; {figure.counted})"
    yield from figure.table.to_string(index=False).splitlines() if figure.enough else [figure.not_enough]
    yield from figure.notices


def _write_report(at: Station, target: Path, month: str | None) -> None:
    refuse_unused("since", "by", "kind", why="goes without --report: it covers a month, by all of these")
    from data_tools.report import monthly_report

    document = monthly_report(at.ws, at.actor, month)
    with storage_errors(f"to write {target}"):
        target.write_text(document, encoding="utf-8")


COMMANDS: tuple[click.Command, ...] = (review, trends)
