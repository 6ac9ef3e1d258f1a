"""Training that follows a set while it is rendered."""

import json
from pathlib import Path

import pytest
import torch
from click.testing import CliRunner

from data_tools.rendering import train_along
from data_tools.rendering.produce import MANIFEST, PROGRESS
from data_tools.rendering.train_along import Arrivals, held_back, main, with_splits
from model.manifest import LabelledPhoto, read_manifest
from tests.test_model.drawn import write_drawn_set

TINY = ["--set", "condition_steps=2", "--set", "condition_batch=4", "--set", "bank_side=320"]


def record(index: int, labels: list[LabelledPhoto]) -> str:
    return json.dumps({"index": index, "lines": [label.to_json() for label in labels], "error": None}) + "\n"


def test_arrivals_are_read_once_and_a_line_half_written_later(tmp_path: Path) -> None:
    labels = [label for label in read_manifest(write_drawn_set(tmp_path)) if not held_back(label)]
    whole = record(0, labels[:1])
    half = record(1, labels[1:2])
    arrivals = Arrivals(tmp_path)
    assert list(arrivals) == []
    log = tmp_path / PROGRESS
    log.write_text(whole + half[:40])
    assert [photo.file for photo in arrivals] == [labels[0].file]
    log.write_text(whole + half)
    assert [photo.file for photo in arrivals] == [labels[1].file]
    assert list(arrivals) == []


def test_about_one_coupler_in_ten_is_held_back_and_never_learnt(tmp_path: Path) -> None:
    photos = [LabelledPhoto(f"{n}.jpg", f"c{n // 2}", "type1") for n in range(4000)]
    split = with_splits(photos)
    share = sum(photo.split == "calibration" for photo in split) / len(split)
    assert 0.07 < share < 0.13
    assert all(a.split == b.split for a, b in zip(split[::2], split[1::2], strict=True))
    (tmp_path / PROGRESS).write_text(record(0, photos))
    learnt = {photo.file for photo in Arrivals(tmp_path)}
    assert learnt == {photo.file for photo in split if photo.split == "train"}


def test_a_network_is_trained_on_what_arrives(tmp_path: Path) -> None:
    """Two machines' worth of photos, as from two GPUs, are one set to learn from."""
    learnt = 0
    for number, name in enumerate(("first", "other")):
        folder = tmp_path / name
        folder.mkdir()
        labels = [p for p in read_manifest(write_drawn_set(folder, seed=number)) if not held_back(p)]
        (folder / PROGRESS).write_text(record(0, labels))
        assert (folder / MANIFEST).exists()
        learnt += len(labels)
    out = tmp_path / "out"
    folders = [str(tmp_path / "first"), str(tmp_path / "other")]
    result = CliRunner().invoke(main, [*folders, str(out), "--device", "cpu", "--room", "50", *TINY])
    assert result.exit_code == 0, result.output
    assert json.loads((out / "training.json").read_text())["trained_on"] == learnt
    state = torch.load(out / "condition.pt", weights_only=True)
    assert all(torch.isfinite(value).all() for value in state.values())


def test_a_folder_that_stays_empty_is_told_in_words_and_not_waited_for_for_ever(tmp_path: Path) -> None:
    arguments = [str(tmp_path / "nobody renders here"), str(tmp_path / "out"), "--device", "cpu"]
    result = CliRunner().invoke(main, [*arguments, "--room", "4", "--patience", "0.1", *TINY])
    assert result.exit_code == 1
    assert result.output.startswith("Wanted photos in ")
    assert not (tmp_path / "out").exists()


def test_a_rendering_that_broke_off_is_learnt_from_as_far_as_it_came(tmp_path: Path) -> None:
    labels = [p for p in read_manifest(write_drawn_set(tmp_path)) if not held_back(p)]
    (tmp_path / MANIFEST).unlink()
    (tmp_path / PROGRESS).write_text(record(0, labels))
    out = tmp_path / "out"
    arguments = [str(tmp_path), str(out), "--device", "cpu", "--room", "50", "--least", "50"]
    result = CliRunner().invoke(main, [*arguments, "--patience", "1", *TINY])
    assert result.exit_code == 0, result.output
    assert json.loads((out / "training.json").read_text())["trained_on"] == len(labels)


def test_what_was_learnt_so_far_is_kept_on_the_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_drawn_set(tmp_path)
    labels = [p for p in read_manifest(tmp_path / MANIFEST) if not held_back(p)]
    (tmp_path / PROGRESS).write_text(record(0, labels))
    out = tmp_path / "out"

    def lost(part: str, *_given: object) -> object:
        keep = _given[-1]
        assert callable(keep)
        keep(torch.nn.Linear(2, 1))
        raise KeyboardInterrupt

    monkeypatch.setattr(train_along, "train_part", lost)
    CliRunner().invoke(main, [str(tmp_path), str(out), "--device", "cpu", "--room", "50", *TINY])
    assert set(torch.load(out / "condition.pt", weights_only=True)) == {"weight", "bias"}
