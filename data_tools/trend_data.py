"""Loads the frames of ``trends`` from the store: the database selects and joins, pandas only labels.

Rows come out as plain words and numbers, not as ORM objects or enums: that is most of the speed.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import Select, or_, select
from sqlalchemy.orm import Session, aliased

from data_tools.access import Actor, Permission
from data_tools.database.schema import (
    DecisionRow,
    PhotoRow,
    PhotoStateRow,
    RoundRow,
    VerdictRow,
)
from data_tools.records import DecisionKind
from data_tools.trend_tables import (
    as_times,
    couplers_frame,
    events_frame,
    observations_frame,
    plain_column,
    read_frame,
    units_frame,
)
from data_tools.trends.frames import BIT_OF_KIND, TrendData, bits_of
from data_tools.workspace import Workspace
from model.vocabulary import FindingKind, Outcome, Triage


def load_trends(ws: Workspace, actor: Actor, since: datetime | None = None) -> TrendData:
    """Return all frames that trends are computed from, of photos seen at or after ``since`` (aware).

    Raises:
        NotAllowedError: the role may not see trends.
        StorageError: the database cannot be read.
    """
    actor.require(Permission.PLAN)
    with ws.read() as session:
        couplers = couplers_frame(session)
        photos = _photos(session, couplers, since)
        return TrendData(
            photos=photos,
            findings=_findings(session, photos),
            decisions=_decisions(session),
            couplers=couplers,
            units=units_frame(session),
            events=events_frame(session),
            observations=observations_frame(session),
        )


def load_frame(ws: Workspace, actor: Actor, since: datetime | None = None) -> pd.DataFrame:
    """Return one row a photo with its coupler, site, week and what stands for it now.

    The columns are those of ``TrendData.photos``; raises as ``load_trends``.
    """
    return load_trends(ws, actor, since).photos


def _photos(session: Session, couplers: pd.DataFrame, since: datetime | None) -> pd.DataFrame:
    rows = read_frame(session, _photo_query(since))
    versions = read_frame(session, select(VerdictRow.id, VerdictRow.model_version)).set_index("id")[
        "model_version"
    ]
    scored = rows["triage"].notna()
    open_question = (rows["triage"] == Triage.UNSURE.value) & rows["decision_id"].isna()
    stands = _bits(rows)
    usable = rows["judged"].astype(bool)
    judged = usable & ~open_question
    rows["week"] = _mondays(rows.pop("iso_year"), rows.pop("iso_week"))
    rows["seen_at"] = as_times(rows["seen_at"])
    photos = rows.assign(
        outcome=np.where(scored, Outcome.SCORED.value, Outcome.CANNOT_JUDGE.value),
        reason=rows["reason"].fillna(""),
        triage=rows["triage"].fillna(""),
        model_version=rows["verdict_id"].map(versions.astype("category")),
        blind_audit=rows["blind_audit"].astype(bool),
        decided=rows["decision_id"].notna(),
        decided_by=rows["decided_by"].fillna(""),
        usable=usable,
        judged=judged,
        kinds=np.where(judged, stands, -1),
        model_kinds=_model_bits(session, rows, np.where(scored, stands, -1)),
    )
    # Without a type of its own an empty store's number would be text or float, and nothing could be joined.
    photos = photos.drop(columns=[kind.value for kind in FindingKind]).astype(
        {"photo_id": "int64", "coupler_id": "int64"}
    )
    return _with_coupler(photos, couplers)


def _photo_query(since: datetime | None) -> Select[*tuple[Any, ...]]:
    decision = aliased(DecisionRow)
    query = (
        select(
            PhotoRow.id.label("photo_id"),
            PhotoRow.coupler_id,
            RoundRow.iso_year,
            RoundRow.iso_week,
            plain_column(PhotoRow.seen_at, "seen_at"),
            PhotoRow.received_by,
            PhotoRow.camera,
            plain_column(PhotoRow.blind_audit, "blind_audit"),
            PhotoStateRow.verdict_id,
            PhotoStateRow.decision_id,
            plain_column(PhotoStateRow.judged, "judged"),
            plain_column(PhotoStateRow.reason, "reason"),
            plain_column(PhotoStateRow.triage, "triage"),
            plain_column(PhotoStateRow.missing_latch, "missing_latch"),
            plain_column(PhotoStateRow.broken_pin_housing, "broken_pin_housing"),
            plain_column(PhotoStateRow.heat_melted_housing, "heat_melted_housing"),
            decision.decided_by,
        )
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .join(RoundRow, RoundRow.id == PhotoRow.round_id)
        .outerjoin(decision, decision.id == PhotoStateRow.decision_id)
    )
    return query if since is None else query.where(PhotoRow.seen_at >= since)


def _model_bits(session: Session, photos: pd.DataFrame, stands: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """What the model found: what stands where nobody decided, else the verdict that the person saw.

    A confirmation repeats the verdict, so that only other decisions need the verdict's own findings: the
    database takes them out of the kept judgement.
    """
    bits = stands.copy()
    query = (
        select(PhotoStateRow.photo_id, VerdictRow.judgement["findings"])
        .join(DecisionRow, DecisionRow.id == PhotoStateRow.decision_id)
        .join(VerdictRow, VerdictRow.id == DecisionRow.verdict_id)
        .where(DecisionRow.kind != DecisionKind.CONFIRMED)
        .where(VerdictRow.outcome == Outcome.SCORED)
    )
    place = pd.Series(np.arange(len(photos)), index=photos["photo_id"])
    for photo_id, found in session.execute(query):
        if photo_id in place.index:
            bits[place[photo_id]] = bits_of(FindingKind(item[0]) for item in found)
    return bits


def _findings(session: Session, photos: pd.DataFrame) -> pd.DataFrame:
    query = select(PhotoStateRow.photo_id, PhotoStateRow.findings, PhotoStateRow.decision_id).where(
        or_(PhotoStateRow.missing_latch, PhotoStateRow.broken_pin_housing, PhotoStateRow.heat_melted_housing)
    )
    rows = [
        (photo_id, item["kind"], item["place"], decision_id is not None)
        for photo_id, items, decision_id in session.execute(query)
        for item in items
    ]
    found = pd.DataFrame(rows, columns=["photo_id", "kind", "place", "confirmed"]).astype(
        {"photo_id": "int64"}
    )
    standing = photos.loc[photos["kinds"] > 0, "photo_id"]
    return found[found["photo_id"].isin(standing)].reset_index(drop=True)


def _decisions(session: Session) -> pd.DataFrame:
    withdrawal = aliased(DecisionRow)
    query = (
        select(
            DecisionRow.photo_id,
            DecisionRow.decided_by,
            plain_column(DecisionRow.decided_at, "decided_at"),
            DecisionRow.judged,
            DecisionRow.findings,
            DecisionRow.seconds,
            DecisionRow.evidence_shown,
        )
        .outerjoin(withdrawal, withdrawal.withdraws_id == DecisionRow.id)
        .where(withdrawal.id.is_(None))
        .where(
            DecisionRow.kind.in_((DecisionKind.CONFIRMED, DecisionKind.CORRECTED, DecisionKind.CANNOT_TELL))
        )
    )
    rows = read_frame(session, query)
    bits = [bits_of(FindingKind(item["kind"]) for item in items) for items in rows.pop("findings")]
    rows["kinds"] = np.where(rows.pop("judged").astype(bool), np.asarray(bits, np.int64), -1)
    rows["decided_at"] = as_times(rows["decided_at"])
    return rows


def _mondays(iso_year: pd.Series, iso_week: pd.Series) -> pd.Series:
    """Mondays of ISO weeks, naive; the week that holds 4 January is week 1 (ISO 8601)."""
    fourth = pd.to_datetime(iso_year.astype("int64").astype(str) + "-01-04", format="%Y-%m-%d")
    return fourth + pd.to_timedelta((iso_week.astype("int64") - 1) * 7 - fourth.dt.weekday, unit="D")


def _bits(rows: pd.DataFrame) -> np.ndarray[Any, Any]:
    bits = np.zeros(len(rows), np.int64)
    for kind, bit in BIT_OF_KIND.items():
        bits |= rows[kind.value].to_numpy().astype(np.bool_) * bit
    return bits


def _with_coupler(photos: pd.DataFrame, couplers: pd.DataFrame) -> pd.DataFrame:
    by_id = couplers.set_index("coupler_id")
    row = by_id.index.get_indexer(photos["coupler_id"])
    for column in ("unit", "position", "site", "family", "part_number"):
        photos[column] = by_id[column].astype("category").take(row).to_numpy()
    installed = by_id["installed_on"].take(row).to_numpy()
    age = (photos["seen_at"].dt.tz_localize(None).to_numpy() - installed) / np.timedelta64(1, "D")
    # A photo of the installation day may be earlier than midnight UTC of it; older ones have no known age.
    photos["age_days"] = np.where(age > -1, np.maximum(np.floor(age), 0), np.nan)
    return photos
