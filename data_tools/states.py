"""Keeps ``photo_states`` in step: called inside every transaction that adds a verdict or a decision."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from data_tools.database.schema import DecisionRow, PhotoRow, PhotoStateRow, VerdictRow
from data_tools.lookup import decision_records, findings_to_json, judgement_from_json
from data_tools.standing import fold, state_of
from model.vocabulary import FindingKind


def refresh_state(session: Session, photo: PhotoRow) -> PhotoStateRow:
    """Fold the photo's records into its state row (made where missing) and return it."""
    session.flush()
    values = folded(session, photo)
    row = session.get(PhotoStateRow, photo.id)
    if row is None:
        row = PhotoStateRow(photo_id=photo.id)
        session.add(row)
    for name, value in values.items():
        setattr(row, name, value)
    session.flush()
    return row


def folded(session: Session, photo: PhotoRow) -> dict[str, Any]:
    """Return what the photo's state row must hold."""
    verdict = session.scalars(
        select(VerdictRow).where(VerdictRow.photo_id == photo.id).order_by(VerdictRow.id.desc()).limit(1)
    ).one()
    decisions = session.scalars(select(DecisionRow).where(DecisionRow.photo_id == photo.id)).all()
    state = state_of(
        judgement_from_json(verdict.judgement), fold(decision_records(list(decisions))), photo.blind_audit
    )
    kinds = {finding.kind for finding in state.findings}
    standing = state.standing
    return {
        "verdict_id": verdict.id,
        "decision_id": standing.decision.id if standing.decision else None,
        "queued": state.queued,
        "conflict": standing.conflict,
        "second_opinion": standing.second_opinion,
        "judged": state.judged,
        "reason": state.reason,
        "triage": verdict.triage,
        **{kind.value: kind in kinds for kind in FindingKind},
        "findings": findings_to_json(state.findings),
    }
