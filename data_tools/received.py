"""What somebody has sent lately, and what stands for it now: no answer is lost with a closed tab, and none
goes on saying what a person has overruled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session, joinedload

from data_tools.access import Actor, Permission
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
from data_tools.desk import STANDS, clock_words, verdict_words
from data_tools.lookup import photo_record, site_row, verdict_record
from data_tools.open_damage import open_damage
from data_tools.records import EventKind, IngestedFile, IngestStatus
from data_tools.standing import OPEN, State
from data_tools.states import state_record
from data_tools.workspace import Workspace
from model.vocabulary import Reason

MOST = 300
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
    damage = {found.photo.coupler_id: found for found in open_damage(ws, actor, site_key)}
    ids = {file.photo.id for file in files if file.photo is not None}
    with ws.read() as session:
        query = select(PhotoRow, PhotoStateRow).join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        rows = session.execute(query.where(PhotoRow.id.in_(ids)).options(_UNIT)).all()
        now = {photo.id: (photo_record(photo), state_record(state)) for photo, state in rows}
        taken_off = _taken_off(session, {photo.coupler_id for photo, _ in now.values()})
    answers = []
    for file in files:
        if file.photo is None or file.photo.id not in now:
            answers.append(file)
            continue
        photo, state = now[file.photo.id]
        on_coupler = damage.get(photo.coupler_id)
        # What came in for a coupler that was off already is still answered: its sender has to know.
        late = photo.coupler_id in taken_off and taken_off[photo.coupler_id] <= photo.received_at
        if state.stand in OPEN and on_coupler is None and photo.site_key == site_key and not late:
            continue
        words = _follow(file, state)
        answers.append(replace(file, message=words, photo=photo, state=state, on_coupler=on_coupler))
    return answers


def _follow(file: IngestedFile, state: State) -> str:
    """Return the words to a file with what is said of a photo that was here before kept in step."""
    if file.state is None:
        return file.message
    return file.message.replace(STANDS[file.state.stand], STANDS[state.stand])


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
        words = verdict_words(verdict.judgement) + clock_words(record)
        file = IngestedFile(
            photo.file_name, IngestStatus.STORED, words, record, verdict, reason, state=state_record(state)
        )
        found.append((photo.received_at, file))
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
