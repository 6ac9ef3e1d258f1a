"""What stands on the couplers that are on their units now: damage that nobody has ruled out or put right.

A damage does not heal. It stays open through later photos that look fine until a person who looked at a later
photo (or at that one) says otherwise, the coupler is replaced, or the unit is returned to service.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, func, or_, select
from sqlalchemy.orm import joinedload

from data_tools.access import Actor, Permission
from data_tools.database.schema import CouplerRow, EventRow, PhotoRow, PhotoStateRow, UnitRow
from data_tools.lookup import findings_from_json, photo_record, site_row
from data_tools.records import EventKind, PhotoRecord, TrueFinding
from data_tools.workspace import Workspace
from model.vocabulary import FindingKind, Triage


@dataclass(frozen=True)
class OpenDamage:
    """Damage that stands on one coupler. ``photo`` is the latest that shows it, ``since`` when it first
    showed.

    ``confirmed``: a person said so. ``sure`` is false where the model was unsure and nobody has decided yet.
    """

    photo: PhotoRecord
    findings: tuple[TrueFinding, ...]
    confirmed: bool
    sure: bool
    since: datetime


def open_damage(ws: Workspace, actor: Actor, site_key: str | None = None) -> list[OpenDamage]:
    """Return the open damage of one site, or of all, by unit and position; one entry a coupler.

    Raises:
        NotFoundError: no such site.
    """
    actor.require(Permission.SEE)
    with ws.read() as session:
        site_id = site_row(session, site_key).id if site_key is not None else None
        by_coupler: dict[int, list[tuple[PhotoRow, PhotoStateRow]]] = defaultdict(list)
        for photo, state in session.execute(_query(site_id)):
            by_coupler[photo.coupler_id].append((photo, state))
        found = [_opened(rows) for rows in by_coupler.values()]
    return sorted(found, key=lambda damage: (damage.photo.unit_key, damage.photo.position))


def _query(site_id: int | None) -> Select[PhotoRow, PhotoStateRow]:
    """Select the photos, oldest first, that show damage and that nothing has overtaken."""
    returned = (
        select(EventRow.unit_id, func.max(EventRow.done_at).label("at"))
        .where(EventRow.kind == EventKind.RETURNED)
        .group_by(EventRow.unit_id)
        .subquery()
    )
    looked_at = (
        select(PhotoRow.coupler_id, func.max(PhotoRow.seen_at).label("at"))
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .where(PhotoStateRow.decision_id.is_not(None), PhotoStateRow.judged.is_(True))
        .group_by(PhotoRow.coupler_id)
        .subquery()
    )
    unit = joinedload(PhotoRow.coupler).joinedload(CouplerRow.unit).joinedload(UnitRow.site)
    query = (
        select(PhotoRow, PhotoStateRow)
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .join(CouplerRow, CouplerRow.id == PhotoRow.coupler_id)
        .join(UnitRow, UnitRow.id == CouplerRow.unit_id)
        .outerjoin(returned, returned.c.unit_id == UnitRow.id)
        .outerjoin(looked_at, looked_at.c.coupler_id == PhotoRow.coupler_id)
        .where(CouplerRow.removed_on.is_(None), _shows_damage())
        .where(or_(returned.c.at.is_(None), PhotoRow.seen_at > returned.c.at))
        .where(or_(looked_at.c.at.is_(None), PhotoRow.seen_at >= looked_at.c.at))
        .order_by(PhotoRow.seen_at, PhotoRow.id)
        .options(unit)
    )
    return query if site_id is None else query.where(UnitRow.site_id == site_id)


def _shows_damage() -> ColumnElement[Any]:
    kinds = or_(*(getattr(PhotoStateRow, kind.value).is_(True) for kind in FindingKind))
    undecided = and_(
        PhotoStateRow.decision_id.is_(None), PhotoStateRow.triage.in_((Triage.FLAG, Triage.UNSURE))
    )
    return or_(kinds, undecided)


def _opened(rows: list[tuple[PhotoRow, PhotoStateRow]]) -> OpenDamage:
    findings = {finding for _, state in rows for finding in findings_from_json(state.findings)}
    states = [state for _, state in rows]
    confirmed = any(state.decision_id is not None for state in states)
    return OpenDamage(
        photo=photo_record(rows[-1][0]),
        findings=tuple(sorted(findings, key=lambda finding: (finding.kind.value, finding.place.value))),
        confirmed=confirmed,
        sure=confirmed or any(state.triage is Triage.FLAG for state in states),
        since=rows[0][0].seen_at,
    )
