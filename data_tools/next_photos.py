"""In which order to review, so that the next retrain gains most: see ``model.choose``.

This is another order than the queue's, which puts what could hurt first. It reads kept verdicts only; no
photo is opened.
"""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload

from data_tools.access import Actor, Permission
from data_tools.database.schema import CouplerRow, PhotoRow, PhotoStateRow, UnitRow, VerdictRow
from data_tools.lookup import judgement_from_json, photo_record
from data_tools.records import PhotoRecord
from data_tools.training_set import coupler_name, is_held_out
from data_tools.workspace import Workspace
from model.choose import order_to_learn, suspicion
from model.judgement import Judgement
from model.vocabulary import Outcome


def next_photos(ws: Workspace, actor: Actor, limit: int = 50) -> list[PhotoRecord]:
    """Return up to ``limit`` undecided photos to review next.

    Photos of held-out couplers are left out: they are never learnt from.
    """
    actor.require(Permission.DECIDE)
    with ws.read() as session:
        waiting = [row for row in _judged(session) if not is_held_out(coupler_name(row[0].coupler))]
        couplers = [photo.coupler_id for photo, _ in waiting]
        suspicions = [suspected(judgement) for _, judgement in waiting]
        order = order_to_learn(suspicions, couplers, limit, decided=_decided_couplers(session))
        return [photo_record(waiting[n][0]) for n in order]


def suspected(judgement: Judgement) -> float:
    """Return how much damage a judgement suspects over all places together (mean log odds); where it tells
    nothing of places, in the whole photo."""
    places = [p for kinds in judgement.place_probabilities.values() for p in kinds.values()]
    return suspicion(places or judgement.probabilities.values())


def _judged(session: Session) -> list[tuple[PhotoRow, Judgement]]:
    query = (
        select(PhotoRow, VerdictRow.judgement)
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .join(VerdictRow, VerdictRow.id == PhotoStateRow.verdict_id)
        .where(PhotoStateRow.decision_id.is_(None), VerdictRow.outcome == Outcome.SCORED)
        .options(joinedload(PhotoRow.coupler).joinedload(CouplerRow.unit).joinedload(UnitRow.site))
        .order_by(PhotoRow.id)
    )
    return [(photo, judgement_from_json(judgement)) for photo, judgement in session.execute(query)]


def _decided_couplers(session: Session) -> set[int]:
    query = (
        select(PhotoRow.coupler_id)
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .where(PhotoStateRow.decision_id.is_not(None))
        .distinct()
    )
    return set(session.scalars(query))
