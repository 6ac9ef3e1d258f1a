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
"""More is not worth its time: at the foreign local site 20 passes, mostly over views of their own, brought
couplers with a wrong label from 96 to 73 of 297 where 8 brought them to 78, but at another draw from 93 to 89
of 300 where 8 did to 81. By then the confirmed photos are learnt (AUROC of breaks .99; .84 on others)."""
FEWEST_STEPS, MOST_STEPS = 40, 400
USES = 4
"""How often one view of a confirmed photo is used before fresh ones are made, where photos are few."""
SHARED = 4
"""Stretches that share what is replayed, where there are so many photos that each view is used once."""


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


def plan(
    own: int, old: int, steps: int | None, batch: int, budget: int = BUDGET_BYTES, most: int = MOST_STEPS
) -> Plan:
    """Return the plan for ``own`` confirmed and ``old`` rendered photos in ``budget`` bytes, of ``steps``, or
    else of some passes over the confirmed ones, but ``most`` steps."""
    half = batch // 2 if old else batch
    count = steps or max(FEWEST_STEPS, min(most, math.ceil(PASSES * own / half)))
    room = max(batch, budget // VIEW_BYTES // (2 if old else 1))
    uses = min(USES, max(1, count * half // own))
    own_views = min(room, math.ceil(count * half / uses))
    stretch = min(count, max(1, own_views * uses // half))
    shared = SHARED if uses == 1 else 1
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
