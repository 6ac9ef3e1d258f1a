"""The programs of the model side answer wrong input with words, never with a traceback."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

import pytest

from .drawn import write_drawn_set

PROGRAMS = ("train", "baseline", "scorebook", "assemble", "evaluate", "half_way")


def ended(monkeypatch: pytest.MonkeyPatch, program: str, *arguments: str) -> str:
    """Run ``python -m model.PROGRAM`` and return what it ended with."""
    monkeypatch.setattr(sys, "argv", [program, *arguments])
    with pytest.raises(SystemExit) as told:
        importlib.import_module(f"model.{program}").main()
    return str(told.value)


@pytest.mark.parametrize("program", PROGRAMS)
def test_a_set_that_is_not_there_is_told_in_words(
    program: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    missing = str(tmp_path / "no such" / "manifest.jsonl")
    first = [str(tmp_path)] if program in ("assemble", "half_way") else []
    words = ended(monkeypatch, program, *first, missing, str(tmp_path / "out"))
    assert words.startswith("Wanted ")


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--parts", "third"), "'third'"),
        (("--set", "condition_steps"), "condition_steps"),
        (("--set", "no_such=1"), "no_such"),
    ],
)
def test_wrong_settings_are_told_in_words_before_any_photo_is_read(
    arguments: tuple[str, ...], told: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    manifest = write_drawn_set(tmp_path)
    for photo in tmp_path.glob("*.jpg"):
        photo.unlink()
    words = ended(monkeypatch, "train", str(manifest), str(tmp_path / "out"), *arguments)
    assert words.startswith("Wanted ")
    assert told in words
    assert not (tmp_path / "out").exists()
