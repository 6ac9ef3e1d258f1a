"""Writing a file so that after a crash or a power cut it is there whole or not at all."""

from __future__ import annotations

import os
import secrets
from contextlib import suppress
from pathlib import Path

PART_SUFFIX = ".part"
"""How the name of a file ends while it is written."""


def write_durably(path: Path, data: bytes | memoryview, part: Path | None = None) -> None:
    """Write ``data`` beside ``path``, flush it, rename it and flush the folder; raises ``OSError``.

    ``part`` names the unfinished file. Where only one process writes ``path``, a fixed name lets the next try
    write over what a killed one left; without it the name is new each time, so that many may write at once.
    """
    made = _make_folder(path.parent)
    part = part or path.parent / f".{path.name}.{secrets.token_hex(6)}{PART_SUFFIX}"
    try:
        with part.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except BaseException:
        with suppress(OSError):
            part.unlink()
        raise
    sync_folder(path.parent)
    if made:
        sync_folder(path.parent.parent)


def sync_folder(folder: Path) -> None:
    """Flush a folder's entries to the disk, where the system can."""
    if os.name == "nt":
        return  # Windows neither needs nor allows it
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _make_folder(folder: Path) -> bool:
    if folder.is_dir():
        return False
    folder.mkdir(parents=True, exist_ok=True)
    return True
