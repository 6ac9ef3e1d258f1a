"""The transactions of taking photos in: one photo, its verdict and its round together, or nothing.

The caller has put the original into the store before; a row here never names bytes that are not there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import Session

from data_tools.access import Actor
from data_tools.database.schema import (
    CouplerRow,
    EventRow,
    PhotoRow,
    PhotoStateRow,
    RejectedRow,
    RoundRow,
    SiteRow,
    VerdictRow,
    WaitingRow,
)
from data_tools.lookup import coupler_when, held_unit, judgement_to_json, photo_record, verdict_record
from data_tools.records import EventKind, PhotoRecord, VerdictRecord
from data_tools.settings import Settings
from data_tools.stable_draw import BLIND_AUDIT, share_of
from data_tools.standing import State
from data_tools.states import fold_doubts, refresh_state, state_record
from data_tools.workspace import Workspace, now_or
from model.errors import ConflictError
from model.judgement import Judgement
from model.photo import Photo
from model.vocabulary import FindingKind, Triage

ATTEMPTS = 4
_CLOCK_SLACK = timedelta(days=1)


@dataclass(frozen=True)
class Target:
    """The coupler that a photo is of, by unit and position."""

    unit_key: str
    position: str
    note: str = ""


@dataclass(frozen=True)
class Arrival:
    """One file as it came: its cleaned name, its SHA-256, who sent it, when, to which site."""

    file_name: str
    sha256: str
    actor: Actor
    at: datetime
    site_key: str | None
    received_by: str = ""

    @property
    def sender(self) -> str:
        """Who sent the file; not always who names its unit later."""
        return self.received_by or self.actor.name


@dataclass(frozen=True)
class Kept:
    """A photo in the store; ``known``: it was there before, and ``state`` is what stands for it;
    ``overtaken``: its coupler is off the unit."""

    photo: PhotoRecord
    verdict: VerdictRecord
    known: bool
    state: State | None = None
    overtaken: bool = False


def keep_photo(ws: Workspace, arrival: Arrival, target: Target, photo: Photo, judgement: Judgement) -> Kept:
    """Write photo, verdict and round in one transaction; a photo that is there already is returned as known.

    Raises:
        NotFoundError: unit or position do not exist (any more).
        ConflictError: the site has been closed.
        StorageError: the database cannot be written.
    """
    for attempt in range(ATTEMPTS):
        try:
            with ws.write() as session:
                return _keep(ws, session, arrival, target, photo, judgement)
        except ConflictError:  # on PostgreSQL, two at once can make the same photo or round: look again
            if attempt == ATTEMPTS - 1:
                raise
    raise AssertionError("unreachable")


def _keep(
    ws: Workspace, session: Session, arrival: Arrival, target: Target, photo: Photo, judgement: Judgement
) -> Kept:
    known = find_photo(session, arrival.sha256)
    if known is not None:
        return known
    unit = held_unit(session, target.unit_key)
    refuse_closed(unit.site)
    taken_at = _aware(photo.taken_at, unit.site)
    seen_at = _believable(taken_at, arrival.at, ws.settings.oldest_photo_days)
    audited = share_of(arrival.sha256, BLIND_AUDIT) < ws.settings.blind_audit_share
    row = PhotoRow(
        sha256=arrival.sha256,
        file_name=arrival.file_name,
        coupler=coupler_when(unit, target.position, seen_at),
        round=_round_of(session, unit.site, seen_at, arrival.at, arrival.actor),
        taken_at=taken_at,
        received_at=arrival.at,
        seen_at=seen_at,
        received_by=arrival.sender,
        width=photo.full_width,
        height=photo.full_height,
        camera=photo.camera,
        blind_audit=judgement.triage is Triage.CLEAR and audited,
    )
    session.add(row)
    session.flush()
    verdict = add_verdict(session, row, judgement, arrival.at)
    refresh_state(session, row, ws.settings)
    settle_waiting(session, row, arrival.actor)
    overtaken = row.coupler.removed_on is not None
    return Kept(photo_record(row), verdict_record(verdict), known=False, overtaken=overtaken)


def find_photo(session: Session, sha256: str) -> Kept | None:
    """Return the photo of that content with its latest verdict, where there is one."""
    row = session.scalar(select(PhotoRow).where(PhotoRow.sha256 == sha256))
    if row is None:
        return None
    verdict = session.scalars(
        select(VerdictRow).where(VerdictRow.photo_id == row.id).order_by(VerdictRow.id.desc()).limit(1)
    ).one()
    state = session.get(PhotoStateRow, row.id)
    stands = state_record(state) if state is not None else None
    return Kept(photo_record(row), verdict_record(verdict), known=True, state=stands)


def add_verdict(session: Session, photo: PhotoRow, judgement: Judgement, at: datetime) -> VerdictRow:
    """Append a verdict about ``photo``; the caller refreshes the state."""
    chances = {f"p_{kind.value}": judgement.probabilities.get(kind) for kind in FindingKind}
    row = VerdictRow(
        photo_id=photo.id,
        made_at=at,
        model_version=judgement.model_version,
        outcome=judgement.outcome,
        reason=judgement.reason,
        triage=judgement.triage,
        judgement=judgement_to_json(judgement),
        **{name: None if chance is None else float(chance) for name, chance in chances.items()},
    )
    session.add(row)
    session.flush()
    return row


def settle_waiting(session: Session, photo: PhotoRow, actor: Actor) -> None:
    """Mark a waiting file of the same content as settled by ``photo``."""
    waiting = session.scalar(
        select(WaitingRow).where(WaitingRow.sha256 == photo.sha256, WaitingRow.settled_at.is_(None))
    )
    if waiting is not None:
        waiting.settled_at, waiting.settled_by, waiting.photo_id = now_or(None), actor.name, photo.id


def keep_waiting(
    ws: Workspace, arrival: Arrival, why: str, offered: Sequence[tuple[str, str]] = ()
) -> int | None:
    """Keep a readable photo without a unit and return its number; ``offered``: couplers that it may show.

    The same content waits once, under the name and for the reason it came with last. ``None``: meanwhile it
    has become a photo with a unit.
    """
    with ws.write() as session:
        if find_photo(session, arrival.sha256) is not None:
            return None
        row = session.scalar(select(WaitingRow).where(WaitingRow.sha256 == arrival.sha256))
        if row is None:
            row = WaitingRow(
                sha256=arrival.sha256,
                site_id=session.scalar(select(SiteRow.id).where(SiteRow.key == arrival.site_key)),
                received_at=arrival.at,
                received_by=arrival.sender,
            )
            session.add(row)
        row.file_name, row.why, row.offered = arrival.file_name, why, [list(pair) for pair in offered]
        session.flush()
        return row.id


def keep_rejected(ws: Workspace, arrival: Arrival, why: str) -> None:
    """Keep the record of a file in the rejected area; the same content is recorded once."""
    with ws.write() as session:
        if session.scalar(select(RejectedRow.id).where(RejectedRow.sha256 == arrival.sha256)) is None:
            session.add(
                RejectedRow(
                    sha256=arrival.sha256,
                    file_name=arrival.file_name,
                    received_at=arrival.at,
                    received_by=arrival.sender,
                    why=why,
                )
            )


def refuse_closed(site: SiteRow) -> None:
    """Raise ``ConflictError`` where the site takes no more photos."""
    if site.closed_at is not None:
        raise ConflictError(
            "an open site", f"{site.key}, closed on {site.closed_at:%Y-%m-%d}", "Choose another site."
        )


def _aware(taken_at: datetime | None, site: SiteRow) -> datetime | None:
    """A phone states local time: read it as the site's. Where it states no offset, an hour that the clocks of
    the site repeat in autumn is read as the earlier one: a photo of the second is dated an hour early."""
    if taken_at is None or taken_at.tzinfo is not None:
        return taken_at
    return taken_at.replace(tzinfo=ZoneInfo(site.timezone))


def _believable(taken_at: datetime | None, received_at: datetime, oldest_days: int) -> datetime:
    """Return the capture time where the phone's clock can be right, else the time of arrival."""
    if taken_at is None:
        return received_at
    too_old = taken_at < received_at - timedelta(days=oldest_days)
    too_new = taken_at > received_at + _CLOCK_SLACK
    return received_at if too_old or too_new else min(taken_at, received_at)


def _round_of(session: Session, site: SiteRow, seen_at: datetime, at: datetime, actor: Actor) -> RoundRow:
    year, week, _ = seen_at.astimezone(ZoneInfo(site.timezone)).date().isocalendar()
    query = select(RoundRow).where(
        RoundRow.site_id == site.id, RoundRow.iso_year == year, RoundRow.iso_week == week
    )
    row = session.scalar(query)
    if row is None:
        row = RoundRow(site_id=site.id, iso_year=year, iso_week=week, opened_at=at, opened_by=actor.name)
        session.add(row)
    return row


def move_photo(
    session: Session,
    photo: PhotoRow,
    coupler: CouplerRow,
    actor: Actor,
    why: str,
    at: datetime,
    settings: Settings,
) -> EventRow:
    """Append that ``photo`` is of ``coupler``; the photo's coupler and round are kept in step with that, and
    so are the doubts about both couplers that it speaks to."""
    before = photo.coupler
    place = _round_of(session, coupler.unit.site, photo.seen_at, at, actor)
    session.flush()
    row = EventRow(
        unit_id=before.unit_id,
        coupler_id=before.id,
        new_coupler_id=coupler.id,
        kind=EventKind.REFILED,
        reason=f"Photo {photo.id} ({photo.file_name}) from {_words(before)} to {_words(coupler)}: {why}",
        done_by=actor.name,
        done_at=at,
        photo_id=photo.id,
    )
    session.add(row)
    photo.coupler_id, photo.round_id = coupler.id, place.id
    session.flush()
    session.expire(photo, ["coupler", "round"])
    fold_doubts(session, settings, {before.id, coupler.id}, photo.seen_at)
    return row


def _words(coupler: CouplerRow) -> str:
    return f"{coupler.unit.key} {coupler.position} (coupler {coupler.number})"
