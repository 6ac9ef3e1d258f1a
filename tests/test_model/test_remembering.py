"""Fine-tuning keeps what the live network says of rendered photos."""

from __future__ import annotations

from pathlib import Path

import pytest
import torch

from model.config import TrainConfig
from model.dataset import family_boxes
from model.features import frozen_front, make_features
from model.manifest import read_manifest
from model.tuner import forgetting, tune_features

from .drawn import write_drawn_set
from .small_model import untrained

CONFIG = TrainConfig(bank_side=320)


def _answers(batch: int) -> tuple[dict[str, torch.Tensor], torch.Tensor]:
    torch.manual_seed(3)
    out = {
        "housing": torch.randn(batch, 7, 3),
        "latch": torch.randn(batch, 2),
        "photo": torch.randn(batch, 3),
    }
    return out, torch.arange(8)[None].expand(batch, 8) < 5  # the parts, then the latch


def test_forgetting_is_the_change_of_the_answers_on_rendered_photos_alone() -> None:
    out, valid = _answers(5)
    known = {name: value[2:].clone() for name, value in out.items()}
    old = slice(2, None)
    assert forgetting(out, known, old, valid[old]) == 0
    for name, place in (("photo", (0, 1)), ("latch", (1, 1)), ("housing", (0, 0, 0)), ("housing", (3, 6, 0))):
        changed = {n: v.clone() for n, v in out.items()}
        changed[name][place] += 1  # a confirmed photo, what is out of view, or a place the family lacks
        assert forgetting(changed, known, old, valid[old]) == 0
    for name, place, share in (("photo", (2, 1), 9), ("latch", (2, 0), 3), ("housing", (2, 0, 1), 30)):
        changed = {n: v.clone() for n, v in out.items()}
        changed[name][place] += 1
        assert forgetting(changed, known, old, valid[old]).item() == pytest.approx(1 / share, rel=1e-3)
    sure = {n: torch.full_like(v, 8.0) for n, v in out.items()}
    surer = {n: torch.full_like(v, 30.0) for n, v in known.items()}
    assert forgetting(sure, surer, old, valid[old]) == 0


def test_rendered_answers_stay_nearer_the_live_ones_when_they_are_remembered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    network = untrained().condition
    front = frozen_front(network)
    photos = [(label, tmp_path) for label in read_manifest(write_drawn_set(tmp_path))]
    views = make_features(front, photos, list(range(min(8, len(photos)))), 1, CONFIG)

    def moved(remember: float) -> float:
        monkeypatch.setattr("model.tuner.REMEMBER", remember)
        learnt = tune_features(network, views, views, 6, batch=4)
        low, middle, near, targets = views.take(torch.arange(len(views)))
        boxes = [box[targets.family.clamp(min=0)] for box in family_boxes(torch.device("cpu"))]
        with torch.no_grad():
            was, new = (n.eval().late(low, middle, near, *boxes)["photo"] for n in (network, learnt))
        return float((new - was).square().mean())

    assert moved(10.0) < 0.7 * moved(0.0)
