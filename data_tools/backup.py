"""A backup is a folder that opens as a workspace: database first, then every file that its rows can name.

Each file is read, in the workspace or in the copy, whenever a backup is made: a copy that has rotted is made
again, and an original that has rotted never takes the place of a whole copy.
"""

from __future__ import annotations

import hashlib
import os
import re
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from data_tools.access import Actor, Permission
from data_tools.workspace import DATABASE, Workspace
from model.durable import sync_folder
from model.errors import BadRequestError, StorageError, storage_errors

_ORIGINALS = ("photos", "rejected")
_FILES = ("models/*", "training_sets/*.jsonl", "settings.toml")
"""Beside the originals; the photos of a training set are second names of originals."""
_AT_ONCE = 1 << 20


@dataclass(frozen=True)
class BackupReport:
    """What a backup copied, and what was there already, whole and the same. ``damaged`` names files whose
    bytes in the workspace are not those they were kept with, or cannot be read, and that no whole copy was
    there of."""

    folder: Path
    copied: int
    there_already: int
    copied_bytes: int
    damaged: tuple[str, ...] = ()


def backup(
    ws: Workspace, actor: Actor, folder: Path, *, progress: Callable[[int, str], None] | None = None
) -> BackupReport:
    """Copy the workspace to ``folder`` while others go on working; again into the same folder adds what
    is new and puts right what is damaged there. ``progress`` is told of each file looked at.

    Originals are written before the rows that name them, so a database copied first never names a file
    that is copied later and missing. Nothing in an earlier backup is deleted.

    Raises:
        BadRequestError: ``folder`` is inside the workspace, or the database is not SQLite.
        StorageError: it cannot be written, or the copy of the database is not sound.
    """
    actor.require(Permission.MANAGE_SITES)
    _refuse_unsuitable(ws, folder)
    copied = there = size = 0
    damaged = []
    with storage_errors(f"to write a backup in {folder}", "start the backup again"):
        folder.mkdir(parents=True, exist_ok=True)
        _copy_database(ws, folder / DATABASE)
        for done, source in enumerate(_files(ws.folder), start=1):
            target = folder / source.relative_to(ws.folder)
            named = _digest_named(source)
            if _is_there(source, target, named):
                there += 1
            elif (digest := _copy_file(source, target)) is not None and digest.startswith(named):
                copied, size = copied + 1, size + target.stat().st_size
            else:
                damaged.append(str(source.relative_to(ws.folder)))
            if progress is not None:
                progress(done, source.name)
        sync_folder(folder)
    return BackupReport(folder, copied, there, size, tuple(damaged))


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


def _files(folder: Path) -> Iterator[Path]:
    originals = (path for name in _ORIGINALS for path in sorted((folder / name).rglob("*")))
    others = (path for name in _FILES for path in sorted(folder.glob(name)))
    for paths in (originals, others):
        yield from (path for path in paths if path.is_file() and not path.name.startswith("."))


def _digest_named(path: Path) -> str:
    """Return how the SHA-256 of a file's bytes begins by its name (originals, model files), else ""."""
    found = re.search(r"(?:^|-)([0-9a-f]{64}|[0-9a-f]{8})$", path.stem)
    return found[1] if found else ""


def _is_there(source: Path, target: Path, named: str) -> bool:
    """Whether the copy holds every byte: by its name, or, where that does not tell, beside the source."""
    if not target.is_file():
        return False
    if named:
        return (_digest(target) or "").startswith(named)
    digest = _digest(source)
    return digest is not None and _digest(target) == digest


def _digest(path: Path) -> str | None:
    """Return the SHA-256 of a file; ``None`` where it cannot be read, which is for the caller to say."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


def _copy_file(source: Path, target: Path) -> str | None:
    """Copy a file durably and return the SHA-256 of what was copied; ``None`` where it cannot be read."""
    target.parent.mkdir(parents=True, exist_ok=True)
    part = target.with_name(f".{target.name}.part")
    digest = hashlib.sha256()
    try:
        read = source.open("rb")
    except OSError:
        return None
    with read, part.open("wb") as write:
        while piece := _next_piece(read):
            digest.update(piece)
            write.write(piece)
        write.flush()
        os.fsync(write.fileno())
    if piece is None:
        part.unlink()
        return None
    part.replace(target)
    return digest.hexdigest()


def _next_piece(file: BinaryIO) -> bytes | None:
    """Return the next bytes of a file, none at its end; ``None``: the disk cannot read them."""
    try:
        return file.read(_AT_ONCE)
    except OSError:
        return None
