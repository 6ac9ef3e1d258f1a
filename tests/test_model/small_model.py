"""An untrained model for tests of everything around the weights."""

from __future__ import annotations

from typing import TypeVar

import torch
from torch import nn

from model.artefact import Card, Model
from model.calibration import Calibration
from model.dataset import FAMILY_KEYS, USABLE
from model.network import ConditionNet, LocatorNet

Network = TypeVar("Network", bound=nn.Module)


def untrained(seed: int = 0, calibration: Calibration | None = None, *, second: bool = False) -> Model:
    """Return random networks with a plain card, ready to judge (nonsense)."""
    torch.manual_seed(seed)
    locator, condition = LocatorNet(len(FAMILY_KEYS)).eval(), ConditionNet(len(USABLE)).eval()
    card = Card(
        "both", calibration or Calibration.plain(), made_at="2026-01-02T03:04:05+00:00", version="untrained"
    )
    return Model(locator, condition, card, ConditionNet(len(USABLE)).eval() if second else None)


def awake(network: Network, *given: torch.Tensor) -> Network:
    """Give the batch norms the statistics of what they see, as training does: without them a random network
    gives nearly the same answer to everything."""
    network.eval()
    norms = [module for module in network.modules() if isinstance(module, nn.BatchNorm2d)]
    for norm in norms:
        norm.momentum = 1.0
        norm.train()
    with torch.no_grad():
        network(*given)
    return network.eval()
