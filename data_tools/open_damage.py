"""What stands on the couplers that are on their units now: damage that nobody has ruled out or put right.

A damage does not heal. It stays open through later photos that look fine until a person who looked at a later
photo (or at that one) says otherwise and nobody differs, the coupler is replaced, or the unit is returned to
service. Who could not tell rules nothing out, and nobody rules out what was not known here then: what came in
or was moved here later stays open until somebody rules again.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime
from functools import cache

from sqlalchemy import ColumnElement, Select, bindparam, func, or_, select
from sqlalchemy.orm import aliased, joinedload

from data_tools.access import Actor, Permission
from data_tools.database.schema import CouplerRow, DecisionRow, EventRow, PhotoRow, PhotoStateRow, UnitRow
from data_tools.filing import known_at, left_by_swap, moved_by_hand
from data_tools.lookup import findings_from_json, photo_record, site_row
from data_tools.records import EventKind, PhotoRecord, TrueFinding
from data_tools.standing import OPEN, RULED, Stand
from data_tools.workspace import Workspace
from model.vocabulary import Place


@dataclass(frozen=True)
class OpenDamage:
    """Damage that stands on one coupler, and how: the gravest of its photos. ``photo`` is the latest that
    shows it, ``since`` when it first showed. ``coupler_in_doubt``: it counts since its coupler was replaced,
    and a person had filed it there before; whoever knows moves it. ``unseen``: what was not in view in them,
    where nobody has looked yet."""

    photo: PhotoRecord
    findings: tuple[TrueFinding, ...]
    stand: Stand
    since: datetime
    coupler_in_doubt: bool = False
    unseen: tuple[Place, ...] = ()

    @property
    def confirmed(self) -> bool:
        """Whether a person said so and nobody differs."""
        return self.stand is Stand.DAMAGED

    @property
    def sure(self) -> bool:
        """False where model or people are unsure and nobody has named damage or flagged it."""
        return self.stand is not Stand.DOUBTED


def open_damage(ws: Workspace, actor: Actor, site_key: str | None = None) -> list[OpenDamage]:
    """Return the open damage of one site, or of all, by unit and position; one entry a coupler.

    Raises:
        NotFoundError: no such site.
    """
    actor.require(Permission.SEE)
    with ws.read() as session:
        query = _query(of_one_site=site_key is not None)
        of_site = {"site_id": site_row(session, site_key).id} if site_key is not None else {}
        by_coupler: dict[int, list[tuple[PhotoRow, PhotoStateRow]]] = defaultdict(list)
        for photo, state in session.execute(query, of_site):
            by_coupler[photo.coupler_id].append((photo, state))
        found = [_opened(rows) for rows in by_coupler.values()]
    return sorted(found, key=lambda damage: (damage.photo.unit_key, damage.photo.position))


@cache
def _query(*, of_one_site: bool) -> Select[PhotoRow, PhotoStateRow]:
    """Select the photos, oldest first, that show damage and that nothing has overtaken.

    Made once: making it takes longer than the database takes to answer it, and every upload asks.
    """
    on_the_unit = or_(CouplerRow.removed_on.is_(None), left_by_swap(PhotoRow))
    # Most open damage is of a coupler's last photos: only what has a ruling after it needs the closer look.
    last_ruling = (
        select(PhotoRow.coupler_id, func.max(PhotoRow.seen_at).label("at"))
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .where(PhotoStateRow.stand.in_(RULED))
        .group_by(PhotoRow.coupler_id)
        .subquery()
    )
    latest = or_(last_ruling.c.at.is_(None), PhotoRow.seen_at >= last_ruling.c.at)
    unit = joinedload(PhotoRow.coupler).joinedload(CouplerRow.unit).joinedload(UnitRow.site)
    query = (
        select(PhotoRow, PhotoStateRow)
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .join(CouplerRow, CouplerRow.id == PhotoRow.coupler_id)
        .join(UnitRow, UnitRow.id == CouplerRow.unit_id)
        .outerjoin(last_ruling, last_ruling.c.coupler_id == PhotoRow.coupler_id)
        .where(PhotoStateRow.stand.in_(OPEN), on_the_unit, ~_returned(), or_(latest, ~_ruled_out()))
        .order_by(PhotoRow.seen_at, PhotoRow.id)
        .options(unit)
    )
    return query.where(UnitRow.site_id == bindparam("site_id")) if of_one_site else query


def _returned() -> ColumnElement[bool]:
    """Whether the unit has been returned to service since, by somebody who could know of the photo."""
    event = aliased(EventRow)
    query = select(event.id).where(event.unit_id == UnitRow.id, event.kind == EventKind.RETURNED)
    return query.where(event.done_at >= PhotoRow.seen_at, known_at(PhotoRow, event.done_at)).exists()


def _ruled_out() -> ColumnElement[bool]:
    """Whether somebody has ruled on a later photo of the coupler while both were filed there."""
    later, state, decision = aliased(PhotoRow), aliased(PhotoStateRow), aliased(DecisionRow)
    move = aliased(EventRow)
    query = (
        select(later.id)
        .join(state, state.photo_id == later.id)
        .join(decision, decision.id == state.decision_id)
        .where(later.coupler_id == PhotoRow.coupler_id, later.seen_at > PhotoRow.seen_at)
        .where(state.stand.in_(RULED))
        .where(known_at(PhotoRow, decision.decided_at))
        .where(~moved_by_hand(later, move.done_at >= decision.decided_at, move=move))
    )
    return query.exists()


def _opened(rows: list[tuple[PhotoRow, PhotoStateRow]]) -> OpenDamage:
    findings = {finding for _, state in rows for finding in findings_from_json(state.findings)}
    return OpenDamage(
        photo=photo_record(rows[-1][0]),
        findings=tuple(sorted(findings, key=lambda finding: (finding.kind.value, finding.place.value))),
        stand=min((state.stand for _, state in rows), key=OPEN.index),
        since=rows[0][0].seen_at,
        coupler_in_doubt=rows[-1][0].coupler.removed_on is not None,
        unseen=tuple(place for place in Place if any(place in state.unseen for _, state in rows)),
    )
