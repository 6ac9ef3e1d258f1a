"""How far each way of melting goes, in numbers: by eye (common practice, no source)."""

from __future__ import annotations

from dataclasses import dataclass

MODES = ("soften", "sag", "blister", "char")


@dataclass(frozen=True)
class Amounts:
    """How far a melt goes at severity 0 and 1, mm unless said: a (start, end) pair for each effect."""

    blur: tuple[float, float]
    swell: tuple[float, float]
    sag: tuple[float, float]
    oval: tuple[float, float]
    slump: tuple[float, float]
    wobble: tuple[float, float]
    blisters: tuple[float, float]
    pits: tuple[float, float]


AMOUNTS: dict[str, Amounts] = {
    "soften": Amounts(
        (0.5, 1.8), (0.1, 1.0), (0.1, 1.4), (0.3, 1.6), (0.3, 3.2), (0.25, 1.3), (0, 3), (0, 0.1)
    ),
    "sag": Amounts((0.4, 1.2), (0.1, 1.1), (0.6, 5.0), (0.2, 1.3), (0.4, 3.6), (0.25, 1.3), (0, 5), (0, 0.2)),
    "blister": Amounts(
        (0.3, 0.9), (0.2, 1.1), (0.1, 1.0), (0.1, 0.9), (0.1, 1.6), (0.25, 1.1), (6, 36), (0, 0.3)
    ),
    "char": Amounts(
        (0.2, 0.8), (0.0, 0.5), (0.0, 0.9), (0.05, 0.8), (0.1, 2.4), (0.15, 1.0), (0, 8), (0.15, 0.95)
    ),
}
