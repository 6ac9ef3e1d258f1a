"""Loads the frames of ``trends`` from the store: the database selects and joins, pandas only labels.

Rows come out as plain words and numbers, not as ORM objects or enums: that is most of the speed.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import Select, String, or_, select, type_coerce
from sqlalchemy.orm import InstrumentedAttribute, Session, aliased

from data_tools.access import Actor, Permission
from data_tools.database.schema import (
    CouplerRow,
    DecisionRow,
    EventRow,
    ObservationRow,
    PhotoRow,
    PhotoStateRow,
    RoundRow,
    SiteRow,
    UnitRow,
    VerdictRow,
)
from data_tools.records import DecisionKind, UnitStatus
from data_tools.trends.frames import BIT_OF_KIND, TrendData, bits_of
from data_tools.workspace import Workspace
from model.vocabulary import FindingKind, Outcome, Triage

CHUNK = 500
"""Rows read at a time; below the collector's own threshold of 700 new objects."""


def load_trends(ws: Workspace, actor: Actor, since: datetime | None = None) -> TrendData:
    """Return all frames that trends are computed from, of photos seen at or after ``since`` (aware).

    Raises:
        NotAllowedError: the role may not see trends.
        StorageError: the database cannot be read.
    """
    actor.require(Permission.PLAN)
    with ws.read() as session:
        couplers = _couplers(session)
        photos = _photos(session, couplers, since)
        return TrendData(
            photos=photos,
            findings=_findings(session, photos),
            decisions=_decisions(session),
            couplers=couplers,
            units=_units(session),
            events=_events(session),
            observations=_observations(session),
        )


def load_frame(ws: Workspace, actor: Actor, since: datetime | None = None) -> pd.DataFrame:
    """Return one row a photo with its coupler, site, week and what stands for it now.

    The columns are those of ``TrendData.photos``; raises as ``load_trends``.
    """
    return load_trends(ws, actor, since).photos


def _photos(session: Session, couplers: pd.DataFrame, since: datetime | None) -> pd.DataFrame:
    rows = _frame(session, _photo_query(since))
    versions = _frame(session, select(VerdictRow.id, VerdictRow.model_version)).set_index("id")[
        "model_version"
    ]
    scored = rows["triage"].notna()
    open_question = (rows["triage"] == Triage.UNSURE.value) & rows["decision_id"].isna()
    stands = _bits(rows)
    usable = rows["judged"].astype(bool)
    judged = usable & ~open_question
    rows["week"] = _mondays(rows.pop("iso_year"), rows.pop("iso_week"))
    rows["seen_at"] = _times(rows["seen_at"])
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
    photos = photos.drop(columns=[kind.value for kind in FindingKind])
    return _with_coupler(photos, couplers)


def _photo_query(since: datetime | None) -> Select[*tuple[Any, ...]]:
    decision = aliased(DecisionRow)
    query = (
        select(
            PhotoRow.id.label("photo_id"),
            PhotoRow.coupler_id,
            RoundRow.iso_year,
            RoundRow.iso_week,
            _plain(PhotoRow.seen_at, "seen_at"),
            PhotoRow.received_by,
            PhotoRow.camera,
            _plain(PhotoRow.blind_audit, "blind_audit"),
            PhotoStateRow.verdict_id,
            PhotoStateRow.decision_id,
            _plain(PhotoStateRow.judged, "judged"),
            _plain(PhotoStateRow.reason, "reason"),
            _plain(PhotoStateRow.triage, "triage"),
            _plain(PhotoStateRow.missing_latch, "missing_latch"),
            _plain(PhotoStateRow.broken_pin_housing, "broken_pin_housing"),
            _plain(PhotoStateRow.heat_melted_housing, "heat_melted_housing"),
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
    found = pd.DataFrame(rows, columns=["photo_id", "kind", "place", "confirmed"])
    standing = photos.loc[photos["kinds"] > 0, "photo_id"]
    return found[found["photo_id"].isin(standing)].reset_index(drop=True)


def _decisions(session: Session) -> pd.DataFrame:
    withdrawal = aliased(DecisionRow)
    query = (
        select(
            DecisionRow.photo_id,
            DecisionRow.decided_by,
            _plain(DecisionRow.decided_at, "decided_at"),
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
    rows = _frame(session, query)
    bits = [bits_of(FindingKind(item["kind"]) for item in items) for items in rows.pop("findings")]
    rows["kinds"] = np.where(rows.pop("judged").astype(bool), np.asarray(bits, np.int64), -1)
    rows["decided_at"] = _times(rows["decided_at"])
    return rows


def _couplers(session: Session) -> pd.DataFrame:
    query = (
        select(
            CouplerRow.id.label("coupler_id"),
            UnitRow.key.label("unit"),
            CouplerRow.position,
            CouplerRow.number,
            SiteRow.key.label("site"),
            CouplerRow.family,
            CouplerRow.part_number,
            CouplerRow.installed_on,
            CouplerRow.removed_on,
            _plain(CouplerRow.put_on_at, "put_on_at"),
        )
        .join(UnitRow, UnitRow.id == CouplerRow.unit_id)
        .join(SiteRow, SiteRow.id == UnitRow.site_id)
    )
    rows = _frame(session, query)
    for column in ("installed_on", "removed_on"):
        rows[column] = pd.to_datetime(rows[column])
    rows["put_on_at"] = _times(rows["put_on_at"])
    return rows


def _units(session: Session) -> pd.DataFrame:
    """Units of open sites; a closed site owes no rounds."""
    query = (
        select(
            UnitRow.key.label("unit"),
            SiteRow.key.label("site"),
            _plain(UnitRow.added_at, "added_at"),
            _plain(UnitRow.status, "status"),
        )
        .join(SiteRow, SiteRow.id == UnitRow.site_id)
        .where(SiteRow.closed_at.is_(None))
        .order_by(SiteRow.key, UnitRow.key)
    )
    rows = _frame(session, query)
    rows["added_at"] = _times(rows["added_at"])
    rows["out_of_service"] = rows.pop("status") == UnitStatus.OUT_OF_SERVICE.value
    return rows


def _events(session: Session) -> pd.DataFrame:
    query = (
        select(
            UnitRow.key.label("unit"),
            SiteRow.key.label("site"),
            EventRow.coupler_id,
            _plain(EventRow.kind, "kind"),
            EventRow.reason,
            EventRow.done_by,
            _plain(EventRow.done_at, "done_at"),
        )
        .join(UnitRow, UnitRow.id == EventRow.unit_id)
        .join(SiteRow, SiteRow.id == UnitRow.site_id)
        .order_by(EventRow.id)
    )
    rows = _frame(session, query)
    rows["done_at"] = _times(rows["done_at"])
    return rows


def _observations(session: Session) -> pd.DataFrame:
    query = (
        select(
            UnitRow.key.label("unit"),
            SiteRow.key.label("site"),
            _plain(ObservationRow.what, "what"),
            ObservationRow.note,
            _plain(ObservationRow.done_at, "done_at"),
        )
        .join(UnitRow, UnitRow.id == ObservationRow.unit_id)
        .join(SiteRow, SiteRow.id == UnitRow.site_id)
    )
    rows = _frame(session, query)
    rows["done_at"] = _times(rows["done_at"])
    return rows


def _frame(session: Session, query: Select[*tuple[Any, ...]]) -> pd.DataFrame:
    """Read by chunks into columns: all rows alive at once would cost as much in garbage collection."""
    result = session.connection().execute(query)
    names = list(result.keys())
    columns: list[list[Any]] = [[] for _ in names]
    for rows in result.partitions(CHUNK):
        for column, values in zip(columns, zip(*rows, strict=True), strict=True):
            column.extend(values)
    return pd.DataFrame(dict(zip(names, columns, strict=True)))


def _plain(column: InstrumentedAttribute[Any], name: str) -> Any:
    """The column as the driver gives it: no enum, boolean or zone made in Python for each value."""
    return type_coerce(column, String).label(name)


def _times(values: pd.Series) -> pd.Series:
    return pd.to_datetime(values, utc=True, format="ISO8601")


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
