"""Taking a round in when things go wrong: bad files, closed sites, full disks, a failing model."""

from __future__ import annotations

import errno
import os
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import event, func, select

from data_tools.database.schema import PhotoRow
from data_tools.ingest import (
    UploadSource,
    ingest,
    list_rejected,
    list_waiting,
)
from data_tools.photo_store import PhotoStore
from data_tools.records import IngestReport, IngestStatus
from data_tools.sites import close_site
from data_tools.verify import verify
from data_tools.workspace import Workspace, open_workspace
from model.errors import BadRequestError, ConflictError, NotFoundError, StorageError
from model.judgement import Judgement
from model.photo import Photo
from tests.hostile_files import BAD_NAMES, HOSTILE, ODD, locked, zip_of
from tests.test_data_tools.store_kit import (
    CLEAR,
    LEAD,
    MELTED,
    UPLOADER,
    GreyJudge,
    picture,
    upload,
)

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)


def _send(ws: Workspace, *sources: UploadSource, site: str = "north", **options: object) -> IngestReport:
    return ingest(ws, UPLOADER, sources, site, now=NOON, **options)  # type: ignore[arg-type]


def _count(ws: Workspace, table: type) -> int:
    with ws.read() as session:
        return session.scalar(select(func.count()).select_from(table)) or 0


def test_unknown_or_foreign_units_and_closed_sites_are_refused_before_anything_is_read(ws: Workspace) -> None:
    with pytest.raises(NotFoundError, match="P9"):
        _send(ws, upload("a.png"), unit_key="P9")
    with pytest.raises(BadRequestError, match="south"):
        _send(ws, upload("a.png"), unit_key="Q1")
    with pytest.raises(NotFoundError, match="position"):
        _send(ws, upload("a.png"), unit_key="P3-07", position="Z")
    with pytest.raises(NotFoundError, match="nowhere"):
        _send(ws, upload("a.png"), site="nowhere")
    close_site(ws, LEAD, "north")
    with pytest.raises(ConflictError, match="closed"):
        _send(ws, upload("a.png"))
    assert list(ws.photos.names()) == []


def test_a_site_closed_meanwhile_loses_no_photo(ws: Workspace) -> None:
    class Closing(GreyJudge):
        def judge_many(self, photos: Iterable[Photo], batch: int = 16) -> Iterator[Judgement]:
            close_site(ws, LEAD, "north")
            return super().judge_many(photos, batch)

    other = open_workspace(ws.settings, classifier=Closing())
    (file,) = ingest(other, UPLOADER, [upload("P3-07.png")], "north").files
    assert file.status is IngestStatus.NEEDS_UNIT
    assert "closed" in file.message
    assert [w.file_name for w in list_waiting(ws, UPLOADER)] == ["P3-07.png"]
    other.close()


@pytest.mark.parametrize("name", sorted(HOSTILE))
def test_hostile_files_are_said_and_kept_aside(ws: Workspace, name: str) -> None:
    data = HOSTILE[name]()
    files = _send(ws, UploadSource(f"P3-07_{name}", data)).files
    assert all(file.status is IngestStatus.REJECTED for file in files)
    assert all(len(file.message) > 20 for file in files)
    kept = {ws.rejected.get(row.sha256) for row in list_rejected(ws, UPLOADER)}
    assert data in kept or any(data.endswith(part) or part in data for part in kept)
    assert _count(ws, PhotoRow) == 0
    assert verify(ws, LEAD).ok


def test_a_locked_zip_of_many_files_is_kept_aside_once(
    ws: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = locked(zip_of({f"P{n}.png": bytes([n]) for n in range(20)}))
    put, puts = ws.rejected.put, []
    monkeypatch.setattr(ws.rejected, "put", lambda kept: puts.append(kept) or put(kept))
    files = _send(ws, UploadSource("locked.zip", data), UploadSource("x.txt", b"text")).files
    assert [file.status for file in files] == [IngestStatus.REJECTED] * 21
    assert puts == [data, b"text"]
    assert len(list_rejected(ws, UPLOADER)) == 2


@pytest.mark.parametrize("name", sorted(ODD))
def test_odd_photos_are_taken_in(ws: Workspace, name: str) -> None:
    (file,) = _send(ws, UploadSource(f"P3-07_{name}", ODD[name]())).files
    assert file.status is IngestStatus.STORED, file.message


def test_bad_names_are_shown_safely_and_their_photos_kept(ws: Workspace) -> None:
    report = _send(
        ws, *(UploadSource(name, picture(CLEAR, i)) for i, name in enumerate(BAD_NAMES)), unit_key="P3-07"
    )
    assert all(file.status is IngestStatus.STORED for file in report.files)
    assert all(file.file_name.isprintable() for file in report.files)
    assert len({f.photo.sha256 for f in report.files if f.photo}) == len(BAD_NAMES)


def test_one_photo_that_breaks_the_model_costs_only_itself(ws: Workspace) -> None:
    class Fragile(GreyJudge):
        def judge(self, photo: Photo) -> Judgement:
            if photo.rgb.mean() < 100:
                raise ZeroDivisionError("a fault in the model")
            return super().judge(photo)

    other = open_workspace(ws.settings, classifier=Fragile())
    report = ingest(other, UPLOADER, [upload("P3-07.png", CLEAR, 1), upload("P3-08.png", MELTED, 2)], "north")
    assert [f.status for f in report.files] == [IngestStatus.STORED, IngestStatus.NEEDS_UNIT]
    assert "model failed" in report.files[1].message
    assert len(list_waiting(ws, UPLOADER)) == 1
    other.close()


def test_a_full_disk_is_said_for_each_file_and_sending_again_works(
    ws: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = PhotoStore.put

    def full(self: PhotoStore, data: bytes) -> str:
        raise StorageError("to keep the original file", "no space left on device", "Free some disk space.")

    monkeypatch.setattr(PhotoStore, "put", full)
    files = _send(ws, upload("P3-07.png"), UploadSource("P3-07.txt", b"text")).files
    assert [f.status for f in files] == [IngestStatus.NOT_RECEIVED] * 2
    assert "no space left" in files[0].message
    monkeypatch.setattr(PhotoStore, "put", real)
    assert _send(ws, upload("P3-07.png")).files[0].status is IngestStatus.STORED
    assert verify(ws, LEAD).ok


def test_a_disk_that_fills_between_original_and_row_loses_nothing(
    ws: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_arguments: object) -> None:
        raise StorageError("a database that can be written", "database or disk is full", "Free some space.")

    with monkeypatch.context() as patch:
        patch.setattr("data_tools.desk.keep_photo", full)
        (file,) = _send(ws, upload("P3-07.png", MELTED)).files
    assert file.status is IngestStatus.NOT_RECEIVED
    assert [p.kind for p in verify(ws, LEAD).problems] == ["orphan"]
    assert verify(ws, LEAD, repair=True).ok
    assert len(list_waiting(ws, UPLOADER)) == 1
    assert _send(ws, upload("P3-07.png", MELTED)).files[0].status is IngestStatus.STORED
    assert list_waiting(ws, UPLOADER) == []


def _sqlite_only(ws: Workspace) -> None:
    if ws.engine.dialect.name != "sqlite":
        pytest.skip("about SQLite files")


def test_a_database_that_is_really_full_refuses_in_words_and_loses_nothing(ws: Workspace) -> None:
    _sqlite_only(ws)

    def no_more_pages(connection: sqlite3.Connection, _record: object) -> None:
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count = {pages}")

    event.listen(ws.engine, "connect", no_more_pages)
    ws.engine.dispose()
    files = _send(ws, *(upload(f"P3-07_{n}.png", MELTED, n) for n in range(40))).files
    refused = [file for file in files if file.status is IngestStatus.NOT_RECEIVED]
    assert refused
    assert "full" in refused[0].message
    event.remove(ws.engine, "connect", no_more_pages)
    ws.engine.dispose()
    assert {p.kind for p in verify(ws, LEAD).problems} <= {"orphan"}
    again = _send(ws, *(upload(f"P3-07_{n}.png", MELTED, n) for n in range(40))).files
    assert sum(file.status is IngestStatus.STORED for file in again) == len(refused)
    assert verify(ws, LEAD).ok
    assert _count(ws, PhotoRow) == 40


def test_a_read_only_database_refuses_in_words(ws: Workspace) -> None:
    _sqlite_only(ws)
    url = f"sqlite:///file:{ws.folder / 'store.db'}?mode=ro&uri=true"
    read_only = open_workspace(replace(ws.settings, database_url=url), classifier=GreyJudge())
    (file,) = ingest(read_only, UPLOADER, [upload("P3-07.png")], "north").files
    assert file.status is IngestStatus.NOT_RECEIVED
    assert "readonly" in file.message
    read_only.close()


def test_a_database_that_another_program_holds_refuses_in_words_after_the_timeout(ws: Workspace) -> None:
    _sqlite_only(ws)
    hasty = open_workspace(replace(ws.settings, busy_timeout_s=0.2), classifier=GreyJudge())
    with closing(sqlite3.connect(ws.folder / "store.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        (file,) = ingest(hasty, UPLOADER, [upload("P3-07.png")], "north").files
        other.execute("ROLLBACK")
    assert file.status is IngestStatus.NOT_RECEIVED
    assert "locked" in file.message
    assert ingest(hasty, UPLOADER, [upload("P3-07.png")], "north").files[0].status is IngestStatus.STORED
    hasty.close()


def test_a_read_only_photo_folder_refuses_in_words(ws: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    """The error is the system's own; real rights cannot be tested as root, who may write anywhere."""

    def refuse(self: Path, *_arguments: object, **_options: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS), str(self))

    monkeypatch.setattr(Path, "mkdir", refuse)
    (file,) = _send(ws, upload("P3-07.png")).files
    assert file.status is IngestStatus.NOT_RECEIVED
    assert "read-only file system" in file.message
    assert "writable" in file.message
