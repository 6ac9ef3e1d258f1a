"""What staff noticed and nobody has dealt with yet: it stays open until it is settled or overtaken."""

from __future__ import annotations

from sqlalchemy import Select, func, or_, select

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
    query = (
        select(ObservationRow, UnitRow.key)
        .join(UnitRow, UnitRow.id == ObservationRow.unit_id)
        .outerjoin(CouplerRow, CouplerRow.id == ObservationRow.coupler_id)
        .outerjoin(SettlementRow, SettlementRow.observation_id == ObservationRow.id)
        .outerjoin(returned, returned.c.unit_id == ObservationRow.unit_id)
        .where(SettlementRow.observation_id.is_(None), CouplerRow.removed_on.is_(None))
        .where(or_(returned.c.at.is_(None), ObservationRow.done_at > returned.c.at))
        .order_by(UnitRow.key, ObservationRow.done_at, ObservationRow.id)
    )
    return query if site_id is None else query.where(UnitRow.site_id == site_id)
