"""The average of a network's weights over its training, which judges better than the last step's (torch)."""

from __future__ import annotations

import copy

import torch
from torch import Tensor, nn


class Averaged:
    """Exponential moving average of a network's weights and running statistics: what is kept in the end."""

    def __init__(self, network: nn.Module, decay: float) -> None:
        self.network = copy.deepcopy(network).eval()
        self.decay = decay
        self.updates = 0
        self._weights, self._counts = _weights(self.network), _counts(self.network)

    @torch.no_grad()
    def update(self, network: nn.Module) -> None:
        """Move the average towards ``network``; the early steps count less, so the start is forgotten."""
        self.updates += 1
        decay = min(self.decay, self.updates / (self.updates + 10))
        for kept, new in zip(self._counts, _counts(network), strict=True):
            kept.copy_(new)
        torch._foreach_lerp_(self._weights, _weights(network), 1 - decay)


def _weights(network: nn.Module) -> list[Tensor]:
    return [value for value in network.state_dict().values() if value.dtype.is_floating_point]


def _counts(network: nn.Module) -> list[Tensor]:
    return [value for value in network.state_dict().values() if not value.dtype.is_floating_point]
