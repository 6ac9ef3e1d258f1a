"""The whole history of one unit: photos, verdicts, decisions and events of each of its couplers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import or_, select
from sqlalchemy.orm import Session, joinedload

from data_tools.access import Actor, Permission
from data_tools.database.schema import (
    CouplerRow,
    DecisionRow,
    EventRow,
    ObservationRow,
    PhotoRow,
    PhotoStateRow,
    SettlementRow,
    UnitRow,
    VerdictRow,
    WaitingRow,
)
from data_tools.lookup import (
    coupler_record,
    decision_records,
    event_record,
    observation_record,
    photo_record,
    twins,
    unit_record,
    unit_row,
    verdict_record,
)
from data_tools.records import Coupler, DecisionRecord, EventRecord, PhotoRecord, Unit, VerdictRecord
from data_tools.standing import State
from data_tools.states import state_record
from data_tools.waiting import WaitingEvent, events_of
from data_tools.workspace import Workspace


@dataclass(frozen=True)
class TimelineEntry:
    """One dated thing in a unit's history; exactly one record is set. ``state``: what stands for a photo;
    ``waited``: what was said of it before it had its unit."""

    at: datetime
    coupler_id: int | None
    photo: PhotoRecord | None = None
    verdict: VerdictRecord | None = None
    decision: DecisionRecord | None = None
    event: EventRecord | None = None
    state: State | None = None
    waited: WaitingEvent | None = None


@dataclass(frozen=True)
class Timeline:
    """The whole history of one unit, oldest first."""

    unit: Unit
    couplers: tuple[Coupler, ...]
    entries: tuple[TimelineEntry, ...]


def timeline(ws: Workspace, actor: Actor, unit_key: str) -> Timeline:
    """Return everything known of a unit, oldest first; raises ``NotFoundError``.

    A photo stands at the time it was seen, a verdict or decision at the time it was made.
    """
    actor.require(Permission.SEE)
    with ws.read() as session:
        unit = unit_row(session, unit_key)
        entries = [*_photo_entries(session, unit), *_event_entries(session, unit)]
        couplers = sorted(unit.couplers, key=lambda c: (c.position, c.number))
        return Timeline(
            unit=unit_record(unit, twins(session, UnitRow).get(unit.key, "")),
            couplers=tuple(coupler_record(c, unit.key) for c in couplers),
            entries=tuple(sorted(entries, key=lambda entry: entry.at)),
        )


def _photo_entries(session: Session, unit: UnitRow) -> list[TimelineEntry]:
    query = (
        select(PhotoRow, PhotoStateRow)
        .join(CouplerRow, CouplerRow.id == PhotoRow.coupler_id)
        .outerjoin(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .where(CouplerRow.unit_id == unit.id)
        .options(joinedload(PhotoRow.coupler).joinedload(CouplerRow.unit).joinedload(UnitRow.site))
        .order_by(PhotoRow.seen_at, PhotoRow.id)
    )
    coupler_of, entries = {}, []
    for photo, stands in session.execute(query):
        coupler_of[photo.id] = photo.coupler_id
        state = state_record(stands) if stands is not None else None
        entries.append(TimelineEntry(photo.seen_at, photo.coupler_id, photo=photo_record(photo), state=state))
    ids = select(PhotoRow.id).join(CouplerRow).where(CouplerRow.unit_id == unit.id)
    for row in session.scalars(
        select(VerdictRow).where(VerdictRow.photo_id.in_(ids)).order_by(VerdictRow.id)
    ):
        entries.append(TimelineEntry(row.made_at, coupler_of[row.photo_id], verdict=verdict_record(row)))
    rows = list(session.scalars(select(DecisionRow).where(DecisionRow.photo_id.in_(ids))))
    for decision in decision_records(rows):
        entries.append(TimelineEntry(decision.decided_at, coupler_of[decision.photo_id], decision=decision))
    waited = select(WaitingRow.id, PhotoRow.coupler_id).join(PhotoRow, PhotoRow.id == WaitingRow.photo_id)
    on = {row.id: row.coupler_id for row in session.execute(waited.where(PhotoRow.id.in_(ids)))}
    for waiting_id, said in events_of(session, on).items():
        entries += [TimelineEntry(event.done_at, on[waiting_id], waited=event) for event in said]
    return entries


def _event_entries(session: Session, unit: UnitRow) -> list[TimelineEntry]:
    mine = or_(
        EventRow.unit_id == unit.id, EventRow.new_coupler_id.in_([coupler.id for coupler in unit.couplers])
    )
    events = session.scalars(select(EventRow).where(mine).order_by(EventRow.id))
    seen = session.execute(
        select(ObservationRow, SettlementRow)
        .outerjoin(SettlementRow, SettlementRow.observation_id == ObservationRow.id)
        .where(ObservationRow.unit_id == unit.id)
        .order_by(ObservationRow.id)
    )
    found = [event_record(row, unit.key) for row in events]
    found += [observation_record(row, unit.key, settlement) for row, settlement in seen]
    return [TimelineEntry(event.done_at, event.coupler_id, event=event) for event in found]
