"""``rounds evaluate`` on a small labelled folder, judged by the shipped model."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from data_tools.cli import main
from data_tools.cli.frame import REFUSED
from model.manifest import read_manifest, write_manifest

SAMPLES = Path(__file__).parents[2] / "synthetic_samples"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Three photos of the samples: damaged, intact, no face."""
    labels = read_manifest(SAMPLES / "manifest.jsonl")
    usable = [p for p in labels if p.family and p.reason is None]
    few = [
        next(p for p in usable if p.findings),
        next(p for p in usable if not p.findings),
        next(p for p in labels if p.family is None),
    ]
    (tmp_path / "set").mkdir()
    (tmp_path / "set" / "photos").symlink_to(SAMPLES / "photos")
    write_manifest(tmp_path / "set" / "manifest.jsonl", few)
    return tmp_path / "set"


def test_it_writes_the_card_and_says_what_was_measured(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "card"
    result = CliRunner().invoke(main, ["evaluate", str(folder), "--split", "all", "--out", str(out)])
    assert result.exit_code == 0, result.output
    assert "3 photos judged by" in result.output
    assert "intact photos flagged" in result.output
    assert str(out / "card.md") in result.output
    assert '"Intact" never means safe' in (out / "card.md").read_text(encoding="utf-8")
    assert (out / "confusion.png").stat().st_size > 1000
    shown = CliRunner().invoke(main, ["evaluate", str(folder), "--split", "all", "--out", str(out), "--json"])
    assert json.loads(shown.output) == json.loads((out / "card.json").read_text(encoding="utf-8"))


def test_a_folder_without_labels_is_refused_in_words(tmp_path: Path) -> None:
    result = CliRunner().invoke(main, ["evaluate", str(tmp_path), "--out", str(tmp_path / "card")])
    assert result.exit_code == REFUSED
    assert "manifest" in result.output
    assert "Traceback" not in result.output
    assert not (tmp_path / "card").exists()
