"""In which order to review, so that the next retrain gains most: doubtful photos first, no two alike.

This is another order than the queue's, which puts what could hurt first. It reads kept verdicts only; no
photo is opened.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload

from data_tools.access import Actor, Permission
from data_tools.database.schema import CouplerRow, PhotoRow, PhotoStateRow, UnitRow, VerdictRow
from data_tools.lookup import judgement_from_json, photo_record
from data_tools.records import PhotoRecord
from data_tools.training_set import coupler_name, is_held_out
from data_tools.workspace import Workspace
from model.choose import doubt, order_to_learn
from model.judgement import Judgement
from model.vocabulary import FindingKind, Outcome

MOST_WEIGHED = 3000
"""The most doubtful so many are weighed against each other."""
_MOST_KNOWN = 500


def next_photos(ws: Workspace, actor: Actor, limit: int = 50) -> list[PhotoRecord]:
    """Return up to ``limit`` undecided photos to review next.

    Photos of held-out couplers are left out: they are never learnt from.
    """
    actor.require(Permission.DECIDE)
    with ws.read() as session:
        waiting = [
            row for row in _judged(session, decided=False) if not is_held_out(coupler_name(row[0].coupler))
        ]
        known = _judged(session, decided=True)[-_MOST_KNOWN:]
        order = review_order([row[1] for row in waiting], [row[1] for row in known], limit)
        return [photo_record(waiting[n][0]) for n in order]


def review_order(waiting: Sequence[Judgement], known: Sequence[Judgement], limit: int) -> list[int]:
    """Return up to ``limit`` numbers of ``waiting``, what a retrain would gain most from first.

    ``known`` are judgements of photos that people have decided on already.
    """
    doubts = doubt(_probabilities(waiting))
    first = np.argsort(-doubts, kind="stable")[:MOST_WEIGHED]
    vectors = _vectors([*(waiting[n] for n in first), *known])
    order = order_to_learn(doubts[first], vectors[: len(first)], limit, known=vectors[len(first) :])
    return [int(first[n]) for n in order]


def _judged(session: Session, *, decided: bool) -> list[tuple[PhotoRow, Judgement]]:
    has = PhotoStateRow.decision_id.is_not(None) if decided else PhotoStateRow.decision_id.is_(None)
    query = (
        select(PhotoRow, VerdictRow.judgement)
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .join(VerdictRow, VerdictRow.id == PhotoStateRow.verdict_id)
        .where(has, VerdictRow.outcome == Outcome.SCORED)
        .options(joinedload(PhotoRow.coupler).joinedload(CouplerRow.unit).joinedload(UnitRow.site))
        .order_by(PhotoRow.id)
    )
    return [(photo, judgement_from_json(judgement)) for photo, judgement in session.execute(query)]


def _probabilities(judgements: Sequence[Judgement]) -> NDArray[np.float64]:
    rows = [[j.probabilities[kind] for kind in FindingKind] for j in judgements]
    return np.array(rows, dtype=np.float64).reshape(len(rows), len(FindingKind))


def _vectors(judged: Sequence[Judgement]) -> NDArray[np.float64]:
    """Return a row a photo of what its verdict says: log odds of damage by place, picture quality."""
    rows = [_described(judgement) for judgement in judged]
    names = sorted({name for row in rows for name in row})
    table = np.array([[row.get(name, math.nan) for name in names] for row in rows]).reshape(
        len(rows), len(names)
    )
    if not table.size:
        return table
    known = ~np.isnan(table)
    count = known.sum(0)
    mean = np.where(known, table, 0).sum(0) / count
    centred = np.where(known, table - mean, 0.0)  # what is not known of a photo makes it unlike nobody
    spread = np.sqrt((centred**2).sum(0) / count)
    result: NDArray[np.float64] = centred / np.where(spread > 0, spread, 1.0)
    return result


def _described(judgement: Judgement) -> dict[str, float]:
    odds = {
        f"{place.value} {kind.value}": _log_odds(p)
        for place, kinds in judgement.place_probabilities.items()
        for kind, p in kinds.items()
    }
    photo_odds = {kind.value: _log_odds(p) for kind, p in judgement.probabilities.items()}
    return {**odds, **photo_odds, **judgement.quality}


def _log_odds(p: float) -> float:
    kept = min(max(p, 1e-4), 1 - 1e-4)
    return math.log(kept / (1 - kept))
