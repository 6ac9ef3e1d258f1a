"""Everything that is known, as CSV files for other programs. No originals: their GPS never leaves the store.

Times are UTC (ISO 8601). Text cells that a spreadsheet would run as formulas carry an apostrophe
(``csv_cells``)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from enum import Enum
from pathlib import Path
from typing import Any

from sqlalchemy import Executable, select
from sqlalchemy.orm import Session

from data_tools.access import Actor, Permission
from data_tools.csv_cells import csv_bytes
from data_tools.database import schema as db
from data_tools.held import Held, held_units, stands
from data_tools.lookup import findings_from_json
from data_tools.records import UnitStatus
from data_tools.review_sheets import findings_text
from data_tools.workspace import Workspace
from model.errors import storage_errors


def export(ws: Workspace, actor: Actor, folder: Path) -> dict[str, int]:
    """Write one CSV file a kind of record into ``folder`` and return file name -> rows.

    Raises:
        StorageError: the folder cannot be written.
    """
    actor.require(Permission.PLAN)
    counts, held = {}, held_units(ws, actor)
    with ws.read() as session, storage_errors(f"to write an export in {folder}"):
        folder.mkdir(parents=True, exist_ok=True)
        for name, query in _tables():
            header, rows = _rows(session, query)
            if name == "units":
                header, rows = _with_holds(header, rows, held)
            target = folder / f"{name}.csv"
            part = target.with_suffix(".part")
            part.write_bytes(csv_bytes(header, rows))
            part.replace(target)
            counts[target.name] = len(rows)
    return counts


def _rows(session: Session, query: Executable) -> tuple[list[str], list[Sequence[Any]]]:
    result = session.execute(query)
    names = list(result.keys())
    return names, [[_cell(name, value) for name, value in zip(names, row, strict=True)] for row in result]


def _with_holds(
    header: list[str], rows: list[Sequence[Any]], held: Mapping[str, Held]
) -> tuple[list[str], list[Sequence[Any]]]:
    """Return the units with how each stands and what holds it up: "in service" alone would say too little."""
    key, status = header.index("key"), header.index("status")
    told: list[Sequence[Any]] = []
    for row in rows:
        hold = held.get(row[key])
        told.append([*row, stands(UnitStatus(row[status]), hold), hold.why if hold else ""])
    return [*header, "stands", "held_by"], told


def _cell(name: str, value: Any) -> Any:
    if name == "findings":
        return findings_text(findings_from_json(value))
    if name == "before":
        return "; ".join(str(seen["photo"]) for seen in value)
    if name == "not_in_view":
        return "; ".join(value)
    return value.value if isinstance(value, Enum) else value


def _tables() -> Iterator[tuple[str, Executable]]:
    yield "sites", select(db.SiteRow.key, db.SiteRow.name, db.SiteRow.timezone, db.SiteRow.closed_at)
    yield "units", _units()
    yield "couplers", _couplers()
    yield "photos", _photos()
    yield "verdicts", _verdicts()
    yield "decisions", _decisions()
    yield "condition_events", _events()
    yield "observations", _observations()
    yield "waiting_events", _waiting_events()


def _units() -> Executable:
    unit, site = db.UnitRow, db.SiteRow
    return select(unit.key, site.key.label("site"), unit.name, unit.status).join(site).order_by(unit.key)


def _couplers() -> Executable:
    row = db.CouplerRow
    columns = (row.position, row.number, row.family, row.part_number, row.installed_on, row.removed_on)
    return select(row.id, db.UnitRow.key.label("unit"), *columns).join(db.UnitRow).order_by(row.id)


def _photos() -> Executable:
    photo, state, round_ = db.PhotoRow, db.PhotoStateRow, db.RoundRow
    sent = (photo.taken_at, photo.received_at, photo.received_by, photo.width, photo.height)
    stands = (state.stand, state.judged, state.reason, state.triage, state.findings, state.conflict)
    names = (photo.id, photo.sha256, photo.file_name, photo.coupler_id.label("coupler"))
    unseen = state.unseen.label("not_in_view")
    return (
        select(*names, round_.iso_year, round_.iso_week, *sent, *stands, state.before, unseen)
        .join(round_, round_.id == photo.round_id)
        .join(state, state.photo_id == photo.id)
        .order_by(photo.id)
    )


def _verdicts() -> Executable:
    row = db.VerdictRow
    said = (row.made_at, row.model_version, row.outcome, row.reason, row.triage)
    chances = (row.p_missing_latch, row.p_broken_pin_housing, row.p_heat_melted_housing)
    return select(row.id, row.photo_id.label("photo"), *said, *chances).order_by(row.id)


def _decisions() -> Executable:
    row = db.DecisionRow
    about = (row.id, row.photo_id.label("photo"), row.verdict_id.label("verdict"))
    said = (row.kind, row.judged, row.findings, row.decided_by, row.decided_at, row.seconds, row.comment)
    return select(*about, *said, row.evidence_shown, row.withdraws_id.label("withdraws")).order_by(row.id)


def _events() -> Executable:
    row, unit = db.EventRow, db.UnitRow
    couplers = (row.coupler_id.label("coupler"), row.new_coupler_id.label("new_coupler"))
    said = (row.kind, row.reason, row.done_by, row.done_at, row.photo_id.label("photo"))
    columns = (row.id, unit.key.label("unit"), *couplers, *said)
    return select(*columns).join(unit, unit.id == row.unit_id).order_by(row.id)


def _observations() -> Executable:
    row, unit = db.ObservationRow, db.UnitRow
    end = db.SettlementRow
    said = (row.what, row.blinks, row.note, row.done_by, row.done_at)
    settled = (end.how.label("settled_how"), end.done_by.label("settled_by"), end.done_at.label("settled_at"))
    columns = (row.id, unit.key.label("unit"), row.coupler_id.label("coupler"), *said, *settled)
    joined = select(*columns).join(unit, unit.id == row.unit_id)
    return joined.outerjoin(end, end.observation_id == row.id).order_by(row.id)


def _waiting_events() -> Executable:
    row, file = db.WaitingEventRow, db.WaitingRow
    photo = (file.sha256, file.file_name, file.photo_id.label("photo"))
    said = (row.kind, row.reason, row.done_by, row.done_at)
    return select(row.id, *photo, *said).join(file, file.id == row.waiting_id).order_by(row.id)
