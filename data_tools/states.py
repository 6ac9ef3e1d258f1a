"""Keeps ``photo_states`` in step: called inside every transaction that adds a verdict or a decision.

What stands is told in ``standing``; here it is stored, and read again as it was told."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from data_tools.database.schema import DecisionRow, PhotoRow, PhotoStateRow, VerdictRow
from data_tools.lookup import decision_records, findings_from_json, findings_to_json, judgement_from_json
from data_tools.standing import State, fold, state_of, verdict_that_stands
from model.vocabulary import FindingKind

_AT_ONCE = 500


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
    verdicts: dict[int, list[VerdictRow]] = defaultdict(list)
    for verdict in session.scalars(
        select(VerdictRow).where(VerdictRow.photo_id.in_(ids)).order_by(VerdictRow.id)
    ):
        verdicts[verdict.photo_id].append(verdict)
    decisions: dict[int, list[DecisionRow]] = defaultdict(list)
    for row in session.scalars(select(DecisionRow).where(DecisionRow.photo_id.in_(ids))):
        decisions[row.photo_id].append(row)
    return {
        photo.id: _values(verdicts[photo.id], decisions[photo.id], photo.blind_audit)
        for photo in photos
        if photo.id in verdicts
    }


def _values(verdicts: list[VerdictRow], decisions: list[DecisionRow], blind_audit: bool) -> dict[str, Any]:
    standing = fold(decision_records(decisions))
    verdict = verdicts[verdict_that_stands([verdict.triage for verdict in verdicts], standing)]
    state = state_of(judgement_from_json(verdict.judgement), standing, blind_audit)
    kinds = {finding.kind for finding in state.findings}
    return {
        "verdict_id": verdict.id,
        "decision_id": standing.decision.id if standing.decision else None,
        "stand": state.stand,
        "queued": state.queued,
        "conflict": standing.conflict,
        "second_opinion": standing.second_opinion,
        "judged": state.judged,
        "reason": state.reason,
        "triage": verdict.triage,
        **{kind.value: kind in kinds for kind in FindingKind},
        "findings": findings_to_json(state.findings),
    }


def state_record(row: PhotoStateRow) -> State:
    """Return what stands, as its row holds it."""
    return State(row.stand, row.judged, row.reason, findings_from_json(row.findings), row.queued)


def fold_missing(session: Session) -> None:
    """Fold all photos that have no state row: a migration of ``photo_states`` empties it."""
    missing = select(PhotoRow).outerjoin(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
    missing = missing.where(PhotoStateRow.photo_id.is_(None)).order_by(PhotoRow.id).limit(_AT_ONCE)
    last = 0
    while photos := list(session.scalars(missing.where(PhotoRow.id > last))):
        last = photos[-1].id
        for photo_id, values in folded(session, photos).items():
            session.add(PhotoStateRow(photo_id=photo_id, **values))
        session.flush()
        session.expunge_all()
