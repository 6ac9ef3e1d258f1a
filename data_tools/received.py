"""What somebody has sent lately: so that a closed tab or a lost connection loses no answer."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload

from data_tools.access import Actor, Permission
from data_tools.database.schema import (
    CouplerRow,
    PhotoRow,
    PhotoStateRow,
    RejectedRow,
    RoundRow,
    UnitRow,
    VerdictRow,
)
from data_tools.desk import clock_words, verdict_words
from data_tools.lookup import photo_record, site_row, verdict_record
from data_tools.records import IngestedFile, IngestStatus
from data_tools.states import state_record
from data_tools.workspace import Workspace
from model.vocabulary import Reason

MOST = 300


def received_since(ws: Workspace, actor: Actor, site_key: str, since: datetime) -> list[IngestedFile]:
    """Return what ``actor`` has sent to the site since then, newest first, as ``ingest`` told it.

    Left out: photos that a technician has decided on since (the roster says what stands), and all but the
    newest 300.

    Raises:
        NotFoundError: no such site.
    """
    actor.require(Permission.SEND)
    with ws.read() as session:
        site_id = site_row(session, site_key).id
        dated = [*_photos(session, actor, site_id, since), *_rejected(session, actor, since)]
    dated.sort(key=lambda pair: pair[0], reverse=True)
    return [file for _, file in dated[:MOST]]


def _photos(
    session: Session, actor: Actor, site_id: int, since: datetime
) -> list[tuple[datetime, IngestedFile]]:
    unit = joinedload(PhotoRow.coupler).joinedload(CouplerRow.unit).joinedload(UnitRow.site)
    query = (
        select(PhotoRow, VerdictRow, PhotoStateRow)
        .join(RoundRow, RoundRow.id == PhotoRow.round_id)
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .join(VerdictRow, VerdictRow.id == PhotoStateRow.verdict_id)
        .where(RoundRow.site_id == site_id, PhotoRow.received_at >= since)
        .where(PhotoRow.received_by == actor.name, PhotoStateRow.decision_id.is_(None))
        .order_by(PhotoRow.received_at.desc(), PhotoRow.id.desc())
        .limit(MOST)
        .options(unit)
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
