"""Which photos to ask people about first: those the model doubts, and no two alike."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

_LEAST = 0.02
"""Doubt that even a sure answer keeps: what a model is surely wrong about it would never ask."""


def doubt(probabilities: ArrayLike) -> NDArray[np.float64]:
    """Return for NxK probabilities how doubtful each row is, 0..1: its largest 4 p (1 - p)."""
    p = np.asarray(probabilities, np.float64)
    return _LEAST + (1 - _LEAST) * (4 * p * (1 - p)).max(1) if p.size else np.zeros(len(p))


def order_to_learn(
    doubts: ArrayLike, vectors: ArrayLike, limit: int, *, known: ArrayLike | None = None
) -> list[int]:
    """Return up to ``limit`` row numbers, first things first.

    Greedy: each time the photo with the largest product of its doubt and its distance from the nearest photo
    that is chosen already or ``known``. A copy of a chosen photo comes last however doubtful.

    Args:
        doubts: N numbers, 0..1.
        vectors: NxD, in columns of comparable size.
        known: MxD of photos that people have decided on.
    """
    value, x = np.asarray(doubts, np.float64), np.asarray(vectors, np.float64)
    left = np.ones(len(value), dtype=bool)
    far = np.full(len(value), np.inf)
    for row in np.asarray(known if known is not None else np.zeros((0, x.shape[1] if x.ndim > 1 else 0))):
        far = np.minimum(far, np.linalg.norm(x - row, axis=1))
    chosen: list[int] = []
    while left.any() and len(chosen) < limit:
        near = np.where(np.isfinite(far), far, 1.0)
        best = int(np.argmax(np.where(left, value * near, -1.0)))
        chosen.append(best)
        left[best] = False
        far = np.minimum(far, np.linalg.norm(x - x[best], axis=1))
    return chosen
