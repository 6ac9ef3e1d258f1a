"""The review queue: what a miss would cost comes first; a few clear verdicts are mixed in, unmarked."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Row, Select, and_, case, func, literal, or_, select, union
from sqlalchemy.orm import Session, aliased, joinedload

from data_tools.access import Actor, Permission
from data_tools.database.schema import (
    CouplerRow,
    DecisionRow,
    EventRow,
    PhotoRow,
    PhotoStateRow,
    RoundRow,
    UnitRow,
    VerdictRow,
)
from data_tools.lookup import (
    decision_records,
    photo_record,
    photo_row,
    site_row,
    unit_record,
    verdict_record,
)
from data_tools.records import DecisionKind, DecisionRecord, QueueItem, UnitStatus
from data_tools.settings import Settings
from data_tools.stable_draw import share_of
from data_tools.standing import Stand
from data_tools.workspace import Workspace
from model.vocabulary import Triage

_Ranked = Row[*tuple[Any, ...]]
_AUDITS_LOOKED_AT = 2000
_OPEN_QUESTION_BONUS = 2.0
"""Photos with a conflict or a question for a second opinion count this much more: somebody waits for them."""
_LATE = 50
"""A database server may show a record after so many others with higher numbers."""


@dataclass(frozen=True)
class QueueMark:
    """How far the store had got when a queue was read: its last verdict, decision and event, by number."""

    verdict: int
    decision: int
    event: int = 0


@dataclass(frozen=True)
class QueueNews:
    """What became of photos taken from the queue.

    ``gone``: those that wait for this person no longer, by their number, with all decisions on them;
    ``held``: as they are now, the first that still waits and those of another priority than before;
    ``fresh``: what has come to the queue since, most costly to miss first, without blind audits;
    ``mark``: for the next time.
    """

    gone: Mapping[int, tuple[DecisionRecord, ...]]
    held: tuple[QueueItem, ...]
    fresh: tuple[QueueItem, ...]
    mark: QueueMark


def queue(ws: Workspace, actor: Actor, site_key: str | None = None, limit: int = 50) -> list[QueueItem]:
    """Return the photos that wait for this technician, most costly to miss first, at most ``limit``.

    Priority is the sum over the damages of cost of a miss times probability, times a factor where the
    model is unsure, and times a small factor where the unit is out of service already. Clear verdicts of
    the blind audit sit at places fixed by their content, so that the order does not tell them apart;
    screens must not either. Unsure photos that are as before and drawn for it lie among the other unsure
    ones. Left out: what this technician has decided, unless somebody disagreed since.
    """
    actor.require(Permission.DECIDE)
    with ws.read() as session:
        site_id = site_row(session, site_key).id if site_key is not None else None
        ranked = _ranked(actor, site_id, ws.settings)
        main = session.execute(ranked.where(~_audited()).limit(limit)).all()
        audits = session.execute(ranked.where(_audited()).limit(_AUDITS_LOOKED_AT)).all()
        return _items(session, _mixed(main, audits, limit))


def items_of(ws: Workspace, actor: Actor, photo_ids: Sequence[int]) -> list[QueueItem]:
    """Return these photos as they would lie in the queue, in the order given, queued or not.

    Raises:
        NotFoundError: one of them does not exist.
    """
    actor.require(Permission.DECIDE)
    with ws.read() as session:
        for photo_id in photo_ids:
            photo_row(session, photo_id)
        return _items(session, [(photo_id, 0.0) for photo_id in photo_ids])


def queue_mark(ws: Workspace, actor: Actor) -> QueueMark:
    """Return how far the store has got; take it before the queue is read."""
    actor.require(Permission.DECIDE)
    with ws.read() as session:
        return _mark(session)


def queue_news(
    ws: Workspace,
    actor: Actor,
    held: Mapping[int, float],
    since: QueueMark,
    *,
    above: float,
    site_key: str | None = None,
) -> QueueNews:
    """Return what became of the photos ``held`` from the queue (number: priority then, in their order) and
    what came to it ``since`` with a priority ``above`` this one.

    Takes a few milliseconds however long the queue is: nothing is read but these photos and new ones.
    """
    actor.require(Permission.DECIDE)
    with ws.read() as session:
        site_id = site_row(session, site_key).id if site_key is not None else None
        ranked, mark = _ranked(actor, site_id, ws.settings), _mark(session)
        now = _priorities(session, ranked.where(PhotoRow.id.in_(held)))
        new = _came(since), PhotoRow.id.not_in(held), ~_audited(), _priority(ws.settings) > above
        fresh = _priorities(session, ranked.where(*new))
        left = [photo_id for photo_id in held if photo_id in now]
        anew = {photo_id: now[photo_id] for photo_id in left if now[photo_id] != held[photo_id]}
        anew |= {photo_id: now[photo_id] for photo_id in left[:1]}
        items = _items(session, [*anew.items(), *fresh.items()])
        gone = [photo_id for photo_id in held if photo_id not in now]
        said = _decisions(session, gone)
        return QueueNews(
            {photo_id: decision_records(said[photo_id]) for photo_id in gone},
            tuple(items[: len(anew)]),
            tuple(items[len(anew) :]),
            mark,
        )


def _priorities(session: Session, ranked: Select[*tuple[Any, ...]]) -> dict[int, float]:
    return {photo_id: float(priority) for photo_id, _, priority in session.execute(ranked)}


def _mark(session: Session) -> QueueMark:
    last = (session.scalar(select(func.max(row.id))) for row in (VerdictRow, DecisionRow, EventRow))
    return QueueMark(*(number or 0 for number in last))


def _came(since: QueueMark) -> ColumnElement[bool]:
    """Photos of couplers with a verdict, a decision or a move newer than ``since``: nothing else brings one
    into the queue; what is said of one photo may end what spared the look at another."""
    other, new = aliased(PhotoRow), (EventRow.id > since.event - _LATE)
    judged = select(other.coupler_id).join(VerdictRow, VerdictRow.photo_id == other.id)
    said = select(other.coupler_id).join(DecisionRow, DecisionRow.photo_id == other.id)
    moved = (select(column).where(new) for column in (EventRow.coupler_id, EventRow.new_coupler_id))
    about: Any = union(
        judged.where(VerdictRow.id > since.verdict - _LATE),
        said.where(DecisionRow.id > since.decision - _LATE),
        *(query.where(query.selected_columns[0].is_not(None)) for query in moved),
    )
    return PhotoRow.coupler_id.in_(about)


def queue_length(ws: Workspace, actor: Actor, site_key: str | None = None) -> int:
    """Return how many photos wait for this technician in all."""
    actor.require(Permission.DECIDE)
    with ws.read() as session:
        site_id = site_row(session, site_key).id if site_key is not None else None
        waiting = _waiting_for(actor, site_id).with_only_columns(func.count())
        return session.scalar(waiting) or 0


def _audited() -> ColumnElement[bool]:
    return and_(PhotoStateRow.triage.is_not_distinct_from(Triage.CLEAR), _undisputed())


def _undisputed() -> ColumnElement[bool]:
    return and_(PhotoStateRow.conflict.is_(False), PhotoStateRow.second_opinion.is_(False))


def _waiting_for(actor: Actor, site_id: int | None) -> Select[*tuple[Any, ...]]:
    """Select what is queued, less the disputes in which this person spoke last, and less what else this
    person has decided (could not tell): that is for others, or for a better photo."""
    withdrawal = aliased(DecisionRow)
    counts = and_(
        DecisionRow.photo_id == PhotoRow.id,
        DecisionRow.kind != DecisionKind.WITHDRAWN,
        ~select(withdrawal.id).where(withdrawal.withdraws_id == DecisionRow.id).exists(),
    )
    spoke = select(DecisionRow.decided_by).where(counts).correlate(PhotoRow)
    last_word = spoke.order_by(DecisionRow.id.desc()).limit(1).scalar_subquery()
    mine = and_(DecisionRow.decided_by == actor.name, DecisionRow.kind != DecisionKind.SECOND_OPINION)
    query = (
        select(PhotoRow.id, PhotoRow.sha256)
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .where(PhotoStateRow.queued.is_(True))
        .where(
            or_(
                and_(_undisputed(), ~spoke.where(mine).exists()),
                and_(~_undisputed(), func.coalesce(last_word, "") != actor.name),
            )
        )
    )
    if site_id is None:
        return query
    return query.join(RoundRow, RoundRow.id == PhotoRow.round_id).where(RoundRow.site_id == site_id)


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


def _ranked(actor: Actor, site_id: int | None, settings: Settings) -> Select[*tuple[Any, ...]]:
    """Select (photo number, SHA-256, priority), first things first."""
    priority = _priority(settings)
    return (
        _waiting_for(actor, site_id)
        .join(VerdictRow, VerdictRow.id == PhotoStateRow.verdict_id)
        .join(CouplerRow, CouplerRow.id == PhotoRow.coupler_id)
        .join(UnitRow, UnitRow.id == CouplerRow.unit_id)
        .add_columns(priority)
        .order_by(priority.desc(), PhotoRow.id)
    )


def _items(session: Session, places: list[tuple[int, float]]) -> list[QueueItem]:
    """Load the photos of (photo number, priority), in that order."""
    ids = [photo_id for photo_id, _ in places]
    unit = joinedload(PhotoRow.coupler).joinedload(CouplerRow.unit)
    query = (
        select(PhotoRow, PhotoStateRow, VerdictRow)
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .join(VerdictRow, VerdictRow.id == PhotoStateRow.verdict_id)
        .where(PhotoRow.id.in_(ids))
        .options(unit.joinedload(UnitRow.site), unit.selectinload(UnitRow.couplers))
    )
    rows = {photo.id: (photo, state, verdict) for photo, state, verdict in session.execute(query)}
    decisions = _decisions(session, ids)
    return [_item(*rows[photo_id], priority, decisions[photo_id]) for photo_id, priority in places]


def _item(
    photo: PhotoRow, state: PhotoStateRow, verdict: VerdictRow, priority: float, decisions: list[DecisionRow]
) -> QueueItem:
    return QueueItem(
        photo=photo_record(photo),
        verdict=verdict_record(verdict),
        unit=unit_record(photo.coupler.unit),
        triage=verdict.triage,
        priority=priority,
        blind_audit=photo.blind_audit or (state.stand is Stand.AS_BEFORE and state.queued),
        second_opinion=state.second_opinion,
        decisions=decision_records(decisions),
        conflict=state.conflict,
    )


def _decisions(session: Session, photo_ids: Sequence[int]) -> dict[int, list[DecisionRow]]:
    grouped: dict[int, list[DecisionRow]] = defaultdict(list)
    for row in session.scalars(select(DecisionRow).where(DecisionRow.photo_id.in_(photo_ids))):
        grouped[row.photo_id].append(row)
    return grouped


def _mixed(main: Sequence[_Ranked], audits: Sequence[_Ranked], limit: int) -> list[tuple[int, float]]:
    """Return (photo number, priority) with each audit at the place that its content says.

    At most a fifth of a full queue is audits.
    """
    room = max(limit // 5, limit - len(main))
    chosen = sorted(audits, key=lambda row: share_of(row[1], "which audit"))[:room]
    placed = [((index + 0.5) / max(1, len(main)), row) for index, row in enumerate(main)]
    placed += [(share_of(row[1], "place in queue"), row) for row in chosen]
    ordered = sorted(placed, key=lambda pair: pair[0])[:limit]
    return [(photo_id, float(priority)) for _, (photo_id, _, priority) in ordered]
