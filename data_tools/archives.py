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
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from data_tools.settings import Settings
from model.errors import BadRequestError

MB = 1_000_000
MAX_NAME = 200
_PARTS = "Send it in parts."
_DIRECTORY_BYTES = 1024
"""Ample in a zip's list of files for a photo and its litter; a longer list is not read."""
_END_BYTES = 1 << 17
"""Where the records of a zip's end are looked for: a comment of 64 KB may follow them."""
_LITTER = frozenset({"thumbs.db", "desktop.ini", "__macosx"})
# Zero-width spaces and joiners, direction marks, byte order mark, soft hyphen: a key goes on behind them.
_UNSEEN = frozenset("\u00ad\u200b\u200c\u200d\u200e\u200f\u2060\ufeff")
_UTF8_NAME = 0x800
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
    seen = "".join(c if c.isprintable() else " " for c in last if c not in _UNSEEN)
    visible = seen.encode("utf-8", "replace").decode("utf-8").strip()
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
            yield from _from_folder(path, limits)
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


def _from_folder(folder: Path, limits: Settings) -> Iterator[Upload]:
    unread: list[OSError] = []
    for root, folders, files in os.walk(folder, onerror=unread.append):
        yield from _unread(unread, folder)
        folders[:] = sorted(name for name in folders if not _is_litter(name))
        for name in sorted(files):
            if not _is_litter(name):
                yield from _from_path(Path(root, name), limits)
    yield from _unread(unread, folder)


def _unread(errors: list[OSError], top: Path) -> Iterator[Upload]:
    """Yield a problem for each folder that could not be read, and forget it; the others are taken."""
    while errors:
        error = errors.pop(0)
        steps = Path(os.path.relpath(error.filename or top, top.absolute().parent)).parts or ("/",)
        shown = "/".join(clean_name(step) for step in steps)
        reason = (error.strerror or str(error)).lower()
        problem = f"The folder {shown} cannot be read ({reason}): left where it is. Check its rights."
        yield Upload(clean_name(steps[-1]), problem=problem)


def _read_file(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise BadRequestError(
            "a file that can be read", str(error.strerror), "It is left where it is."
        ) from error


def _zip_at(path: Path, size: int, limits: Settings) -> Iterator[Upload]:
    if size > limits.max_upload_mb * MB:
        problem = f"The zip is larger than {limits.max_upload_mb} MB: left where it is. {_PARTS}"
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
        if _directory_bytes(file) > limits.max_zip_entries * _DIRECTORY_BYTES:
            most = limits.max_zip_entries
            problem = f"The zip's list of files is too long; at most {most} files are taken. {_PARTS}"
            yield Upload(shown, problem=problem, kept=whole)
            return
        archive = zipfile.ZipFile(file)
    except _BROKEN:
        yield Upload(
            shown, problem="A damaged or incomplete zip. Make it again, or send the photos.", kept=whole
        )
        return
    with archive:
        names = ((entry, _name_in_zip(entry)) for entry in archive.infolist())  # a damaged name may be empty
        entries = [entry for entry, name in names if not name.endswith("/") and not _is_litter(name)]
        if not entries:
            yield Upload(shown, problem="An empty zip: there is no file in it.", kept=whole)
        elif len(entries) > limits.max_zip_entries:
            most = limits.max_zip_entries
            problem = f"The zip holds {len(entries)} files; at most {most} are taken. {_PARTS}"
            yield Upload(shown, problem=problem, kept=whole)
        else:
            yield from _entries(archive, entries, shown, whole, limits)


def _name_in_zip(entry: zipfile.ZipInfo) -> str:
    """Return an entry's name. Where the zip does not say how it is written, ``zipfile`` takes the old code
    page, but many packers write UTF-8 without saying so: what reads as UTF-8 is."""
    if entry.flag_bits & _UTF8_NAME:
        return entry.filename
    with suppress(UnicodeError):
        return entry.filename.encode("cp437").decode("utf-8")
    return entry.filename


def _directory_bytes(file: io.BytesIO | io.BufferedReader) -> int:
    """Return how long a zip's list of files is by the records at its end, the longest where there are
    several: ``zipfile`` reads all of it into memory before anything can be counted."""
    size = file.seek(0, os.SEEK_END)
    file.seek(max(0, size - _END_BYTES))
    end = file.read()
    file.seek(0)
    found = [0]
    for signature, form, offset in ((b"PK\x05\x06", "<I", 12), (b"PK\x06\x06", "<Q", 40)):
        at = end.find(signature)
        while 0 <= at <= len(end) - offset - struct.calcsize(form):
            found += struct.unpack_from(form, end, at + offset)
            at = end.find(signature, at + 1)
    return max(length for length in found if length <= size)


def _entries(
    archive: zipfile.ZipFile,
    entries: list[zipfile.ZipInfo],
    shown: str,
    whole: Callable[[], bytes],
    limits: Settings,
) -> Iterator[Upload]:
    room = limits.max_zip_expanded_mb * MB
    for entry in entries:
        name = clean_name(_name_in_zip(entry))
        most = min(limits.max_photo_mb * MB, room)
        data, problem = _taken_out(archive, entry, most)
        if len(data) > most:
            all_of_it = f"The zip unpacks to more than {limits.max_zip_expanded_mb} MB. {_PARTS}"
            data, problem = b"", all_of_it if room < limits.max_photo_mb * MB else _larger(limits)
        room -= len(data)
        if problem:
            yield Upload(name, problem=f"{problem} The whole zip {shown} is kept aside.", kept=whole)
        elif data.startswith(_ZIP_STARTS):
            words = "A zip inside a zip is not opened. Unpack it and send what is in it."
            yield Upload(name, problem=words, kept=_holding(data))
        else:
            yield Upload(name, read=_holding(data))


def _taken_out(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, most: int) -> tuple[bytes, str]:
    """Return (bytes, "") or (b"", why not); one byte more than ``most`` of a larger file, whatever the header
    says of it."""
    if entry.flag_bits & 0x1:
        return b"", "Locked with a password. Unpack it and send the photos."
    try:
        with archive.open(entry) as packed:
            return packed.read(most + 1), ""
    except _BROKEN:
        return b"", "Damaged inside the zip, or packed in a way we do not read."


def _holding(data: bytes) -> Callable[[], bytes]:
    return lambda: data


def _larger(limits: Settings) -> str:
    return f"Larger than the {limits.max_photo_mb} MB that are taken."


def _too_big(limits: Settings) -> str:
    return f"{_larger(limits)} Send the photo as the phone made it."
