"""Originals: durable, content-addressed, never half there; thumbnails carry no metadata."""

from __future__ import annotations

import errno
import hashlib
import io
import os
from pathlib import Path

import pytest
from PIL import Image

from data_tools.photo_store import PhotoStore
from model.durable import PART_SUFFIX
from model.errors import BadRequestError, NotFoundError, StorageError
from tests.hostile_files import phone_jpeg, scene
from tests.test_data_tools.store_kit import picture


@pytest.fixture
def store(tmp_path: Path) -> PhotoStore:
    return PhotoStore(tmp_path / "photos", tmp_path / "derived")


def test_put_get_round_trip_under_the_sha256_of_the_standard_library(store: PhotoStore) -> None:
    data = picture()
    name = store.put(data)
    assert name == hashlib.sha256(data).hexdigest()
    assert store.get(name) == data
    assert store.path(name) == store.root / name[:2] / name
    assert list(store.names()) == [name]


def test_the_same_bytes_are_written_once(store: PhotoStore) -> None:
    name = store.put(b"once")
    before = store.path(name).stat().st_ino
    assert store.put(b"once") == name
    assert store.path(name).stat().st_ino == before


def test_a_damaged_original_is_healed_when_it_is_sent_again(store: PhotoStore) -> None:
    name = store.put(b"whole and sound")
    store.path(name).write_bytes(b"whole and sou")
    assert not store.is_whole(name)
    store.put(b"whole and sound")
    assert store.is_whole(name)


def test_file_is_synced_before_its_name_and_the_folder_after(
    store: PhotoStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps: list[str] = []
    real_fsync, real_replace = os.fsync, Path.replace

    def fsync(handle: int) -> None:
        steps.append("sync folder" if os.path.isdir(f"/proc/self/fd/{handle}") else "sync file")
        real_fsync(handle)

    def rename(self: Path, target: Path) -> Path:
        steps.append("rename")
        assert self.parent == target.parent
        return real_replace(self, target)

    monkeypatch.setattr(os, "fsync", fsync)
    monkeypatch.setattr(Path, "replace", rename)
    store.put(b"in order")
    assert steps == ["sync file", "rename", "sync folder", "sync folder"]


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "Free some disk space"),
        (errno.EROFS, "writable"),
        (errno.EACCES, "writable"),
        (errno.EIO, "disk"),
    ],
)
def test_trouble_of_the_disk_is_told_and_leaves_nothing_half_written(
    store: PhotoStore, monkeypatch: pytest.MonkeyPatch, number: int, words: str
) -> None:
    def fail(_handle: int) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(StorageError, match=words):
        store.put(b"does not fit")
    assert [path for path in store.root.rglob("*") if path.is_file()] == []


@pytest.mark.parametrize("name", ["", "../../etc/passwd", "A" * 64, "g" * 64, "a" * 63])
def test_only_a_sha256_is_a_name(store: PhotoStore, name: str) -> None:
    with pytest.raises(BadRequestError):
        store.path(name)


def test_a_missing_original_is_told(store: PhotoStore) -> None:
    with pytest.raises(NotFoundError, match="rounds verify"):
        store.get("0" * 64)


def test_thumbnails_are_upright_small_and_bare(store: PhotoStore) -> None:
    original = phone_jpeg(scene(400, 300), orientation=6, gps=True)
    assert b"SecretMaker" in original
    name = store.put(original)
    thumbnail = store.thumbnail(name, 100)
    image = Image.open(io.BytesIO(thumbnail))
    assert image.size == (100, 75)
    assert not image.getexif()
    assert b"SecretMaker" not in thumbnail
    assert store.thumbnail(name, 100) == thumbnail
    for cached in (store.derived or Path()).rglob("*.jpg"):
        cached.unlink()
    assert store.thumbnail(name, 100) == thumbnail
    assert store.get(name) == original


def test_a_thumbnail_does_not_need_its_cache(store: PhotoStore, monkeypatch: pytest.MonkeyPatch) -> None:
    name = store.put(picture())

    def full(*_args: object, **_options: object) -> None:
        raise OSError(errno.ENOSPC, "full")

    monkeypatch.setattr(Path, "write_bytes", full)
    assert store.thumbnail(name, 16).startswith(b"\xff\xd8")


def test_leftovers_are_found_only_when_old(store: PhotoStore) -> None:
    name = store.put(b"x")
    part = store.path(name).parent / f".{name}.abc{PART_SUFFIX}"
    part.write_bytes(b"half")
    assert list(store.leftovers(3600)) == []
    assert list(store.leftovers(-1)) == [part]
    assert list(store.names()) == [name]
