"""Trained networks made ready to judge on a CPU: the same answers for about two thirds of the work.

Training wants every layer apart. Judging does not: a convolution takes up the batch norm behind it (both
are linear) and clips its own result (ReLU6), so that each map is written once and not three times. So far
outputs equal those of the trained network to float32 accuracy; inner blocks can be rounded too
(``model.rounding``), which takes another third of the time away.
"""

from __future__ import annotations

import copy
from functools import lru_cache
from typing import TypeVar

import torch
from torch import Tensor, nn
from torch.nn import functional
from torch.nn.utils.fusion import fuse_conv_bn_eval

from model.network import Backbone
from model.rounding import RoundedBlock, input_ranges, rounds_exactly

CPU_BATCH = 8
"""Photos that go through a network together on a CPU: deep layers read their many weights once for all."""
FINE_LAYERS = 3
"""Stages of a backbone whose maps are so large (10 MB a photo) that those of several photos leave the caches,
and are handed back to the system and fetched anew each time: they take one photo after the other."""
CLOSE_UPS_AT_ONCE = 8
"""Close-ups are so much smaller than the view that those of one photo go together."""

Network = TypeVar("Network", bound=nn.Module)


class Convolution(nn.Module):
    """A convolution that clips its own result to 0..6 where ``clipped``; for inference only."""

    weight: Tensor
    bias: Tensor | None

    def __init__(self, plain: nn.Conv2d, *, clipped: bool) -> None:
        super().__init__()
        self.register_buffer("weight", plain.weight.detach().contiguous(memory_format=torch.channels_last))
        self.register_buffer("bias", None if plain.bias is None else plain.bias.detach())
        self.stride, self.dilation, self.groups = plain.stride, plain.dilation, plain.groups
        self.padding = [int(p) for p in plain.padding]
        self.clipped = clipped
        self.in_one = clips_in_one_pass()

    def forward(self, x: Tensor) -> Tensor:
        """Return the convolution of ``x`` (B, channels in, H, W)."""
        if self.in_one:
            ending, limits = ("hardtanh", [0.0, 6.0]) if self.clipped else ("none", [])
            result: Tensor = torch.ops.mkldnn._convolution_pointwise.default(
                x, self.weight, self.bias, self.padding, self.stride, self.dilation, self.groups,
                ending, limits, "",
            )  # fmt: skip
            return result
        result = functional.conv2d(
            x, self.weight, self.bias, self.stride, self.padding, self.dilation, self.groups
        )
        return result.clamp_(0.0, 6.0) if self.clipped else result


class FewAtOnce(nn.Module):
    """Layers that are run to their end for a few pictures before the next ones are begun."""

    def __init__(self, layers: nn.Sequential, few: int) -> None:
        super().__init__()
        self.layers, self.few = layers, few

    def forward(self, x: Tensor) -> Tensor:
        """Return what the layers make of ``x`` (B, channels, H, W)."""
        return torch.cat([self.layers(x[at : at + self.few]) for at in range(0, len(x), self.few)])


@lru_cache(maxsize=1)
def clips_in_one_pass() -> bool:
    """Whether this PyTorch convolves and clips in one pass. The operator is the one that PyTorch's own
    compiler uses; as it is not a documented one, its answer is compared before it is relied on."""
    x, weight = torch.linspace(-2, 2, 192).view(1, 3, 8, 8), torch.linspace(-3, 3, 108).view(4, 3, 3, 3)
    wanted = functional.conv2d(x, weight, padding=1).clamp(0.0, 6.0)
    try:
        came = torch.ops.mkldnn._convolution_pointwise.default(
            x, weight, None, [1, 1], [1, 1], [1, 1], 1, "hardtanh", [0.0, 6.0], ""
        )
    except (AttributeError, RuntimeError, TypeError):
        return False
    return bool(torch.allclose(wanted, came, atol=1e-4))


def ready(network: Network, *, rounded: bool = False) -> Network:
    """Return a copy of a trained network (evaluation mode, on the CPU) that only judges, and does it faster;
    with inner blocks ``rounded`` to eight bits where this machine can.

    The copy cannot be trained, saved or explained by gradients.
    """
    result = copy.deepcopy(network).eval()
    ranges: dict[nn.Module, tuple[float, float]] = {}
    if rounded and rounds_exactly():
        for module in result.modules():
            if isinstance(module, Backbone):
                ranges |= input_ranges(module)
    for sequence in [m for m in result.modules() if isinstance(m, nn.Sequential)]:
        _join(sequence)
    for module in list(result.modules()):
        for name, child in module.named_children():
            if isinstance(child, nn.Conv2d):
                setattr(module, name, Convolution(child, clipped=False))
    _round(result, ranges)
    for module in result.modules():
        if isinstance(module, Backbone):
            _few_at_once(module.low, 1 if module.deep else CLOSE_UPS_AT_ONCE)
    return result.to(memory_format=torch.channels_last)


def _round(network: nn.Module, ranges: dict[nn.Module, tuple[float, float]]) -> None:
    """Put rounded blocks in the place of those whose input range is known."""
    for module in list(network.modules()):
        for name, block in list(module.named_children()):
            if block in ranges:
                convolutions = [layer for layer in block.modules() if isinstance(layer, Convolution)]
                added = bool(block.use_res_connect)
                setattr(module, name, RoundedBlock(convolutions, *ranges[block], added=added))


def _few_at_once(stages: nn.Sequential, few: int) -> None:
    """Run the fine stages on a few pictures at a time; the places of those after the first do nothing."""
    stages[0] = FewAtOnce(stages[:FINE_LAYERS], few)
    for place in range(1, FINE_LAYERS):
        stages[place] = nn.Identity()


def _join(sequence: nn.Sequential) -> None:
    """Put each run of convolution, batch norm and ReLU6 into its convolution; places keep their numbers."""
    layers = [*sequence, nn.Identity(), nn.Identity()]
    for number, layer in enumerate(sequence):
        if not isinstance(layer, nn.Conv2d):
            continue
        behind = number + 1
        if isinstance(norm := layers[behind], nn.BatchNorm2d):
            layer = fuse_conv_bn_eval(layer, norm)
            sequence[behind] = nn.Identity()
            behind += 1
        clipped = isinstance(layers[behind], nn.ReLU6)
        if clipped:
            sequence[behind] = nn.Identity()
        sequence[number] = Convolution(layer, clipped=clipped)


def on_cpu(network: nn.Module) -> bool:
    """Whether the network's weights lie on the CPU."""
    return next(network.parameters()).device.type == "cpu"


def work_alone() -> None:
    """Let the calling thread compute on one core: several such threads, each with photos of its own, get more
    done than one computation spread over the cores."""
    torch.set_num_threads(1)
