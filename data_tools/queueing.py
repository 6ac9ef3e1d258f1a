"""The review queue: what a miss would cost comes first; a few clear verdicts are mixed in, unmarked."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, case, func, literal, or_, select
from sqlalchemy.orm import Session, joinedload

from data_tools.access import Actor, Permission
from data_tools.database.schema import (
    CouplerRow,
    DecisionRow,
    PhotoRow,
    PhotoStateRow,
    UnitRow,
    VerdictRow,
)
from data_tools.intake import share_of
from data_tools.lookup import decision_records, photo_record, site_row, unit_record, verdict_record
from data_tools.records import QueueItem, UnitStatus
from data_tools.settings import Settings
from data_tools.workspace import Workspace
from model.vocabulary import Triage

_OPEN_QUESTION_BONUS = 2.0
"""Photos with a conflict or a question for a second opinion count this much more: somebody waits for them."""


def queue(ws: Workspace, actor: Actor, site_key: str | None = None, limit: int = 50) -> list[QueueItem]:
    """Return the photos that wait for this technician, most costly to miss first, at most ``limit``.

    Priority is the sum over the damages of cost of a miss times probability, times a factor where the
    model is unsure, and times a small factor where the unit is out of service already. Clear verdicts of
    the blind audit sit at places fixed by their content, so that the order does not tell them apart;
    screens must not either. Left out: what this technician has decided, unless somebody disagreed since.
    """
    actor.require(Permission.DECIDE)
    with ws.read() as session:
        site_id = site_row(session, site_key).id if site_key is not None else None
        wanted = _waiting_for(actor, site_id)
        audited = and_(PhotoStateRow.triage == Triage.CLEAR, _undisputed())
        main = _items(session, _ordered(wanted.where(~audited), ws.settings, limit), ws.settings)
        audits = _items(session, _ordered(wanted.where(audited), ws.settings, limit), ws.settings)
    return _mixed(main, audits, limit)


def queue_length(ws: Workspace, actor: Actor, site_key: str | None = None) -> int:
    """Return how many photos wait for this technician in all."""
    actor.require(Permission.DECIDE)
    with ws.read() as session:
        site_id = site_row(session, site_key).id if site_key is not None else None
        waiting = _waiting_for(actor, site_id).with_only_columns(PhotoRow.id).subquery()
        return session.scalar(select(func.count()).select_from(waiting)) or 0


def _undisputed() -> ColumnElement[bool]:
    return and_(PhotoStateRow.conflict.is_(False), PhotoStateRow.second_opinion.is_(False))


def _waiting_for(actor: Actor, site_id: int | None) -> Select[*tuple[Any, ...]]:
    """Select what is queued, less the disputes in which this person spoke last."""
    last_word = (
        select(DecisionRow.decided_by)
        .where(DecisionRow.photo_id == PhotoRow.id)
        .order_by(DecisionRow.id.desc())
        .limit(1)
        .correlate(PhotoRow)
        .scalar_subquery()
    )
    query = (
        select(PhotoRow, PhotoStateRow, VerdictRow)
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .join(VerdictRow, VerdictRow.id == PhotoStateRow.verdict_id)
        .join(CouplerRow, CouplerRow.id == PhotoRow.coupler_id)
        .join(UnitRow, UnitRow.id == CouplerRow.unit_id)
        .where(PhotoStateRow.queued.is_(True))
        .where(or_(_undisputed(), func.coalesce(last_word, "") != actor.name))
    )
    return query if site_id is None else query.where(UnitRow.site_id == site_id)


def _priority(settings: Settings) -> ColumnElement[float]:
    cost = sum(
        (
            func.coalesce(getattr(VerdictRow, f"p_{kind.value}"), 0.0) * weight
            for kind, weight in settings.cost_of_miss.items()
        ),
        start=literal(0.0),
    )
    unsure = case((VerdictRow.triage == Triage.UNSURE, settings.queue_unsure_weight), else_=1.0)
    idle = case(
        (UnitRow.status == UnitStatus.OUT_OF_SERVICE, settings.queue_out_of_service_weight), else_=1.0
    )
    asked = case((_undisputed(), 1.0), else_=_OPEN_QUESTION_BONUS)
    return cost * unsure * idle * asked


def _ordered(query: Select[*tuple[Any, ...]], settings: Settings, limit: int) -> Select[*tuple[Any, ...]]:
    priority = _priority(settings)
    unit = joinedload(PhotoRow.coupler).joinedload(CouplerRow.unit)
    return (
        query.add_columns(priority)
        .order_by(priority.desc(), PhotoRow.id)
        .limit(limit)
        .options(unit.joinedload(UnitRow.site), unit.selectinload(UnitRow.couplers))
    )


def _items(session: Session, query: Select[*tuple[Any, ...]], settings: Settings) -> list[QueueItem]:
    rows = session.execute(query).all()
    decisions = _decisions(session, [photo.id for photo, *_ in rows])
    return [
        QueueItem(
            photo=photo_record(photo),
            verdict=verdict_record(verdict),
            unit=unit_record(photo.coupler.unit),
            triage=verdict.triage,
            priority=float(priority),
            blind_audit=photo.blind_audit,
            second_opinion=state.second_opinion,
            decisions=decision_records(decisions[photo.id]),
            conflict=state.conflict,
        )
        for photo, state, verdict, priority in rows
    ]


def _decisions(session: Session, photo_ids: Sequence[int]) -> dict[int, list[DecisionRow]]:
    grouped: dict[int, list[DecisionRow]] = defaultdict(list)
    for row in session.scalars(select(DecisionRow).where(DecisionRow.photo_id.in_(photo_ids))):
        grouped[row.photo_id].append(row)
    return grouped


def _mixed(main: list[QueueItem], audits: Iterable[QueueItem], limit: int) -> list[QueueItem]:
    """Put each audit item at the place its content says; at most a fifth of a full queue is audits."""
    room = max(limit // 5, limit - len(main))
    chosen = sorted(audits, key=lambda item: share_of(item.photo.sha256, "which audit"))[:room]
    placed = [((index + 0.5) / max(1, len(main)), item) for index, item in enumerate(main)]
    placed += [(share_of(item.photo.sha256, "place in queue"), item) for item in chosen]
    ordered = [item for _, item in sorted(placed, key=lambda pair: pair[0])]
    return ordered[:limit]
