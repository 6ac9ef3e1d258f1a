"""How weights lie in a model file: the many in eight bits with a scale for each output channel, the few
(biases, normalisation) in half precision.

Rounding is done once: weights that were read from a file are written again bit for bit, so that one digest
names them (the symmetric scheme of Krishnamoorthi 2018, arXiv 1806.08342, section 2, for weights alone).
"""

from __future__ import annotations

from collections.abc import Mapping

import torch
from torch import Tensor, nn

SCALE = "/scale"
"""Added to a tensor's name for its scales."""
LEVELS = 127
MANY = 1000
"""A tensor of fewer numbers is not worth the rounding."""


def packed(state: Mapping[str, Tensor]) -> dict[str, Tensor]:
    """Return the tensors of a state dict as a file holds them, on the CPU."""
    result: dict[str, Tensor] = {}
    for name, value in state.items():
        tensor = value.detach().cpu().contiguous()
        if tensor.ndim > 1 and tensor.numel() >= MANY and tensor.dtype == torch.float32:
            result[name], result[name + SCALE] = _in_eight_bits(tensor)
        else:
            result[name] = _halved(tensor)
    return result


def unpacked(tensors: Mapping[str, Tensor]) -> dict[str, Tensor]:
    """Return the state dict that ``packed`` was made from, as far as it holds it, floats in float32.

    Raises:
        KeyError: scales are missing.
    """
    result: dict[str, Tensor] = {}
    for name, tensor in tensors.items():
        if name.endswith(SCALE):
            continue
        if tensor.dtype == torch.int8:
            scale = tensors[name + SCALE]
            result[name] = tensor.float() * scale.view(-1, *[1] * (tensor.ndim - 1))
        else:
            result[name] = tensor.float() if tensor.is_floating_point() else tensor
    return result


def round_as_saved(network: nn.Module) -> None:
    """Round the weights in place as a model file holds them."""
    network.load_state_dict(unpacked(packed(network.state_dict())))


def _in_eight_bits(weight: Tensor) -> tuple[Tensor, Tensor]:
    largest = weight.flatten(1).abs().amax(1) / LEVELS
    # Few bits in the scale, so that the largest weight, read again, gives the same scale again.
    scale = largest.bfloat16().float()
    steps = weight / scale.clamp(min=torch.finfo(torch.float32).tiny).view(-1, *[1] * (weight.ndim - 1))
    return steps.round().clamp(-LEVELS, LEVELS).to(torch.int8), scale


def _halved(tensor: Tensor) -> Tensor:
    """Return the tensor in half precision, or as it is where that cannot hold it: a variance above 65,504
    would become infinite, and its channel say nothing any more."""
    half = tensor.half() if tensor.dtype == torch.float32 else tensor
    return half if torch.equal(half.isfinite(), tensor.isfinite()) else tensor
