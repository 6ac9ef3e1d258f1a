"""Run by Alembic; the connection comes from ``engine.upgrade`` in the config's attributes."""

from __future__ import annotations

from typing import Any, Literal

from alembic import context

from data_tools.database import schema  # noqa: F401  (fills the metadata)
from data_tools.database.base import Base
from data_tools.database.types import UtcDateTime


def _plain_types(kind: str, item: Any, _context: Any) -> str | Literal[False]:
    """Write our types as SQLAlchemy's own: a migration must not change when our code does."""
    return "sa.DateTime(timezone=True)" if kind == "type" and isinstance(item, UtcDateTime) else False


connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=Base.metadata,
    render_as_batch=True,
    compare_type=True,
    render_item=_plain_types,
)
with context.begin_transaction():
    context.run_migrations()
