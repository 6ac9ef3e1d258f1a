"""Uploads to single files, safely: folders, zips, bytes. Nothing is ever unpacked to the disk by its name.

A name inside a zip is only ever a label for people, so ``../`` in it reaches nothing. Sizes are checked
while reading, never trusted from the header. A zip in a zip is not opened. What cannot be taken out is
said, file by file."""

from __future__ import annotations

import io
import lzma
import os
import re
import stat
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from data_tools.settings import Settings
from model.errors import BadRequestError

MB = 1_000_000
MAX_NAME = 200
_LITTER = frozenset({"thumbs.db", "desktop.ini", "__macosx"})
_ZIP_STARTS = (b"PK\x03\x04", b"PK\x05\x06", b"PK\x07\x08")
_BROKEN = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    EOFError,
    RuntimeError,
    NotImplementedError,
    OSError,
    ValueError,
    MemoryError,
)


@dataclass(frozen=True)
class UploadSource:
    """One thing that a person sent: a name and its bytes, or the path of a file, folder or zip."""

    name: str
    content: bytes | Path


@dataclass(frozen=True)
class Upload:
    """One single file out of the sources. ``read`` returns its bytes; ``problem`` says why it cannot.

    ``kept`` is set where the bytes to keep aside are not the file's own but those of the zip it came in;
    ``None`` with a problem: the file stays where it is.
    """

    name: str
    read: Callable[[], bytes] | None = None
    problem: str = ""
    kept: Callable[[], bytes] | None = None


def sources_from_paths(paths: Iterable[Path]) -> list[UploadSource]:
    """Return one source for each path."""
    return [UploadSource(path.name, path) for path in paths]


def expand_sources(sources: Iterable[UploadSource], settings: Settings | None = None) -> Iterator[Upload]:
    """Yield the single files of ``sources``, in order; folders and zips are opened, litter is left out."""
    limits = settings or Settings()
    for source in sources:
        if isinstance(source.content, bytes):
            yield from _from_bytes(source.name, source.content, limits)
        else:
            yield from _from_path(source.content, limits)


def clean_name(name: str) -> str:
    """Return the last step of a file name for showing: no control characters, at most 200 characters."""
    last = re.split(r"[/\\]", name.rstrip("/\\"))[-1]
    visible = (
        "".join(c if c.isprintable() else " " for c in last)
        .encode("utf-8", "replace")
        .decode("utf-8")
        .strip()
    )
    return (
        visible if len(visible) <= MAX_NAME else visible[: MAX_NAME - 12] + "…" + visible[-11:]
    ) or "unnamed"


def _is_litter(name: str) -> bool:
    return any(
        step.startswith("._") or step.lower() in _LITTER or step == ".DS_Store" for step in name.split("/")
    )


def _from_bytes(name: str, data: bytes, limits: Settings) -> Iterator[Upload]:
    if data.startswith(_ZIP_STARTS):
        yield from _from_zip(name, io.BytesIO(data), lambda: data, limits)
    elif len(data) > limits.max_photo_mb * MB:
        yield Upload(clean_name(name), problem=_too_big(limits), kept=_holding(data))
    else:
        yield Upload(clean_name(name), read=_holding(data))


def _from_path(path: Path, limits: Settings) -> Iterator[Upload]:
    try:
        if path.is_dir():
            for inner in _walk(path):
                yield from _from_path(inner, limits)
            return
        mode, size = path.stat().st_mode, path.stat().st_size
        if not stat.S_ISREG(mode):
            yield Upload(clean_name(path.name), problem="Not a plain file: left where it is.")
            return
        with path.open("rb") as file:
            start = file.read(4)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        yield Upload(
            clean_name(path.name), problem=f"The file cannot be read ({reason.lower()}): left where it is."
        )
        return
    if start in _ZIP_STARTS:
        yield from _zip_at(path, size, limits)
    elif size > limits.max_photo_mb * MB:
        yield Upload(clean_name(path.name), problem=f"{_too_big(limits)} It is left where it is.")
    else:
        yield Upload(clean_name(path.name), read=lambda: _read_file(path))


def _walk(folder: Path) -> Iterator[Path]:
    def stop(error: OSError) -> None:
        raise BadRequestError(
            f"a folder that can be read: {folder}", str(error.strerror), "Check its rights."
        ) from error

    for root, folders, files in os.walk(folder, onerror=stop):
        folders[:] = sorted(name for name in folders if not _is_litter(name))
        yield from (Path(root, name) for name in sorted(files) if not _is_litter(name))


def _read_file(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise BadRequestError(
            "a file that can be read", str(error.strerror), "It is left where it is."
        ) from error


def _zip_at(path: Path, size: int, limits: Settings) -> Iterator[Upload]:
    if size > limits.max_upload_mb * MB:
        problem = f"The zip is larger than {limits.max_upload_mb} MB: left where it is. Send it in parts."
        yield Upload(clean_name(path.name), problem=problem)
        return
    try:
        with path.open("rb") as file:
            yield from _from_zip(path.name, file, lambda: _read_file(path), limits)
    except OSError as error:
        yield Upload(
            clean_name(path.name), problem=f"The zip cannot be read ({error.strerror}): left where it is."
        )


def _from_zip(
    name: str, file: io.BytesIO | io.BufferedReader, whole: Callable[[], bytes], limits: Settings
) -> Iterator[Upload]:
    """Yield the files of one zip; ``whole`` returns the bytes to keep aside where one cannot be had."""
    shown = clean_name(name)
    try:
        archive = zipfile.ZipFile(file)
    except _BROKEN:
        yield Upload(
            shown, problem="A damaged or incomplete zip. Make it again, or send the photos.", kept=whole
        )
        return
    with archive:
        entries = [e for e in archive.infolist() if not e.is_dir() and not _is_litter(e.filename)]
        if not entries:
            yield Upload(shown, problem="An empty zip: there is no file in it.", kept=whole)
        elif len(entries) > limits.max_zip_entries:
            most = limits.max_zip_entries
            problem = f"The zip holds {len(entries)} files; at most {most} are taken. Send it in parts."
            yield Upload(shown, problem=problem, kept=whole)
        else:
            yield from _entries(archive, entries, shown, whole, limits)


def _entries(
    archive: zipfile.ZipFile,
    entries: list[zipfile.ZipInfo],
    shown: str,
    whole: Callable[[], bytes],
    limits: Settings,
) -> Iterator[Upload]:
    room = limits.max_zip_expanded_mb * MB
    for entry in entries:
        name = clean_name(entry.filename)
        data, problem = _taken_out(archive, entry, min(limits.max_photo_mb * MB, room))
        room -= len(data)
        if problem:
            yield Upload(name, problem=f"{problem} The whole zip {shown} is kept aside.", kept=whole)
        elif data.startswith(_ZIP_STARTS):
            words = "A zip inside a zip is not opened. Unpack it and send what is in it."
            yield Upload(name, problem=words, kept=_holding(data))
        else:
            yield Upload(name, read=_holding(data))


def _taken_out(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, limit: int) -> tuple[bytes, str]:
    """Return (bytes, "") or (b"", why not). Reads at most ``limit`` bytes whatever the header says."""
    if entry.flag_bits & 0x1:
        return b"", "Locked with a password. Unpack it and send the photos."
    try:
        with archive.open(entry) as packed:
            data = packed.read(limit + 1)
    except _BROKEN:
        return b"", "Damaged inside the zip, or packed in a way we do not read."
    return (b"", f"Larger than the {limit // MB} MB that are taken.") if len(data) > limit else (data, "")


def _holding(data: bytes) -> Callable[[], bytes]:
    return lambda: data


def _too_big(limits: Settings) -> str:
    return f"Larger than the {limits.max_photo_mb} MB that are taken. Send the photo as the phone made it."
