"""Photos that wait for somebody to say which unit they show; those that show none are set aside.

Who sets a photo aside says why, in an event; another event brings it back. The photo stays as it came, and is
judged only once it has a unit."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, Select, func, select
from sqlalchemy.orm import Session

from data_tools.access import Actor, Permission
from data_tools.conditions import MAX_REASON, required_reason
from data_tools.database.schema import SiteRow, WaitingEventRow, WaitingRow
from data_tools.keys import clean_text
from data_tools.lookup import site_row
from data_tools.records import WaitingEventKind
from data_tools.workspace import Workspace, now_or
from model.errors import ConflictError, NotFoundError

NOTHING = "Nothing to do."


@dataclass(frozen=True)
class WaitingEvent:
    """Who set a waiting photo aside or brought it back, when and why; ``photo_id`` once it has its unit."""

    id: int
    waiting_id: int
    file_name: str
    kind: WaitingEventKind
    reason: str
    done_by: str
    done_at: datetime
    photo_id: int | None = None


@dataclass(frozen=True)
class WaitingFile:
    """A readable photo kept safely until somebody names its unit. ``offered``: unit key and position of each
    coupler that it may show, the likeliest first; ``events``: what people said of it so far, oldest first."""

    id: int
    sha256: str
    file_name: str
    site_key: str | None
    received_at: datetime
    received_by: str
    why: str
    offered: tuple[tuple[str, str], ...] = ()
    events: tuple[WaitingEvent, ...] = ()

    @property
    def aside(self) -> WaitingEvent | None:
        """Who set it aside, where it is; ``None`` where it waits."""
        last = self.events[-1] if self.events else None
        return last if last and last.kind is WaitingEventKind.SET_ASIDE else None


def list_waiting(ws: Workspace, actor: Actor, site_key: str | None = None) -> list[WaitingFile]:
    """Return the photos that wait for a unit, oldest first; with ``site_key`` also those of no known site.

    Raises:
        NotFoundError: no such site.
    """
    actor.require(Permission.SEE)
    aside = select(WaitingEventRow.waiting_id).where(*_sets_aside())
    with ws.read() as session:
        waiting = _unsettled(session, site_key).where(WaitingRow.id.not_in(aside))
        return _files(session, waiting.order_by(WaitingRow.id))


def list_set_aside(ws: Workspace, actor: Actor, site_key: str | None = None) -> list[WaitingFile]:
    """Return the photos set aside, the last one first; with ``site_key`` also those of no known site."""
    actor.require(Permission.SEE)
    with ws.read() as session:
        query = _unsettled(session, site_key)
        query = query.join(WaitingEventRow, WaitingEventRow.waiting_id == WaitingRow.id)
        return _files(session, query.where(*_sets_aside()).order_by(WaitingEventRow.id.desc()))


def set_aside(
    ws: Workspace, actor: Actor, waiting_id: int, reason: str, *, now: datetime | None = None
) -> WaitingFile:
    """Take a photo that shows no coupler off the list of those that wait; it stays kept, and unjudged.

    Raises:
        NotFoundError: no such waiting photo.
        BadRequestError: no reason given.
        ConflictError: it is set aside already, or has its unit.
    """
    actor.require(Permission.SEND)
    return _append(ws, actor, waiting_id, WaitingEventKind.SET_ASIDE, required_reason(reason), now)


def bring_back(
    ws: Workspace, actor: Actor, waiting_id: int, reason: str = "", *, now: datetime | None = None
) -> WaitingFile:
    """Let a photo that was set aside wait for its unit again.

    Raises:
        NotFoundError: no such waiting photo.
        ConflictError: it is not set aside, or has its unit.
    """
    actor.require(Permission.SEND)
    why = clean_text(reason, MAX_REASON)
    return _append(ws, actor, waiting_id, WaitingEventKind.BROUGHT_BACK, why, now)


def _append(
    ws: Workspace, actor: Actor, waiting_id: int, kind: WaitingEventKind, why: str, now: datetime | None
) -> WaitingFile:
    with ws.write() as session:
        # Held until the end: of two who act at once, the second is told what the first did.
        session.get(WaitingRow, waiting_id, with_for_update=True)
        file = unsettled_file(session, waiting_id)
        name, event = file.file_name, file.aside
        if kind is WaitingEventKind.SET_ASIDE and event:
            raise ConflictError("a photo that waits", f"{name}, {aside_words(event, 'already ')}", NOTHING)
        if kind is WaitingEventKind.BROUGHT_BACK and event is None:
            raise ConflictError("a photo that was set aside", f"{name}, which waits", NOTHING)
        session.add(
            WaitingEventRow(
                waiting_id=waiting_id, kind=kind, reason=why, done_by=actor.name, done_at=now_or(now)
            )
        )
        session.flush()
        return unsettled_file(session, waiting_id)


def unsettled_file(session: Session, waiting_id: int) -> WaitingFile:
    """Return a photo that waits or was set aside.

    Raises:
        NotFoundError: no such waiting photo.
        ConflictError: it has its unit.
    """
    row = session.get(WaitingRow, waiting_id)
    if row is None:
        raise NotFoundError("a waiting photo", f"number {waiting_id}", "Look at the list of waiting photos.")
    if row.settled_at is not None:
        raise ConflictError("a photo that still waits", f"{row.file_name}, which has its unit", NOTHING)
    return _files(session, _unsettled(session, None).where(WaitingRow.id == waiting_id))[0]


def set_aside_before(session: Session, sha256: str) -> WaitingEvent | None:
    """Return who set the photo of that content aside, where it is."""
    found = _files(session, _unsettled(session, None).where(WaitingRow.sha256 == sha256))
    return found[0].aside if found else None


def aside_words(event: WaitingEvent, already: str = "") -> str:
    """Say who set a photo aside, and why."""
    return f"set aside {already}by {event.done_by}: {event.reason}"


def events_of(session: Session, waiting_ids: Iterable[int]) -> dict[int, tuple[WaitingEvent, ...]]:
    """Return what people said of waiting photos, oldest first, by the photos' numbers in the list."""
    query = (
        select(WaitingEventRow, WaitingRow)
        .join(WaitingRow, WaitingRow.id == WaitingEventRow.waiting_id)
        .where(WaitingEventRow.waiting_id.in_(list(waiting_ids)))
        .order_by(WaitingEventRow.id)
    )
    found: dict[int, list[WaitingEvent]] = defaultdict(list)
    for row, file in session.execute(query):
        said = (row.kind, row.reason, row.done_by, row.done_at)
        found[file.id].append(WaitingEvent(row.id, file.id, file.file_name, *said, file.photo_id))
    return {waiting_id: tuple(events) for waiting_id, events in found.items()}


def _sets_aside() -> tuple[ColumnElement[bool], ...]:
    last = select(func.max(WaitingEventRow.id)).group_by(WaitingEventRow.waiting_id)
    return WaitingEventRow.id.in_(last), WaitingEventRow.kind == WaitingEventKind.SET_ASIDE


def _unsettled(session: Session, site_key: str | None) -> Select[WaitingRow, str]:
    query = select(WaitingRow, SiteRow.key).outerjoin(SiteRow, SiteRow.id == WaitingRow.site_id)
    query = query.where(WaitingRow.settled_at.is_(None))
    if site_key is None:
        return query
    return query.where((SiteRow.id == site_row(session, site_key).id) | SiteRow.id.is_(None))


def _files(session: Session, query: Select[WaitingRow, str]) -> list[WaitingFile]:
    rows = session.execute(query).all()
    events = events_of(session, [row.id for row, _ in rows])
    return [
        WaitingFile(
            id=row.id,
            sha256=row.sha256,
            file_name=row.file_name,
            site_key=site_key,
            received_at=row.received_at,
            received_by=row.received_by,
            why=row.why,
            offered=tuple((unit, position) for unit, position in row.offered or ()),
            events=events.get(row.id, ()),
        )
        for row, site_key in rows
    ]
