"""Which photos a fine-tune learns from, and from which checkpoint it goes on."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from model.artefact import load_model, save_model
from model.checkpoint import load_checkpoint
from model.features import Features, Rooted, make_features
from model.finetune import CHECKPOINT, fine_tune
from model.manifest import read_manifest, write_manifest
from model.vocabulary import Reason

from .drawn import write_drawn_set
from .small_model import untrained


def test_a_face_that_nobody_located_is_not_learnt_from(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    live, drawn = tmp_path / "live.safetensors", write_drawn_set(tmp_path)
    save_model(live, untrained())
    photos = read_manifest(drawn)[:4]
    stranger = replace(photos[1], family=None, findings=(), reason=Reason.NO_FACE, homography=None)
    blurred = replace(photos[2], findings=(), reason=Reason.TOO_BLURRED, homography=None)
    seen = [replace(photos[0], homography=None), stranger, blurred, photos[3]]
    write_manifest(drawn.parent / "unlocated.jsonl", seen)
    learnt: set[str] = set()

    def noted(front: object, of: list[Rooted], rows: list[int], *rest: object) -> Features:
        learnt.update(of[row][0].file for row in rows)
        return make_features(front, of, rows, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr("model.tuner.make_features", noted)
    path = fine_tune(live, drawn.parent / "unlocated.jsonl", tmp_path / "out", steps=2, batch=4)
    # A random square of a photo of a face is no photo that can be judged: it must not be taught as one.
    assert learnt
    assert seen[0].file not in learnt
    assert load_model(path).card.trained_on == 3


@pytest.mark.parametrize("data", [b"", bytes(400), b".", b"\x80\x02h\x05.", b"\x80\x02X\x01\0\0\0\x85."])
def test_a_checkpoint_damaged_in_any_way_is_none(tmp_path: Path, data: bytes) -> None:
    """Else no retrain of these photos could start until somebody removed the file by hand."""
    (tmp_path / CHECKPOINT).write_bytes(data)
    assert load_checkpoint(tmp_path / CHECKPOINT, "name") is None
