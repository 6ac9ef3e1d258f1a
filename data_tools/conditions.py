"""What people do to units, and what they notice that a photo does not show; only ever added to."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased

from data_tools.access import Actor, Permission
from data_tools.database.schema import (
    CouplerRow,
    EventRow,
    ObservationRow,
    PhotoRow,
    SettlementRow,
    UnitRow,
)
from data_tools.filing import moved_by_hand
from data_tools.intake import move_photo
from data_tools.keys import clean_text
from data_tools.lookup import coupler_at, event_record, held_unit, observation_record, unit_row
from data_tools.records import EventKind, EventRecord, ObservationKind, UnitStatus
from data_tools.sites import MAX_NAME
from data_tools.states import fold_doubts
from data_tools.workspace import Workspace, now_or
from model.errors import BadRequestError, ConflictError, NotFoundError
from model.families import family as family_of

MAX_REASON = 2000
MAX_BLINKS = 50
_NAMED = 10

CAUTIONS: tuple[str, ...] = (
    "Isolate the unit and lock it out before anything is opened; check that it is dead.",
    "Work inside the unit, and on its wiring, is for a licensed electrician. Local codes come first.",
    "A melted coupler can be stuck in the inlet. Do not force it: switch off first and call for help.",
    "Do not touch contacts or bare conductors. Smoke, heat or a burnt smell: keep away, switch off upstream.",
    "Melted housings come back when the cause stays: have the wiring and terminals upstream checked.",
    "Intact on a photo means that no damage was visible. It does not mean that the coupler is safe.",
)


def take_out_of_service(
    ws: Workspace, actor: Actor, unit_key: str, reason: str, *, now: datetime | None = None
) -> EventRecord:
    """Take a unit out of service; it stays so until somebody returns it.

    Raises:
        NotFoundError: no such unit.
        BadRequestError: no reason given.
        ConflictError: it is out of service already.
    """
    return _switch(ws, actor, unit_key, reason, EventKind.OUT_OF_SERVICE, UnitStatus.OUT_OF_SERVICE, now)


def return_to_service(
    ws: Workspace, actor: Actor, unit_key: str, reason: str, *, now: datetime | None = None
) -> EventRecord:
    """Return a unit to service; raises as ``take_out_of_service`` does."""
    return _switch(ws, actor, unit_key, reason, EventKind.RETURNED, UnitStatus.IN_SERVICE, now)


def _switch(
    ws: Workspace,
    actor: Actor,
    unit_key: str,
    reason: str,
    kind: EventKind,
    status: UnitStatus,
    now: datetime | None,
) -> EventRecord:
    actor.require(Permission.ACT)
    why = required_reason(reason)
    with ws.write() as session:
        unit = unit_row(session, unit_key)
        session.refresh(unit, with_for_update=True)
        if unit.status is status:
            raise ConflictError(
                f"a unit that is not {status.value}", f"{unit_key}, which is", "Nothing to do."
            )
        unit.status = status
        row = EventRow(unit_id=unit.id, kind=kind, reason=why, done_by=actor.name, done_at=now_or(now))
        session.add(row)
        session.flush()
        return event_record(row, unit.key)


def replace_coupler(
    ws: Workspace,
    actor: Actor,
    unit_key: str,
    position: str,
    part_number: str,
    reason: str,
    family: str | None = None,
    *,
    installed_on: date | None = None,
    swapped_at: datetime | None = None,
    now: datetime | None = None,
) -> EventRecord:
    """Replace the coupler on ``position``: the old one ends, a new one starts on the same unit.

    ``family`` defaults to the old one's; ``swapped_at`` (naive: local to the site, the earlier one of an hour
    that its clocks repeat) to now, or to the start of ``installed_on`` where only the day is known. Photos
    that count since then move to the new coupler, but for those that a person filed under the old one: the
    event names them, and their damage stays open until a person says whose it is (``refile``). The unit's
    status stays as it is.

    Raises:
        NotFoundError: no such unit or position.
        UnknownFamilyError: no such coupler family.
        BadRequestError: no reason, or a time or day before the old coupler's or in the future.
    """
    actor.require(Permission.ACT)
    why, moment = required_reason(reason), now_or(now)
    with ws.write() as session:
        unit = held_unit(session, unit_key)
        old = coupler_at(unit, position)
        zone = ZoneInfo(unit.site.timezone)
        at = _swapped(old, installed_on, swapped_at, moment, zone)
        day = old.removed_on = at.astimezone(zone).date()
        new = CouplerRow(
            unit_id=unit.id,
            position=old.position,
            number=old.number + 1,
            family=family_of(family or old.family).key,
            part_number=clean_text(part_number, MAX_NAME),
            installed_on=day,
            put_on_at=at,
        )
        session.add(new)
        session.flush()
        along, stay = _photos_since(session, old, at)
        event = _replaced(session, unit, old, new, why + _stay_words(stay), actor, moment)
        _take_along(ws, session, along, new, actor, moment)
        fold_doubts(session, ws.settings, {old.id}, at)  # which coupler those that stay show is in doubt
        return event


def _take_along(
    ws: Workspace, session: Session, photos: Sequence[PhotoRow], new: CouplerRow, actor: Actor, at: datetime
) -> None:
    why = "taken since the coupler was swapped."
    for photo in photos:
        move_photo(session, photo, new, actor, why, at, ws.settings)


def _photos_since(session: Session, old: CouplerRow, at: datetime) -> tuple[list[PhotoRow], list[PhotoRow]]:
    """Return the coupler's photos that count since ``at``: those that came in under it, and those that a
    person filed there."""
    move = aliased(EventRow)
    passed = select(PhotoRow).where(PhotoRow.coupler_id == old.id, PhotoRow.seen_at >= at)
    photos = session.scalars(passed.order_by(PhotoRow.id).with_for_update()).all()
    by_hand = moved_by_hand(PhotoRow, move.new_coupler_id == old.id, move=move)
    chosen = set(session.scalars(select(PhotoRow.id).where(PhotoRow.coupler_id == old.id, by_hand)))
    return [p for p in photos if p.id not in chosen], [p for p in photos if p.id in chosen]


def _stay_words(photos: Sequence[PhotoRow]) -> str:
    if not photos:
        return ""
    named = ", ".join(f"{photo.id} ({photo.file_name})" for photo in photos[:_NAMED])
    more = f" and {len(photos) - _NAMED} more" if len(photos) > _NAMED else ""
    return (
        f" [Not moved, because a person had filed it under the coupler before: photo {named}{more}, taken "
        "since the swap. Say whose it is by moving it, to the new coupler or once more to the one before.]"
    )


def _replaced(
    session: Session,
    unit: UnitRow,
    old: CouplerRow,
    new: CouplerRow,
    why: str,
    actor: Actor,
    moment: datetime,
) -> EventRecord:
    row = EventRow(
        unit_id=unit.id,
        coupler_id=old.id,
        new_coupler_id=new.id,
        kind=EventKind.REPLACED,
        reason=why,
        done_by=actor.name,
        done_at=moment,
    )
    session.add(row)
    session.flush()
    return event_record(row, unit.key)


def _swapped(
    old: CouplerRow, day: date | None, at: datetime | None, moment: datetime, zone: ZoneInfo
) -> datetime:
    """Return when the coupler was swapped; raises ``BadRequestError`` where it cannot have been then."""
    today = moment.astimezone(zone).date()
    if at is None:
        at = moment if day in (None, today) else datetime.combine(day, time(), zone)
    elif at.tzinfo is None:
        at = at.replace(tzinfo=zone)
    # A coupler entered with a day that is still to come (an old store may hold one) can be replaced today.
    begun = datetime.combine(min(old.installed_on, today), time(), zone)
    if old.number > 1:  # a first coupler was there before it was entered
        begun = max(begun, old.put_on_at)
    if not begun <= at <= moment:
        first, last, given = (f"{each.astimezone(zone):%Y-%m-%d %H:%M}" for each in (begun, moment, at))
        raise BadRequestError(f"a time of the swap from {first} to {last}", given, "Correct it.")
    return at


def observe(
    ws: Workspace,
    actor: Actor,
    unit_key: str,
    what: ObservationKind | str,
    note: str = "",
    *,
    position: str | None = None,
    blinks: int | None = None,
    now: datetime | None = None,
) -> EventRecord:
    """Record what a photo does not show. ``blinks``: how often a fault light blinks between pauses.

    Raises:
        NotFoundError: no such unit or position.
        BadRequestError: an unknown kind, blinks out of 1..50, or ``OTHER`` without a note.
    """
    actor.require(Permission.SEND)
    kind, text = _observation(what), clean_text(note, MAX_REASON)
    if kind is ObservationKind.OTHER and not text:
        raise BadRequestError("a note on what was seen", "nothing", "Say it in a few words.")
    if blinks is not None and not 1 <= blinks <= MAX_BLINKS:
        raise BadRequestError(
            f"1 to {MAX_BLINKS} blinks", f"{blinks}", "Count the blinks between two pauses."
        )
    with ws.write() as session:
        unit = unit_row(session, unit_key)
        row = ObservationRow(
            unit_id=unit.id,
            coupler_id=coupler_at(unit, position).id if position is not None else None,
            what=kind,
            blinks=blinks,
            note=text,
            done_by=actor.name,
            done_at=now_or(now),
        )
        session.add(row)
        session.flush()
        return observation_record(row, unit.key)


def settle_observation(
    ws: Workspace, actor: Actor, observation_id: int, how: str, *, now: datetime | None = None
) -> EventRecord:
    """Settle an observation: say what was found or put right. It is kept, and no longer open.

    Raises:
        NotFoundError: no such observation.
        BadRequestError: nothing said.
        ConflictError: somebody has settled it already.
    """
    actor.require(Permission.ACT)
    said = required_reason(how)
    with ws.write() as session:
        row = session.get(ObservationRow, observation_id)
        if row is None:
            raise NotFoundError("an observation that exists", f"number {observation_id}", "Reload the page.")
        earlier = session.get(SettlementRow, row.id)
        if earlier is not None:
            raise ConflictError(
                "an observation that is open", f"one that {earlier.done_by} has settled", "Nothing to do."
            )
        settlement = SettlementRow(observation_id=row.id, how=said, done_by=actor.name, done_at=now_or(now))
        session.add(settlement)
        session.flush()
        unit = session.get_one(UnitRow, row.unit_id)
        return observation_record(row, unit.key, settlement)


def _observation(what: ObservationKind | str) -> ObservationKind:
    try:
        return ObservationKind(what)
    except ValueError:
        kinds = ", ".join(ObservationKind)
        raise BadRequestError(f"one of {kinds}", repr(what), "Use `other` with a note.") from None


def required_reason(reason: str) -> str:
    """Return the reason, cleaned; raises ``BadRequestError`` where there is none."""
    text = clean_text(reason, MAX_REASON)
    if not text:
        raise BadRequestError("a reason", "nothing", "Say why in a few words; others will read it.")
    return text
