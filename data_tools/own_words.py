"""Waiting photos that say their unit themselves, by code label or file name, filed so in one go.

A whole folder that was sent under the wrong unit waits photo by photo; so do photos that came before their
unit was entered, and those that the model failed on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload, selectinload

from data_tools.access import Actor, Permission
from data_tools.database.schema import SiteRow, UnitRow
from data_tools.desk import told
from data_tools.ingest import assigned
from data_tools.intake import Target, find_photo
from data_tools.keys import KnownKeys
from data_tools.received import as_it_stands
from data_tools.records import IngestedFile, IngestStatus
from data_tools.unit_labels import UnitHint, unit_from_file_name
from data_tools.waiting import WaitingFile, list_waiting
from data_tools.which_coupler import first_position
from data_tools.workspace import Workspace
from model.errors import RoundsError

_AT_ONCE = 500


@dataclass(frozen=True)
class _Unit:
    site_key: str
    positions: KnownKeys
    first: str


@dataclass(frozen=True)
class Said:
    """A waiting photo, and the coupler that its label or name says it shows."""

    file: WaitingFile
    unit_key: str
    position: str


def say_themselves(ws: Workspace, actor: Actor, site_key: str | None = None) -> list[Said]:
    """Return the waiting photos whose label or name says one coupler that is there, oldest first.

    Left out: those that say nothing, a coupler that is not there, one of a closed site, or one thing in the
    label and another in the name. Of photos that came without a chosen unit, the name may only say a unit of
    the site that they were sent to.

    Raises:
        NotFoundError: no such site.
    """
    files = list_waiting(ws, actor, site_key)
    if not files:
        return []
    with ws.read() as session:
        known = KnownKeys(session.scalars(select(UnitRow.key)))
        named = [unit_from_file_name(file.file_name, known) for file in files]
        keys = {hint.unit_key for hint in named if hint} | {
            file.offered[0][0] for file in files if file.offered
        }
        units = _open_units(session, sorted(keys))
    said = (_said(file, hint, units) for file, hint in zip(files, named, strict=True))
    return [one for one in said if one is not None]


def _open_units(session: Session, keys: Sequence[str]) -> dict[str, _Unit]:
    """Return the units of open sites that have couplers, by key."""
    found = {}
    for start in range(0, len(keys), _AT_ONCE):
        query = select(UnitRow).join(SiteRow).where(UnitRow.key.in_(keys[start : start + _AT_ONCE]))
        query = query.where(SiteRow.closed_at.is_(None))
        for row in session.scalars(query.options(selectinload(UnitRow.couplers), joinedload(UnitRow.site))):
            there = [coupler.position for coupler in row.couplers if coupler.removed_on is None]
            if there:
                found[row.key] = _Unit(row.site.key, KnownKeys(there), first_position(row))
    return found


def _said(file: WaitingFile, hint: UnitHint | None, units: dict[str, _Unit]) -> Said | None:
    """Return what label and name of ``file`` say together; ``hint`` is what its name says."""
    by_name = _coupler(hint, units) if hint else None
    if hint is not None and by_name is None:
        return None
    if len(file.offered) > 1:  # what it says stands before what was chosen
        unit_key, position = file.offered[0]
        there = unit_key in units and units[unit_key].positions.get(position) is not None
        one = hint is None or hint.unit_key == unit_key and (not hint.position or by_name == file.offered[0])
        return Said(file, unit_key, position) if there and one else None
    if by_name is None:
        return None
    likely = by_name in file.offered if file.offered else units[by_name[0]].site_key == file.site_key
    return Said(file, *by_name) if likely else None


def _coupler(hint: UnitHint, units: dict[str, _Unit]) -> tuple[str, str] | None:
    """Return unit key and position of the coupler that a name says, where it is there."""
    unit = units.get(hint.unit_key)
    position = unit and (unit.positions.get(hint.position) if hint.position else unit.first)
    return (hint.unit_key, position) if position else None


def couplers_said(said: Sequence[Said]) -> list[tuple[tuple[str, str], int]]:
    """Return unit key and position of each coupler said, with its count of photos, by key."""
    return sorted(Counter((one.unit_key, one.position) for one in said).items())


def file_as_said(
    ws: Workspace,
    actor: Actor,
    said: Sequence[Said],
    progress: Callable[[int, str], None] | None = None,
) -> list[IngestedFile]:
    """File each photo under the coupler it says, as ``assign_unit`` does, and say what became of each.

    What somebody else did with one meanwhile, or what cannot be done, is told of that photo; the rest goes
    on. ``progress`` is called with the count of photos done and the name of the last one.
    """
    actor.require(Permission.SEND)
    done = []
    for one in said:
        done.append(_file(ws, actor, one))
        if progress is not None:
            progress(len(done), one.file.file_name)
    return as_it_stands(ws, actor, done)


def _file(ws: Workspace, actor: Actor, said: Said) -> IngestedFile:
    name = said.file.file_name
    try:
        return assigned(ws, actor, said.file.id, said.unit_key, said.position)
    except RoundsError as error:
        with ws.read() as session:
            kept = find_photo(session, said.file.sha256)
        if kept is not None:
            return told(name, kept, Target(said.unit_key, said.position))
        return IngestedFile(name, IngestStatus.NEEDS_UNIT, str(error), waiting_id=said.file.id)
