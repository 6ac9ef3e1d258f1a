"""Shares of a whole: score interval, one-sided bound, and what zero failures prove."""

from __future__ import annotations

import math

from statsmodels.stats.proportion import proportion_confint

from model.metrics import Proportion, clopper_pearson_bounds


def wilson(count: int, n: int, confidence: float = 0.95) -> Proportion:
    """Return ``count`` of ``n`` with the score interval (Wilson 1927, without continuity correction)."""
    if not 0 <= count <= n:
        raise ValueError(f"wanted 0 <= count <= n, got {count} of {n}")
    if n == 0:
        return Proportion(0, 0, None, None, None, confidence)
    low, high = proportion_confint(count, n, alpha=1 - confidence, method="wilson")
    return Proportion(count, n, count / n, float(low), float(high), confidence)


def upper_bound(count: int, n: int, confidence: float = 0.95) -> float | None:
    """Return the exact one-sided upper bound of a share; ``None`` for no cases.

    The true share is below it with at least ``confidence``: the honest form of a small miss rate.
    """
    if n == 0:
        return None
    two_sided = 1 - 2 * (1 - confidence)
    if two_sided <= 0:
        raise ValueError(f"wanted a confidence above 0.5, got {confidence}")
    return float(clopper_pearson_bounds(count, n, two_sided)[1])


def rule_of_three(n: int) -> float:
    """Return 3/n: about the 95 % upper bound of a rate when none was seen in ``n`` (Eypasch 1995)."""
    if n <= 0:
        raise ValueError(f"wanted n above 0, got {n}")
    return min(1.0, 3 / n)


def zero_failures_needed(rate: float, confidence: float = 0.95) -> int:
    """Return the fewest cases without one failure that show the failure rate to be below ``rate``.

    Exact binomial: the smallest n with (1 - rate)^n <= 1 - confidence.
    """
    if not (0 < rate < 1 and 0 < confidence < 1):
        raise ValueError(f"wanted rate and confidence in (0, 1), got {rate} and {confidence}")
    return math.ceil(math.log(1 - confidence) / math.log(1 - rate))
