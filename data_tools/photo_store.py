"""Originals under their SHA-256, written once and durably; thumbnails derived from them, deletable.

Layout: ``<root>/ab/abcdef...`` (the first two hex digits make the folder). A file is written beside its final
place, flushed to the disk, renamed, and the folder flushed, so that after a power cut a name either is not
there or holds every byte. Whoever wants a row that names an original calls ``put`` first.
"""

from __future__ import annotations

import hashlib
import secrets
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from model.durable import PART_SUFFIX, write_durably
from model.errors import BadRequestError, NotFoundError, StorageError, storage_errors
from model.photo import open_photo, reencode_clean

_HEX = frozenset("0123456789abcdef")


class PhotoStore:
    """Files by content. ``root`` holds the originals, ``derived`` what can be made again from them."""

    def __init__(self, root: Path, derived: Path | None = None) -> None:
        self.root, self.derived = root, derived

    def path(self, sha256: str) -> Path:
        """Return where the original named ``sha256`` lies or would lie; refuses all but 64 hex digits."""
        if len(sha256) != 64 or not _HEX.issuperset(sha256):
            raise BadRequestError(
                "a SHA-256 in lower-case hex", repr(sha256[:80]), "Use the name the store gave."
            )
        return self.root / sha256[:2] / sha256

    def put(self, data: bytes) -> str:
        """Keep ``data`` and return its SHA-256; the same bytes twice are kept once. A damaged copy is healed.

        Raises:
            StorageError: no room, read-only, or another trouble of the disk; nothing half-written stays.
        """
        sha256 = hashlib.sha256(data).hexdigest()
        target = self.path(sha256)
        with storage_errors("to keep the original file"):
            if not (target.is_file() and self.is_whole(sha256)):
                write_durably(target, data)
        return sha256

    def has(self, sha256: str) -> bool:
        """Whether an original of that name is here (its content is not checked)."""
        return self.path(sha256).is_file()

    def get(self, sha256: str) -> bytes:
        """Return the untouched original.

        Raises:
            NotFoundError: there is none.
        """
        try:
            return self.path(sha256).read_bytes()
        except FileNotFoundError:
            raise NotFoundError(
                f"the original {sha256[:12]}", "no such file", "Run `rounds verify`."
            ) from None
        except OSError as error:
            raise StorageError(
                f"the original {sha256[:12]}", str(error.strerror), "Check the disk."
            ) from error

    def is_whole(self, sha256: str) -> bool:
        """Whether the stored bytes still have the SHA-256 that names them."""
        try:
            with self.path(sha256).open("rb") as file:
                return hashlib.file_digest(file, "sha256").hexdigest() == sha256
        except OSError:
            return False

    def names(self) -> Iterator[str]:
        """Yield the SHA-256 of every original, sorted."""
        for path in sorted(self.root.glob("??/*")):
            if len(path.name) == 64 and _HEX.issuperset(path.name) and path.is_file():
                yield path.name

    def leftovers(self, older_than_s: float) -> Iterator[Path]:
        """Yield unfinished writes that nobody has touched for ``older_than_s`` seconds."""
        limit = time.time() - older_than_s
        for path in sorted(self.root.glob(f"??/.*{PART_SUFFIX}")):
            with suppress(FileNotFoundError):
                if path.stat().st_mtime <= limit:
                    yield path

    def thumbnail(self, sha256: str, max_side: int = 480) -> bytes:
        """Return an upright JPEG whose longer side is at most ``max_side`` px, with no metadata at all.

        Raises:
            NotFoundError: no such original.
            PhotoError: the original cannot be decoded (damaged on disk).
        """
        cached = self._thumbnail_path(sha256, max_side)
        if cached is not None and cached.is_file():
            return cached.read_bytes()
        jpeg = reencode_clean(open_photo(self.get(sha256), max_side=max_side).rgb)
        if cached is not None:
            _keep_if_possible(cached, jpeg)
        return jpeg

    def _thumbnail_path(self, sha256: str, max_side: int) -> Path | None:
        name = self.path(sha256).name
        return self.derived / str(max_side) / name[:2] / f"{name}.jpg" if self.derived else None


def _keep_if_possible(path: Path, data: bytes) -> None:
    """Cache a derived file; a full or read-only disk costs only the speed."""
    with suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.parent / f".{path.name}.{secrets.token_hex(6)}{PART_SUFFIX}"
        part.write_bytes(data)
        part.replace(path)
