"""Networks made ready for serving answer as the trained ones; the reference is PyTorch, layer by layer."""

from __future__ import annotations

import pytest
import torch
from torch import nn

from model import serving
from model.dataset import FAMILY_KEYS, MAX_PLACES, USABLE, family_boxes
from model.geometry import CANONICAL_PIXELS, CLOSE_PIXELS
from model.network import ConditionNet, LocatorNet
from model.serving import Convolution, clips_in_one_pass, ready

from .small_model import awake


@pytest.fixture(params=[True, False], ids=["in one pass", "in two passes"])
def either_way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Run a test with PyTorch's joint operator, where there is one, and without it."""
    if request.param and not clips_in_one_pass():
        pytest.skip("this PyTorch has no joint operator")
    monkeypatch.setattr(serving, "clips_in_one_pass", lambda: request.param)


def lived_in(network: nn.Module, *given: torch.Tensor) -> nn.Module:
    """Give the batch norms numbers that differ from their start, as training does."""
    generator = torch.Generator().manual_seed(3)
    for module in network.modules():
        if isinstance(module, nn.BatchNorm2d):
            shape = module.running_mean.shape
            module.weight.data.copy_(torch.rand(shape, generator=generator) + 0.5)
            module.bias.data.copy_(torch.rand(shape, generator=generator) - 0.5)
    return awake(network, *given)


def random_photos(count: int, height: int, width: int) -> torch.Tensor:
    return torch.randn(count, 3, height, width, generator=torch.Generator().manual_seed(count))


@pytest.mark.usefixtures("either_way")
@pytest.mark.parametrize("shape", [(1, 192, 256), (3, 256, 192), (2, 192, 192)])
def test_the_locator_answers_as_trained(shape: tuple[int, int, int]) -> None:
    torch.manual_seed(1)
    x = random_photos(*shape)
    network = lived_in(LocatorNet(len(FAMILY_KEYS)), x)
    with torch.inference_mode():
        wanted, came = network(x), ready(network)(x)
    assert wanted["mask"].std() > 1e-3
    for name, value in wanted.items():
        torch.testing.assert_close(came[name], value, atol=1e-4, rtol=1e-4)


@pytest.mark.usefixtures("either_way")
def test_the_condition_network_answers_as_trained() -> None:
    torch.manual_seed(2)
    boxes = family_boxes(torch.device("cpu"))  # a photo of each family, in the order of their keys
    tiles = 2 * (MAX_PLACES + 1)
    closes = random_photos(tiles, CLOSE_PIXELS, CLOSE_PIXELS).view(2, -1, 3, CLOSE_PIXELS, CLOSE_PIXELS)
    given = (random_photos(2, CANONICAL_PIXELS, CANONICAL_PIXELS), closes, *boxes)
    network = lived_in(ConditionNet(len(USABLE)), *given)
    with torch.inference_mode():
        wanted, came = network(*given), ready(network)(*given)
        other = network(given[0], -closes, *boxes)
    assert (wanted["photo"] - other["photo"]).abs().max() > 1e-2, "the close-ups tell nothing here"
    for name, value in wanted.items():
        torch.testing.assert_close(came[name], value, atol=1e-4, rtol=1e-4)


def test_the_trained_network_is_left_as_it_was() -> None:
    network = LocatorNet(len(FAMILY_KEYS))
    before = {name: value.clone() for name, value in network.state_dict().items()}
    kept = [type(m) for m in network.modules()]
    result = ready(network)
    assert [type(m) for m in network.modules()] == kept
    assert all(torch.equal(before[name], value) for name, value in network.state_dict().items())
    assert not any(isinstance(m, nn.BatchNorm2d | nn.ReLU6) for m in result.backbone.modules())


def test_a_convolution_alone_is_clipped_only_where_asked() -> None:
    plain = nn.Conv2d(3, 8, 3, padding=1)
    x = 9 * random_photos(1, 16, 16)
    with torch.inference_mode():
        wanted = plain(x)
        torch.testing.assert_close(Convolution(plain, clipped=False)(x), wanted, atol=1e-4, rtol=1e-4)
        torch.testing.assert_close(
            Convolution(plain, clipped=True)(x), wanted.clamp(0, 6), atol=1e-4, rtol=1e-4
        )
    assert wanted.max() > 6
    assert wanted.min() < 0
