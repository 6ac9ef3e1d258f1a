"""What stands on the couplers that are on their units now: damage that nobody has ruled out or put right.

A damage does not heal. It stays open through later photos that look fine until a person who looked at a later
photo (or at that one) says otherwise and nobody differs, the coupler is replaced, or the unit is returned to
service. Who could not tell rules nothing out.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Select, func, or_, select
from sqlalchemy.orm import joinedload

from data_tools.access import Actor, Permission
from data_tools.database.schema import CouplerRow, EventRow, PhotoRow, PhotoStateRow, UnitRow
from data_tools.lookup import findings_from_json, photo_record, site_row
from data_tools.records import EventKind, PhotoRecord, TrueFinding
from data_tools.standing import OPEN, RULED, Stand
from data_tools.workspace import Workspace


@dataclass(frozen=True)
class OpenDamage:
    """Damage that stands on one coupler, and how: the gravest of its photos. ``photo`` is the latest that
    shows it, ``since`` when it first showed."""

    photo: PhotoRecord
    findings: tuple[TrueFinding, ...]
    stand: Stand
    since: datetime

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
        .where(PhotoStateRow.stand.in_(RULED))
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
        .where(CouplerRow.removed_on.is_(None), PhotoStateRow.stand.in_(OPEN))
        .where(or_(returned.c.at.is_(None), PhotoRow.seen_at > returned.c.at))
        .where(or_(looked_at.c.at.is_(None), PhotoRow.seen_at >= looked_at.c.at))
        .order_by(PhotoRow.seen_at, PhotoRow.id)
        .options(unit)
    )
    return query if site_id is None else query.where(UnitRow.site_id == site_id)


def _opened(rows: list[tuple[PhotoRow, PhotoStateRow]]) -> OpenDamage:
    findings = {finding for _, state in rows for finding in findings_from_json(state.findings)}
    return OpenDamage(
        photo=photo_record(rows[-1][0]),
        findings=tuple(sorted(findings, key=lambda finding: (finding.kind.value, finding.place.value))),
        stand=min((state.stand for _, state in rows), key=OPEN.index),
        since=rows[0][0].seen_at,
    )
