"""How much a fine-tune learns, in which stretches, and from which photos at which step."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from model.features import BUDGET_BYTES, VIEW_BYTES
from model.weighting import dealt

PASSES = 8
"""Twice as many, from four times the views, brought more at the foreign local site (110 instead of 122 of 300
other couplers with a wrong label, 138 before), but lost 4 of the 245 broken housings of the rendered test,
and the gate held it."""
FEWEST_STEPS, MOST_STEPS = 40, 1000
USES = 4
"""How often one view is used before fresh ones are made, where photos are few; a rendered one always."""


@dataclass(frozen=True)
class Plan:
    """How much is learnt, in which stretches. ``half`` rows of each batch are confirmed photos, the others
    replayed; a stretch of ``stretch_steps`` uses ``own_views`` that it makes itself, and ``old_views`` that
    ``old_stretches`` of them share."""

    steps: int
    batch: int
    half: int
    own_views: int
    old_views: int
    stretch_steps: int
    old_stretches: int = 1

    def views_until(self, number: int) -> int:
        """Return how many views the stretches before ``number`` have made."""
        return number * self.own_views + math.ceil(number / self.old_stretches) * self.old_views


def plan(own: int, old: int, steps: int | None, batch: int, budget: int = BUDGET_BYTES) -> Plan:
    """Return the plan for ``own`` confirmed and ``old`` rendered photos in ``budget`` bytes."""
    half = batch // 2 if old else batch
    count = steps or max(FEWEST_STEPS, min(MOST_STEPS, math.ceil(PASSES * own / half)))
    room = max(batch, budget // VIEW_BYTES // (2 if old else 1))
    uses = min(USES, max(1, count * half // own))
    own_views = min(room, math.ceil(count * half / uses))
    stretch = min(count, max(1, own_views * uses // half))
    shared = max(1, USES // uses)
    return Plan(count, batch, half, own_views, min(room, own_views, 2 * old), stretch, shared)


def own_rows(number: int, todo: Plan, weights: NDArray[np.float64], seed: int) -> list[int]:
    """Return the confirmed photos, by number, of which stretch ``number`` makes views."""
    return dealt(number * todo.own_views, todo.own_views, weights, seed)


def step_rows(step: int, size: int, count: int, seed: int) -> Tensor:
    """Return the rows of one step: its part of shuffled passes over the ``count`` rows there are."""
    return torch.tensor(dealt(step * size, size, np.ones(count), seed + 13))


def rate(step: int, steps: int) -> float:
    """Warm-up over a tenth of the steps, then a cosine down to a hundredth."""
    fall = 0.5 * (1 + math.cos(math.pi * step / steps))
    return min(1.0, (step + 1) / max(1, steps // 10)) * max(fall, 0.01)
