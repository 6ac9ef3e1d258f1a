"""The plain way: trains, is kept as a state dict, and its answers as a small file."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import pytest
import torch

from model import baseline
from model.against import against
from model.baseline import PlainNet, load_baseline, load_scores, save_scores, score_baseline
from model.config import TrainConfig
from model.errors import ArtefactError, ManifestError
from model.manifest import read_manifest, write_manifest
from model.network import Backbone
from model.predict import Classifier
from model.vocabulary import FindingKind

from .drawn import write_drawn_set
from .small_model import untrained
from .test_evaluate import MELTED, plain, scored

STEPS = ["--set", "condition_steps=1", "condition_batch=4", "bank_side=256"]


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    manifest = write_drawn_set(tmp_path_factory.mktemp("set"))
    splits = ["train"] * 6 + ["calibration"] * 3 + ["test"] * 3
    labels = read_manifest(manifest)
    write_manifest(manifest, [replace(p, split=s) for p, s in zip(labels, splits, strict=True)])
    return manifest


def run(monkeypatch: pytest.MonkeyPatch, *arguments: object) -> None:
    monkeypatch.setattr(sys, "argv", ["baseline", *map(str, arguments), *STEPS, "--device", "cpu"])
    baseline.main()


def test_the_command_trains_scores_and_scores_again(
    drawn: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run(monkeypatch, drawn, tmp_path / "a")
    scores = load_scores(tmp_path / "a" / "baseline.jsonl")
    labels = read_manifest(drawn)[6:]
    assert [(s.file, s.split) for s in scores] == [(p.file, p.split) for p in labels]
    assert [s.intact for s in scores] == [not p.findings for p in labels]
    assert all(0 <= p <= 1 for s in scores for p in s.probabilities.values())
    assert scores[0].probabilities.keys() == set(FindingKind)
    weights = tmp_path / "a" / "baseline.pt"
    run(monkeypatch, drawn, tmp_path / "b", "--weights", weights, "--split", "test")
    assert load_scores(tmp_path / "b" / "baseline.jsonl") == scores[3:]
    assert not (tmp_path / "b" / "baseline.pt").exists()


def test_pretrained_weights_fill_the_backbone(
    drawn: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    torch.save(Backbone().state_dict(), tmp_path / "backbone.pt")
    run(monkeypatch, drawn, tmp_path, "--pretrained", tmp_path / "backbone.pt")
    network = load_baseline(tmp_path / "baseline.pt")
    assert isinstance(network, PlainNet)
    config = TrainConfig(bank_side=256)
    labels = read_manifest(drawn)[6:]
    whole = score_baseline(network, labels, drawn.parent, config)
    parts = score_baseline(network, labels, drawn.parent, config, chunk=2)
    assert whole == load_scores(tmp_path / "baseline.jsonl")
    for one, other in zip(whole, parts, strict=True):
        assert one.probabilities == pytest.approx(other.probabilities, abs=1e-4)


def test_damaged_files_are_refused_with_words(tmp_path: Path) -> None:
    (tmp_path / "w.pt").write_bytes(b"no weights")
    for bad in (tmp_path / "w.pt", tmp_path / "nowhere.pt"):
        with pytest.raises(ArtefactError, match="state dict of a baseline"):
            load_baseline(bad)
    torch.save({"a": torch.zeros(1)}, tmp_path / "other.pt")
    with pytest.raises(ArtefactError):
        load_baseline(tmp_path / "other.pt")
    save_scores([], tmp_path / "s.jsonl")
    assert load_scores(tmp_path / "s.jsonl") == []
    (tmp_path / "short.jsonl").write_text(json.dumps({"baseline": 1, "photos": 2}) + "\n")
    for bad in (tmp_path / "short.jsonl", tmp_path / "w.pt", tmp_path / "nowhere.jsonl"):
        with pytest.raises(ManifestError, match="baseline's answers"):
            load_scores(bad)


def test_answers_on_another_set_are_not_paired_by_their_file_names() -> None:
    """Sets number their photos alike: one whose photo of the same name shows damage is another set."""
    classifier = Classifier(untrained())
    book = [scored(n) for n in range(6)]
    scores = [plain(scored(n, split="calibration"), 0.1, "calibration") for n in range(6)]
    elsewhere = [plain(scored(n, MELTED if n == 5 else None), 0.9) for n in range(6)]
    with pytest.raises(ManifestError, match=r"answers on the photos evaluated; got .*5\.jpg"):
        against(classifier, book, [*scores, *elsewhere])
    twice = [plain(s, p) for s in book for p in (0.1, 0.9)]
    with pytest.raises(ManifestError, match=r"got .*0\.jpg twice"):
        against(classifier, book, [*scores, *twice])
