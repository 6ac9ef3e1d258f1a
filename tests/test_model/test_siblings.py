"""Housings are compared with each other: what all of them share, the make, must not decide."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
import torch
from torch import Tensor

from model.artefact import load_model, save_model
from model.dataset import USABLE, family_boxes
from model.geometry import CANONICAL_PIXELS, CLOSE_PIXELS
from model.network import ConditionNet
from model.serving import ready
from model.siblings import Siblings
from model.train import continued_start

from .small_model import untrained

PLACES, CHANNELS, GRID = 5, 12, 7


@pytest.fixture
def layer() -> Siblings:
    """A layer that has something to say."""
    torch.manual_seed(3)
    layer = Siblings(CHANNELS, 16, GRID).eval()
    torch.nn.init.normal_(layer.apart[-1].weight, std=0.1)
    return layer


def maps(seed: int = 0) -> Tensor:
    return torch.randn(2, PLACES, CHANNELS, GRID, GRID, generator=torch.Generator().manual_seed(seed))


def answer(layer: Siblings, close: Tensor, valid: Tensor | None = None) -> Tensor:
    """Return what the layer says of each place, (B,P,width,G,G)."""
    valid = torch.ones(close.shape[:2], dtype=torch.bool) if valid is None else valid
    with torch.inference_mode():
        return layer(close, valid).view(*close.shape[:2], -1, GRID, GRID)


def test_it_says_nothing_before_it_has_learnt() -> None:
    assert not answer(Siblings(CHANNELS, 16, GRID).eval(), maps()).any()


def test_the_others_count_alike_whatever_their_order(layer: Siblings) -> None:
    close = maps()
    order = torch.tensor([0, 3, 1, 4, 2])
    torch.testing.assert_close(answer(layer, close)[:, order], answer(layer, close[:, order]))


def test_another_sibling_changes_the_answer_and_an_absent_one_does_not(layer: Siblings) -> None:
    close, changed = maps(), maps()
    changed[:, -1] = maps(1)[:, -1]
    assert (answer(layer, close)[:, 0] - answer(layer, changed)[:, 0]).abs().max() > 1e-3
    valid = torch.ones(2, PLACES, dtype=torch.bool)
    valid[:, -1] = False
    known, same = answer(layer, close, valid), answer(layer, changed, valid)
    torch.testing.assert_close(known[:, :-1], same[:, :-1])
    assert torch.isfinite(known).all()


def test_the_odd_one_out_can_be_learnt(layer: Siblings) -> None:
    """Every coupler has a pattern of its own on all places; on one of them it is another."""
    torch.manual_seed(0)
    layer.train()
    decide = torch.nn.Linear(16, 1)
    optimiser = torch.optim.Adam([*layer.parameters(), *decide.parameters()], 3e-3)
    valid = torch.ones(32, PLACES, dtype=torch.bool)

    def batch() -> tuple[Tensor, Tensor]:
        close = torch.randn(32, 1, CHANNELS, GRID, GRID).expand(-1, PLACES, -1, -1, -1).clone()
        odd = torch.randint(PLACES, (32,))
        close[torch.arange(32), odd] = torch.randn(32, CHANNELS, GRID, GRID)
        return close, odd

    for _ in range(60):
        close, odd = batch()
        logits = decide(layer(close, valid).mean((2, 3))).view(32, PLACES)
        loss = torch.nn.functional.cross_entropy(logits, odd)
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
    layer.eval()
    with torch.inference_mode():
        close, odd = batch()
        found = decide(layer(close, valid).mean((2, 3))).view(32, PLACES).argmax(1)
    assert (found == odd).float().mean() > 0.9


def comparing(like: ConditionNet | None = None) -> ConditionNet:
    """Return a network that compares siblings, its other layers those of ``like``."""
    torch.manual_seed(1)
    network = ConditionNet(len(USABLE), siblings=True).eval()
    if like is not None:
        network.load_state_dict(network.state_dict() | like.state_dict())
    return network


def shown(network: ConditionNet) -> dict[str, Tensor]:
    """Return what a network says of two invented pictures."""
    draw = torch.Generator().manual_seed(2)
    family = torch.tensor([0, 1])
    boxes = [box[family] for box in family_boxes(torch.device("cpu"))]
    views = torch.rand(2, 3, CANONICAL_PIXELS, CANONICAL_PIXELS, generator=draw)
    closes = torch.rand(2, boxes[2].shape[1], 3, CLOSE_PIXELS, CLOSE_PIXELS, generator=draw)
    with torch.inference_mode():
        found: dict[str, Tensor] = network(views, closes, *boxes)
    return found


def test_a_trained_network_goes_on_learning_with_the_layer_and_answers_as_before(tmp_path: Path) -> None:
    known = untrained()
    save_model(tmp_path / "m.safetensors", known)
    network = ConditionNet(len(USABLE), siblings=True).eval()
    continued_start(tmp_path / "m.safetensors", "condition")(network)
    for name, value in shown(load_model(tmp_path / "m.safetensors").condition).items():
        torch.testing.assert_close(shown(network)[name], value)


def test_a_network_that_compares_is_kept_read_and_served_alike(tmp_path: Path) -> None:
    network = comparing(untrained().condition)
    assert network.siblings is not None
    torch.nn.init.normal_(network.siblings.apart[-1].weight, std=0.05)
    save_model(tmp_path / "m.safetensors", replace(untrained(), condition=network))
    read = load_model(tmp_path / "m.safetensors").condition
    assert read.siblings is not None
    for name, value in shown(read).items():
        torch.testing.assert_close(shown(ready(read))[name], value, rtol=1e-3, atol=1e-3)
