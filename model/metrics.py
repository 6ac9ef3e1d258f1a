"""How good the answers are: pure numpy and SciPy, no model, no files.

``*_score`` goes up when things get better, ``*_loss`` and ``*_error`` go down. What cannot be computed
(nothing to divide by, one class only) stays ``None``: it never becomes 0 or 1. Every figure carries its n.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

Floats = NDArray[np.float64]
ECE_BINS = 15
"""Equal-width bins of the expected calibration error, as in Guo et al. 2017 (arXiv 1706.04599)."""


@dataclass(frozen=True)
class Proportion:
    """``count`` of ``n`` with a two-sided interval; estimate and bounds are ``None`` when ``n`` is 0."""

    count: int
    n: int
    estimate: float | None
    low: float | None
    high: float | None
    confidence: float


@dataclass(frozen=True)
class Estimate:
    """A figure from ``n`` cases with a two-sided interval; ``None`` where it is undefined."""

    value: float | None
    low: float | None
    high: float | None
    n: int
    confidence: float


@dataclass(frozen=True)
class ReliabilityBin:
    """One bin (``low``, ``high``] of predicted probability: how often it came true against how often it
    was predicted. ``mean_probability`` is ``None`` for an empty bin."""

    low: float
    high: float
    mean_probability: float | None
    observed: Proportion


@dataclass(frozen=True)
class RiskCoverage:
    """Share of answers kept (``coverage``, 1/n .. 1) and share of wrong ones among them (``risk``).

    Answers are kept from the surest down; both arrays have one entry for each distinct confidence.
    """

    coverage: Floats
    risk: Floats
    n: int


def clopper_pearson_bounds(count: ArrayLike, n: ArrayLike, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Return exact binomial bounds for arrays of counts (Clopper and Pearson 1934); NaN where ``n`` is 0.

    Raises:
        ValueError: a count below 0 or above its n, or a confidence outside (0, 1).
    """
    counts, sizes = np.broadcast_arrays(np.asarray(count, np.float64), np.asarray(n, np.float64))
    if not 0 < confidence < 1:
        raise ValueError(f"wanted a confidence in (0, 1), got {confidence}")
    if np.any((counts < 0) | (counts > sizes)):
        raise ValueError("wanted 0 <= count <= n")
    tail = (1 - confidence) / 2
    with np.errstate(invalid="ignore"):
        low = special.betaincinv(counts, sizes - counts + 1, tail)
        high = special.betaincinv(counts + 1, sizes - counts, 1 - tail)
    low = np.where(counts == 0, 0.0, low)
    high = np.where(counts == sizes, 1.0, high)
    undefined = sizes == 0
    return np.where(undefined, np.nan, low), np.where(undefined, np.nan, high)


def clopper_pearson(count: int, n: int, confidence: float = 0.95) -> Proportion:
    """Return ``count`` of ``n`` with its exact two-sided binomial interval."""
    low, high = clopper_pearson_bounds(count, n, confidence)
    if n == 0:
        return Proportion(0, 0, None, None, None, confidence)
    return Proportion(int(count), int(n), count / n, float(low), float(high), confidence)


def proportion(flags: Iterable[bool]) -> dict[str, Any]:
    """Return count, n, estimate and exact 95 % interval of a list of yes and no, as JSON-able data."""
    given = [bool(flag) for flag in flags]
    p = clopper_pearson(sum(given), len(given))
    return {"count": p.count, "n": p.n, "estimate": p.estimate, "low": p.low, "high": p.high}


def recall_score(truth: ArrayLike, predicted: ArrayLike, confidence: float = 0.95) -> Proportion:
    """Return how many of the truly damaged were found; ``truth`` and ``predicted`` are n booleans."""
    true, said = _pairs(truth, predicted)
    return clopper_pearson(int(np.sum(true & said)), int(np.sum(true)), confidence)


def precision_score(truth: ArrayLike, predicted: ArrayLike, confidence: float = 0.95) -> Proportion:
    """Return how many of those called damaged truly are; ``truth`` and ``predicted`` are n booleans."""
    true, said = _pairs(truth, predicted)
    return clopper_pearson(int(np.sum(true & said)), int(np.sum(said)), confidence)


def false_alarm_loss(truth: ArrayLike, predicted: ArrayLike, confidence: float = 0.95) -> Proportion:
    """Return how many of the truly undamaged were called damaged (1 - specificity)."""
    true, said = _pairs(truth, predicted)
    return clopper_pearson(int(np.sum(~true & said)), int(np.sum(~true)), confidence)


def miss_loss(truth: ArrayLike, predicted: ArrayLike, confidence: float = 0.95) -> Proportion:
    """Return how many of the truly damaged were not found (1 - recall)."""
    true, said = _pairs(truth, predicted)
    return clopper_pearson(int(np.sum(true & ~said)), int(np.sum(true)), confidence)


def confusion_counts(
    truth: Sequence[Hashable], predicted: Sequence[Hashable], labels: Sequence[Hashable]
) -> NDArray[np.int64]:
    """Return K x K counts, rows truth and columns prediction, in the order of ``labels``.

    Raises:
        ValueError: different lengths, or a label that is not in ``labels``.
    """
    if len(truth) != len(predicted):
        raise ValueError(f"wanted as many predictions as truths, got {len(predicted)} and {len(truth)}")
    index = {label: position for position, label in enumerate(labels)}
    unknown = {label for label in (*truth, *predicted) if label not in index}
    if unknown:
        raise ValueError(f"labels outside the table: {sorted(map(str, unknown))}")
    table = np.zeros((len(index), len(index)), np.int64)
    np.add.at(table, ([index[t] for t in truth], [index[p] for p in predicted]), 1)
    return table


def reliability_bins(
    probabilities: ArrayLike, outcomes: ArrayLike, bins: int = ECE_BINS, confidence: float = 0.95
) -> tuple[ReliabilityBin, ...]:
    """Return the calibration curve: ``bins`` equal-width bins (lower, upper] with exact intervals.

    ``probabilities`` are n values 0..1 and ``outcomes`` n booleans: whether the predicted thing was true.
    A probability of exactly 0 belongs to the first bin, which alone is closed below.
    """
    predicted, happened, position = _binned(probabilities, outcomes, bins)
    edges = np.linspace(0.0, 1.0, bins + 1)
    rows = []
    for number in range(bins):
        inside = position == number
        size = int(np.sum(inside))
        mean = float(np.mean(predicted[inside])) if size else None
        observed = clopper_pearson(int(np.sum(happened[inside])), size, confidence)
        rows.append(ReliabilityBin(float(edges[number]), float(edges[number + 1]), mean, observed))
    return tuple(rows)


def expected_calibration_error(
    probabilities: ArrayLike, outcomes: ArrayLike, bins: int = ECE_BINS
) -> float | None:
    """Return the mean gap between predicted and observed, weighted by bin size (Guo et al. 2017, eq. 3)."""
    predicted, happened, position = _binned(probabilities, outcomes, bins)
    if not len(predicted):
        return None
    gap = np.bincount(position, weights=predicted - happened, minlength=bins)
    return float(np.sum(np.abs(gap)) / len(predicted))


def brier_loss(probabilities: ArrayLike, outcomes: ArrayLike) -> float | None:
    """Return the mean squared difference of probability and outcome; ``None`` for no cases."""
    predicted = np.asarray(probabilities, np.float64)
    return float(np.mean((predicted - np.asarray(outcomes, np.float64)) ** 2)) if predicted.size else None


def auroc_score(truth: ArrayLike, scores: ArrayLike, confidence: float = 0.95) -> Estimate:
    """Return the area under the ROC curve with the interval of DeLong et al. 1988 (Biometrics 44:837).

    ``truth`` is n booleans, ``scores`` n numbers where higher means more likely true; ties count half. The
    area is ``None`` with one class only; its interval is ``None`` where the variance is zero or needs a
    second case of a class, because a zero-width interval would claim certainty.
    """
    true, values = np.asarray(truth, bool), np.asarray(scores, np.float64)
    positive, negative = values[true], values[~true]
    if not positive.size or not negative.size:
        return Estimate(None, None, None, values.size, confidence)
    above = _placements(positive, negative)
    below = 1 - _placements(negative, positive)
    area = float(np.mean(above))
    if positive.size < 2 or negative.size < 2:
        return Estimate(area, None, None, values.size, confidence)
    variance = np.var(above, ddof=1) / positive.size + np.var(below, ddof=1) / negative.size
    if variance <= 0:
        return Estimate(area, None, None, values.size, confidence)
    half = float(special.ndtri((1 + confidence) / 2) * np.sqrt(variance))
    return Estimate(area, max(0.0, area - half), min(1.0, area + half), values.size, confidence)


def risk_coverage(confidences: ArrayLike, wrong: ArrayLike) -> RiskCoverage:
    """Return the risk-coverage curve; ``confidences`` are n numbers, ``wrong`` n booleans.

    Answers of equal confidence are kept or left together, so that the order of ties cannot flatter.
    """
    sure, errors = np.asarray(confidences, np.float64), np.asarray(wrong, np.float64)
    order = np.argsort(-sure, kind="stable")
    sure, errors = sure[order], errors[order]
    kept = np.arange(1, sure.size + 1)
    last_of_tie = np.append(sure[1:] != sure[:-1], True)[: sure.size]
    return RiskCoverage(
        (kept / max(sure.size, 1))[last_of_tie], (np.cumsum(errors) / kept)[last_of_tie], sure.size
    )


def risk_coverage_loss(curve: RiskCoverage) -> float | None:
    """Return the area under the risk-coverage curve (mean risk over coverage); ``None`` for no cases."""
    if not curve.n:
        return None
    return float(np.sum(curve.risk * np.diff(curve.coverage, prepend=0.0)))


def mcnemar_exact(only_first: int, only_second: int) -> float:
    """Return the exact two-sided p of McNemar's test from the two discordant counts.

    Under no difference the smaller count is binomial(n, 1/2); with no discordant pair p is 1.
    """
    smaller, total = min(only_first, only_second), only_first + only_second
    if smaller < 0:
        raise ValueError(f"wanted counts of 0 or more, got {only_first} and {only_second}")
    return min(1.0, 2 * float(special.bdtr(smaller, total, 0.5)))


def discordant(first_right: ArrayLike, second_right: ArrayLike) -> tuple[int, int]:
    """Return on how many cases only the first, and only the second of two answers was right."""
    first, second = _pairs(first_right, second_right)
    return int(np.sum(first & ~second)), int(np.sum(~first & second))


def _placements(values: Floats, others: Floats) -> Floats:
    """For each value the share of ``others`` below it, ties counted half."""
    ordered = np.sort(others)
    below = np.searchsorted(ordered, values, side="left")
    not_above = np.searchsorted(ordered, values, side="right")
    return np.asarray((below + not_above) / (2 * others.size), np.float64)


def _binned(
    probabilities: ArrayLike, outcomes: ArrayLike, bins: int
) -> tuple[Floats, Floats, NDArray[np.int64]]:
    predicted, happened = np.asarray(probabilities, np.float64), np.asarray(outcomes, np.float64)
    if predicted.shape != happened.shape or predicted.ndim != 1:
        raise ValueError(f"wanted two equal flat arrays, got shapes {predicted.shape} and {happened.shape}")
    if not np.all((predicted >= 0) & (predicted <= 1)):
        raise ValueError("wanted probabilities in 0..1")
    edges = np.linspace(0.0, 1.0, bins + 1)
    position = np.searchsorted(edges, predicted, side="left") - 1
    return predicted, happened, np.maximum(position, 0).astype(np.int64)


def _pairs(first: ArrayLike, second: ArrayLike) -> tuple[NDArray[Any], NDArray[Any]]:
    left, right = np.asarray(first, bool), np.asarray(second, bool)
    if left.shape != right.shape:
        raise ValueError(f"wanted equal shapes, got {left.shape} and {right.shape}")
    return left, right
