"""Loads the frames of ``trends`` from the store: the database selects and joins, pandas only labels.

Rows come out as plain words and numbers, not as ORM objects or enums: that is most of the speed.
"""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pandas as pd
from sqlalchemy import case, or_, select
from sqlalchemy.orm import Session, aliased

from data_tools.access import Actor, Permission
from data_tools.database.schema import DecisionRow, PhotoRow, PhotoStateRow, SiteRow, VerdictRow
from data_tools.records import DecisionKind
from data_tools.standing import Stand
from data_tools.trend_photos import photos_frame
from data_tools.trend_tables import (
    as_times,
    couplers_frame,
    events_frame,
    observations_frame,
    plain_column,
    read_frame,
    units_frame,
)
from data_tools.trends.frames import TrendData, bits_of
from data_tools.workspace import Workspace
from model.vocabulary import FindingKind


def load_trends(ws: Workspace, actor: Actor, since: datetime | None = None) -> TrendData:
    """Return all frames that trends are computed from, of photos seen at or after ``since`` (aware).

    Raises:
        NotAllowedError: the role may not see trends.
        StorageError: the database cannot be read.
    """
    actor.require(Permission.PLAN)
    with ws.read() as session:
        couplers = couplers_frame(session)
        where = None if since is None else PhotoRow.seen_at >= since
        return with_photos(session, couplers, photos_frame(session, couplers, where))


def load_frame(ws: Workspace, actor: Actor, since: datetime | None = None) -> pd.DataFrame:
    """Return one row a photo with its coupler, site, week and what stands for it now.

    The columns are those of ``TrendData.photos``; raises as ``load_trends``.
    """
    return load_trends(ws, actor, since).photos


def with_photos(session: Session, couplers: pd.DataFrame, photos: pd.DataFrame) -> TrendData:
    """Return ``photos`` and ``couplers`` with all the other frames as the store has them now."""
    return TrendData(
        photos=photos,
        findings=findings_frame(session, photos),
        decisions=_decisions(session),
        couplers=couplers,
        units=units_frame(session),
        events=events_frame(session),
        observations=observations_frame(session),
        names={key: name for key, name in session.execute(select(SiteRow.key, SiteRow.name))},  # noqa: C416
    )


def findings_frame(session: Session, photos: pd.DataFrame) -> pd.DataFrame:
    """Return the findings that stand now on ``photos``."""
    query = select(PhotoStateRow.photo_id, PhotoStateRow.findings, PhotoStateRow.stand).where(
        or_(PhotoStateRow.missing_latch, PhotoStateRow.broken_pin_housing, PhotoStateRow.heat_melted_housing)
    )
    query = query.order_by(PhotoStateRow.photo_id)
    rows = [
        (photo_id, item["kind"], item["place"], stand is Stand.DAMAGED)
        for photo_id, items, stand in session.execute(query)
        for item in items
    ]
    found = pd.DataFrame(rows, columns=["photo_id", "kind", "place", "confirmed"]).astype(
        {"photo_id": "int64"}
    )
    standing = photos.loc[photos["kinds"] > 0, "photo_id"]
    return found[found["photo_id"].isin(standing)].reset_index(drop=True)


def _decisions(session: Session) -> pd.DataFrame:
    """What the person saw is in the verdict decided on: it stays as it was, whatever is judged again later.

    A confirmation repeats its verdict, so that only other decisions need the verdict's own findings: the
    database takes them out of the kept judgement.
    """
    withdrawal = aliased(DecisionRow)
    confirmed = DecisionRow.kind == DecisionKind.CONFIRMED
    query = (
        select(
            DecisionRow.photo_id,
            DecisionRow.verdict_id,
            VerdictRow.model_version,
            plain_column(VerdictRow.triage, "triage"),
            DecisionRow.decided_by,
            plain_column(DecisionRow.decided_at, "decided_at"),
            DecisionRow.judged,
            DecisionRow.findings,
            case((confirmed, None), else_=VerdictRow.judgement["findings"]).label("said"),
            DecisionRow.seconds,
            DecisionRow.evidence_shown,
        )
        .join(VerdictRow, VerdictRow.id == DecisionRow.verdict_id)
        .outerjoin(withdrawal, withdrawal.withdraws_id == DecisionRow.id)
        .where(withdrawal.id.is_(None))
        .where(
            DecisionRow.kind.in_((DecisionKind.CONFIRMED, DecisionKind.CORRECTED, DecisionKind.CANNOT_TELL))
        )
        .order_by(DecisionRow.id)
    )
    rows = read_frame(session, query)
    found = [bits_of(FindingKind(item["kind"]) for item in items) for items in rows.pop("findings")]
    said = [
        bits if items is None else bits_of(FindingKind(item[0]) for item in items)
        for items, bits in zip(rows.pop("said"), found, strict=True)
    ]
    rows["triage"] = rows["triage"].fillna("")
    rows["kinds"] = np.where(rows.pop("judged").astype(bool), np.asarray(found, np.int64), -1)
    rows["model_kinds"] = np.where(rows["triage"] == "", -1, np.asarray(said, np.int64))
    rows["decided_at"] = as_times(rows["decided_at"])
    return rows
