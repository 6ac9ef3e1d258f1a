"""Keeps ``photo_states`` in step: called inside every transaction that adds a verdict or a decision, or moves
a photo.

What stands is told in ``standing``; here it is stored, and read again as it was told. What stands for a photo
may spare the look at others of its coupler (``as_before``): those are folded again with it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from data_tools.as_before import TELLING, drawn_for_audit, rule_in_force, seen_before, undecided_doubts
from data_tools.database.schema import (
    CouplerRow,
    DecisionRow,
    FoldingRow,
    PhotoRow,
    PhotoStateRow,
    VerdictRow,
)
from data_tools.in_part import ASKED_WITHIN, asked_before
from data_tools.lookup import decision_records, findings_from_json, findings_to_json, judgement_from_json
from data_tools.settings import Settings
from data_tools.standing import (
    SeenBefore,
    Stand,
    Standing,
    State,
    fold,
    nothing_said,
    state_of,
    verdict_that_stands,
)
from model.judgement import Judgement
from model.vocabulary import FindingKind, Place

_AT_ONCE = 500


def refresh_state(session: Session, photo: PhotoRow, settings: Settings) -> PhotoStateRow:
    """Fold the photo's records into its state row (made where missing) and return it, and with it the doubts
    about its coupler that it speaks to."""
    session.flush()
    _hold(session, [photo.coupler_id])
    row = session.get(PhotoStateRow, photo.id, populate_existing=True)
    said = _told(row) if row is not None else None
    values = folded(session, [photo], settings)[photo.id]
    if row is None:
        row = PhotoStateRow(photo_id=photo.id)
        session.add(row)
    _lay_over(row, values)
    session.flush()
    now = _told(row)
    if now != said and any(each is not None and _may_count(*each) for each in (said, now)):
        fold_doubts(session, settings, {photo.coupler_id}, photo.seen_at)
    return row


def _told(row: PhotoStateRow) -> tuple[Stand, int, list[Any]]:
    """What a photo says that may count for others of its coupler."""
    return row.stand, row.verdict_id, row.unseen


def _may_count(stand: Stand, _verdict: int, unseen: list[Any]) -> bool:
    return stand in TELLING or stand is Stand.CLEAR or bool(unseen)


def fold_doubts(session: Session, settings: Settings, coupler_ids: Collection[int], since: datetime) -> None:
    """Fold the unsure photos of these couplers again that nobody has decided on, seen ``since`` then or so
    shortly before that a whole photo may answer for them: what stands for others, or where they are filed,
    has changed."""
    session.flush()
    _hold(session, coupler_ids)
    _fold_again(session, list(session.scalars(undecided_doubts(coupler_ids, since - ASKED_WITHIN))), settings)


def _hold(session: Session, coupler_ids: Collection[int]) -> None:
    """Let no other transaction fold photos of these couplers until this one ends: what it says of one photo
    may count for another. Records that name a coupler may be added meanwhile: two moves off the same one
    would else wait for each other."""
    session.execute(_held(coupler_ids)).all()


def _held(coupler_ids: Collection[int]) -> Select[int]:
    rows = select(CouplerRow.id).where(CouplerRow.id.in_(coupler_ids)).order_by(CouplerRow.id)
    return rows.with_for_update(key_share=True)


def _fold_again(session: Session, photos: Sequence[PhotoRow], settings: Settings) -> None:
    anew = folded(session, photos, settings)
    rows = select(PhotoStateRow).where(PhotoStateRow.photo_id.in_(anew))
    for row in session.scalars(rows.execution_options(populate_existing=True)):
        _lay_over(row, anew[row.photo_id])
    session.flush()


def _lay_over(row: PhotoStateRow, values: dict[str, Any]) -> None:
    for name, value in values.items():
        setattr(row, name, value)


def folded(session: Session, photos: Sequence[PhotoRow], settings: Settings) -> dict[int, dict[str, Any]]:
    """Return photo number -> what its state row must hold; photos without a verdict are left out.

    Whether a photo is as before follows from the state rows of the others of its coupler.
    """
    ids = [photo.id for photo in photos]
    verdicts: dict[int, list[VerdictRow]] = defaultdict(list)
    for verdict in session.scalars(
        select(VerdictRow).where(VerdictRow.photo_id.in_(ids)).order_by(VerdictRow.id)
    ):
        verdicts[verdict.photo_id].append(verdict)
    decisions: dict[int, list[DecisionRow]] = defaultdict(list)
    for row in session.scalars(select(DecisionRow).where(DecisionRow.photo_id.in_(ids))):
        decisions[row.photo_id].append(row)
    told = [
        (photo, *_that_stands(verdicts[photo.id], decisions[photo.id]))
        for photo in photos
        if photo.id in verdicts
    ]
    doubts = [
        (photo, judgement)
        for photo, _, judgement, standing in told
        if nothing_said(judgement.triage, standing)
    ]
    before, asked = seen_before(session, doubts, settings), asked_before(session, doubts)
    values = {}
    for photo, verdict, judgement, standing in told:
        seen = before.get(photo.id, ())
        drawn = drawn_for_audit(photo, settings) if seen else photo.blind_audit
        state = state_of(judgement, standing, drawn, seen, asked=photo.id in asked)
        values[photo.id] = _values(verdict, standing, state)
    return values


def _that_stands(
    verdicts: list[VerdictRow], decisions: list[DecisionRow]
) -> tuple[VerdictRow, Judgement, Standing]:
    standing = fold(decision_records(decisions))
    judgements = [judgement_from_json(verdict.judgement) for verdict in verdicts]
    at = verdict_that_stands(judgements, standing)
    return verdicts[at], judgements[at], standing


def _values(verdict: VerdictRow, standing: Standing, state: State) -> dict[str, Any]:
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
        "unseen": [place.value for place in state.unseen],
        "before": [{"photo": seen.photo_id, "day": seen.day.isoformat()} for seen in state.before],
    }


def state_record(row: PhotoStateRow) -> State:
    """Return what stands, as its row holds it."""
    before = tuple(SeenBefore(seen["photo"], date.fromisoformat(seen["day"])) for seen in row.before)
    found, unseen = findings_from_json(row.findings), tuple(map(Place, row.unseen))
    return State(row.stand, row.judged, row.reason, found, row.queued, before, unseen)


def fold_missing(session: Session, settings: Settings) -> None:
    """Fold all photos that have no state row: a migration of ``photo_states`` empties it."""
    missing = select(PhotoRow).outerjoin(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
    missing = missing.where(PhotoStateRow.photo_id.is_(None)).order_by(PhotoRow.id).limit(_AT_ONCE)
    last = 0
    while photos := list(session.scalars(missing.where(PhotoRow.id > last))):
        last = photos[-1].id
        for photo_id, values in folded(session, photos, settings).items():
            session.add(PhotoStateRow(photo_id=photo_id, **values))
        session.flush()
        session.expunge_all()
    fold_by_rule(session, settings)


def is_by_rule(session: Session, settings: Settings) -> bool:
    """Whether the states were folded by the rule in force: settings or margins may have changed since."""
    row = session.get(FoldingRow, 1)
    return row is not None and row.rule == rule_in_force(settings)


def fold_by_rule(session: Session, settings: Settings) -> None:
    """Fold all unsure photos that nobody has decided on by the rule in force, and keep which one that was."""
    last = 0
    some = undecided_doubts().limit(_AT_ONCE)
    while photos := list(session.scalars(some.where(PhotoRow.id > last))):
        last = photos[-1].id
        _hold(session, {photo.coupler_id for photo in photos})
        _fold_again(session, photos, settings)
        session.expunge_all()
    session.merge(FoldingRow(id=1, rule=rule_in_force(settings)))
    session.flush()
