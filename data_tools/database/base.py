"""The root of all tables: names of constraints, and which column each type becomes."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, Float, MetaData, String
from sqlalchemy.orm import DeclarativeBase

from data_tools.database.types import UtcDateTime

NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


class Base(DeclarativeBase):
    """Root of all tables."""

    metadata = MetaData(naming_convention=NAMING)
    type_annotation_map = {
        datetime: UtcDateTime,
        dict[str, Any]: JSON,
        list[Any]: JSON,
        str: String(255),
        float: Float,
    }
