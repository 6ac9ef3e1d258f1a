"""Refuses to change or delete what must only ever be added to.

Portable triggers do not exist, so the guard sits where all our SQL is made: the ORM session. It stops changed
and deleted rows at flush time, and bulk UPDATE or DELETE statements before they run.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import Delete, Update, event, inspect
from sqlalchemy.orm import ORMExecuteState, Session

from data_tools.database.base import Base
from data_tools.database.schema import (
    DecisionRow,
    EventRow,
    ModelEventRow,
    ModelVersionRow,
    ObservationRow,
    PhotoRow,
    RejectedRow,
    SettlementRow,
    VerdictRow,
    WaitingEventRow,
)
from data_tools.records import EventKind
from model.errors import ConflictError

APPEND_ONLY: tuple[type[Base], ...] = (
    PhotoRow,
    VerdictRow,
    DecisionRow,
    EventRow,
    ObservationRow,
    SettlementRow,
    ModelVersionRow,
    ModelEventRow,
    RejectedRow,
    WaitingEventRow,
)


def _refuse(table: str) -> None:
    raise ConflictError(f"records in {table} that are only added to", "a change", "Add a new record instead.")


def _before_flush(session: Session, _context: Any, _instances: Any) -> None:
    changed = [row for row in session.dirty if session.is_modified(row)]
    for row in (*changed, *session.deleted):
        if isinstance(row, APPEND_ONLY) and not _moved(session, row):
            _refuse(row.__tablename__)


def _moved(session: Session, row: Base) -> bool:
    """Whether only a photo's coupler and round change, to what an event that is being added says."""
    changed = {name for name, attribute in inspect(row).attrs.items() if attribute.history.has_changes()}
    return (
        isinstance(row, PhotoRow)
        and row not in session.deleted
        and changed <= {"coupler_id", "round_id"}
        and any(
            isinstance(new, EventRow)
            and (new.kind, new.photo_id, new.new_coupler_id) == (EventKind.REFILED, row.id, row.coupler_id)
            for new in session.new
        )
    )


def _before_statement(state: ORMExecuteState) -> None:
    statement = state.statement
    if isinstance(statement, Update | Delete):
        name = getattr(statement.table, "name", "")
        if name in {table.__tablename__ for table in APPEND_ONLY}:
            _refuse(name)


def guard(session_class: type[Session]) -> None:
    """Install the guard on ``session_class``."""
    event.listen(session_class, "before_flush", _before_flush)
    event.listen(session_class, "do_orm_execute", _before_statement)
