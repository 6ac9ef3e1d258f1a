"""Time to an event with some still waiting: Kaplan-Meier curves (lifelines), group tests (statsmodels).

Delayed entry: whoever is first seen at age ``entry`` counts as at risk only after it, so that those whose
event came before anybody looked do not make the others look immortal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from lifelines import KaplanMeierFitter
from numpy.typing import ArrayLike, NDArray
from statsmodels.duration.survfunc import survdiff

Floats = NDArray[np.float64]
# lifelines counts one who enters at a time as at risk at that time; the textbook risk set is (entry, exit].
_JUST_AFTER = 1e-6


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

    def __str__(self) -> str:
        """Say the result in one line."""
        about = f"{self.n} in {len(self.groups)} groups, {self.events} events"
        if self.statistic is None or self.p is None:
            return f"nothing to compare ({about})"
        freedom = f"{self.degrees_of_freedom} degree{'s' if self.degrees_of_freedom != 1 else ''} of freedom"
        return f"chi-square {self.statistic:.2f} with {freedom}, p = {self.p:.2g} ({about})"


def kaplan_meier(
    durations: ArrayLike, happened: ArrayLike, entry: ArrayLike | None = None, confidence: float = 0.95
) -> SurvivalCurve:
    """Return the Kaplan-Meier curve of n durations (0 or more) and whether each ended in the event.

    Raises:
        ValueError: no durations, different lengths, a duration that is negative or not finite, or an
            entry that is not before its duration.
    """
    waited, ended, entered = _durations(durations, happened, entry)
    if not waited.size:
        raise ValueError("wanted at least one duration, got none")
    if not ended.any():
        none, no_risk = np.empty(0), np.empty(0, np.int64)
        return SurvivalCurve(none, none, none, none, no_risk, None, waited.size, 0, confidence)
    late = entered + np.where(entered > 0, _JUST_AFTER, 0.0)
    fitted = KaplanMeierFitter(alpha=1 - confidence).fit(waited, ended, entry=late)
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


def log_rank(
    durations: ArrayLike, happened: ArrayLike, groups: Sequence[str], entry: ArrayLike | None = None
) -> GroupTest:
    """Return the log-rank test of k groups (chi-square, k - 1 degrees of freedom)."""
    return _test(durations, happened, groups, entry, None)


def gehan_wilcoxon(
    durations: ArrayLike, happened: ArrayLike, groups: Sequence[str], entry: ArrayLike | None = None
) -> GroupTest:
    """Return the Wilcoxon test in Gehan's form: as log-rank, weighted by how many are still at risk."""
    return _test(durations, happened, groups, entry, "gb")


def _test(
    durations: ArrayLike,
    happened: ArrayLike,
    groups: Sequence[str],
    entry: ArrayLike | None,
    weights: str | None,
) -> GroupTest:
    waited, ended, entered = _durations(durations, happened, entry)
    names = np.asarray(groups, dtype=str)
    if names.shape != waited.shape:
        raise ValueError(f"wanted a group for each of {waited.size} durations, got {names.size}")
    sizes = {str(name): int(size) for name, size in zip(*np.unique(names, return_counts=True), strict=True)}
    statistic: float | None = None
    p: float | None = None
    if len(sizes) >= 2 and ended.any():
        chi_square, p_value = survdiff(
            waited,
            ended.astype(int),
            names,
            weight_type=weights,
            entry=entered if entry is not None else None,
        )
        if np.isfinite(chi_square):
            statistic, p = float(chi_square), float(p_value)
    return GroupTest(statistic, p, max(len(sizes) - 1, 0), sizes, int(ended.sum()), waited.size)


def _durations(
    durations: ArrayLike, happened: ArrayLike, entry: ArrayLike | None
) -> tuple[Floats, NDArray[np.bool_], Floats]:
    waited, ended = np.asarray(durations, np.float64), np.asarray(happened, bool)
    if waited.shape != ended.shape or waited.ndim != 1:
        raise ValueError(f"wanted two equal flat arrays, got shapes {waited.shape} and {ended.shape}")
    if not np.all(np.isfinite(waited) & (waited >= 0)):
        raise ValueError("wanted finite durations of 0 or more")
    entered = np.zeros(waited.shape) if entry is None else np.asarray(entry, np.float64)
    if entered.shape != waited.shape or not np.all((entered >= 0) & (entered <= waited)):
        raise ValueError("wanted an entry from 0 up to each duration")
    return waited, ended, entered
