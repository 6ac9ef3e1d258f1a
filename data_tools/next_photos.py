"""In which order to review, so that the next retrain gains most: see ``model.choose``.

This is another order than the queue's, which puts what could hurt first. It reads kept verdicts only; no
photo is opened.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from weakref import WeakKeyDictionary

from sqlalchemy import Select, select
from sqlalchemy.orm import Session, joinedload

from data_tools.access import Actor, Permission
from data_tools.database.schema import CouplerRow, PhotoRow, PhotoStateRow, UnitRow, VerdictRow
from data_tools.lookup import photo_record
from data_tools.records import PhotoRecord
from data_tools.training_set import coupler_name, is_held_out
from data_tools.workspace import Workspace
from model.choose import order_to_learn, suspicion
from model.judgement import Judgement
from model.vocabulary import Outcome

_AT_ONCE = 500
_SUSPICIONS: WeakKeyDictionary[Workspace, dict[int, float]] = WeakKeyDictionary()
"""By verdict. Verdicts never change, so each is read once in the life of a server: most photos are clear and
never decided on, and a large store has very many of them."""


def next_photos(ws: Workspace, actor: Actor, limit: int = 50) -> list[PhotoRecord]:
    """Return up to ``limit`` undecided photos to review next.

    Photos of held-out couplers are left out: they are never learnt from.
    """
    actor.require(Permission.DECIDE)
    with ws.read() as session:
        held_out = _held_out(session)
        waiting = [row for row in session.execute(_undecided()) if row.coupler_id not in held_out]
        suspicions = _suspicions(ws, session, [row.verdict_id for row in waiting])
        couplers = [row.coupler_id for row in waiting]
        order = order_to_learn(suspicions, couplers, limit, decided=_decided_couplers(session))
        return _records(session, [waiting[n].id for n in order])


def suspected(judgement: Judgement) -> float:
    """Return how much damage a judgement suspects over all places together (mean log odds); where it tells
    nothing of places, in the whole photo."""
    return _suspicion(judgement.place_probabilities, judgement.probabilities)


def _suspicion(places: Mapping[Any, Mapping[Any, float]], photo: Mapping[Any, float]) -> float:
    return suspicion([p for kinds in places.values() for p in kinds.values()] or photo.values())


def _undecided() -> Select[int, int, int]:
    return (
        select(PhotoRow.id, PhotoRow.coupler_id, PhotoStateRow.verdict_id)
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .join(VerdictRow, VerdictRow.id == PhotoStateRow.verdict_id)
        .where(PhotoStateRow.decision_id.is_(None), VerdictRow.outcome == Outcome.SCORED)
        .order_by(PhotoRow.id)
    )


def _suspicions(ws: Workspace, session: Session, verdicts: list[int]) -> list[float]:
    known = _SUSPICIONS.setdefault(ws, {})
    unread = [verdict for verdict in verdicts if verdict not in known]
    said = VerdictRow.judgement
    query = select(VerdictRow.id, said["place_probabilities"], said["probabilities"])
    for start in range(0, len(unread), _AT_ONCE):
        some = unread[start : start + _AT_ONCE]
        for verdict, places, photo in session.execute(query.where(VerdictRow.id.in_(some))):
            known[verdict] = _suspicion(places, photo)
    return [known[verdict] for verdict in verdicts]


def _held_out(session: Session) -> set[int]:
    query = select(CouplerRow).options(joinedload(CouplerRow.unit).joinedload(UnitRow.site))
    return {row.id for row in session.scalars(query) if is_held_out(coupler_name(row))}


def _records(session: Session, photos: list[int]) -> list[PhotoRecord]:
    query = (
        select(PhotoRow)
        .where(PhotoRow.id.in_(photos))
        .options(joinedload(PhotoRow.coupler).joinedload(CouplerRow.unit).joinedload(UnitRow.site))
    )
    rows = {row.id: row for row in session.scalars(query)}
    return [photo_record(rows[photo]) for photo in photos]


def _decided_couplers(session: Session) -> set[int]:
    query = (
        select(PhotoRow.coupler_id)
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .where(PhotoStateRow.decision_id.is_not(None))
        .distinct()
    )
    return set(session.scalars(query))
