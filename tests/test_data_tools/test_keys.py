"""Keys and names that differ only in case, dash or the way to write an accent are one, in the store too."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pytest
from alembic import command
from sqlalchemy import insert, select
from sqlalchemy.exc import IntegrityError

from data_tools.conditions import replace_coupler, take_out_of_service
from data_tools.database import engine as engines
from data_tools.database.schema import SiteRow, UnitRow
from data_tools.history import timeline
from data_tools.ingest import UploadSource, ingest, list_waiting
from data_tools.keys import tidy_key
from data_tools.people import spelled_as_before
from data_tools.records import DecisionKind, IngestStatus
from data_tools.refile import refile
from data_tools.review import decide, queue
from data_tools.settings import Settings
from data_tools.sites import add_site, add_unit, get_unit, list_sites, list_units, roster
from data_tools.workspace import Workspace, open_workspace
from model.errors import ConflictError, NotFoundError
from review_app.widgets.pickers import unit_title
from tests.test_data_tools.store_kit import (
    LEAD,
    MELTED,
    OPENED,
    TECHNICIAN,
    UPLOADER,
    GreyJudge,
    picture,
    settings_for,
    upload,
)

SPELLINGS = ("süd-1", unicodedata.normalize("NFD", "SÜD-1"), " SÜD-1 ", "SÜD\N{EN DASH}1", "Su\u0308d\u20111")


@pytest.mark.parametrize("other", SPELLINGS)
def test_another_spelling_is_the_same_unit_and_the_same_site(ws: Workspace, other: str) -> None:
    add_unit(ws, LEAD, "north", "SÜD-1", now=OPENED)
    with pytest.raises(ConflictError, match="holds a coupler"):
        add_unit(ws, LEAD, "north", "SÜD-1", position=" a")
    assert get_unit(ws, LEAD, other).key == "SÜD-1"
    assert timeline(ws, LEAD, other).unit.key == "SÜD-1"
    take_out_of_service(ws, TECHNICIAN, other, "melted")
    (file,) = ingest(ws, UPLOADER, [upload(f"{other.strip()}_x.png", MELTED)], "NORTH").files
    assert file.photo is not None
    assert file.photo.unit_key == "SÜD-1"
    refile(ws, TECHNICIAN, file.photo.id, "p3-07", "wrong unit")
    refile(ws, TECHNICIAN, file.photo.id, other, "it was right", position="a")
    with pytest.raises(ConflictError, match="holds a coupler" if "SÜD" in tidy_key(other) else "as SÜD-1"):
        add_unit(ws, LEAD, "north", other)
    add_site(ws, LEAD, "ÖST", "East")
    with pytest.raises(ConflictError, match="taken"):
        add_site(ws, LEAD, "o\u0308st", "again")
    assert roster(ws, LEAD, "öst") == []


def test_keys_are_kept_composed_with_plain_dashes(ws: Workspace) -> None:
    typed = unicodedata.normalize("NFD", "\N{ZERO WIDTH SPACE}Tür\N{NON-BREAKING HYPHEN}4 ")
    assert add_unit(ws, LEAD, "north", typed, now=OPENED).key == "Tür-4"


def test_the_database_itself_refuses_a_second_spelling(ws: Workspace) -> None:
    with ws.read() as session:
        rows = [
            dict(session.execute(select(table.__table__)).mappings().first() or {})
            for table in (SiteRow, UnitRow)
        ]
    for table, row in zip((SiteRow, UnitRow), rows, strict=True):
        again = row | {"id": 99, "key": row["key"].title()}
        del again["folded"]
        with pytest.raises(ConflictError), ws.write() as session:
            session.add(table(**again))
        with pytest.raises(IntegrityError), ws.engine.begin() as connection:
            connection.execute(insert(table), {**again, "folded": row["folded"]})


def test_the_waiting_list_of_a_site_has_what_was_sent_to_it_in_any_spelling(ws: Workspace) -> None:
    (file,) = ingest(ws, UPLOADER, [upload("nameless.png")], "NORTH").files
    assert file.status is IngestStatus.NEEDS_UNIT
    assert [w.site_key for w in list_waiting(ws, UPLOADER, "North")] == ["north"]
    assert list_waiting(ws, UPLOADER, "south") == []


def test_positions_are_one_in_any_case(ws: Workspace) -> None:
    replace_coupler(ws, TECHNICIAN, "P3-07", "a", "PN-2", "worn")
    assert [c.position for c in get_unit(ws, LEAD, "P3-07").couplers] == ["A"]
    replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-3", "worn")
    assert len(timeline(ws, LEAD, "P3-07").couplers) == 3


def _older_store(ws: Workspace, folder: Path) -> Settings:
    """Return the settings of a store of 0006 that holds two keys of each kind that are alike."""
    settings = settings_for(folder)
    settings.workspace.mkdir(parents=True)
    (settings.workspace / "store.db").touch()
    older = engines.make_engine(settings.database_url or f"sqlite:///{settings.workspace / 'store.db'}")
    with older.begin() as connection:
        engines._run(connection, lambda config: command.upgrade(config, "0006"))
        for number, key in enumerate(("Öst", "öst"), 101):
            values = f"{number}, '{key}', 'East', 'UTC', '2026-01-05', 'Lea', NULL"
            connection.exec_driver_sql(f"INSERT INTO sites VALUES ({values})")
        for number, key in enumerate(("SÜD-1", "süd-1", "P3"), 101):
            values = f"{number}, 101, '{key}', '{key}', 'in service', '2026-01-05', 'Lea'"
            connection.exec_driver_sql(f"INSERT INTO units VALUES ({values})")
            values = f"{number}, {number}, 'A', 1, 'type1', '', '2026-01-05', NULL, '2026-01-05'"
            connection.exec_driver_sql(f"INSERT INTO couplers VALUES ({values})")
    older.dispose()
    return settings


def test_an_older_store_keeps_keys_that_are_alike_and_says_so(ws: Workspace, tmp_path: Path) -> None:
    opened = open_workspace(_older_store(ws, tmp_path / "older"), classifier=GreyJudge())
    assert engines.is_current(opened.engine)
    assert {u.key: u.alike for u in list_units(opened, LEAD)} == {
        "SÜD-1": "süd-1",
        "süd-1": "SÜD-1",
        "P3": "",
    }
    assert {s.key: s.alike for s in list_sites(opened, LEAD)} == {"Öst": "öst", "öst": "Öst"}
    lines = roster(opened, LEAD, "Öst")
    assert sorted(unit_title(line.unit) for line in lines) == ["P3", "SÜD-1 (not süd-1)", "süd-1 (not SÜD-1)"]
    for key in ("SÜD-1", "süd-1"):
        assert get_unit(opened, LEAD, key).key == timeline(opened, LEAD, key).unit.key == key
    with pytest.raises(NotFoundError):
        get_unit(opened, LEAD, "Süd-1")
    sources = [UploadSource(f"{k}.png", picture(seed=n)) for n, k in enumerate(("SÜD-1", "süd-1", "Süd-1"))]
    files = ingest(opened, UPLOADER, sources, "Öst").files
    assert [file.photo.unit_key if file.photo else None for file in files] == ["SÜD-1", "süd-1", None]
    with pytest.raises(ConflictError, match="taken"):
        add_unit(opened, LEAD, "Öst", "Süd-1")
    assert add_unit(opened, LEAD, "Öst", "P4").alike == ""
    opened.close()


@pytest.mark.parametrize("typed", ["zoë", " Zoe\u0308 ", "ZOË"])
def test_a_person_who_writes_their_name_otherwise_is_no_second_person(ws: Workspace, typed: str) -> None:
    ingest(ws, UPLOADER, [upload("P3-07.png", MELTED)], "north")
    (item,) = queue(ws, TECHNICIAN)
    zoe = type(TECHNICIAN)("Zoë", TECHNICIAN.role)
    decide(ws, zoe, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED)
    assert spelled_as_before(ws, typed) == "Zoë"
    assert spelled_as_before(ws, " Ann\u202e  O'Hara\n") == "Ann O'Hara"


def test_who_may_log_in_is_found_in_either_form() -> None:
    settings = Settings(people=f"{unicodedata.normalize('NFD', 'Zoë@example.org')}=lead")
    assert list(settings.roles_by_email) == ["zoë@example.org"]
