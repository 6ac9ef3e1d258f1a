"""Putting a photo right that was filed under the wrong coupler: said in an event, never by rewriting."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from data_tools.access import Actor, Permission
from data_tools.conditions import required_reason
from data_tools.database.schema import CouplerRow, PhotoRow, PhotoStateRow, UnitRow
from data_tools.filing import left_by_swap
from data_tools.intake import move_photo, refuse_closed
from data_tools.lookup import coupler_at, coupler_when, event_record, held_unit, photo_row
from data_tools.records import EventRecord
from data_tools.standing import DOUBTFUL
from data_tools.which_coupler import first_position
from data_tools.workspace import Workspace, now_or
from model.errors import ConflictError, NotFoundError


def refile(
    ws: Workspace,
    actor: Actor,
    photo_id: int,
    unit_key: str,
    reason: str,
    *,
    position: str | None = None,
    coupler_id: int | None = None,
    now: datetime | None = None,
) -> EventRecord:
    """File a photo under the coupler that it shows; verdicts and decisions about it stay with it.

    The coupler is the one that was on ``position`` of the unit when the photo counts, or ``coupler_id``,
    one that is or was on the unit. What was ruled of that coupler before says nothing of the photo. Training
    sets frozen before keep the coupler that they were made with.

    Raises:
        NotFoundError: no such photo, unit, position or coupler.
        BadRequestError: no reason given.
        ConflictError: it is filed there already (and no swap has put that in doubt), the unit's site is
            closed, or by its time the photo shows a coupler that is off the unit, so that its damage would no
            longer be open: then only ``coupler_id`` says so.
    """
    actor.require(Permission.DECIDE)
    why = required_reason(reason)
    with ws.write() as session:
        unit = held_unit(session, unit_key)
        photo = photo_row(session, photo_id)
        session.refresh(photo, with_for_update=True)
        refuse_closed(unit.site)
        coupler = _meant(unit, photo, position, coupler_id)
        if coupler.id == photo.coupler_id and not _in_doubt(session, photo):
            raise ConflictError(
                "another coupler than the photo is filed under",
                f"{unit.key} {coupler.position}",
                "Nothing to do.",
            )
        if coupler_id is None and coupler.removed_on is not None:
            _refuse_to_hide(session, photo, unit, coupler)
        return event_record(
            move_photo(session, photo, coupler, actor, why, now_or(now), ws.settings), unit.key
        )


def _meant(unit: UnitRow, photo: PhotoRow, position: str | None, coupler_id: int | None) -> CouplerRow:
    if coupler_id is None:
        return coupler_when(unit, position or first_position(unit), photo.seen_at)
    for coupler in unit.couplers:
        if coupler.id == coupler_id:
            return coupler
    raise NotFoundError(f"a coupler of unit {unit.key}", f"number {coupler_id}", "Look at its history.")


def _in_doubt(session: Session, photo: PhotoRow) -> bool:
    query = select(PhotoRow.id).where(PhotoRow.id == photo.id, left_by_swap(PhotoRow))
    return session.scalar(query) is not None


def _refuse_to_hide(session: Session, photo: PhotoRow, unit: UnitRow, coupler: CouplerRow) -> None:
    """Raise ``ConflictError`` where damage would vanish because a rule takes the coupler to be gone."""
    state = session.get(PhotoStateRow, photo.id)
    if state is not None and state.stand in DOUBTFUL:
        here = coupler_at(unit, coupler.position)
        raise ConflictError(
            "the coupler that the photo shows",
            f"{unit.key} {coupler.position}, where the one of that time is off the unit: the damage in the "
            "photo would no longer be open",
            f"Name the coupler: {here.id} is there now, {coupler.id} was until {coupler.removed_on}.",
        )
