"""What staff noticed and nobody has dealt with yet: it stays open until it is settled or overtaken."""

from __future__ import annotations

from sqlalchemy import Select, and_, func, or_, select
from sqlalchemy.orm import aliased

from data_tools.access import Actor, Permission
from data_tools.database.schema import CouplerRow, EventRow, ObservationRow, SettlementRow, UnitRow
from data_tools.lookup import observation_record, site_row
from data_tools.records import EventKind, EventRecord
from data_tools.workspace import Workspace


def open_observations(ws: Workspace, actor: Actor, site_key: str | None = None) -> list[EventRecord]:
    """Return the open observations of one site, or of all, by unit and oldest first.

    One is open until somebody settles it, the unit is returned to service, or the coupler that it names is
    replaced.

    Raises:
        NotFoundError: no such site.
    """
    actor.require(Permission.SEE)
    with ws.read() as session:
        site_id = site_row(session, site_key).id if site_key is not None else None
        return [observation_record(row, unit_key) for row, unit_key in session.execute(_query(site_id))]


def _query(site_id: int | None) -> Select[ObservationRow, str]:
    returned = (
        select(EventRow.unit_id, func.max(EventRow.done_at).label("at"))
        .where(EventRow.kind == EventKind.RETURNED)
        .group_by(EventRow.unit_id)
        .subquery()
    )
    after = aliased(CouplerRow)
    query = (
        select(ObservationRow, UnitRow.key)
        .join(UnitRow, UnitRow.id == ObservationRow.unit_id)
        .outerjoin(CouplerRow, CouplerRow.id == ObservationRow.coupler_id)
        .outerjoin(
            after,
            and_(
                after.unit_id == CouplerRow.unit_id,
                after.position == CouplerRow.position,
                after.number == CouplerRow.number + 1,
            ),
        )
        .outerjoin(SettlementRow, SettlementRow.observation_id == ObservationRow.id)
        .outerjoin(returned, returned.c.unit_id == ObservationRow.unit_id)
        .where(SettlementRow.observation_id.is_(None))
        # Noted between a swap and its being entered, it is about the coupler that is there now.
        .where(or_(CouplerRow.removed_on.is_(None), ObservationRow.done_at >= after.put_on_at))
        .where(or_(returned.c.at.is_(None), ObservationRow.done_at > returned.c.at))
        .order_by(UnitRow.key, ObservationRow.done_at, ObservationRow.id)
    )
    return query if site_id is None else query.where(UnitRow.site_id == site_id)
