"""A disk that is full while a training writes: told in words, nothing half-written, gone on with later."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest
import torch

from model.artefact import load_model, save_model
from model.checkpoint import Checkpoint, save_checkpoint
from model.errors import StorageError
from model.features import READY, Features, kept_features
from model.finetune import CANDIDATE, CHECKPOINT, fine_tune
from model.half_way import half_way

from .drawn import write_drawn_set
from .small_model import untrained

TOLD = (
    "Wanted to keep {} of a training; got no space left on device. "
    "Free some disk space and start again: nothing is lost, and what was live still is."
)


def _full(*_given: object, **_options: object) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def _checkpoint(path: Path) -> None:
    save_checkpoint(path, Checkpoint("run", 1, 0, {"weight": torch.zeros(100_000)}, {}, {}))


def _model(path: Path) -> None:
    save_model(path, untrained())


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Two model files, a live one and a candidate."""
    folder = tmp_path_factory.mktemp("pair")
    for seed, name in enumerate(("live", "taught")):
        save_model(folder / f"{name}.safetensors", untrained(seed))
    return folder / "live.safetensors", folder / "taught.safetensors"


@pytest.mark.parametrize("write", [_checkpoint, _model])
def test_what_was_there_before_stays_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, write: Callable[[Path], None]
) -> None:
    path = tmp_path / "kept.bin"
    path.write_bytes(b"the one before")
    monkeypatch.setattr(os, "fsync", _full)
    with pytest.raises(StorageError) as told:
        write(path)
    assert str(told.value) == TOLD.format("kept.bin")
    assert list(tmp_path.iterdir()) == [path]
    assert path.read_bytes() == b"the one before"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs the device that is always full")
@pytest.mark.parametrize("write", [_checkpoint, _model])
def test_the_words_are_the_same_where_the_system_itself_says_so(
    tmp_path: Path, write: Callable[[Path], None]
) -> None:
    """The libraries' own writers tell a full disk as an error of theirs, which no ``OSError`` would show."""
    (tmp_path / "kept.part").symlink_to("/dev/full")
    with pytest.raises(StorageError) as told:
        write(tmp_path / "kept.bin")
    assert str(told.value) == TOLD.format("kept.bin")
    assert list(tmp_path.iterdir()) == []


def test_other_trouble_of_the_disk_is_not_called_a_full_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def denied(_handle: int) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(os, "fsync", denied)
    with pytest.raises(StorageError, match=r"got read-only .* Make the workspace folder writable"):
        _model(tmp_path / "m.safetensors")


def test_half_of_a_candidate_is_not_half_written(
    tmp_path: Path, pair: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "fsync", _full)
    with pytest.raises(StorageError) as told:
        half_way(*pair, tmp_path / "half-way.safetensors")
    assert str(told.value) == TOLD.format("half-way.safetensors")
    assert list(tmp_path.iterdir()) == []


def test_features_that_do_not_fit_leave_no_room_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def make(folder: Path) -> Features:
        (folder / "low.bin").write_bytes(b"the first map did fit")
        raise StorageError("to keep middle.bin of a training", "no space left on device", "Free some.")

    with pytest.raises(StorageError, match=r"middle\.bin"):
        kept_features(tmp_path / "kept", "a 0", make)
    assert not (tmp_path / "kept").exists()
    monkeypatch.setattr(Path, "mkdir", _full)
    with pytest.raises(StorageError) as told:
        kept_features(tmp_path / "kept", "a 0", make)
    assert str(told.value) == TOLD.format("kept")


def test_full_at_each_file_in_turn_a_training_is_gone_on_with(
    tmp_path: Path, pair: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn, out, real, told = write_drawn_set(tmp_path, 2), tmp_path / "run", os.fsync, list[str]()

    def full_once(handle: int) -> None:
        file = Path(os.readlink(f"/proc/self/fd/{handle}"))
        if file.is_file() and file.name not in told:  # folders are flushed too, and then there was room
            told.append(file.name)
            _full()
        real(handle)

    monkeypatch.setattr(os, "fsync", full_once)
    for file in ("low.bin", "middle.bin", "near.bin", READY, CHECKPOINT, CANDIDATE):
        with pytest.raises(StorageError) as error:
            fine_tune(pair[0], drawn, out, steps=2, batch=4)
        assert str(error.value) == TOLD.format(file)
        assert told[-1] in (file, Path(file).with_suffix(".part").name)
        assert not list(out.rglob("*.part"))
        assert not (out / CANDIDATE).exists()
    assert load_model(fine_tune(pair[0], drawn, out, steps=2, batch=4)).card.trained_on
