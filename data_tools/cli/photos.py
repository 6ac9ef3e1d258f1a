"""Commands that take photos in and file them."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

import click

from data_tools import ingest as intake
from data_tools.cli.frame import (
    ATTENTION,
    Station,
    as_json,
    bar,
    one_line,
    paths_argument,
    plain,
    refuse_unused,
    say,
    station,
    waiting_event_line,
)
from data_tools.own_words import Said, couplers_said, file_as_said, say_themselves
from data_tools.records import IngestedFile, IngestStatus
from data_tools.refile import refile
from data_tools.scoring import nothing_in
from data_tools.standing import Stand
from data_tools.waiting import (
    WaitingFile,
    aside_words,
    bring_back,
    list_set_aside,
    list_waiting,
    set_aside,
)

_FINE = frozenset({IngestStatus.STORED, IngestStatus.KNOWN, IngestStatus.SET_ASIDE})


@click.command()
@paths_argument
@click.option("--site", required=True, help="Key of the site.")
@click.option(
    "--unit", help="Unit of all these photos; one that says another waits (default: label, then file name)."
)
@click.option("--position", help="Which coupler of that unit.")
@click.option("--may-be-empty", is_flag=True, help="A folder without a file is fine: exit code 0 (for cron).")
@as_json
@click.pass_context
def ingest(
    ctx: click.Context,
    paths: tuple[Path, ...],
    site: str,
    unit: str | None,
    position: str | None,
    may_be_empty: bool,
    as_json: bool,
) -> None:
    """Take in photos, folders or zips at PATHS as part of a site's round.

    Folders without a file are refused (exit code 3), unless --may-be-empty says that it is no error.
    """
    at = ctx.ensure_object(Station)
    if unit is None:
        refuse_unused("position", why="goes with --unit")
    with bar("taking in") as progress:
        report = intake.ingest(
            at.ws, at.actor, intake.sources_from_paths(paths), site,
            unit_key=unit, position=position, progress=progress,
        )  # fmt: skip
    ctx.exit(_say_files(report.files, as_json, None if may_be_empty else paths))


def _brief(file: IngestedFile) -> dict[str, object]:
    """Return what became of one file, with the verdict as ``rounds score`` prints it."""
    verdict = file.verdict.judgement.to_json(file.file_name) if file.verdict else None
    photo = file.photo
    return {
        "file": file.file_name,
        "status": file.status.value,
        "message": file.message,
        "reason": plain(file.reason),
        "photo": photo.id if photo else None,
        "sha256": photo.sha256 if photo else None,
        "unit": photo.unit_key if photo else None,
        "position": photo.position if photo else None,
        "waiting": file.waiting_id,
        "stand": plain(file.state.stand if file.state else None),
        "before": plain(file.state.before if file.state else ()),
        "not_in_view": plain(file.state.unseen if file.state else ()),
        "open_damage": plain(file.on_coupler.stand if file.on_coupler else None),
        "verdict": verdict,
    }


def _line(file: IngestedFile) -> str:
    where = f" [{file.photo.unit_key}]" if file.photo else ""
    if file.waiting_id is not None:
        where = f" [waiting photo {file.waiting_id}]"
    return one_line(f"{file.file_name}{where}: {file.status.value.replace('_', ' ')}. {file.message}")


def _say_files(files: Sequence[IngestedFile], as_json: bool, wanted: Sequence[Path] | None = None) -> int:
    """Print what became of each file, and return the exit code; refuse where there is none at ``wanted``."""
    if not files and wanted:
        raise nothing_in(wanted)
    for file in files:
        click.echo(json.dumps(_brief(file), ensure_ascii=False) if as_json else _line(file))
    if not as_json:
        counts = Counter(file.status.value.replace("_", " ") for file in files)
        told = ", ".join(f"{n} {word}" for word, n in sorted(counts.items()))
        click.echo(f"{len(files)} files: {told or 'nothing there'}{_doubts(files)}")
    return 0 if all(file.status in _FINE for file in files) else ATTENTION


def _doubts(files: Sequence[IngestedFile]) -> str:
    """Say how many of the photos are in doubt (and as before) and how many are to be taken again."""
    stands = Counter(file.state.stand for file in files if file.state)
    before, again = stands[Stand.AS_BEFORE], stands[Stand.NOT_TOLD] + stands[Stand.IN_PART]
    unsure = stands[Stand.DOUBTED] + before
    doubts = f"; {unsure} in doubt, {before} no more than before" if unsure else ""
    return doubts + (f"; {again} to take again" if again else "")


@click.command()
@as_json
@click.option("--site", help="Only of this site.")
@click.option("--aside", is_flag=True, help="Those that were set aside instead, and why.")
@station
def waiting(at: Station, site: str | None, aside: bool, as_json: bool) -> None:
    """List photos that wait for somebody to name their unit."""
    found = (list_set_aside if aside else list_waiting)(at.ws, at.actor, site)
    say(as_json, found, lambda: map(_waiting_line, found))


def _waiting_line(file: WaitingFile) -> str:
    why = f"{aside_words(file.aside)} ({file.aside.done_at:%Y-%m-%d} UTC)" if file.aside else file.why
    return f"{file.id}  {file.file_name}  {file.site_key or '-'}  {why}"


@click.command("set-aside")
@click.argument("waiting_id", type=int)
@click.option("--reason", required=True, help="What the photo shows.")
@as_json
@station
def set_photo_aside(at: Station, waiting_id: int, reason: str, as_json: bool) -> None:
    """Set the waiting photo WAITING_ID aside: it shows no coupler. It stays kept."""
    file = set_aside(at.ws, at.actor, waiting_id, reason)
    say(as_json, file, waiting_event_line(file.events[-1]))


@click.command("bring-back")
@click.argument("waiting_id", type=int)
@click.option("--reason", default="", help="Why.")
@as_json
@station
def bring_photo_back(at: Station, waiting_id: int, reason: str, as_json: bool) -> None:
    """Let the photo WAITING_ID, which was set aside, wait for its unit again."""
    file = bring_back(at.ws, at.actor, waiting_id, reason)
    say(as_json, file, waiting_event_line(file.events[-1]))


@click.command()
@as_json
@station
def rejected(at: Station, as_json: bool) -> None:
    """List files kept aside because they are no photos we can read."""
    found = intake.list_rejected(at.ws, at.actor)
    path = at.ws.rejected.path
    say(as_json, found, lambda: (f"{r.file_name}  {path(r.sha256)}  {r.why}" for r in found))


@click.command()
@click.argument("waiting_id", type=int)
@click.argument("unit")
@click.option("--position", help="Which coupler of the unit.")
@as_json
@station
def assign(at: Station, waiting_id: int, unit: str, position: str | None, as_json: bool) -> None:
    """Name the UNIT of the waiting photo WAITING_ID."""
    file = intake.assign_unit(at.ws, at.actor, waiting_id, unit, position=position)
    say(as_json, _brief(file), _line(file))


@click.command("assign-as-said")
@click.option("--site", help="Only of this site.")
@click.option("--yes", is_flag=True, help="File them; without it, only tell which units get how many.")
@as_json
@click.pass_context
def assign_as_said(ctx: click.Context, site: str | None, yes: bool, as_json: bool) -> None:
    """File all waiting photos whose file name or code label says one unit that there is."""
    at = ctx.ensure_object(Station)
    said = say_themselves(at.ws, at.actor, site)
    if said and yes:
        with bar("filing", len(said)) as progress:
            files = file_as_said(at.ws, at.actor, said, progress)
        ctx.exit(_say_files(files, as_json))
    say(as_json, said, lambda: _plan_lines(said))
    ctx.exit(ATTENTION if said else 0)


def _plan_lines(said: Sequence[Said]) -> Iterator[str]:
    for (unit, position), count in couplers_said(said):
        yield f"{unit} {position}: {count} photo{'s' if count > 1 else ''}"
    yield "Nothing is filed yet: say --yes." if said else "No waiting photo says its unit."


@click.command("refile")
@click.argument("photo", type=int)
@click.argument("unit")
@click.option("--reason", required=True)
@click.option("--position", help="Which coupler of the unit.")
@click.option("--coupler", type=int, help="One that is or was there, by its number in `rounds export`.")
@as_json
@station
def refile_photo(
    at: Station, photo: int, unit: str, reason: str, position: str | None, coupler: int | None, as_json: bool
) -> None:
    """File the wrongly filed PHOTO (its number in `rounds history`) under UNIT."""
    if coupler is not None:
        refuse_unused("position", why="goes without --coupler, which says both")
    event = refile(at.ws, at.actor, photo, unit, reason, position=position, coupler_id=coupler)
    say(as_json, event, f"Moved by {event.done_by}: {event.reason}")


COMMANDS: tuple[click.Command, ...] = (
    ingest, waiting, set_photo_aside, bring_photo_back, rejected, assign, assign_as_said,
    refile_photo,
)  # fmt: skip
