"""Tables and migrations: one schema for two databases, UTC times, words with CHECKs, nothing rewritten."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from alembic import command
from sqlalchemy import create_engine, delete, insert, inspect, select, text, update
from sqlalchemy.dialects import postgresql
from sqlalchemy.exc import IntegrityError, StatementError
from sqlalchemy.schema import CreateIndex, CreateTable

from data_tools.conditions import observe, take_out_of_service
from data_tools.database import append_only
from data_tools.database import engine as engines
from data_tools.database.base import Base
from data_tools.database.schema import (
    DecisionRow,
    EventRow,
    PhotoRow,
    PhotoStateRow,
    SiteRow,
    VerdictRow,
)
from data_tools.ingest import ingest
from data_tools.open_damage import open_damage
from data_tools.records import DecisionKind
from data_tools.refile import refile
from data_tools.review import decide, queue
from data_tools.sites import add_unit
from data_tools.workspace import Workspace, init_workspace, open_workspace
from model.errors import ConflictError, NotFoundError, StorageError
from model.vocabulary import Reason
from tests.test_data_tools.store_kit import LEAD, MELTED, TECHNICIAN, GreyJudge, settings_for, upload


def _shape(engine: object) -> dict[str, object]:
    found = inspect(engine)
    return {
        table: (
            [(c["name"], str(c["type"]), c["nullable"]) for c in found.get_columns(table)],
            sorted((c["name"], c["sqltext"]) for c in found.get_check_constraints(table)),
            sorted((u["name"], tuple(u["column_names"])) for u in found.get_unique_constraints(table)),
            sorted((i["name"], tuple(i["column_names"])) for i in found.get_indexes(table)),
            sorted((f["name"], f["referred_table"]) for f in found.get_foreign_keys(table)),
        )
        for table in found.get_table_names()
        if table != "alembic_version"
    }


def test_migrations_make_exactly_the_tables_of_the_code(tmp_path: Path) -> None:
    migrated = engines.make_engine(f"sqlite:///{tmp_path / 'migrated.db'}")
    engines.upgrade(migrated)
    engines.check(migrated)
    created = create_engine(f"sqlite:///{tmp_path / 'created.db'}")
    Base.metadata.create_all(created)
    assert _shape(migrated) == _shape(created)
    assert engines.is_current(migrated)
    migrated.dispose()
    created.dispose()


def test_every_table_compiles_for_postgresql() -> None:
    dialect = postgresql.dialect()  # type: ignore[no-untyped-call]
    for table in Base.metadata.sorted_tables:
        assert "CREATE TABLE" in str(CreateTable(table).compile(dialect=dialect))
        for index in table.indexes:
            assert str(CreateIndex(index).compile(dialect=dialect)).startswith("CREATE ")


def test_sqlite_keeps_its_promises(ws: Workspace) -> None:
    if ws.engine.dialect.name != "sqlite":
        pytest.skip("about SQLite only")
    with ws.read() as session:
        pragmas = ("foreign_keys", "journal_mode", "synchronous")
        asked = {name: session.execute(text(f"PRAGMA {name}")).scalar() for name in pragmas}
        assert session.execute(text("PRAGMA busy_timeout")).scalar() == 30_000
    assert asked == {"foreign_keys": 1, "journal_mode": "wal", "synchronous": 2}


def test_foreign_keys_are_enforced(ws: Workspace) -> None:
    nowhere = DecisionRow(
        photo_id=77,
        verdict_id=77,
        kind=DecisionKind.CONFIRMED,
        judged=True,
        findings=[],
        decided_by="x",
        decided_at=datetime(2026, 3, 1, tzinfo=UTC),
        comment="",
        evidence_shown=False,
    )
    with pytest.raises(ConflictError), ws.write() as session:
        session.add(nowhere)


def test_times_come_back_aware_in_utc_and_naive_ones_are_refused(ws: Workspace) -> None:
    moment = datetime(2026, 3, 1, 9, 30, tzinfo=timezone(timedelta(hours=2)))
    with ws.write() as session:
        session.add(SiteRow(key="t", name="t", timezone="UTC", added_at=moment, added_by="x"))
    with ws.read() as session:
        back = session.scalar(select(SiteRow.added_at).where(SiteRow.key == "t"))
    assert back == moment
    assert back is not None
    assert back.tzinfo is UTC
    with pytest.raises((StatementError, StorageError), match="naive"), ws.write() as session:
        session.add(SiteRow(key="n", name="n", timezone="UTC", added_at=datetime(2026, 3, 1), added_by="x"))


def test_words_outside_the_vocabulary_are_refused_by_the_database_itself(ws: Workspace) -> None:
    with pytest.raises(IntegrityError), ws.engine.begin() as connection:
        connection.execute(text("UPDATE units SET status = 'haunted'"))


def test_reasons_fit_their_column() -> None:
    assert max(len(reason.value) for reason in Reason) <= 40


def _with_one_decision(ws: Workspace) -> int:
    ingest(ws, LEAD, [upload("P3-07.png", MELTED)], "north")
    item = queue(ws, TECHNICIAN)[0]
    take_out_of_service(ws, TECHNICIAN, "P3-07", "melted")
    observe(ws, TECHNICIAN, "P3-07", "debris_in_face")
    return decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED).id


def test_what_is_only_added_to_cannot_be_changed_or_deleted(ws: Workspace) -> None:
    decision_id = _with_one_decision(ws)
    with pytest.raises(ConflictError, match="decisions"), ws.write() as session:
        session.get_one(DecisionRow, decision_id).comment = "changed"
    with pytest.raises(ConflictError, match="decisions"), ws.write() as session:
        session.delete(session.get_one(DecisionRow, decision_id))
    for table in append_only.APPEND_ONLY:
        with pytest.raises(ConflictError, match=table.__tablename__), ws.write() as session:
            session.execute(update(table).values(id=99))
        with pytest.raises(ConflictError, match=table.__tablename__), ws.write() as session:
            session.execute(delete(table))
    with ws.read() as session:
        assert session.get_one(DecisionRow, decision_id).comment == ""


def test_a_workspace_that_is_not_there_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(NotFoundError, match="rounds init"):
        open_workspace(settings_for(tmp_path, database_url=""))


def test_opening_brings_an_older_database_up_to_date(tmp_path: Path) -> None:
    settings = settings_for(tmp_path, database_url="")
    settings.workspace.mkdir()
    (settings.workspace / "store.db").touch()
    ws = open_workspace(settings)
    assert engines.is_current(ws.engine)
    ws.close()


def _stands(ws: Workspace) -> list[tuple[object, ...]]:
    with ws.read() as session:
        rows = session.execute(select(PhotoStateRow.__table__).order_by(PhotoStateRow.photo_id))
        return [tuple(row) for row in rows]


def test_an_older_store_learns_what_stands_for_its_photos(ws: Workspace, tmp_path: Path) -> None:
    """Today's records in the tables of 0004, whose ``photo_states`` told less: they are folded anew."""
    _with_one_decision(ws)
    ingest(ws, LEAD, [upload("P3-08.png", MELTED, 2)], "north")
    settings = settings_for(tmp_path / "older", database_url="")
    settings.workspace.mkdir(parents=True)
    older = engines.make_engine(f"sqlite:///{settings.workspace / 'store.db'}")
    with older.begin() as target, ws.engine.connect() as source:
        engines._run(target, lambda config: command.upgrade(config, "0004"))
        for table in Base.metadata.sorted_tables:
            if not inspect(target).has_table(table.name):
                continue
            there = {column["name"] for column in inspect(target).get_columns(table.name)}
            target.execute(delete(table))
            for row in source.execute(select(table)).mappings():
                target.execute(insert(table), {name: row[name] for name in there})
        target.execute(text("UPDATE photo_states SET queued = false, findings = '[]'"))
    older.dispose()
    opened = open_workspace(settings, classifier=GreyJudge())
    assert _stands(opened) == _stands(ws)
    assert len(queue(opened, TECHNICIAN)) == 1
    assert len(open_damage(opened, LEAD)) == 2
    opened.close()


def test_an_older_store_keeps_its_events_and_takes_moved_photos(tmp_path: Path) -> None:
    settings = settings_for(tmp_path, database_url="")
    settings.workspace.mkdir()
    old = engines.make_engine(f"sqlite:///{settings.workspace / 'store.db'}")
    with old.begin() as connection:
        engines._run(connection, lambda config: command.upgrade(config, "0004"))
        for row in (
            "sites VALUES (1, 'north', 'North', 'UTC', '2026-01-05', 'Lea', NULL)",
            "units VALUES (1, 1, 'U1', 'U1', 'in service', '2026-01-05', 'Lea')",
            "condition_events VALUES (7, 1, NULL, NULL, 'observed', 'seen', 'Tom', '2026-02-01 08:00:00')",
        ):
            connection.exec_driver_sql(f"INSERT INTO {row}")
    old.dispose()
    ws = open_workspace(settings, classifier=GreyJudge())
    assert engines.is_current(ws.engine)
    for unit in ("U2", "U3"):
        add_unit(ws, LEAD, "north", unit)
    (file,) = ingest(ws, LEAD, [upload("U2.png", MELTED)], "north").files
    assert file.photo is not None
    refile(ws, TECHNICIAN, file.photo.id, "U3", "wrong unit")
    with ws.read() as session:
        rows = session.scalars(select(EventRow).order_by(EventRow.id)).all()
        assert [(row.kind.value, row.done_by) for row in rows] == [
            ("observed", "Tom"),
            ("photo_refiled", "Tom"),
        ]
    ws.close()


def test_a_damaged_database_is_told_in_words(tmp_path: Path) -> None:
    settings = settings_for(tmp_path, database_url="")
    init_workspace(settings).close()
    for extra in settings.workspace.glob("store.db-*"):
        extra.unlink()
    (settings.workspace / "store.db").write_bytes(b"not a database, but long enough to look like one" * 40)
    with pytest.raises(StorageError, match="database"):
        open_workspace(settings)


def test_verdict_rows_hold_everything_in_a_judgement(ws: Workspace) -> None:
    report = ingest(ws, LEAD, [upload("P3-07.png", MELTED)], "north")
    verdict = report.files[0].verdict
    assert verdict is not None
    with ws.read() as session:
        row = session.scalars(select(VerdictRow)).one()
        assert session.scalars(select(PhotoRow.sha256)).all()
    assert row.p_heat_melted_housing == 0.95
    assert verdict.judgement.face is not None
    assert verdict.judgement.face.homography[8] == 1.0
    assert verdict.judgement.quality == {"sharp": 9.0}
