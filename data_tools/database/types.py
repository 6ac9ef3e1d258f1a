"""Column types that keep the store portable: UTC times and words with CHECK constraints."""

from __future__ import annotations

from datetime import UTC, datetime
from enum import StrEnum

from sqlalchemy import DateTime, Dialect, Enum
from sqlalchemy.types import TypeDecorator


class UtcDateTime(TypeDecorator[datetime]):
    """An aware datetime, stored as UTC. SQLite drops the zone, so it is put back on reading."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Refuse naive times (nobody knows what they mean) and store the rest as UTC."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"a naive time cannot be stored: {value!r}")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Return the time as aware UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


def words(kind: type[StrEnum], name: str) -> Enum:
    """Return a VARCHAR column type with a CHECK named ``name`` that allows only the values of ``kind``."""
    return Enum(
        kind,
        name=name,
        native_enum=False,
        create_constraint=True,
        validate_strings=True,
        length=40,
        values_callable=lambda members: [member.value for member in members],
    )
