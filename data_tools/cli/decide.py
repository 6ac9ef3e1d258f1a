"""Commands for the technician and the lead: decisions by spreadsheet, and trends."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import click

from data_tools import review_sheets
from data_tools.cli.frame import ATTENTION, Station, as_json, plain, say, station
from data_tools.review_sheets import SheetReport


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
    report = review_sheets.decide_from_csv(at.ws, at.actor, sheet)
    say(as_json, report, lambda: _report_lines(report))
    ctx.exit(ATTENTION if report.refused else 0)


def _report_lines(report: SheetReport) -> Iterator[str]:
    for line in report.refused:
        yield f"line {line.number}: refused. {line.message}"
    yield f"{len(report.accepted)} decisions kept, {len(report.refused)} refused."


@click.command()
@click.option(
    "--since", type=click.DateTime(["%Y-%m-%d"]), help="Only photos seen on or after this day (UTC)."
)
@click.option("--by", default="site", show_default=True, help="What to group damage rates by.")
@click.option(
    "--report", type=click.Path(path_type=Path, dir_okay=False), help="Write the month's report (HTML) here."
)
@click.option("--month", help="Month of the report, YYYY-MM (default: the last full one).")
@as_json
@station
def trends(
    at: Station, since: datetime | None, by: str, report: Path | None, month: str | None, as_json: bool
) -> None:
    """Show damage rates with their intervals, or write the monthly report."""
    if report is not None:
        _write_report(at, report, month)
        return
    figure = _figure(at, since, by)
    say(as_json, figure, lambda: iter(figure["table"] + figure["notices"]))


def _figure(at: Station, since: datetime | None, by: str) -> dict[str, list[str]]:
    """Return the damage rates as rows of text (pandas is loaded only here)."""
    from data_tools.trend_data import load_trends
    from data_tools.trends import damage_rate

    data = load_trends(at.ws, at.actor, since.replace(tzinfo=UTC) if since else None)
    figure = damage_rate(data, by)  # type: ignore[arg-type]
    return {"table": figure.table.to_string(index=False).splitlines(), "notices": list(plain(figure.notices))}


def _write_report(at: Station, target: Path, month: str | None) -> None:
    from data_tools.report import monthly_report

    target.write_text(monthly_report(at.ws, at.actor, month), encoding="utf-8")
    click.echo(f"Wrote {target}.")


COMMANDS: tuple[click.Command, ...] = (review, trends)
