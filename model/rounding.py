"""Whole-number arithmetic for a network's inner layers: half the time of a convolution on a CPU, for a small
and known error.

An inverted residual block takes and gives float32, so that what blocks add up stays exact. Between its first
and its last convolution all is rounded to eight bits, affinely (y = scale (q - zero)), as the operators
QuantizeLinear and QLinearConv of ONNX (version 10) define it: activations with one scale for all, weights
with one for each output channel. ReLU6 says what there is to represent inside a block, 0 to 6; what enters it
follows from the batch norms before (mean and spread of each channel), so that no photo is needed.

Products are summed as whole numbers, which fit wherever they are added: a photo gets the same sums with older
instructions (AVX2) as with newer ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Protocol

import torch
from torch import Tensor, nn
from torchvision.models.efficientnet import MBConv

SPREAD = 6.0
"""Standard deviations on both sides of a channel's mean that a block's input is given room for. With 3 some
of it is cut off, with 12 the steps become coarse: both show in the answers."""
WEIGHT_TOP = 63
"""Weights are whole numbers from -63 to 63. Processors without instructions for this sum (VNNI) add products
in pairs in 16 bits: 255 x 63 x 2 fits into them, 255 x 127 x 2 would not."""
CLIPPED_STEP = 6.0 / 255
"""Scale of what ReLU6 gives; its zero is 0."""


class Joined(Protocol):
    """A convolution that has taken up its batch norm (``model.serving.Convolution``)."""

    weight: Tensor
    bias: Tensor | None
    stride: tuple[int, ...]
    padding: list[int]
    dilation: tuple[int, ...]
    groups: int


class RoundedConvolution(nn.Module):
    """A convolution from uint8 (scale ``step``, zero ``zero``) to uint8 clipped to 0..6, or to float32."""

    def __init__(self, plain: Joined, step: float, zero: int, *, to_float: bool) -> None:
        super().__init__()
        weight = plain.weight.detach()
        scale = weight.abs().amax((1, 2, 3)).clamp_min(1e-8) / WEIGHT_TOP
        self.whole = (weight / scale[:, None, None, None]).round().to(torch.int8)
        self.scale, self.zeros = scale, torch.zeros(len(scale), dtype=torch.long)
        self.bias = None if plain.bias is None else plain.bias.detach()
        self.how = [list(plain.stride), list(plain.padding), list(plain.dilation), plain.groups]
        self.step, self.zero = step, zero
        self.out_step, self.out_type = (1.0, torch.float32) if to_float else (CLIPPED_STEP, torch.uint8)
        self._packed: dict[tuple[int, ...], Tensor] = {}

    def forward(self, x: Tensor) -> Tensor:
        """Return the convolution of ``x`` (B, channels in, H, W), uint8."""
        result: Tensor = torch.ops.onednn.qconv2d_pointwise.default(
            x, self.step, self.zero, self._weights_for(x), self.scale, self.zeros, self.bias, *self.how,
            self.out_step, 0, self.out_type, "none", [], "",
        )  # fmt: skip
        return result

    def _weights_for(self, x: Tensor) -> Tensor:
        # Laid out for the size of the maps: laid out for none, they are sorted anew at every call.
        size = tuple(x.shape[2:])
        if size not in self._packed:
            self._packed[size] = torch.ops.onednn.qconv_prepack.default(
                self.whole, self.scale, self.step, self.zero, *self.how, list(x.shape)
            )
        return self._packed[size]


class RoundedBlock(nn.Module):
    """An inverted residual block (``torchvision``'s ``MBConv``) whose ``convolutions`` are rounded; its input
    lies between ``low`` and ``high``, and is ``added`` to its output where the block did so."""

    def __init__(self, convolutions: Sequence[Joined], low: float, high: float, *, added: bool) -> None:
        super().__init__()
        self.step = (high - low) / 255
        self.zero = round(-low / self.step)
        self.offset = torch.tensor(self.zero + 0.5)
        inside = [(self.step, self.zero), *[(CLIPPED_STEP, 0)] * (len(convolutions) - 1)]
        self.layers = nn.Sequential(
            *(
                RoundedConvolution(plain, step, zero, to_float=plain is convolutions[-1])
                for plain, (step, zero) in zip(convolutions, inside, strict=True)
            )
        )
        self.added = added

    def forward(self, x: Tensor) -> Tensor:
        """Return what the block makes of ``x`` (B, channels, H, W), float32."""
        # Adding a half and cutting off rounds to the nearest.
        nearest = torch.add(self.offset, x, alpha=1 / self.step).clamp_(0.0, 255.5)
        result: Tensor = self.layers(nearest.to(torch.uint8))
        return result.add_(x) if self.added else result


def input_ranges(backbone: nn.Module) -> dict[MBConv, tuple[float, float]]:
    """Return the least and the most that enters each block, from the batch norms before it.

    The first block is left out: it costs little, and rounding it costs as much accuracy as all others do.
    """
    found: dict[MBConv, tuple[float, float]] = {}
    mean = variance = torch.zeros(0)
    for block in (module for module in backbone.modules() if isinstance(module, MBConv)):
        if len(mean):
            spread = SPREAD * variance.sqrt()
            found[block] = min(float((mean - spread).min()), 0.0), max(float((mean + spread).max()), 0.0)
        last = [module for module in block.modules() if isinstance(module, nn.BatchNorm2d)][-1]
        carried = (mean, variance) if block.use_res_connect and len(mean) else (0.0, 0.0)
        mean = last.bias.detach() + carried[0]
        variance = last.weight.detach() ** 2 + carried[1]
    return found


@lru_cache(maxsize=1)
def rounds_exactly() -> bool:
    """Whether this PyTorch and processor convolve whole numbers as they should. The operators are those of
    PyTorch's own compiler, and not documented: their answer is compared before it is relied on."""
    generator = torch.Generator().manual_seed(0)
    plain = nn.Conv2d(16, 16, 3, padding=1)
    plain.weight.data = (
        torch.randint(-WEIGHT_TOP, WEIGHT_TOP + 1, plain.weight.shape, generator=generator) / 64
    )
    plain.weight.data[:, 0, 0, 0] = WEIGHT_TOP / 64  # so that every scale is 1/64 and nothing is lost
    x = torch.randint(0, 256, (2, 16, 9, 9), generator=generator).to(torch.uint8)
    x[0] = 255
    with torch.inference_mode():
        wanted = plain(x.float() - 7.0)
        try:
            layer = RoundedConvolution(_as_joined(plain), 1.0, 7, to_float=True)
            came = layer(x.contiguous(memory_format=torch.channels_last))
        except (AttributeError, RuntimeError, TypeError):
            return False
    return bool(torch.allclose(wanted, came, atol=0.05, rtol=1e-4))


def _as_joined(plain: nn.Conv2d) -> Joined:
    plain.padding = [int(side) for side in plain.padding]  # type: ignore[assignment]
    joined: Joined = plain  # type: ignore[assignment]
    return joined
