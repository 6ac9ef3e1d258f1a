"""From logits to probabilities one can trust, and from those to clear, flag or unsure.

Temperature scaling after Guo et al. 2017 (arXiv 1706.04599); the limit below which a damage may be called
clear is set by conformal risk control (Angelopoulos et al. 2022, arXiv 2208.02814) so that the expected
share of missed damages stays under a stated rate; it refuses when there are too few examples.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import scipy  # its parts are loaded when first used: a first verdict need not wait for them
from numpy.typing import ArrayLike, NDArray

from model.errors import CalibrationError
from model.vocabulary import FindingKind, Triage

MISS_RATES: dict[FindingKind, float] = {
    FindingKind.MISSING_LATCH: 0.02,
    FindingKind.BROKEN_PIN_HOUSING: 0.02,
    FindingKind.HEAT_MELTED_HOUSING: 0.01,
}


def needed_examples(rate: float) -> int:
    """Return the fewest damaged examples with which a limit at miss ``rate`` can exist: ceil(1/rate - 1)."""
    return math.ceil(round(1 / rate - 1, 9))


def clear_limit(damaged_scores: ArrayLike, rate: float) -> float:
    """Return the largest limit below which a score may be called clear at expected miss rate ``rate``.

    A damaged example is missed when its score is below the limit. With n examples the limit is the largest
    that satisfies n/(n+1) R + 1/(n+1) <= rate, R the share of the n that it misses.

    Raises:
        CalibrationError: fewer than ``needed_examples(rate)``.
    """
    scores = np.sort(np.asarray(damaged_scores, dtype=np.float64))
    n = len(scores)
    allowed = math.floor(round((n + 1) * rate, 9)) - 1
    if allowed < 0:
        raise CalibrationError(
            f"at least {needed_examples(rate)} damaged examples for a miss rate of {rate:.1%}", f"{n}",
            "Confirm more damaged photos, or accept a higher miss rate.",
        )  # fmt: skip
    return float(scores[min(allowed, n - 1)])


def fit_scaling(logits: ArrayLike, truth: ArrayLike) -> tuple[float, float]:
    """Return (temperature, shift) that minimise the negative log-likelihood of sigmoid(logit/T + shift).

    The shift corrects for damage being over-represented in training; with one class only, (1, 0).
    """
    z = np.asarray(logits, dtype=np.float64)
    y = np.asarray(truth, dtype=np.float64)
    if len(z) == 0 or y.min() == y.max():
        return 1.0, 0.0

    def loss(parameters: NDArray[np.float64]) -> float:
        scaled = z / math.exp(parameters[0]) + parameters[1]
        return float(np.mean(np.logaddexp(0.0, scaled) - y * scaled))

    best = scipy.optimize.minimize(
        loss, np.zeros(2), method="Nelder-Mead", options={"xatol": 1e-4, "fatol": 1e-8}
    )
    return float(np.exp(best.x[0])), float(best.x[1])


def sigmoid(x: ArrayLike) -> NDArray[np.float64]:
    """Return the logistic function, safe for large values."""
    result: NDArray[np.float64] = 0.5 * (1 + np.tanh(0.5 * np.asarray(x, dtype=np.float64)))
    return result


@dataclass(frozen=True)
class KindCalibration:
    """How one damage's logits become a probability and a triage.

    ``clear_below``: a smaller probability is clear; ``flag_from``: at or above it is a flag; between the two
    a person must look (unsure). ``place_from``: a place is named at or above it.
    """

    temperature: float = 1.0
    shift: float = 0.0
    place_temperature: float = 1.0
    place_shift: float = 0.0
    clear_below: float = 0.2
    flag_from: float = 0.5
    place_from: float = 0.5

    def probability(self, logit: float) -> float:
        """Return the photo's calibrated probability."""
        return float(sigmoid(logit / self.temperature + self.shift))

    def place_probability(self, logit: float) -> float:
        """Return a place's calibrated probability."""
        return float(sigmoid(logit / self.place_temperature + self.place_shift))

    def triage(self, probability: float) -> Triage:
        """Return what follows from this damage alone."""
        if probability >= self.flag_from:
            return Triage.FLAG
        return Triage.CLEAR if probability < self.clear_below else Triage.UNSURE


@dataclass(frozen=True)
class Calibration:
    """All three damages, and how sure the network must be that a photo can be judged."""

    kinds: dict[FindingKind, KindCalibration]
    refuse_from: float = 0.75
    face_from: float = 0.5

    @classmethod
    def plain(cls) -> Calibration:
        """Return untuned settings, for tests and before the first calibration."""
        return cls({kind: KindCalibration() for kind in FindingKind})

    def to_json(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "kinds": {kind.value: asdict(value) for kind, value in self.kinds.items()},
            "refuse_from": self.refuse_from,
            "face_from": self.face_from,
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Calibration:
        """Build from JSON."""
        kinds = {FindingKind(k): KindCalibration(**v) for k, v in data["kinds"].items()}
        return cls(kinds, data["refuse_from"], data["face_from"])


MOST_CALLED_CLEAR: dict[FindingKind, float] = {
    FindingKind.MISSING_LATCH: 0.05,
    FindingKind.BROKEN_PIN_HOUSING: 0.05,
    FindingKind.HEAT_MELTED_HOUSING: 0.025,
}
"""No clear limit that is set on rendered photos lies above these probabilities, whatever miss rate is
allowed: in other pictures damage looks less suspicious. With 0.05 for all three 20 instead of 27 of 3,395
damaged photos of seven sets are called clear, and 422 instead of 401 of 1,735 intact ones are not. Half of
that for melted housings, whose miss rate is half the others': 3 instead of 5 melted ones among 3,040 damaged
photos are called clear, for 4 more of 1,591 intact ones that are not (``model/MEASURED.md``). A limit set
again on enough of the operator's own photos (``model.limits``) is for these, and may lie higher."""
SURELY_FLAGGED = 0.75
"""A probability from which a photo is flagged in any case. It is one among photos of which a quarter to a
third show that damage; where 3 in 100 do (an assumption), 0.75 becomes about 0.2, 0.9 about 0.4, and 0.5 less
than 0.1. With 0.75 instead of 0.9, 96.2 instead of 94.7 % of the damaged photos that the shipped limits were
set on are flagged, and 3.0 instead of 1.9 % of the intact ones (``model/MEASURED.md``)."""


def flag_limit(intact_scores: ArrayLike, clear_below: float, false_alarm_rate: float = 0.01) -> float:
    """Return the probability from which a photo is flagged: at most ``false_alarm_rate`` of intact reach it.

    Never below ``clear_below``, so that the three outcomes stay in order, and never above
    ``SURELY_FLAGGED``, even where that costs more false alarms. What lies between the two limits is not
    clear: a technician must look.
    """
    falling = np.sort(np.asarray(intact_scores, dtype=np.float64))[::-1]
    if len(falling) == 0:
        return max(clear_below, 0.5)
    allowed = math.floor(round(false_alarm_rate * len(falling), 9))
    limit = float(falling[max(allowed - 1, 0)])
    if np.sum(falling >= limit) > allowed:  # none may reach it, or several are alike
        limit = float(np.nextafter(limit, 1.0))
    return max(clear_below, min(limit, SURELY_FLAGGED), 0.05)


def worst(triages: list[Triage]) -> Triage:
    """Return the gravest of several outcomes: flag, then unsure, then clear."""
    for triage in (Triage.FLAG, Triage.UNSURE):
        if triage in triages:
            return triage
    return Triage.CLEAR
