"""Inner layers in whole numbers: against the definition of ONNX, against float32, and on other processors.

Reference: ONNX operators QuantizeLinear and QLinearConv, version 10 of the operator set: q = saturate(round(
x / scale) + zero), and the convolution of (q - zero) with whole-number weights, scaled back (from memory).
"""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
import torch
from torch import nn
from torchvision.models.efficientnet import MBConv

from model import rounding, serving
from model.geometry import CANONICAL_PIXELS
from model.network import Backbone
from model.photo import open_photo
from model.predict import Classifier
from model.preprocess import to_tensor
from model.rounding import CLIPPED_STEP, RoundedBlock, RoundedConvolution, input_ranges, rounds_exactly
from model.serving import Convolution, ready

SAMPLES = Path(__file__).resolve().parents[2] / "synthetic_samples" / "photos"
needs_operators = pytest.mark.skipif(not rounds_exactly(), reason="this machine does not round")


def by_the_definition(q: np.ndarray, zero: int, step: float, layer: RoundedConvolution) -> np.ndarray:
    """Return QLinearConv of a 3x3 convolution with padding 1, summed as whole numbers, not yet clipped."""
    x = np.pad(q.astype(np.int64) - zero, ((0, 0), (0, 0), (1, 1), (1, 1)))
    w = layer.whole.numpy().astype(np.int64)
    height, width = q.shape[2:]
    sums = sum(
        np.einsum("bchw,oc->bohw", x[:, :, i : i + height, j : j + width], w[:, :, i, j])
        for i in range(3)
        for j in range(3)
    )
    assert layer.bias is not None
    result: np.ndarray = np.asarray(sums) * step * layer.scale.numpy()[None, :, None, None]
    return result + layer.bias.numpy()[None, :, None, None]


@needs_operators
@pytest.mark.parametrize("to_float", [True, False])
def test_a_rounded_convolution_is_what_onnx_defines(to_float: bool) -> None:
    torch.manual_seed(5)
    plain = Convolution(nn.Conv2d(12, 8, 3, padding=1), clipped=not to_float)
    layer = RoundedConvolution(plain, 0.05, 117, to_float=to_float)
    q = torch.randint(0, 256, (3, 12, 11, 7), generator=torch.Generator().manual_seed(1)).to(torch.uint8)
    wanted = by_the_definition(q.numpy(), 117, 0.05, layer)
    with torch.inference_mode():
        came = layer(q.contiguous(memory_format=torch.channels_last))
    if to_float:
        assert came.dtype == torch.float32
        np.testing.assert_allclose(came.numpy(), wanted, rtol=1e-5, atol=1e-4)
        return
    steps = np.clip(np.round(wanted / CLIPPED_STEP), 0, 255)
    assert came.dtype == torch.uint8
    assert np.abs(came.numpy().astype(int) - steps).max() <= 1  # at a tie, the last digit decides
    assert (came.numpy() == steps).mean() > 0.99


def test_weights_keep_to_seven_bits_and_the_largest_of_each_channel_is_exact() -> None:
    torch.manual_seed(6)
    layer = RoundedConvolution(Convolution(nn.Conv2d(4, 5, 1), clipped=False), 0.1, 0, to_float=True)
    assert layer.whole.abs().amax((1, 2, 3)).tolist() == [rounding.WEIGHT_TOP] * 5


def test_what_a_block_is_given_room_for_follows_from_the_batch_norms() -> None:
    """A normal channel leaves six standard deviations once in a thousand million times (table of the normal
    distribution); sums of independent channels add their variances."""
    backbone = Backbone()
    for module in backbone.modules():
        if isinstance(module, nn.BatchNorm2d):
            module.weight.data.fill_(2.0)
            module.bias.data.fill_(1.0)
    ranges = list(input_ranges(backbone).values())
    blocks = [module for module in backbone.modules() if isinstance(module, MBConv)]
    assert len(ranges) == len(blocks) - 1
    assert ranges[0] == pytest.approx((1 - 6 * 2, 1 + 6 * 2))
    after_two = next(n for n, block in enumerate(blocks) if block.use_res_connect)
    spread = 6 * np.sqrt(2 * 2.0**2)
    assert ranges[after_two] == pytest.approx((2 - spread, 2 + spread))


@needs_operators
def test_a_rounded_backbone_sees_nearly_what_the_trained_one_does_and_each_photo_alone() -> None:
    side = (CANONICAL_PIXELS, CANONICAL_PIXELS)
    photos = [open_photo(path, max_side=400).rgb for path in sorted(SAMPLES.glob("*.jpg"))[:3]]
    x = to_tensor([np.asarray(cv2.resize(photo, side), np.uint8) for photo in photos])
    trained = Classifier.load().model.condition.backbone
    rounded = ready(trained, rounded=True)
    assert sum(isinstance(module, RoundedBlock) for module in rounded.modules()) == 15
    with torch.inference_mode():
        wanted, together, alone = trained(x), rounded(x), rounded(x[1:2])
    for exact, came, single in zip(wanted, together, alone, strict=True):
        assert (came - exact).std() < 0.1 * exact.std()
        torch.testing.assert_close(came[1:2], single, atol=1e-4, rtol=1e-4)


def test_without_the_operators_nothing_is_rounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serving, "rounds_exactly", lambda: False)
    rounded = ready(Backbone(), rounded=True)
    assert not any(isinstance(module, RoundedBlock) for module in rounded.modules())


@needs_operators
def test_the_shipped_model_says_the_same_with_and_without_rounding() -> None:
    """On rendered photos; the figures of a larger set stand in model/MEASURED.md."""
    exact, rounded = Classifier.load(), Classifier.load()
    model = exact.model
    exact._ready = replace(
        exact.serving(), condition=ready(model.condition), second=model.second and ready(model.second)
    )
    photos = [open_photo(path, max_side=exact.decode_side) for path in sorted(SAMPLES.glob("*.jpg"))[:40]]
    pairs = list(zip(exact.judge_many(photos), rounded.judge_many(photos), strict=True))
    assert sum(a.triage is b.triage and a.reason is b.reason for a, b in pairs) >= 38
    shifts = [
        abs(a.probabilities[kind] - b.probabilities[kind]) for a, b in pairs for kind in a.probabilities
    ]
    assert np.quantile(shifts, 0.95) < 0.03


_SUM = """
import torch
from model.network import Backbone
from model.serving import ready
torch.manual_seed(8)
x = torch.randn(2, 3, 96, 96)
network = ready(Backbone().eval(), rounded=True)
with torch.inference_mode():
    print(*(repr(float(out.double().abs().sum())) for out in network(x)))
"""


@cache
def _sums(**environment: str) -> list[float]:
    """Return the sums in a process of its own, told so."""
    words = [sys.executable, "-W", "ignore", "-c", _SUM]
    done = subprocess.run(words, env=os.environ | environment, capture_output=True, text=True, check=True)
    return [float(word) for word in done.stdout.split()]


@needs_operators
@pytest.mark.parametrize("instructions", ["AVX2", "AVX512_CORE"])
def test_older_processors_get_the_same_sums(instructions: str) -> None:
    """oneDNN is told to do without newer instructions (its documentation: ONEDNN_MAX_CPU_ISA)."""
    assert _sums(ONEDNN_MAX_CPU_ISA=instructions) == pytest.approx(_sums(), rel=1e-3)
