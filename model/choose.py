"""Which photos to ask people about first: every coupler once before any twice, suspected ones before others.

A model errs at a new site mostly in one way: what is foreign about an intact part there it takes for damage,
surely, and at all places of a coupler at once. Doubt does not find that, and what lies far from all else is
an outlier. What it suspects most, over all places, is where a person has most to correct, and where damage is
rare it holds most of the damage too. ``DEVELOPERS.md`` has the figures.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Hashable, Iterable, Sequence

_SURE = 1e-4
"""Probabilities nearer to 0 or 1 count as this near."""


def suspicion(probabilities: Iterable[float]) -> float:
    """Return the mean log odds of a photo's probabilities (0..1) of damage at its places; without any, that
    of a place that is surely sound."""
    odds = [_log_odds(p) for p in probabilities]
    return sum(odds) / len(odds) if odds else _log_odds(0.0)


def order_to_learn(
    suspicions: Sequence[float],
    couplers: Sequence[Hashable],
    limit: int,
    *,
    decided: Iterable[Hashable] = (),
) -> list[int]:
    """Return up to ``limit`` row numbers, first things first.

    In turns: each takes of every coupler the most suspected photo that is left, and the most suspected of
    those first. Photos of one coupler are alike, so a second one teaches less.

    Args:
        suspicions: N numbers, the larger the more suspected.
        couplers: whose photo each row is.
        decided: couplers of which a person has decided on a photo: the first turn passes them over.
    """
    turns = Counter(set(decided))
    turn: dict[int, int] = {}
    for row in sorted(range(len(suspicions)), key=lambda row: -suspicions[row]):
        turn[row] = turns[couplers[row]]
        turns[couplers[row]] += 1
    return sorted(turn, key=lambda row: turn[row])[: max(0, limit)]


def _log_odds(p: float) -> float:
    kept = min(max(p, _SURE), 1 - _SURE)
    return math.log(kept / (1 - kept))
