"""Keeps ``photo_states`` in step: called inside every transaction that adds a verdict or a decision."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
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
    values = folded(session, [photo])[photo.id]
    row = session.get(PhotoStateRow, photo.id)
    if row is None:
        row = PhotoStateRow(photo_id=photo.id)
        session.add(row)
    for name, value in values.items():
        setattr(row, name, value)
    session.flush()
    return row


def folded(session: Session, photos: Sequence[PhotoRow]) -> dict[int, dict[str, Any]]:
    """Return photo number -> what its state row must hold; photos without a verdict are left out."""
    ids = [photo.id for photo in photos]
    verdicts = select(VerdictRow).where(VerdictRow.photo_id.in_(ids)).order_by(VerdictRow.id)
    latest = {verdict.photo_id: verdict for verdict in session.scalars(verdicts)}
    decisions: dict[int, list[DecisionRow]] = defaultdict(list)
    for row in session.scalars(select(DecisionRow).where(DecisionRow.photo_id.in_(ids))):
        decisions[row.photo_id].append(row)
    return {
        photo.id: _values(latest[photo.id], decisions[photo.id], photo.blind_audit)
        for photo in photos
        if photo.id in latest
    }


def _values(verdict: VerdictRow, decisions: list[DecisionRow], blind_audit: bool) -> dict[str, Any]:
    standing = fold(decision_records(decisions))
    state = state_of(judgement_from_json(verdict.judgement), standing, blind_audit)
    kinds = {finding.kind for finding in state.findings}
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
