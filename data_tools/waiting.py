"""Photos that wait for somebody to say which unit they show."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select

from data_tools.access import Actor, Permission
from data_tools.database.schema import SiteRow, WaitingRow
from data_tools.workspace import Workspace


@dataclass(frozen=True)
class WaitingFile:
    """A readable photo kept safely until somebody names its unit. ``offered``: unit key and position of each
    coupler that it may show, the likeliest first."""

    id: int
    sha256: str
    file_name: str
    site_key: str | None
    received_at: datetime
    received_by: str
    why: str
    offered: tuple[tuple[str, str], ...] = ()


def list_waiting(ws: Workspace, actor: Actor, site_key: str | None = None) -> list[WaitingFile]:
    """Return the photos that wait for a unit, oldest first; with ``site_key`` also those of no known site."""
    actor.require(Permission.SEE)
    query = (
        select(WaitingRow, SiteRow.key)
        .outerjoin(SiteRow, SiteRow.id == WaitingRow.site_id)
        .where(WaitingRow.settled_at.is_(None))
        .order_by(WaitingRow.id)
    )
    if site_key is not None:
        query = query.where((SiteRow.key == site_key) | SiteRow.key.is_(None))
    with ws.read() as session:
        return [_record(row, key) for row, key in session.execute(query)]


def _record(row: WaitingRow, site_key: str | None) -> WaitingFile:
    offered = tuple((unit, position) for unit, position in row.offered or ())
    return WaitingFile(
        row.id, row.sha256, row.file_name, site_key, row.received_at, row.received_by, row.why, offered
    )
