"""Time to an event with some still waiting: Kaplan-Meier curves and tests between groups (lifelines)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from lifelines import KaplanMeierFitter
from lifelines.statistics import multivariate_logrank_test
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class SurvivalCurve:
    """Share without the event after each time at which one happened.

    ``times`` (units of the durations), ``survival``, ``low``, ``high`` (0..1) and ``at_risk`` have one
    entry an event time; before the first the share is 1. ``median`` is ``None`` while more than half of
    the curve is still without the event. The bounds are pointwise (log-minus-log).
    """

    times: Floats
    survival: Floats
    low: Floats
    high: Floats
    at_risk: NDArray[np.int64]
    median: float | None
    n: int
    events: int
    confidence: float


@dataclass(frozen=True)
class GroupTest:
    """Whether groups differ in their time to the event; ``None`` where there is nothing to compare."""

    statistic: float | None
    p: float | None
    degrees_of_freedom: int
    groups: dict[str, int]
    events: int
    n: int


def kaplan_meier(durations: ArrayLike, happened: ArrayLike, confidence: float = 0.95) -> SurvivalCurve:
    """Return the Kaplan-Meier curve of n durations (0 or more) and whether each ended in the event.

    Raises:
        ValueError: no durations, different lengths, or a duration that is negative or not finite.
    """
    waited, ended = _durations(durations, happened)
    if not waited.size:
        raise ValueError("wanted at least one duration, got none")
    if not ended.any():
        none, no_risk = np.empty(0), np.empty(0, np.int64)
        return SurvivalCurve(none, none, none, none, no_risk, None, waited.size, 0, confidence)
    fitted = KaplanMeierFitter(alpha=1 - confidence).fit(waited, ended)
    table = fitted.event_table
    steps = table.index[table["observed"] > 0]
    bounds = fitted.confidence_interval_.loc[steps].to_numpy(np.float64)
    median = float(fitted.median_survival_time_)
    return SurvivalCurve(
        steps.to_numpy(np.float64),
        fitted.survival_function_.loc[steps].to_numpy(np.float64)[:, 0],
        bounds[:, 0],
        bounds[:, 1],
        table.loc[steps, "at_risk"].to_numpy(np.int64),
        median if np.isfinite(median) else None,
        waited.size,
        int(ended.sum()),
        confidence,
    )


def log_rank(durations: ArrayLike, happened: ArrayLike, groups: Sequence[str]) -> GroupTest:
    """Return the log-rank test of k groups (chi-square, k - 1 degrees of freedom)."""
    return _test(durations, happened, groups, None)


def gehan_wilcoxon(durations: ArrayLike, happened: ArrayLike, groups: Sequence[str]) -> GroupTest:
    """Return the Wilcoxon test in Gehan's form: as log-rank, weighted by how many are still at risk."""
    return _test(durations, happened, groups, "wilcoxon")


def _test(
    durations: ArrayLike, happened: ArrayLike, groups: Sequence[str], weightings: str | None
) -> GroupTest:
    waited, ended = _durations(durations, happened)
    names = np.asarray(groups, dtype=str)
    if names.shape != waited.shape:
        raise ValueError(f"wanted a group for each of {waited.size} durations, got {names.size}")
    sizes = {str(name): int(size) for name, size in zip(*np.unique(names, return_counts=True), strict=True)}
    nothing: tuple[Any, Any] = (None, None)
    statistic, p = nothing
    if len(sizes) >= 2 and ended.any():
        result = multivariate_logrank_test(waited, names, ended, weightings=weightings)
        if np.isfinite(result.test_statistic):
            statistic, p = float(result.test_statistic), float(result.p_value)
    return GroupTest(statistic, p, max(len(sizes) - 1, 0), sizes, int(ended.sum()), waited.size)


def _durations(durations: ArrayLike, happened: ArrayLike) -> tuple[Floats, NDArray[np.bool_]]:
    waited, ended = np.asarray(durations, np.float64), np.asarray(happened, bool)
    if waited.shape != ended.shape or waited.ndim != 1:
        raise ValueError(f"wanted two equal flat arrays, got shapes {waited.shape} and {ended.shape}")
    if not np.all(np.isfinite(waited) & (waited >= 0)):
        raise ValueError("wanted finite durations of 0 or more")
    return waited, ended
