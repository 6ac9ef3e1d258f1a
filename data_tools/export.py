"""Everything that is known, as CSV files for other programs. No originals: their GPS never leaves the store.

Times are UTC (ISO 8601). Text cells that a spreadsheet would run as formulas carry an apostrophe (``csv_cells``).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from enum import Enum
from pathlib import Path
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session

from data_tools.access import Actor, Permission
from data_tools.csv_cells import csv_text
from data_tools.database import schema as db
from data_tools.lookup import findings_from_json
from data_tools.photo_store import storage_errors
from data_tools.review_sheets import findings_text
from data_tools.workspace import Workspace

Table = tuple[str, Select[Any]]


def export(ws: Workspace, actor: Actor, folder: Path) -> dict[str, int]:
    """Write one CSV file a kind of record into ``folder`` and return file name -> rows.

    Raises:
        StorageError: the folder cannot be written.
    """
    actor.require(Permission.PLAN)
    counts = {}
    with ws.read() as session, storage_errors(f"to write an export in {folder}"):
        folder.mkdir(parents=True, exist_ok=True)
        for name, query in _tables():
            header, rows = _rows(session, query)
            target = folder / f"{name}.csv"
            part = target.with_suffix(".part")
            part.write_text(csv_text(header, rows), encoding="utf-8-sig", newline="")
            part.replace(target)
            counts[target.name] = len(rows)
    return counts


def _rows(session: Session, query: Select[Any]) -> tuple[list[str], list[Sequence[Any]]]:
    result = session.execute(query)
    header = [name.removesuffix("_json") for name in result.keys()]  # noqa: SIM118
    names = list(result.keys())
    return header, [[_cell(name, value) for name, value in zip(names, row, strict=True)] for row in result]


def _cell(name: str, value: Any) -> Any:
    if name == "findings_json":
        return findings_text(findings_from_json(value))
    return value.value if isinstance(value, Enum) else value


def _tables() -> Iterator[Table]:
    unit, coupler, photo = db.UnitRow, db.CouplerRow, db.PhotoRow
    yield "sites", select(db.SiteRow.key, db.SiteRow.name, db.SiteRow.timezone, db.SiteRow.closed_at)
    yield (
        "units",
        select(unit.key, db.SiteRow.key.label("site"), unit.name, unit.status)
        .join(db.SiteRow)
        .order_by(unit.key),
    )
    yield (
        "couplers",
        select(
            coupler.id, unit.key.label("unit"), coupler.position, coupler.number, coupler.family, coupler.part_number,
            coupler.installed_on, coupler.removed_on,
        ).join(unit).order_by(coupler.id),
    )  # fmt: skip
    yield "photos", _photos()
    yield (
        "verdicts",
        select(
            db.VerdictRow.id, db.VerdictRow.photo_id.label("photo"), db.VerdictRow.made_at, db.VerdictRow.model_version,
            db.VerdictRow.outcome, db.VerdictRow.reason, db.VerdictRow.triage, db.VerdictRow.p_missing_latch,
            db.VerdictRow.p_broken_pin_housing, db.VerdictRow.p_heat_melted_housing,
        ).order_by(db.VerdictRow.id),
    )  # fmt: skip
    decision = db.DecisionRow
    yield (
        "decisions",
        select(
            decision.id, decision.photo_id.label("photo"), decision.verdict_id.label("verdict"), decision.kind,
            decision.judged, decision.findings.label("findings_json"), decision.decided_by, decision.decided_at,
            decision.seconds, decision.comment, decision.evidence_shown, decision.withdraws_id.label("withdraws"),
        ).order_by(decision.id),
    )  # fmt: skip
    event, seen = db.EventRow, db.ObservationRow
    yield (
        "condition_events",
        select(
            event.id, unit.key.label("unit"), event.coupler_id.label("coupler"), event.new_coupler_id.label("new_coupler"),
            event.kind, event.reason, event.done_by, event.done_at,
        ).join(unit, unit.id == event.unit_id).order_by(event.id),
    )  # fmt: skip
    yield (
        "observations",
        select(
            seen.id, unit.key.label("unit"), seen.coupler_id.label("coupler"), seen.what, seen.blinks, seen.note,
            seen.done_by, seen.done_at,
        ).join(unit, unit.id == seen.unit_id).order_by(seen.id),
    )  # fmt: skip


def _photos() -> Select[Any]:
    photo, state, place = db.PhotoRow, db.PhotoStateRow, db.RoundRow
    week = func.coalesce(place.iso_week, 0).label("iso_week")
    return (
        select(
            photo.id, photo.sha256, photo.file_name, photo.coupler_id.label("coupler"), place.iso_year, week,
            photo.taken_at, photo.received_at, photo.received_by, photo.width, photo.height, state.judged,
            state.reason, state.triage, state.findings.label("findings_json"), state.conflict,
        )
        .join(place, place.id == photo.round_id)
        .join(state, state.photo_id == photo.id)
        .order_by(photo.id)
    )  # fmt: skip
