"""Verify finds and repairs; a backup opens as a workspace; an export runs no formula."""

from __future__ import annotations

import csv
import hashlib
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import text

from data_tools.backup import backup
from data_tools.conditions import observe, settle_observation, take_out_of_service
from data_tools.database.schema import WaitingRow
from data_tools.export import export
from data_tools.ingest import UploadSource, ingest, list_rejected, list_waiting
from data_tools.records import DecisionKind
from data_tools.review import decide, queue
from data_tools.settings import Settings
from data_tools.sites import get_unit
from data_tools.verify import verify
from data_tools.workspace import Workspace, open_workspace
from model.errors import BadRequestError, NotAllowedError, StorageError
from tests.test_data_tools.store_kit import (
    CLEAR,
    LEAD,
    MELTED,
    TECHNICIAN,
    UPLOADER,
    GreyJudge,
    picture,
    upload,
)


@pytest.fixture
def filled(ws: Workspace) -> Workspace:
    sources = [
        upload("P3-07.png", MELTED, 1),
        upload("IMG.png", CLEAR, 2),
        UploadSource("note.txt", b"not a photo"),
    ]
    ingest(ws, UPLOADER, sources, "north")
    item = queue(ws, TECHNICIAN)[0]
    decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED, comment="=cmd()")
    take_out_of_service(ws, TECHNICIAN, "P3-07", "@melted")
    return ws


def _kinds(ws: Workspace, **options: object) -> list[str]:
    return [problem.kind for problem in verify(ws, LEAD, **options).problems]  # type: ignore[arg-type]


def test_a_sound_store_has_no_problems(filled: Workspace) -> None:
    report = verify(filled, UPLOADER)
    assert (report.ok, report.originals, report.photos, report.problems) == (True, 2, 1, ())


def test_missing_and_damaged_originals_are_named_and_come_back_by_sending_again(filled: Workspace) -> None:
    melted, waiting = (picture(MELTED, 1), picture(CLEAR, 2))
    for number, data in enumerate((melted, waiting)):
        path = filled.photos.path(filled.photos.put(data))
        path.unlink() if number else path.write_bytes(data[:-1])
    assert sorted(_kinds(filled, repair=True)) == ["damaged", "missing"]
    ingest(filled, UPLOADER, [UploadSource("P3-07.png", melted), UploadSource("IMG.png", waiting)], "north")
    assert verify(filled, LEAD).ok


def test_orphans_are_taken_up(filled: Workspace) -> None:
    filled.photos.put(picture(CLEAR, 50))
    filled.photos.put(b"no photo at all")
    filled.rejected.put(b"rejected without a row")
    assert _kinds(filled) == ["orphan"] * 3
    repaired = verify(filled, LEAD, repair=True)
    assert repaired.ok
    assert all(problem.repaired for problem in repaired.problems)
    assert verify(filled, LEAD).problems == ()
    assert len(list_waiting(filled, LEAD)) == 2
    kept = {filled.rejected.get(row.sha256) for row in list_rejected(filled, LEAD)}
    assert kept == {b"not a photo", b"no photo at all", b"rejected without a row"}


def test_unfinished_writes_are_removed_only_when_old(filled: Workspace) -> None:
    part = filled.photos.root / "ab"
    part.mkdir(exist_ok=True)
    (part / ".abc.123.part").write_bytes(b"half")
    assert _kinds(filled) == []
    assert _kinds(filled, leftover_age_s=-1) == ["leftover"]
    verify(filled, LEAD, repair=True, leftover_age_s=-1)
    assert _kinds(filled, leftover_age_s=-1) == []


def test_a_file_under_a_wrong_name_is_left_for_a_person(filled: Workspace) -> None:
    wrong = filled.photos.path("ab" + "0" * 62)
    wrong.parent.mkdir(exist_ok=True)
    wrong.write_bytes(b"whatever")
    report = verify(filled, LEAD, repair=True)
    assert [(p.kind, p.repairable) for p in report.problems] == [("damaged", False)]
    assert wrong.read_bytes() == b"whatever"


def test_derived_rows_and_unit_states_are_folded_again(filled: Workspace) -> None:
    with filled.engine.begin() as connection:
        connection.execute(text("UPDATE photo_states SET heat_melted_housing = :no"), {"no": False})
        connection.execute(text("UPDATE units SET status = 'in service'"))
    assert _kinds(filled) == ["derived", "status"]
    assert verify(filled, LEAD, repair=True).ok
    assert _kinds(filled) == []
    assert get_unit(filled, LEAD, "P3-07").status.value == "out of service"


def test_a_photo_that_also_waits_is_settled(filled: Workspace) -> None:
    sha256 = filled.photos.put(picture(MELTED, 1))
    at = datetime(2026, 3, 4, tzinfo=UTC)
    with filled.write() as session:
        session.add(WaitingRow(sha256=sha256, file_name="x", received_at=at, received_by="x", why="x"))
    assert _kinds(filled, repair=True) == ["derived"]
    assert _kinds(filled) == []
    assert [w.file_name for w in list_waiting(filled, LEAD)] == ["IMG.png"]


def test_a_stray_model_file_is_found(filled: Workspace) -> None:
    filled.models.mkdir(exist_ok=True)
    (filled.models / "half-entered.safetensors").write_bytes(b"x")
    assert _kinds(filled, repair=True) == []  # it may be in the making
    assert _kinds(filled, repair=True, leftover_age_s=-1) == ["leftover"]
    assert _kinds(filled) == []


def test_repairing_needs_the_lead(filled: Workspace) -> None:
    with pytest.raises(NotAllowedError):
        verify(filled, TECHNICIAN, repair=True)
    for verb in (backup, export):
        with pytest.raises(NotAllowedError):
            verb(filled, TECHNICIAN, Path("nowhere"))  # type: ignore[operator]


def test_a_backup_opens_as_a_workspace_and_holds_everything(filled: Workspace, tmp_path: Path) -> None:
    if filled.engine.dialect.name != "sqlite":
        with pytest.raises(BadRequestError, match="pg_dump"):
            backup(filled, LEAD, tmp_path / "copy")
        return
    (filled.folder / "settings.toml").write_text("max_photo_mb = 9\n")
    report = backup(filled, LEAD, tmp_path / "copy")
    assert report.copied == 4  # two originals, one rejected file, the settings
    copy = open_workspace(Settings(workspace=tmp_path / "copy"), classifier=GreyJudge())
    assert verify(copy, LEAD).problems == ()
    assert [w.file_name for w in list_waiting(copy, LEAD)] == ["IMG.png"]
    assert copy.photos.get(next(copy.photos.names())) == filled.photos.get(next(filled.photos.names()))
    copy.close()
    ingest(filled, UPLOADER, [upload("P3-08.png", CLEAR, 9)], "north")
    again = backup(filled, LEAD, tmp_path / "copy")
    assert (again.copied, again.there_already) == (1, 4)
    copy = open_workspace(Settings(workspace=tmp_path / "copy"), classifier=GreyJudge())
    assert verify(copy, LEAD).photos == 2
    copy.close()


@pytest.fixture
def with_files(filled: Workspace) -> Workspace:
    """``filled`` on SQLite, where ``rounds backup`` works."""
    if filled.engine.dialect.name != "sqlite":
        pytest.skip("a database server is backed up by its own tools")
    return filled


def test_a_backup_again_takes_what_changed_at_the_same_size(with_files: Workspace, tmp_path: Path) -> None:
    frozen = with_files.training_sets / "0123456789abcdef-held_out.jsonl"
    frozen.parent.mkdir()
    for person in ("ann", "bob"):
        (with_files.folder / "settings.toml").write_text(f'people = "{person}@x.org=lead"\n')
        frozen.write_text(f"{person}\n")
        report = backup(with_files, LEAD, tmp_path / "copy")
        assert report.damaged == ()
    assert report.copied == 2
    assert "bob" in (tmp_path / "copy" / "settings.toml").read_text()
    assert (tmp_path / "copy" / "training_sets" / frozen.name).read_text() == "bob\n"


def test_a_backup_heals_its_damaged_copy_and_keeps_its_whole_one(
    with_files: Workspace, tmp_path: Path
) -> None:
    backup(with_files, LEAD, tmp_path / "copy")
    model = b"weights"
    digest = hashlib.sha256(model).hexdigest()
    with_files.models.mkdir(exist_ok=True)
    kept = with_files.models / f"v-1-{digest[:8]}.safetensors"
    kept.write_bytes(model)
    backup(with_files, LEAD, tmp_path / "copy")
    files = [*sorted(with_files.photos.root.rglob("??/*")), kept]
    whole = [file.read_bytes() for file in files]
    copies = [tmp_path / "copy" / file.relative_to(with_files.folder) for file in files]
    for copy, data in zip(copies, whole, strict=True):
        copy.write_bytes(bytes(len(data)))
    assert backup(with_files, LEAD, tmp_path / "copy").copied == len(files)
    assert [copy.read_bytes() for copy in copies] == whole
    for file, data in zip(files, whole, strict=True):
        file.write_bytes(data[:-1])  # now the workspace's own disk loses bytes
    report = backup(with_files, LEAD, tmp_path / "copy")
    assert (report.copied, report.damaged) == (0, ())
    assert [copy.read_bytes() for copy in copies] == whole


def test_a_backup_names_what_is_damaged_and_goes_on(with_files: Workspace, tmp_path: Path) -> None:
    first, second = sorted(with_files.photos.root.rglob("??/*"))
    first.write_bytes(first.read_bytes()[:-1])
    report = backup(with_files, LEAD, tmp_path / "copy")
    assert report.damaged == (str(first.relative_to(with_files.folder)),)
    assert (tmp_path / "copy" / second.relative_to(with_files.folder)).read_bytes() == second.read_bytes()


def test_a_backup_into_itself_or_onto_a_file_is_refused(filled: Workspace, tmp_path: Path) -> None:
    with pytest.raises(BadRequestError):
        backup(filled, LEAD, filled.folder / "backup")
    if filled.engine.dialect.name == "sqlite":
        (tmp_path / "file").write_text("x")
        with pytest.raises(StorageError):
            backup(filled, LEAD, tmp_path / "file")


def test_an_export_tells_everything_and_runs_nothing(filled: Workspace, tmp_path: Path) -> None:
    seen = observe(filled, UPLOADER, "P3-08", "other", "+41 call me")
    settle_observation(filled, LEAD, seen.id, "=called back")
    counts = export(filled, LEAD, tmp_path / "out")
    assert counts == {
        "sites.csv": 2, "units.csv": 3, "couplers.csv": 3, "photos.csv": 1, "verdicts.csv": 1,
        "decisions.csv": 1, "condition_events.csv": 1, "observations.csv": 1, "waiting_events.csv": 0,
    }  # fmt: skip

    def rows(name: str) -> list[dict[str, str]]:
        return list(csv.DictReader((tmp_path / "out" / name).read_text("utf-8-sig").splitlines()))

    assert rows("decisions.csv")[0]["comment"] == "'=cmd()"
    assert rows("decisions.csv")[0]["findings"] == "heat_melted_housing@bottom"
    assert rows("condition_events.csv")[0]["reason"] == "'@melted"
    assert rows("observations.csv")[0]["note"] == "'+41 call me"
    assert rows("observations.csv")[0]["settled_how"] == "'=called back"
    assert (rows("photos.csv")[0]["stand"], rows("photos.csv")[0]["judged"]) == ("damaged", "True")
    assert rows("verdicts.csv")[0]["p_heat_melted_housing"] == "0.95"


def test_an_exported_unit_says_beside_its_status_what_holds_it_up(ws: Workspace, tmp_path: Path) -> None:
    ingest(ws, UPLOADER, [upload("P3-07.png", MELTED, 1)], "north")
    export(ws, LEAD, tmp_path)
    units = list(csv.DictReader((tmp_path / "units.csv").read_text("utf-8-sig").splitlines()))
    held = "heat melted housing at bottom (not yet confirmed or ruled out)"
    assert [(unit["key"], unit["status"], unit["stands"], unit["held_by"]) for unit in units][:2] == [
        ("P3-07", "in service", "do not use", held),
        ("P3-08", "in service", "in service", ""),
    ]
