"""Agreement of two readers on the same photos: Cohen's kappa and McNemar's test."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats
from statsmodels.stats.contingency_tables import mcnemar as statsmodels_mcnemar
from statsmodels.stats.inter_rater import cohens_kappa

from model.metrics import confusion_counts, mcnemar_exact


@dataclass(frozen=True)
class Kappa:
    """Agreement beyond chance: 1 is perfect, 0 what chance gives. ``observed`` is the plain share agreed.

    Figures are ``None`` when nothing was read twice, and ``value`` also when both readers used one and the
    same label throughout: chance then explains everything and kappa is 0/0. Where one reader alone used one
    label throughout, kappa is 0 whatever the other said: it has no error and no interval.
    """

    value: float | None
    standard_error: float | None
    low: float | None
    high: float | None
    observed: float | None
    n: int
    confidence: float


@dataclass(frozen=True)
class McNemar:
    """Whether two readers differ on the same cases, from the cases on which exactly one was right."""

    only_first: int
    only_second: int
    n: int
    statistic: float | None
    p: float | None
    statistic_corrected: float | None
    p_corrected: float | None
    p_exact: float


def kappa(table: ArrayLike, confidence: float = 0.95) -> Kappa:
    """Return Cohen's kappa of a square table of counts (rows first reader, columns second).

    Raises:
        ValueError: the table is not square or has negative counts.
    """
    counts = np.asarray(table, np.float64)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or np.any(counts < 0):
        raise ValueError(f"wanted a square table of counts, got shape {counts.shape}")
    total = int(counts.sum())
    if total == 0:
        return Kappa(None, None, None, None, None, 0, confidence)
    observed = float(np.trace(counts) / total)
    by_chance = float(counts.sum(axis=0) @ counts.sum(axis=1)) / total**2
    if by_chance >= 1.0:
        return Kappa(None, None, None, None, observed, total, confidence)
    if 1 in (np.count_nonzero(counts.sum(axis=0)), np.count_nonzero(counts.sum(axis=1))):
        return Kappa(0.0, None, None, None, observed, total, confidence)
    result = cohens_kappa(counts)
    value, error = float(result.kappa), float(result.std_kappa)
    half = float(stats.norm.ppf((1 + confidence) / 2)) * error
    return Kappa(value, error, max(-1.0, value - half), min(1.0, value + half), observed, total, confidence)


def kappa_of_pairs(
    first: Sequence[str], second: Sequence[str], labels: Sequence[str], confidence: float = 0.95
) -> Kappa:
    """Return Cohen's kappa of two readings of the same n photos, each a label of ``labels``."""
    return kappa(confusion_counts(first, second, labels), confidence)


def mcnemar(table: ArrayLike) -> McNemar:
    """Return McNemar's test of a 2 x 2 table of paired counts, asymptotic and exact.

    Rows are the first reader, columns the second; the off-diagonal cells are the discordant pairs. The
    asymptotic figures are ``None`` when there is no discordant pair.
    """
    counts = np.asarray(table, np.int64)
    if counts.shape != (2, 2) or np.any(counts < 0):
        raise ValueError(f"wanted a 2 x 2 table of counts, got shape {counts.shape}")
    only_first, only_second = int(counts[0, 1]), int(counts[1, 0])
    exact, total = mcnemar_exact(only_first, only_second), int(counts.sum())
    if only_first + only_second == 0:
        return McNemar(0, 0, total, None, None, None, None, exact)
    plain = statsmodels_mcnemar(counts, exact=False, correction=False)
    corrected = statsmodels_mcnemar(counts, exact=False, correction=True)
    return McNemar(
        only_first,
        only_second,
        total,
        float(plain.statistic),
        float(plain.pvalue),
        float(corrected.statistic),
        float(corrected.pvalue),
        exact,
    )
