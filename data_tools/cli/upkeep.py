"""Commands that keep the store in order, and the one that opens the review app."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

import click

from data_tools import backup as backing_up
from data_tools import export as exporting
from data_tools import verify as verifying
from data_tools.backup import BackupReport
from data_tools.cli.frame import ATTENTION, Station, as_json, bar, plain, say, station
from data_tools.settings import SETTINGS
from data_tools.verify import VerifyReport
from data_tools.workspace import init_workspace
from model.errors import NotFoundError

folder_argument = click.argument("folder", type=click.Path(path_type=Path, file_okay=False))


@click.command()
@click.option("--repair", is_flag=True, help="Put right what can be put right without guessing.")
@as_json
@click.pass_context
def verify(ctx: click.Context, repair: bool, as_json: bool) -> None:
    """Check that the store holds what it says and says what it holds."""
    at = ctx.ensure_object(Station)
    report = verifying.verify(at.ws, at.actor, repair)
    say(as_json, {**plain(report), "ok": report.ok}, lambda: _problems(report))
    ctx.exit(0 if report.ok else ATTENTION)


def _problems(report: VerifyReport) -> Iterator[str]:
    for problem in report.problems:
        state = (
            "repaired"
            if problem.repaired
            else ("can be repaired" if problem.repairable else "needs a person")
        )
        yield f"{problem.kind}: {problem.subject}. {problem.message} ({state})"
    yield f"{report.photos} photos, {report.originals} originals, {len(report.problems)} problems."


@click.command()
@folder_argument
@as_json
@click.pass_context
def backup(ctx: click.Context, folder: Path, as_json: bool) -> None:
    """Copy the workspace to FOLDER; the copy opens as a workspace.

    Again into the same FOLDER it adds what is new, and reads what is there: a damaged copy is made again, a
    whole one is never replaced by a damaged original.
    """
    at = ctx.ensure_object(Station)
    with bar("backing up", unit="file") as progress:
        report = backing_up.backup(at.ws, at.actor, folder, progress=progress)
    say(as_json, report, lambda: _backed_up(report))
    ctx.exit(ATTENTION if report.damaged else 0)


def _backed_up(report: BackupReport) -> Iterator[str]:
    for name in report.damaged:
        yield f"damaged: {name}. No whole copy of it is in the backup; run `rounds verify`."
    size = f"{report.copied_bytes / 1e6:.1f} MB"
    yield f"{report.copied} files copied ({size}), {report.there_already} there already."


@click.command()
@folder_argument
@as_json
@station
def export(at: Station, folder: Path, as_json: bool) -> None:
    """Write all records as CSV files into FOLDER (no photos)."""
    counts = exporting.export(at.ws, at.actor, folder)
    say(as_json, counts, lambda: (f"{name}: {rows} rows" for name, rows in counts.items()))


@click.command()
@as_json
@station
def settings(at: Station, as_json: bool) -> None:
    """List every setting: its value here, its environment variable, its meaning."""
    values = {s.name: plain(getattr(at.settings, s.name)) for s in SETTINGS}
    rows = [
        {"name": s.name, "value": values[s.name], "variable": s.variable, "help": s.help} for s in SETTINGS
    ]
    say(as_json, rows, lambda: (f"{r['name']} = {r['value']}  ({r['variable']})  {r['help']}" for r in rows))


@click.command()
@click.option("--port", type=click.IntRange(1, 65535), default=8501, show_default=True)
@click.option(
    "--address", default="127.0.0.1", show_default=True, help="Listen here; other machines need a login."
)
@click.option("--headless", is_flag=True, help="Do not open a browser.")
@click.pass_context
def app(ctx: click.Context, port: int, address: str, headless: bool) -> None:
    """Open the review app (by default for this machine only)."""
    ws = init_workspace(ctx.ensure_object(Station).settings)
    command = [*_streamlit(), f"--server.port={port}", f"--server.address={address}"]
    command.append(f"--server.headless={str(headless).lower()}")
    environment = {**os.environ, "ROUNDS_WORKSPACE": str(ws.folder.resolve())}
    click.echo(f"The review app is on http://{address}:{port} (Ctrl-C stops it).", err=True)
    ctx.exit(subprocess.run(command, env=environment, check=False).returncode)


def _streamlit() -> list[str]:
    """Return the start of the command that runs the app; the screens are found, never imported, from here."""
    found = find_spec("review_app")
    if found is None or found.origin is None:
        raise NotFoundError("the review app", "an installation without it", "Install the whole product.")
    return [sys.executable, "-m", "streamlit", "run", str(Path(found.origin).with_name("app.py"))]


COMMANDS: tuple[click.Command, ...] = (verify, backup, export, settings, app)
