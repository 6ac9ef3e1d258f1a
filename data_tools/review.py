"""The technician's verbs: the queue, decisions, undo, and what helps to decide."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from data_tools.access import Actor, Permission
from data_tools.database.schema import (
    CouplerRow,
    DecisionRow,
    PhotoRow,
    PhotoStateRow,
    VerdictRow,
)
from data_tools.keys import clean_text
from data_tools.lookup import (
    decision_record,
    decision_records,
    findings_to_json,
    judgement_from_json,
    photo_record,
    photo_row,
)
from data_tools.queueing import queue
from data_tools.records import DecisionKind, DecisionRecord, PhotoRecord, TrueFinding
from data_tools.standing import UNDAMAGED
from data_tools.states import refresh_state
from data_tools.workspace import Workspace, now_or
from model.errors import BadRequestError, NotAllowedError, NotFoundError
from model.families import family as family_of
from model.vocabulary import FindingKind, Outcome, Place

__all__ = ["decide", "decisions_of", "last_good_photo", "queue", "withdraw"]

MAX_COMMENT = 2000
_PLAIN = (
    DecisionKind.CONFIRMED,
    DecisionKind.CORRECTED,
    DecisionKind.CANNOT_TELL,
    DecisionKind.SECOND_OPINION,
)


def decide(
    ws: Workspace,
    actor: Actor,
    photo_id: int,
    verdict_id: int,
    kind: DecisionKind,
    findings: Iterable[TrueFinding] = (),
    *,
    comment: str = "",
    seconds: float | None = None,
    evidence_shown: bool = False,
    now: datetime | None = None,
) -> DecisionRecord:
    """Append what ``actor`` says of a photo. ``seconds`` is how long they looked.

    ``CONFIRMED`` takes its findings from the verdict. ``CORRECTED`` without findings means intact; one that
    changes nothing is kept as a confirmation. The same statement twice in a row (a key pressed twice, a
    request sent again) is kept once, unless somebody else spoke in between: then it is an answer. Others'
    decisions stay as they are; a conflict shows in the queue.

    Raises:
        NotFoundError: no such photo, or the verdict is not one of this photo.
        BadRequestError: findings that do not fit the kind of decision or the coupler's family.
    """
    actor.require(Permission.DECIDE)
    if kind not in _PLAIN:
        raise BadRequestError("a decision", f"{kind.value}", "Use withdraw() to take one back.")
    _check_seconds(seconds)
    with ws.write() as session:
        photo = session.scalar(select(PhotoRow).where(PhotoRow.id == photo_id).with_for_update())
        verdict = session.get(VerdictRow, verdict_id)
        if photo is None or verdict is None or verdict.photo_id != photo.id:
            raise NotFoundError(
                "a photo with that verdict", f"photo {photo_id}, verdict {verdict_id}", "Reload the queue."
            )
        row = _row_of(verdict, photo.coupler, kind, findings)
        row.decided_by, row.decided_at = actor.name, now_or(now)
        row.comment, row.seconds = clean_text(comment, MAX_COMMENT), seconds
        row.evidence_shown = evidence_shown
        same = _said_already(session, row)
        if same is not None:
            return decision_record(same)
        session.add(row)
        refresh_state(session, photo, ws.settings)
        return decision_record(row)


def _check_seconds(seconds: float | None) -> None:
    if seconds is not None and not (math.isfinite(seconds) and seconds >= 0):
        raise BadRequestError("seconds of 0 or more", repr(seconds), "Leave it out where it is not known.")


def _row_of(
    verdict: VerdictRow, coupler: CouplerRow, kind: DecisionKind, findings: Iterable[TrueFinding]
) -> DecisionRow:
    kind, said, judged = _statement(verdict, coupler, kind, tuple(findings))
    return DecisionRow(
        photo_id=verdict.photo_id,
        verdict_id=verdict.id,
        kind=kind,
        judged=judged,
        findings=findings_to_json(said),
    )


def _statement(
    verdict: VerdictRow, coupler: CouplerRow, kind: DecisionKind, findings: tuple[TrueFinding, ...]
) -> tuple[DecisionKind, tuple[TrueFinding, ...], bool]:
    """Return (kind, findings, judged) as they are to be kept."""
    said = frozenset(findings)
    model_said = frozenset(
        TrueFinding(f.kind, f.place) for f in judgement_from_json(verdict.judgement).findings
    )
    scored = verdict.outcome is Outcome.SCORED
    if kind is DecisionKind.CONFIRMED:
        if said and said != model_said:
            raise BadRequestError(
                "a confirmation of the verdict", "other findings", "Send them as a correction."
            )
        return kind, tuple(model_said), scored
    if kind is DecisionKind.CORRECTED:
        check_findings(said, coupler.family)
        unchanged = scored and said == model_said
        return (DecisionKind.CONFIRMED if unchanged else kind), tuple(said), True
    if said:
        raise BadRequestError(f"no findings with {kind.value}", f"{len(said)}", "Send them as a correction.")
    return kind, (), False


def check_findings(findings: Iterable[TrueFinding], family_key: str) -> None:
    """Raise ``BadRequestError`` unless each finding can be on a coupler of that family."""
    family = family_of(family_key)
    for finding in findings:
        wants_latch = finding.kind is FindingKind.MISSING_LATCH
        if finding.place not in family.places or wants_latch != (finding.place is Place.LATCH):
            raise BadRequestError(
                f"a finding that a {family.title} coupler can have",
                f"{finding.kind.value} at {finding.place.value}",
                f"Its places: {', '.join(family.places)}; a missing latch is at the latch.",
            )


def _said_already(session: Session, row: DecisionRow) -> DecisionRow | None:
    """Return the latest decision on the photo if it is this person's and says the same."""
    of_photo = select(DecisionRow).where(DecisionRow.photo_id == row.photo_id)
    query = of_photo.order_by(DecisionRow.id.desc()).limit(1)
    last = session.scalar(query)
    if last is None:
        return None
    said = ("decided_by", "verdict_id", "kind", "findings", "comment")
    same = all(getattr(last, name) == getattr(row, name) for name in said)
    return last if same else None


def withdraw(ws: Workspace, actor: Actor, decision_id: int, *, now: datetime | None = None) -> DecisionRecord:
    """Take one's own decision back, by adding a withdrawal. Doing it twice adds nothing.

    Raises:
        NotFoundError: no such decision.
        NotAllowedError: it is somebody else's.
        BadRequestError: it is itself a withdrawal.
    """
    actor.require(Permission.DECIDE)
    with ws.write() as session:
        row = session.get(DecisionRow, decision_id)
        if row is None:
            raise NotFoundError("a decision that exists", f"number {decision_id}", "Reload the photo.")
        if row.decided_by != actor.name:
            raise NotAllowedError(
                "one's own decision", f"one of {row.decided_by}", "Decide yourself instead."
            )
        if row.kind is DecisionKind.WITHDRAWN:
            raise BadRequestError("a decision to take back", "a withdrawal", "Decide again instead.")
        photo = session.scalars(select(PhotoRow).where(PhotoRow.id == row.photo_id).with_for_update()).one()
        earlier = session.scalar(select(DecisionRow).where(DecisionRow.withdraws_id == row.id))
        if earlier is not None:
            return decision_record(earlier)
        withdrawal = DecisionRow(
            photo_id=row.photo_id,
            verdict_id=row.verdict_id,
            kind=DecisionKind.WITHDRAWN,
            judged=False,
            findings=[],
            decided_by=actor.name,
            decided_at=now_or(now),
            seconds=None,
            comment="",
            evidence_shown=False,
            withdraws_id=row.id,
        )
        session.add(withdrawal)
        refresh_state(session, photo, ws.settings)
        return decision_record(withdrawal)


def decisions_of(ws: Workspace, actor: Actor, photo_id: int) -> list[DecisionRecord]:
    """Return every decision on a photo, oldest first, withdrawn ones marked; raises ``NotFoundError``."""
    actor.require(Permission.SEE)
    with ws.read() as session:
        photo_row(session, photo_id)
        rows = session.scalars(select(DecisionRow).where(DecisionRow.photo_id == photo_id))
        return list(decision_records(list(rows)))


def last_good_photo(ws: Workspace, actor: Actor, coupler_id: int, before: datetime) -> PhotoRecord | None:
    """Return the coupler's latest photo before ``before`` that shows no damage as far as anybody knows, or
    ``None``: neither a suspected nor a disputed one, nor one that is in doubt no more than before."""
    actor.require(Permission.SEE)
    query = (
        select(PhotoRow)
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .where(
            PhotoRow.coupler_id == coupler_id,
            PhotoRow.seen_at < before,
            PhotoStateRow.stand.in_(UNDAMAGED),
        )
        .order_by(PhotoRow.seen_at.desc(), PhotoRow.id.desc())
        .limit(1)
    )
    with ws.read() as session:
        row = session.scalar(query)
        return photo_record(row) if row is not None else None
