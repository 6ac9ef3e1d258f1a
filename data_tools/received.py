"""What somebody has sent lately, and what stands for it now: no answer is lost with a closed tab, and none
goes on saying what a person has overruled."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session, joinedload

from data_tools.access import Actor, Permission
from data_tools.answers import worded
from data_tools.database.schema import (
    CouplerRow,
    EventRow,
    PhotoRow,
    PhotoStateRow,
    RejectedRow,
    RoundRow,
    UnitRow,
    VerdictRow,
)
from data_tools.desk import clock_words
from data_tools.lookup import photo_record, site_row, verdict_record
from data_tools.open_damage import open_damage
from data_tools.records import EventKind, IngestedFile, IngestStatus, PhotoRecord
from data_tools.standing import OPEN, State
from data_tools.states import state_record
from data_tools.workspace import Workspace
from model.vocabulary import Reason

MOST = 300
_AT_ONCE = 1000
_UNIT = joinedload(PhotoRow.coupler).joinedload(CouplerRow.unit).joinedload(UnitRow.site)


def received_since(ws: Workspace, actor: Actor, site_key: str, since: datetime) -> list[IngestedFile]:
    """Return what ``actor`` has sent to the site since then, newest first, as ``ingest`` told it.

    Only the newest 300.

    Raises:
        NotFoundError: no such site.
    """
    actor.require(Permission.SEND)
    with ws.read() as session:
        site_id = site_row(session, site_key).id
        dated = [*_photos(session, actor, site_id, since), *_rejected(session, actor, since)]
    dated.sort(key=lambda pair: pair[0], reverse=True)
    return [file for _, file in dated[:MOST]]


def standing_now(
    ws: Workspace, actor: Actor, site_key: str, files: Sequence[IngestedFile]
) -> list[IngestedFile]:
    """Return what was told of files sent to the site as it stands now, whoever has spoken since.

    Left out: damage that was put right since (the coupler replaced, the unit returned to service, a later
    photo ruled on); the roster tells how the unit stands.

    Raises:
        NotFoundError: no such site.
    """
    actor.require(Permission.SEND)
    answers = as_it_stands(ws, actor, files)
    with ws.read() as session:
        site = site_row(session, site_key).key
        taken_off = _taken_off(session, {file.photo.coupler_id for file in answers if file.photo})
    return [file for file in answers if not _put_right(file, site, taken_off)]


def _put_right(file: IngestedFile, site_key: str, taken_off: Mapping[int, datetime]) -> bool:
    photo = file.photo
    if photo is None or file.state is None or file.on_coupler is not None or file.state.stand not in OPEN:
        return False
    # What came in for a coupler that was off already is still answered: its sender has to know.
    late = photo.coupler_id in taken_off and taken_off[photo.coupler_id] <= photo.received_at
    return photo.site_key == site_key and not late


def as_it_stands(ws: Workspace, actor: Actor, files: Sequence[IngestedFile]) -> list[IngestedFile]:
    """Return the same files, what each says brought up to date: what stands for its photo now, and the damage
    that is open on its coupler."""
    actor.require(Permission.SEND)
    now: dict[int, tuple[PhotoRecord, State]] = {}
    ids = [file.photo.id for file in files if file.photo is not None]
    with ws.read() as session:
        for start in range(0, len(ids), _AT_ONCE):
            query = select(PhotoRow, PhotoStateRow).where(PhotoRow.id.in_(ids[start : start + _AT_ONCE]))
            query = query.join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
            for row, kept in session.execute(query.options(_UNIT)):
                now[row.id] = photo_record(row), state_record(kept)
    sites = {photo.site_key for photo, _ in now.values()}
    damage = {open_.photo.coupler_id: open_ for site in sites for open_ in open_damage(ws, actor, site)}
    answers = []
    for file in files:
        if file.photo is not None and file.photo.id in now:
            photo, state = now[file.photo.id]
            file = worded(replace(file, photo=photo, state=state, on_coupler=damage.get(photo.coupler_id)))
        answers.append(file)
    return answers


def _taken_off(session: Session, coupler_ids: set[int]) -> dict[int, datetime]:
    query = select(EventRow.coupler_id, func.max(EventRow.done_at)).group_by(EventRow.coupler_id)
    query = query.where(EventRow.kind == EventKind.REPLACED, EventRow.coupler_id.in_(coupler_ids))
    return {row[0]: row[1] for row in session.execute(query) if row[0] is not None}


def _photos(
    session: Session, actor: Actor, site_id: int, since: datetime
) -> list[tuple[datetime, IngestedFile]]:
    query = (
        select(PhotoRow, VerdictRow, PhotoStateRow)
        .join(RoundRow, RoundRow.id == PhotoRow.round_id)
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .join(VerdictRow, VerdictRow.id == PhotoStateRow.verdict_id)
        .where(RoundRow.site_id == site_id, PhotoRow.received_at >= since)
        .where(PhotoRow.received_by == actor.name)
        .order_by(PhotoRow.received_at.desc(), PhotoRow.id.desc())
        .limit(MOST)
        .options(_UNIT)
    )
    found = []
    for photo, row, state in session.execute(query):
        verdict = verdict_record(row)
        record, reason = photo_record(photo), verdict.judgement.reason
        file = IngestedFile(
            photo.file_name, IngestStatus.STORED, "", record, verdict, reason, state=state_record(state)
        )
        found.append((photo.received_at, worded(replace(file, note=clock_words(record)))))
    return found


def _rejected(session: Session, actor: Actor, since: datetime) -> list[tuple[datetime, IngestedFile]]:
    query = (
        select(RejectedRow)
        .where(RejectedRow.received_by == actor.name, RejectedRow.received_at >= since)
        .order_by(RejectedRow.id.desc())
        .limit(MOST)
    )
    return [
        (
            row.received_at,
            IngestedFile(row.file_name, IngestStatus.REJECTED, row.why, reason=Reason.UNREADABLE),
        )
        for row in session.scalars(query)
    ]
