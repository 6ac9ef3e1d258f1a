"""Commands about sites, units and what happens to them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime

import click

from data_tools import conditions, history, sites
from data_tools.cli.frame import Station, as_json, say, station
from data_tools.cli.told import entry_line, event_line
from data_tools.coupler_family import FamilyDoubt, correct_family, families_in_doubt
from data_tools.held import Held, held_units, stands
from data_tools.history import Timeline
from data_tools.open_observations import open_observations
from data_tools.records import (
    EventRecord,
    ObservationKind,
    RosterLine,
    Site,
    Unit,
)
from data_tools.workspace import init_workspace
from model.families import FAMILIES


def _day(value: datetime | None) -> date | None:
    return value.date() if value is not None else None


day_option = click.DateTime(["%Y-%m-%d"])


@click.command()
@station
def init(at: Station) -> None:
    """Make the workspace (folder and database); harmless where it is there already."""
    ws = init_workspace(at.settings)
    click.echo(f"The workspace is ready in {ws.folder}.")


@click.command("add-site")
@click.argument("key")
@click.option("--name", default="", help="Name for people.")
@click.option("--timezone", help="IANA name such as Europe/Zurich.")
@as_json
@station
def add_site(at: Station, key: str, name: str, timezone: str | None, as_json: bool) -> None:
    """Add a site with a short KEY."""
    site = sites.add_site(at.ws, at.actor, key, name, timezone)
    say(as_json, site, f"Added site {site.key} ({site.name}, {site.timezone}).")


@click.command("close-site")
@click.argument("key")
@as_json
@station
def close_site(at: Station, key: str, as_json: bool) -> None:
    """Close a site: it takes no more photos; its history stays."""
    site = sites.close_site(at.ws, at.actor, key)
    say(as_json, site, f"Closed site {site.key}.")


@click.command("add-unit")
@click.argument("key")
@click.option("--site", required=True, help="Key of its site.")
@click.option("--name", default="", help="Name for people.")
@click.option("--family", type=click.Choice(list(FAMILIES)), default="type1", show_default=True)
@click.option("--part-number", default="", help="Part number of the coupler.")
@click.option("--installed-on", type=day_option, help="Day the coupler was installed (YYYY-MM-DD).")
@click.option("--position", default="A", show_default=True, help="Which coupler of the unit.")
@as_json
@station
def add_unit(
    at: Station,
    key: str,
    site: str,
    name: str,
    family: str,
    part_number: str,
    installed_on: datetime | None,
    position: str,
    as_json: bool,
) -> None:
    """Add a unit, or one more coupler of a known unit."""
    unit = sites.add_unit(
        at.ws, at.actor, site, key, name,
        family=family, part_number=part_number, installed_on=_day(installed_on), position=position,
    )  # fmt: skip
    positions = ", ".join(c.position for c in unit.couplers)
    say(as_json, unit, f"Unit {unit.key} at {unit.site_key} has couplers {positions}.")


@click.command("sites")
@as_json
@station
def list_sites(at: Station, as_json: bool) -> None:
    """List the sites."""
    found = sites.list_sites(at.ws, at.actor)
    say(as_json, found, lambda: (f"{s.key}  {s.name}  {s.timezone}{_alike(s)}" for s in found))


@click.command()
@click.argument("site")
@click.option("--week-of", type=day_option, help="Any day of the wanted week (default: today).")
@as_json
@station
def roster(at: Station, site: str, week_of: datetime | None, as_json: bool) -> None:
    """Show every unit of SITE and what this week's round still lacks."""
    lines = sites.roster(at.ws, at.actor, site, _day(week_of))
    held = held_units(at.ws, at.actor, site)
    doubts = families_in_doubt(at.ws, at.actor, site)
    data = [
        _with_hold(line, line.unit, held.get(line.unit.key))
        | {"families_in_doubt": [doubt for doubt in doubts if doubt.unit_key == line.unit.key]}
        for line in lines
    ]
    say(as_json, data, lambda: _roster_lines(lines, held, doubts))


def _with_hold(told: RosterLine | Timeline, unit: Unit, held: Held | None) -> dict[str, object]:
    """Return what is told of a unit with how it stands and what holds it up: for machines as for people."""
    return {**vars(told), "stands": stands(unit.status, held), "held": held}


def _roster_line(line: RosterLine, held: Held | None) -> str:
    todo = "done" if line.done_this_week else f"missing: {', '.join(line.missing_positions) or 'coupler'}"
    reason = line.take_again.value if line.take_again else "a person could not tell"
    again = f" (take again: {reason})" if line.again else ""
    why = f"  {held.why}" if held else ""
    spared = f"  in doubt, but no more than when ruled intact: {line.as_before}" if line.as_before else ""
    return f"{line.unit.key}  {_status(line.unit, held)}  {todo}{again}{spared}{why}{_alike(line.unit)}"


def _status(unit: Unit, held: Held | None) -> str:
    """Return how a unit stands, in capitals where it is held up."""
    words = stands(unit.status, held)
    return words if words == unit.status.value else words.upper()


def _roster_lines(lines: list[RosterLine], held: dict[str, Held], doubts: list[FamilyDoubt]) -> Iterator[str]:
    yield from (_roster_line(line, held.get(line.unit.key)) for line in lines)
    for doubt in doubts:
        yield (
            f"{doubt.unit_key} {doubt.position} is entered as {doubt.entered}, but its last photos look like "
            f"{doubt.seen}: what is confirmed on them is not learnt from. Where it is a {doubt.seen}: "
            f"`rounds act family {doubt.unit_key} {doubt.seen} --position {doubt.position} --reason ...`"
        )


def _alike(named: Site | Unit) -> str:
    """Say that another key is so alike that names are not told apart, where an older store holds it."""
    words = f"  (not the same as {named.alike}: only a name written exactly as the key counts for either)"
    return words if named.alike else ""


@click.command("history")
@click.argument("unit")
@as_json
@station
def unit_history(at: Station, unit: str, as_json: bool) -> None:
    """Show everything that is known of UNIT, oldest first."""
    told = history.timeline(at.ws, at.actor, unit)
    held = held_units(at.ws, at.actor, told.unit.site_key).get(told.unit.key)
    say(as_json, _with_hold(told, told.unit, held), lambda: _history_lines(told, held))


def _history_lines(told: Timeline, held: Held | None) -> Iterator[str]:
    unit, why = told.unit, f": {held.why}" if held else ""
    yield f"Unit {unit.key} at {unit.site_key}: {_status(unit, held)}{why}{_alike(unit)}"
    for entry in told.entries:
        yield f"{entry.at:%Y-%m-%d %H:%M} UTC  {entry_line(entry)}"


@click.group()
def act() -> None:
    """Take a unit out of service, replace a coupler, return a unit, note an observation."""


def _said(as_json: bool, event: EventRecord) -> None:
    say(as_json, event, lambda: iter([f"{event.unit_key}: {event_line(event)}", *conditions.CAUTIONS]))


@act.command("out")
@click.argument("unit")
@click.option("--reason", required=True)
@as_json
@station
def act_out(at: Station, unit: str, reason: str, as_json: bool) -> None:
    """Take UNIT out of service."""
    _said(as_json, conditions.take_out_of_service(at.ws, at.actor, unit, reason))


@act.command("return")
@click.argument("unit")
@click.option("--reason", required=True)
@as_json
@station
def act_return(at: Station, unit: str, reason: str, as_json: bool) -> None:
    """Return UNIT to service."""
    _said(as_json, conditions.return_to_service(at.ws, at.actor, unit, reason))


@act.command("replace")
@click.argument("unit")
@click.option("--position", default="A", show_default=True)
@click.option("--part-number", required=True)
@click.option("--family", type=click.Choice(list(FAMILIES)), help="Default: as before.")
@click.option("--reason", required=True)
@click.option(
    "--swapped-at",
    type=click.DateTime(["%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M"]),
    help="When, in the site's time (YYYY-MM-DD HH:MM; default: now; of an hour that its clocks repeat, the "
    "earlier one). Photos taken since are of the new one.",
)
@as_json
@station
def act_replace(
    at: Station, unit: str, position: str, part_number: str, family: str | None, reason: str,
    swapped_at: datetime | None, as_json: bool,
) -> None:  # fmt: skip
    """Replace the coupler on a position of UNIT."""
    event = conditions.replace_coupler(
        at.ws, at.actor, unit, position, part_number, reason, family, swapped_at=swapped_at
    )
    _said(as_json, event)


@act.command("observe")
@click.argument("unit")
@click.argument("what", type=click.Choice([kind.value for kind in ObservationKind]))
@click.option("--note", default="")
@click.option("--blinks", type=int, help="Blinks of the fault light between two pauses.")
@click.option("--position", help="Which coupler of the unit.")
@as_json
@station
def act_observe(
    at: Station, unit: str, what: str, note: str, blinks: int | None, position: str | None, as_json: bool
) -> None:
    """Note WHAT was seen on UNIT that a photo does not show."""
    event = conditions.observe(at.ws, at.actor, unit, what, note, blinks=blinks, position=position)
    say(as_json, event, f"{event.unit_key}: {event_line(event)}")


@act.command("family")
@click.argument("unit")
@click.argument("family", type=click.Choice(list(FAMILIES)))
@click.option("--reason", required=True)
@click.option("--position", default="A", show_default=True)
@as_json
@station
def act_family(at: Station, unit: str, family: str, reason: str, position: str, as_json: bool) -> None:
    """Correct the FAMILY that a coupler of UNIT was entered with."""
    event = correct_family(at.ws, at.actor, unit, position, family, reason)
    say(as_json, event, f"{event.unit_key}: {event_line(event)}")


@act.command("open")
@click.option("--site", help="Only this site.")
@as_json
@station
def act_open(at: Station, site: str | None, as_json: bool) -> None:
    """List what was noted on units and nobody has settled."""
    found = open_observations(at.ws, at.actor, site)
    say(as_json, found, lambda: (f"{event.id}  {event.unit_key}  {event_line(event)}" for event in found))


@act.command("settle")
@click.argument("number", type=int)
@click.option("--how", required=True, help="What was found or put right.")
@as_json
@station
def act_settle(at: Station, number: int, how: str, as_json: bool) -> None:
    """Settle the observation of that NUMBER (see `rounds act open`)."""
    event = conditions.settle_observation(at.ws, at.actor, number, how)
    say(as_json, event, f"{event.unit_key}: settled: {how}")


COMMANDS: tuple[click.Command, ...] = (
    init, add_site, close_site, add_unit, list_sites, roster, unit_history, act,
)  # fmt: skip
