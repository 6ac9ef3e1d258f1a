"""An untrained model for tests of everything around the weights."""

from __future__ import annotations

import torch

from model.artefact import Card, Model
from model.calibration import Calibration
from model.dataset import FAMILY_KEYS, USABLE
from model.network import ConditionNet, LocatorNet


def untrained(seed: int = 0, calibration: Calibration | None = None) -> Model:
    """Return random networks with a plain card, ready to judge (nonsense)."""
    torch.manual_seed(seed)
    locator, condition = LocatorNet(len(FAMILY_KEYS)).eval(), ConditionNet(len(USABLE)).eval()
    card = Card(
        "both", calibration or Calibration.plain(), made_at="2026-01-02T03:04:05+00:00", version="untrained"
    )
    return Model(locator, condition, card)
