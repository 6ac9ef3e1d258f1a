"""Shewhart charts of counts, with the p'-chart of Laney 2002 for shares that vary more than binomially.

Limits are three standard deviations from the centre line. Which points are out follows from stated rules:
``RUN_RULES`` gives their words (Western Electric Handbook 1956).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
MOVING_RANGE_TO_SIGMA = 1.128
"""Mean range of two normal values in standard deviations (d2 for subgroups of two)."""


class Rule(StrEnum):
    """A reason why a point signals more than chance."""

    BEYOND_LIMITS = "beyond_limits"
    TWO_OF_THREE = "two_of_three"
    FOUR_OF_FIVE = "four_of_five"
    RUN_OF_EIGHT = "run_of_eight"


RUN_RULES: dict[Rule, str] = {
    Rule.BEYOND_LIMITS: "one point beyond three standard deviations",
    Rule.TWO_OF_THREE: "two of three points beyond two standard deviations on one side",
    Rule.FOUR_OF_FIVE: "four of five points beyond one standard deviation on one side",
    Rule.RUN_OF_EIGHT: "eight points in a row on one side of the centre line",
}
DEFAULT_RULES: tuple[Rule, ...] = (Rule.BEYOND_LIMITS,)
_WINDOWS: dict[Rule, tuple[int, int, float]] = {
    Rule.TWO_OF_THREE: (2, 3, 2.0),
    Rule.FOUR_OF_FIVE: (4, 5, 1.0),
    Rule.RUN_OF_EIGHT: (8, 8, 0.0),
}


@dataclass(frozen=True)
class ControlChart:
    """One chart of k points. ``out`` are positions (from 0) that break a rule in ``signals``.

    ``lower`` and ``upper`` are the limits at each point, cut off at what is possible. ``sigma_z`` is the
    factor by which the spread exceeds the chart's own model; 1 for the ordinary charts. ``n`` is the sum
    of what was inspected over the points with anything inspected; the others have NaN values.
    """

    centre: float
    values: Floats
    lower: Floats
    upper: Floats
    sigma_z: float
    signals: dict[Rule, tuple[int, ...]]
    n: float

    @property
    def out(self) -> tuple[int, ...]:
        """Positions that break any of the rules asked for, in order."""
        return tuple(sorted({position for found in self.signals.values() for position in found}))


def p_chart(count: ArrayLike, n: ArrayLike, rules: Collection[Rule] = DEFAULT_RULES) -> ControlChart:
    """Return the chart of shares ``count / n`` for k samples (``n`` one number or k).

    Raises:
        ValueError: nothing was inspected, or a count below 0 or above its n.
    """
    counts, sizes = _samples(count, n)
    if np.any(counts > sizes):
        raise ValueError("wanted count <= n in each sample")
    centre, sigma = _binomial(counts, sizes)
    return _chart(counts, sizes, centre, sigma, 1.0, 1.0, rules)


def laney_p_chart(count: ArrayLike, n: ArrayLike, rules: Collection[Rule] = DEFAULT_RULES) -> ControlChart:
    """Return the p'-chart (Laney 2002): p-chart limits widened or narrowed by the spread between samples.

    That spread, ``sigma_z``, is the mean moving range of the standardised shares over 1.128. With fewer
    than two samples, or a share of 0 or 1 throughout, it is 1: the ordinary p-chart.
    """
    counts, sizes = _samples(count, n)
    if np.any(counts > sizes):
        raise ValueError("wanted count <= n in each sample")
    centre, sigma = _binomial(counts, sizes)
    used = sizes > 0
    sigma_z = 1.0
    if np.sum(used) >= 2 and np.all(sigma[used] > 0):
        z = (counts[used] / sizes[used] - centre) / sigma[used]
        sigma_z = float(np.mean(np.abs(np.diff(z))) / MOVING_RANGE_TO_SIGMA)
    return _chart(counts, sizes, centre, sigma, sigma_z, 1.0, rules)


def u_chart(count: ArrayLike, n: ArrayLike, rules: Collection[Rule] = DEFAULT_RULES) -> ControlChart:
    """Return the chart of nonconformities per unit inspected (Poisson), ``n`` units in each of k samples."""
    counts, sizes = _samples(count, n)
    centre = float(counts.sum() / sizes.sum())
    sigma = np.sqrt(np.divide(centre, sizes, out=np.full(sizes.shape, np.nan), where=sizes > 0))
    return _chart(counts, sizes, centre, sigma, 1.0, np.inf, rules)


def c_chart(count: ArrayLike, rules: Collection[Rule] = DEFAULT_RULES) -> ControlChart:
    """Return the chart of nonconformities in k samples of the same size (Poisson)."""
    return u_chart(count, 1.0, rules)


def _samples(count: ArrayLike, n: ArrayLike) -> tuple[Floats, Floats]:
    counts, sizes = np.broadcast_arrays(np.asarray(count, np.float64), np.asarray(n, np.float64))
    if counts.ndim != 1 or not counts.size or np.any(counts < 0) or np.any(sizes < 0):
        raise ValueError("wanted a row of counts and sizes of 0 or more")
    if sizes.sum() == 0:
        raise ValueError("wanted at least one inspected thing, got none")
    return counts, sizes


def _binomial(counts: Floats, sizes: Floats) -> tuple[float, Floats]:
    centre = float(counts.sum() / sizes.sum())
    variance = np.divide(centre * (1 - centre), sizes, out=np.full(sizes.shape, np.nan), where=sizes > 0)
    return centre, np.sqrt(variance)


def _chart(
    counts: Floats,
    sizes: Floats,
    centre: float,
    sigma: Floats,
    sigma_z: float,
    ceiling: float,
    rules: Collection[Rule],
) -> ControlChart:
    values = np.divide(counts, sizes, out=np.full(sizes.shape, np.nan), where=sizes > 0)
    spread = sigma * sigma_z
    lower, upper = np.maximum(centre - 3 * spread, 0.0), np.minimum(centre + 3 * spread, ceiling)
    signals = {rule: _signals(rule, values - centre, spread) for rule in Rule if rule in rules}
    return ControlChart(centre, values, lower, upper, sigma_z, signals, float(sizes.sum()))


def _signals(rule: Rule, deviation: Floats, spread: Floats) -> tuple[int, ...]:
    """Positions at which ``rule`` is broken; samples without anything inspected are passed over."""
    used = np.flatnonzero(~np.isnan(deviation))
    distance, unit = deviation[used], spread[used]
    if rule is Rule.BEYOND_LIMITS:
        return tuple(int(used[i]) for i in np.flatnonzero(np.abs(distance) > 3 * unit))
    needed, window, sigmas = _WINDOWS[rule]
    found: set[int] = set()
    for side in (distance, -distance):
        beyond = side > sigmas * unit
        for end in range(window - 1, len(used)):
            recent = beyond[end - window + 1 : end + 1]
            if recent[-1] and np.sum(recent) >= needed:
                found.add(int(used[end]))
    return tuple(sorted(found))
