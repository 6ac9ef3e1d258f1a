"""The engine: SQLite or PostgreSQL behind one URL, with the same promises from both.

SQLite: foreign keys on, write-ahead log, full sync, busy timeout, and write transactions that take the write
lock at their start (a deferred one that reads first could be refused half-way). PostgreSQL: its defaults.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError
from sqlalchemy.orm import Session, sessionmaker

from data_tools.database.append_only import guard
from model.errors import BadRequestError, ConflictError, StorageError

WRITE = "rounds_write"


class GuardedSession(Session):
    """A session that refuses to change append-only records."""


guard(GuardedSession)


def make_engine(url: str, busy_timeout_s: float = 30.0) -> Engine:
    """Return an engine for ``url``, e.g. ``sqlite:////srv/rounds/store.db`` or ``postgresql+psycopg://host/name``."""
    if not url.startswith("sqlite"):
        return create_engine(url)
    engine = create_engine(url, connect_args={"timeout": busy_timeout_s})
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    connection.isolation_level = None
    cursor = connection.cursor()
    for pragma in ("foreign_keys=ON", "journal_mode=WAL", "synchronous=FULL"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    write = connection.get_execution_options().get(WRITE, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


def reading_sessions(engine: Engine) -> sessionmaker[GuardedSession]:
    """Return a maker of sessions for reading."""
    return sessionmaker(engine, class_=GuardedSession, expire_on_commit=False)


def writing_sessions(engine: Engine) -> sessionmaker[GuardedSession]:
    """Return a maker of sessions whose transactions take the write lock at their start."""
    return sessionmaker(
        engine.execution_options(**{WRITE: True}), class_=GuardedSession, expire_on_commit=False
    )


@contextmanager
def told_plainly() -> Iterator[None]:
    """Turn database errors into ours.

    Raises:
        ConflictError: another process was faster with the same key.
        StorageError: the database cannot be opened, read or written.
    """
    try:
        yield
    except IntegrityError as error:
        raise ConflictError(
            "a new record", f"one that exists already ({error.orig})", "Look it up and try again."
        ) from error
    except (DBAPIError, PoolTimeoutError) as error:
        raise StorageError(
            "a database that can be read and written",
            str(getattr(error, "orig", error)),
            "Check the disk space, the rights on the workspace folder, and that no other program holds it.",
        ) from error


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", "data_tools:database/migrations")
    config.set_main_option("path_separator", "os")
    return config


def upgrade(engine: Engine, then: Callable[[Session], None] | None = None) -> None:
    """Bring the tables to the newest version; an empty database gets all of them.

    ``then`` is called in the same transaction, to fill anew what is derived and a migration has emptied.
    """
    with told_plainly(), engine.execution_options(**{WRITE: True}).begin() as connection:
        _run(connection, lambda config: command.upgrade(config, "head"))
        if then is not None:
            with GuardedSession(connection, join_transaction_mode="rollback_only") as session:
                then(session)


def check(engine: Engine) -> None:
    """Raise alembic's ``CommandError`` where the tables in the code and the migrations differ."""
    with engine.begin() as connection:
        _run(connection, command.check)


def _run(connection: Connection, act: Any) -> None:
    config = _config()
    config.attributes["connection"] = connection
    act(config)


def is_current(engine: Engine) -> bool:
    """Whether the database holds the newest tables.

    Raises:
        BadRequestError: a newer version of the product has changed them.
    """
    with told_plainly(), engine.connect() as connection:
        now = MigrationContext.configure(connection).get_current_revision()
    scripts = ScriptDirectory.from_config(_config())
    if now is not None and now not in {script.revision for script in scripts.walk_revisions()}:
        raise BadRequestError(
            "a workspace of this version or an earlier one",
            f"one that a newer version has changed (its tables are of {now!r})",
            "Update the product; nothing here was touched.",
        )
    return now == scripts.get_current_head()
