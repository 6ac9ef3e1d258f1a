"""Rows of the store as frames: how they are read fast, and the small tables that every trend needs."""

from __future__ import annotations

from typing import Any

import pandas as pd
from sqlalchemy import Select, String, select, type_coerce
from sqlalchemy.orm import InstrumentedAttribute, Session

from data_tools.database.schema import CouplerRow, EventRow, ObservationRow, SiteRow, UnitRow

CHUNK = 500
"""Rows read at a time; below the collector's own threshold of 700 new objects."""


def read_columns(session: Session, query: Select[*tuple[Any, ...]]) -> dict[str, list[Any]]:
    """Read by chunks into columns: all rows alive at once would cost as much in garbage collection."""
    result = session.connection().execute(query)
    names = list(result.keys())
    columns: list[list[Any]] = [[] for _ in names]
    for rows in result.partitions(CHUNK):
        for column, values in zip(columns, zip(*rows, strict=True), strict=True):
            column.extend(values)
    return dict(zip(names, columns, strict=True))


def read_frame(session: Session, query: Select[*tuple[Any, ...]]) -> pd.DataFrame:
    """Read a query into a frame with a column for each of its columns."""
    return pd.DataFrame(read_columns(session, query))


def plain_column(column: InstrumentedAttribute[Any], name: str) -> Any:
    """The column as the driver gives it: no enum, boolean or zone made in Python for each value."""
    return type_coerce(column, String).label(name)


def as_times(values: pd.Series) -> pd.Series:
    return pd.to_datetime(values, utc=True, format="ISO8601")


def couplers_frame(session: Session) -> pd.DataFrame:
    """Return every coupler, on or taken off, with its unit and site."""
    query = (
        select(
            CouplerRow.id.label("coupler_id"),
            UnitRow.key.label("unit"),
            CouplerRow.position,
            CouplerRow.number,
            SiteRow.key.label("site"),
            CouplerRow.family,
            CouplerRow.part_number,
            CouplerRow.installed_on,
            CouplerRow.removed_on,
            plain_column(CouplerRow.put_on_at, "put_on_at"),
        )
        .join(UnitRow, UnitRow.id == CouplerRow.unit_id)
        .join(SiteRow, SiteRow.id == UnitRow.site_id)
    )
    rows = read_frame(session, query)
    for column in ("installed_on", "removed_on"):
        rows[column] = pd.to_datetime(rows[column])
    rows["put_on_at"] = as_times(rows["put_on_at"])
    return rows


def units_frame(session: Session) -> pd.DataFrame:
    """Return the units, and when their site was closed: from then on it owes no rounds."""
    query = (
        select(
            UnitRow.key.label("unit"),
            SiteRow.key.label("site"),
            plain_column(UnitRow.added_at, "added_at"),
            plain_column(SiteRow.closed_at, "closed_at"),
        )
        .join(SiteRow, SiteRow.id == UnitRow.site_id)
        .order_by(SiteRow.key, UnitRow.key)
    )
    rows = read_frame(session, query)
    for column in ("added_at", "closed_at"):
        rows[column] = as_times(rows[column])
    return rows


def events_frame(session: Session) -> pd.DataFrame:
    """Return the condition events, oldest first."""
    query = (
        select(
            UnitRow.key.label("unit"),
            SiteRow.key.label("site"),
            EventRow.coupler_id,
            plain_column(EventRow.kind, "kind"),
            EventRow.reason,
            EventRow.done_by,
            plain_column(EventRow.done_at, "done_at"),
        )
        .join(UnitRow, UnitRow.id == EventRow.unit_id)
        .join(SiteRow, SiteRow.id == UnitRow.site_id)
        .order_by(EventRow.id)
    )
    rows = read_frame(session, query)
    rows["done_at"] = as_times(rows["done_at"])
    return rows


def observations_frame(session: Session) -> pd.DataFrame:
    """Return what staff saw or felt on units."""
    query = (
        select(
            UnitRow.key.label("unit"),
            SiteRow.key.label("site"),
            plain_column(ObservationRow.what, "what"),
            ObservationRow.note,
            plain_column(ObservationRow.done_at, "done_at"),
        )
        .join(UnitRow, UnitRow.id == ObservationRow.unit_id)
        .join(SiteRow, SiteRow.id == UnitRow.site_id)
    )
    rows = read_frame(session, query)
    rows["done_at"] = as_times(rows["done_at"])
    return rows
