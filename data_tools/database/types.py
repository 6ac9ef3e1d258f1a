"""Columns that keep the store portable: UTC times, words with CHECK constraints, keys that are one."""

from __future__ import annotations

from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import DateTime, Dialect, Enum
from sqlalchemy.orm import validates
from sqlalchemy.types import TypeDecorator

from data_tools.keys import folded_key


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


class Folds:
    """A row with a ``key``, whose ``folded`` is that key as keys are compared, and unique.

    It is null where an older store held two keys that are alike: the earlier row has their folded form.
    """

    folded: Any

    @validates("key")
    def _fold(self, _name: str, key: str) -> str:
        self.folded = folded_key(key)
        return key
