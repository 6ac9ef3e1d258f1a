"""What sets one pin housing apart from the others of the same coupler.

A make moulds its sleeves alike: notches, ribs or a coloured tip on all of them are its design, on one alone
they are damage or dirt. No network can know all makes, but it can compare.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor, nn
from torch.nn import functional

RINGS = 8
"""Distances from the middle of a close-up at which cells are told apart from the start."""


class Siblings(nn.Module):
    """For each cell of a close-up: how it differs from what is likest it on the coupler's other housings.

    Cells find their like by attention (Vaswani et al. 2017, arXiv 1706.03762), drawn from the start to cells
    as far from the middle as they are, so that a rim is compared with rims. Input: maps of the close-ups
    (B,P,channels,G,G) and which places there are (B,P), at least two each. Output: (B*P,width,G,G), zeros
    before anything is learnt, so that a trained network may be given this layer later.
    """

    where: Tensor

    def __init__(self, channels: int, width: int, grid: int, depth: int = 32) -> None:
        super().__init__()
        self.depth = depth
        self.seen = nn.Sequential(
            nn.Conv2d(channels, 2 * depth, 1, bias=False), nn.BatchNorm2d(2 * depth), nn.ReLU6(inplace=True)
        )
        self.asked, self.held, self.told = (nn.Conv2d(2 * depth, depth, 1) for _ in range(3))
        where = _whereabouts(grid)
        self.register_buffer("where", where, persistent=False)
        self.asked_where, self.held_where = (nn.Conv2d(where.shape[1], depth, 1, bias=False) for _ in "qk")
        for layer in (self.asked_where, self.held_where):
            nn.init.zeros_(layer.weight)
            with torch.no_grad():
                layer.weight[:RINGS, :RINGS, 0, 0] = 3.0 * torch.eye(RINGS)
        self.apart = nn.Sequential(
            nn.Conv2d(4 * depth, width, 3, padding=1, bias=False),
            nn.BatchNorm2d(width),
            nn.ReLU6(inplace=True),
            nn.Conv2d(width, width, 1),
        )
        last = self.apart[-1]
        assert isinstance(last, nn.Conv2d)
        assert last.bias is not None
        nn.init.zeros_(last.weight)
        nn.init.zeros_(last.bias)

    def forward(self, close: Tensor, valid: Tensor) -> Tensor:
        """Return the maps described for the class."""
        batch, places, _, grid, _ = close.shape
        seen = self.seen(close.flatten(0, 1))
        own = self.told(seen)

        def cells(maps: Tensor) -> Tensor:
            apart = maps.reshape(batch, places, self.depth, grid * grid)
            return apart.permute(0, 1, 3, 2).reshape(batch, 1, places * grid * grid, self.depth)

        asked = cells(self.asked(seen) + self.asked_where(self.where))
        held = cells(self.held(seen) + self.held_where(self.where))
        other = ~torch.eye(places, dtype=torch.bool, device=close.device) & valid[:, None]
        mask = other.repeat_interleave(grid * grid, 1).repeat_interleave(grid * grid, 2)
        likest = functional.scaled_dot_product_attention(asked, held, cells(own), attn_mask=mask[:, None])
        likest = likest.view(batch * places, grid, grid, self.depth).permute(0, 3, 1, 2)
        differs = own - likest
        result: Tensor = self.apart(torch.cat([own, likest, differs, differs.abs()], dim=1))
        return result


def _whereabouts(grid: int) -> Tensor:
    """Return (1,RINGS+4,G,G): how near each cell lies to each distance from the middle, then the direction
    it lies in, once and twice round."""
    axis = (torch.arange(grid) - (grid - 1) / 2) / (grid / 2)
    y, x = torch.meshgrid(axis, axis, indexing="ij")
    away, around = torch.hypot(x, y), torch.atan2(y, x)
    step = math.sqrt(2) / (RINGS - 1)
    rings = [torch.exp(-(((away - number * step) / (0.6 * step)) ** 2)) for number in range(RINGS)]
    turns = [0.3 * wave(turn * around) for turn in (1, 2) for wave in (torch.cos, torch.sin)]
    return torch.stack([*rings, *turns])[None]
