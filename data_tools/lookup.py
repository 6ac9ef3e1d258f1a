"""Rows to records, and keys to rows: the small queries that every verb needs."""

from __future__ import annotations

import math
from datetime import datetime
from typing import Any

from sqlalchemy import or_, select
from sqlalchemy.orm import Session, selectinload

from data_tools import records
from data_tools.database.schema import (
    CouplerRow,
    DecisionRow,
    EventRow,
    ObservationRow,
    PhotoRow,
    SettlementRow,
    SiteRow,
    UnitRow,
    VerdictRow,
)
from data_tools.keys import KnownKeys, folded_key
from data_tools.records import DecisionKind, EventKind, TrueFinding
from model.errors import NotFoundError
from model.judgement import Finding, Judgement, LocatedFace
from model.vocabulary import FindingKind, Label, Outcome, Place, Reason, Triage


def id_of(session: Session, table: type[SiteRow] | type[UnitRow], key: str) -> int | None:
    """Return the number of the site or unit that ``key`` names, in any of its spellings, or ``None``."""
    exact = session.scalar(select(table.id).where(table.key == key))
    if exact is not None:
        return exact
    alike = or_(table.folded == folded_key(key), table.folded.is_(None))
    rows = {row.key: row.id for row in session.execute(select(table.id, table.key).where(alike))}
    found = KnownKeys(rows).get(key)
    return rows[found] if found is not None else None


def twins(session: Session, table: type[SiteRow] | type[UnitRow]) -> dict[str, str]:
    """Return each key with another one that is like it; only an older store holds such."""
    if session.scalar(select(table.id).where(table.folded.is_(None)).limit(1)) is None:
        return {}
    return KnownKeys(session.scalars(select(table.key).order_by(table.id))).twins()


def site_row(session: Session, key: str) -> SiteRow:
    """Return the site's row; raises ``NotFoundError``."""
    number = id_of(session, SiteRow, key)
    row = session.get(SiteRow, number) if number is not None else None
    if row is None:
        known = ", ".join(session.scalars(select(SiteRow.key).order_by(SiteRow.key).limit(12))) or "none yet"
        raise NotFoundError("a site that exists", repr(key), f"Known sites: {known}.")
    return row


def unit_row(session: Session, key: str) -> UnitRow:
    """Return the unit's row with its site and couplers; raises ``NotFoundError``."""
    query = select(UnitRow).options(selectinload(UnitRow.site), selectinload(UnitRow.couplers))
    row = session.scalar(query.where(UnitRow.id == id_of(session, UnitRow, key)))
    if row is None:
        raise NotFoundError(
            "a unit that exists", repr(key), "Check the key, or add the unit with `rounds add-unit`."
        )
    return row


def held_unit(session: Session, key: str) -> UnitRow:
    """Return ``unit_row`` with the couplers that stay on it until the transaction ends: swaps wait for it."""
    session.execute(select(UnitRow.id).where(UnitRow.id == id_of(session, UnitRow, key)).with_for_update())
    return unit_row(session, key)


def coupler_at(unit: UnitRow, position: str) -> CouplerRow:
    """Return the coupler now on ``position`` of ``unit``; raises ``NotFoundError``."""
    there = {c.position: c for c in unit.couplers if c.removed_on is None}
    found = KnownKeys(there).get(position)
    if found is not None:
        return there[found]
    known = ", ".join(sorted(c.position for c in unit.couplers if c.removed_on is None)) or "none"
    raise NotFoundError(f"a coupler on unit {unit.key}", f"position {position!r}", f"Its positions: {known}.")


def coupler_when(unit: UnitRow, position: str, moment: datetime) -> CouplerRow:
    """Return the coupler that was on ``position`` at ``moment`` (before any was put on: the first)."""
    held = coupler_at(unit, position).position
    there = sorted((c for c in unit.couplers if c.position == held), key=lambda c: c.number)
    return next((c for c in reversed(there) if c.put_on_at <= moment), there[0])


def photo_row(session: Session, photo_id: int) -> PhotoRow:
    """Return the photo's row; raises ``NotFoundError``."""
    row = session.get(PhotoRow, photo_id)
    if row is None:
        raise NotFoundError("a photo that exists", f"number {photo_id}", "Look it up in the unit's history.")
    return row


def site_record(row: SiteRow, alike: str = "") -> records.Site:
    """Return the record of a site row."""
    return records.Site(row.id, row.key, row.name, row.timezone, alike)


def coupler_record(row: CouplerRow, unit_key: str) -> records.Coupler:
    """Return the record of a coupler row."""
    return records.Coupler(
        row.id, unit_key, row.position, row.family, row.part_number, row.installed_on, row.removed_on
    )


def unit_record(row: UnitRow, alike: str = "") -> records.Unit:
    """Return the record of a unit row with the couplers now on it; ``alike`` is of ``twins``."""
    now_on = sorted((c for c in row.couplers if c.removed_on is None), key=lambda c: c.position)
    couplers = tuple(coupler_record(c, row.key) for c in now_on)
    return records.Unit(row.id, row.key, row.site.key, row.name, row.status, couplers, alike)


def photo_record(row: PhotoRow) -> records.PhotoRecord:
    """Return the record of a photo row (walks to coupler, unit and site)."""
    coupler = row.coupler
    return records.PhotoRecord(
        id=row.id,
        sha256=row.sha256,
        file_name=row.file_name,
        unit_key=coupler.unit.key,
        coupler_id=row.coupler_id,
        site_key=coupler.unit.site.key,
        round_id=row.round_id,
        taken_at=row.taken_at,
        received_at=row.received_at,
        received_by=row.received_by,
        width=row.width,
        height=row.height,
        position=coupler.position,
        seen_at=row.seen_at,
        camera=row.camera,
        family=coupler.family,
    )


def verdict_record(row: VerdictRow) -> records.VerdictRecord:
    """Return the record of a verdict row."""
    return records.VerdictRecord(
        row.id, row.photo_id, row.made_at, row.model_version, judgement_from_json(row.judgement)
    )


def decision_record(row: DecisionRow, withdrawn_ids: frozenset[int] = frozenset()) -> records.DecisionRecord:
    """Return the record of a decision row; ``withdrawn_ids`` are the decisions that were taken back."""
    return records.DecisionRecord(
        id=row.id,
        photo_id=row.photo_id,
        verdict_id=row.verdict_id,
        kind=row.kind,
        findings=findings_from_json(row.findings),
        decided_by=row.decided_by,
        decided_at=row.decided_at,
        seconds=row.seconds,
        comment=row.comment,
        evidence_shown=row.evidence_shown,
        judged=row.judged,
        withdraws_id=row.withdraws_id,
        withdrawn=row.id in withdrawn_ids,
    )


def decision_records(rows: list[DecisionRow]) -> tuple[records.DecisionRecord, ...]:
    """Return the records of all decisions of one photo, oldest first, with withdrawals marked."""
    withdrawn = frozenset(r.withdraws_id for r in rows if r.kind is DecisionKind.WITHDRAWN and r.withdraws_id)
    return tuple(decision_record(row, withdrawn) for row in sorted(rows, key=lambda r: r.id))


def event_record(row: EventRow, unit_key: str) -> records.EventRecord:
    """Return the record of a condition event."""
    return records.EventRecord(
        row.id, unit_key, row.coupler_id, row.kind, row.reason, row.done_by, row.done_at,
        new_coupler_id=row.new_coupler_id, photo_id=row.photo_id,
    )  # fmt: skip


def observation_record(
    row: ObservationRow, unit_key: str, settlement: SettlementRow | None = None
) -> records.EventRecord:
    """Return an observation as an event record of kind ``OBSERVED``."""
    settled = None
    if settlement is not None:
        settled = records.Settlement(settlement.how, settlement.done_by, settlement.done_at)
    return records.EventRecord(
        row.id, unit_key, row.coupler_id, EventKind.OBSERVED, row.note, row.done_by, row.done_at,
        what=row.what, blinks=row.blinks, settled=settled,
    )  # fmt: skip


def findings_to_json(findings: tuple[TrueFinding, ...]) -> list[dict[str, str]]:
    """Return findings as sorted JSON, each once."""
    pairs = sorted({(f.kind.value, f.place.value) for f in findings})
    return [{"kind": kind, "place": place} for kind, place in pairs]


def findings_from_json(items: list[Any]) -> tuple[TrueFinding, ...]:
    """Return the findings of their JSON form."""
    return tuple(TrueFinding(FindingKind(item["kind"]), Place(item["place"])) for item in items)


def judgement_to_json(judgement: Judgement) -> dict[str, Any]:
    """Return everything in a judgement as JSON-able data; ``judgement_from_json`` is its inverse."""
    face = judgement.face
    return {
        "outcome": judgement.outcome.value,
        "model_version": judgement.model_version,
        "reason": judgement.reason.value if judgement.reason else None,
        "detail": judgement.detail,
        "label": judgement.label.value if judgement.label else None,
        "triage": judgement.triage.value if judgement.triage else None,
        "findings": [[f.kind.value, f.place.value, float(f.probability)] for f in judgement.findings],
        "probabilities": {k.value: float(p) for k, p in judgement.probabilities.items()},
        "place_probabilities": {
            place.value: {k.value: float(p) for k, p in kinds.items()}
            for place, kinds in judgement.place_probabilities.items()
        },
        "face": None
        if face is None
        else {
            "family": face.family,
            "confidence": float(face.confidence),
            "homography": [float(x) for x in face.homography],
            "visible": {place.value: bool(seen) for place, seen in face.visible.items()},
        },
        "quality": {name: float(v) for name, v in judgement.quality.items() if math.isfinite(v)},
    }


def judgement_from_json(data: dict[str, Any]) -> Judgement:
    """Return the judgement kept in a verdict."""
    face = data["face"]
    return Judgement(
        outcome=Outcome(data["outcome"]),
        model_version=data["model_version"],
        reason=Reason(data["reason"]) if data["reason"] else None,
        detail=data["detail"],
        label=Label(data["label"]) if data["label"] else None,
        triage=Triage(data["triage"]) if data["triage"] else None,
        findings=tuple(Finding(FindingKind(k), Place(p), prob) for k, p, prob in data["findings"]),
        probabilities={FindingKind(k): p for k, p in data["probabilities"].items()},
        place_probabilities={
            Place(place): {FindingKind(k): p for k, p in kinds.items()}
            for place, kinds in data["place_probabilities"].items()
        },
        face=None
        if face is None
        else LocatedFace(
            face["family"],
            face["confidence"],
            tuple(face["homography"]),
            {Place(place): seen for place, seen in face["visible"].items()},
        ),
        quality=data["quality"],
    )
