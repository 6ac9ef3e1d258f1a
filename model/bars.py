"""What the classifier is asked to reach, and whether a report shows that it does."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from model.vocabulary import FindingKind

Report = dict[str, Any]
TOO_FEW = 5
"""With fewer cases than this no percentage is written down."""


@dataclass(frozen=True)
class Bar:
    """One target: ``limit`` is the least (or, with ``at_most``, the most) share that is accepted, 0..1."""

    title: str
    limit: float
    figure: Callable[[Report], dict[str, Any]]
    at_most: bool = False

    def verdict(self, report: Report) -> str:
        """Return ``met`` (the whole interval is on the right side), ``met by the estimate alone``, ``not
        met``, or ``too few``."""
        figure = self.figure(report)
        if figure["n"] < TOO_FEW:
            return "too few"
        if not self._meets(figure["estimate"]):
            return "not met"
        bound = figure.get("high" if self.at_most else "low")
        return "met" if bound is not None and self._meets(bound) else "met by the estimate alone"

    def _meets(self, value: float) -> bool:
        return value <= self.limit if self.at_most else value >= self.limit


def _recall(kind: FindingKind) -> Callable[[Report], dict[str, Any]]:
    return lambda report: dict(report["kinds"][kind.value]["flagged"])


def _place(kind: FindingKind) -> Callable[[Report], dict[str, Any]]:
    return lambda report: dict(report["kinds"][kind.value]["place_right"])


def _ece(kind: FindingKind) -> Callable[[Report], dict[str, Any]]:
    def figure(report: Report) -> dict[str, Any]:
        row = report["kinds"][kind.value]
        return {"estimate": row["ece"], "n": row["auroc"]["n"]}

    return figure


def _share(name: str) -> Callable[[Report], dict[str, Any]]:
    return lambda report: dict(report[name])


_MISSING, _BROKEN, _MELTED = FindingKind
BARS: tuple[Bar, ...] = (
    Bar("heat-melted housing flagged, severity from 0.3", 0.99, _recall(_MELTED)),
    Bar("broken pin housing flagged, severity from 0.3", 0.98, _recall(_BROKEN)),
    Bar("missing latch flagged, severity from 0.3", 0.98, _recall(_MISSING)),
    Bar("intact photos flagged", 0.02, _share("intact_flagged"), at_most=True),
    Bar("place right, heat-melted housing", 0.95, _place(_MELTED)),
    Bar("place right, broken pin housing", 0.95, _place(_BROKEN)),
    Bar("calibration error, heat-melted housing", 0.02, _ece(_MELTED), at_most=True),
    Bar("calibration error, broken pin housing", 0.02, _ece(_BROKEN), at_most=True),
    Bar("calibration error, missing latch", 0.02, _ece(_MISSING), at_most=True),
    Bar("photos of other things refused", 0.99, _share("strangers_refused")),
    Bar("good photos refused", 0.02, _share("good_refused"), at_most=True),
)


def bars(report: Report) -> list[dict[str, Any]]:
    """Return each target with the figure that answers it and the verdict."""
    return [
        {
            "title": bar.title,
            "limit": bar.limit,
            "at_most": bar.at_most,
            "figure": bar.figure(report),
            "verdict": bar.verdict(report),
        }
        for bar in BARS
    ]
