"""A backup is a folder that opens as a workspace: database first, then every file that its rows can name."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from data_tools.access import Actor, Permission
from data_tools.photo_store import sync_folder
from data_tools.workspace import DATABASE, Workspace
from model.errors import BadRequestError, StorageError, storage_errors

_FOLDERS = ("photos", "rejected", "models")
_FILES = ("settings.toml",)


@dataclass(frozen=True)
class BackupReport:
    """What a backup copied; files that were there already are not copied again."""

    folder: Path
    copied: int
    there_already: int
    copied_bytes: int


def backup(
    ws: Workspace, actor: Actor, folder: Path, *, progress: Callable[[int, str], None] | None = None
) -> BackupReport:
    """Copy the workspace to ``folder`` while others go on working; again into the same folder adds what
    is new.

    Originals are written before the rows that name them, so a database copied first never names a file
    that is copied later and missing. Nothing in an earlier backup is deleted.

    Raises:
        BadRequestError: ``folder`` is inside the workspace, or the database is not SQLite.
        StorageError: it cannot be written, or the copy of the database is not sound.
    """
    actor.require(Permission.MANAGE_SITES)
    _refuse_unsuitable(ws, folder)
    copied = there = size = 0
    with storage_errors(f"to write a backup in {folder}"):
        folder.mkdir(parents=True, exist_ok=True)
        _copy_database(ws, folder / DATABASE)
        for source, target in _files(ws.folder, folder):
            if target.exists() and target.stat().st_size == source.stat().st_size:
                there += 1
                continue
            _copy_file(source, target)
            copied, size = copied + 1, size + source.stat().st_size
            if progress is not None:
                progress(copied, source.name)
        sync_folder(folder)
    return BackupReport(folder, copied, there, size)


def _refuse_unsuitable(ws: Workspace, folder: Path) -> None:
    if ws.engine.dialect.name != "sqlite":
        raise BadRequestError(
            "a workspace with its own database file",
            "a database server",
            "Back the database up with the server's own tools (pg_dump), then copy the workspace folder.",
        )
    if folder.resolve().is_relative_to(ws.folder.resolve()):
        raise BadRequestError("a folder outside the workspace", str(folder), "Choose another disk.")


def _copy_database(ws: Workspace, target: Path) -> None:
    part = target.with_name(f".{target.name}.part")
    part.unlink(missing_ok=True)
    source = Path(str(ws.engine.url.database))
    try:
        with closing(sqlite3.connect(source)) as live, closing(sqlite3.connect(part)) as copy:
            live.backup(copy)
            copy.execute("PRAGMA journal_mode=DELETE")
            sound = copy.execute("PRAGMA integrity_check").fetchone()[0]
    except sqlite3.Error as error:
        raise StorageError("a copy of the database", str(error), "Check the disk of the backup.") from error
    if sound != "ok":
        raise StorageError("a sound copy of the database", sound, "Run `rounds verify` on the workspace.")
    with part.open("rb") as file:
        os.fsync(file.fileno())
    for suffix in ("-wal", "-shm"):
        target.with_name(target.name + suffix).unlink(missing_ok=True)
    part.replace(target)


def _files(source: Path, target: Path) -> Iterator[tuple[Path, Path]]:
    for name in _FOLDERS:
        for path in sorted((source / name).rglob("*")):
            if path.is_file() and not path.name.startswith("."):
                yield path, target / path.relative_to(source)
    for name in _FILES:
        if (source / name).is_file():
            yield source / name, target / name


def _copy_file(source: Path, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    part = target.with_name(f".{target.name}.part")
    with source.open("rb") as read, part.open("wb") as write:
        shutil.copyfileobj(read, write, 1 << 20)
        write.flush()
        os.fsync(write.fileno())
    part.replace(target)
