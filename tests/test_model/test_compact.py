"""Weights in few bits: how near they stay, and that reading and writing again changes nothing more."""

from __future__ import annotations

import pytest
import torch
from torch import nn

from model.compact import LEVELS, MANY, SCALE, packed, round_as_saved, unpacked


def layers(seed: int = 0) -> nn.Sequential:
    torch.manual_seed(seed)
    return nn.Sequential(
        nn.Conv2d(16, 32, 3), nn.BatchNorm2d(32), nn.Conv2d(32, 32, 5, groups=32), nn.Linear(40, 50)
    )


def test_a_weight_is_off_by_at_most_half_a_step_of_its_channel() -> None:
    weight = layers()[0].weight.detach()
    back = unpacked(packed({"w": weight}))["w"]
    step = weight.flatten(1).abs().amax(1) / LEVELS
    off = (back - weight).flatten(1).abs().amax(1)
    # The scale itself is rounded to 8 bits of mantissa, one part in 256 at most.
    assert (off <= step * (0.5 + LEVELS / 256)).all()
    assert off.max() > 0
    assert (off.mean() / weight.abs().mean()) < 0.02


def test_channels_of_very_different_size_keep_their_shape() -> None:
    weight = torch.randn(8, 200) * torch.tensor([10.0**n for n in range(-6, 2)])[:, None]
    back = unpacked(packed({"w": weight}))["w"]
    near = torch.nn.functional.cosine_similarity(back, weight, dim=1)
    assert (near > 0.9995).all()


def test_a_channel_of_zeros_stays_zero() -> None:
    weight = torch.randn(4, 300)
    weight[2] = 0
    back = unpacked(packed({"w": weight}))["w"]
    assert torch.equal(back[2], torch.zeros(300))
    assert back.isfinite().all()


@pytest.mark.parametrize("seed", range(5))
def test_what_was_read_is_written_again_bit_for_bit(seed: int) -> None:
    once = packed(layers(seed).state_dict())
    again = packed(unpacked(once))
    assert once.keys() == again.keys()
    assert all(torch.equal(once[key], again[key]) for key in once)


def test_rounding_in_place_gives_what_a_file_gives_back() -> None:
    network = layers()
    kept = unpacked(packed(network.state_dict()))
    round_as_saved(network)
    assert all(torch.equal(value, kept[key]) for key, value in network.state_dict().items())


def test_only_many_numbers_are_rounded_to_eight_bits() -> None:
    state = packed({"few": torch.randn(3, 3), "many": torch.randn(10, MANY // 10), "row": torch.randn(MANY)})
    assert {name: tensor.dtype for name, tensor in state.items()} == {
        "few": torch.float16,
        "many": torch.int8,
        "many" + SCALE: torch.float32,
        "row": torch.float16,
    }


def test_counters_and_what_half_precision_cannot_hold_stay_whole() -> None:
    state = packed({"steps": torch.tensor(123_456_789), "variance": torch.tensor([186_000.0, 1.0])})
    assert torch.equal(unpacked(state)["steps"], torch.tensor(123_456_789))
    assert torch.equal(unpacked(state)["variance"], torch.tensor([186_000.0, 1.0]))


def test_missing_scales_are_an_error() -> None:
    state = packed(layers().state_dict())
    del state["0.weight" + SCALE]
    with pytest.raises(KeyError):
        unpacked(state)
