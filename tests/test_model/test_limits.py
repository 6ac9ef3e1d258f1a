"""Clear limits set again on the operator's own photos."""

from __future__ import annotations

import numpy as np
import pytest

from model.calibration import MISS_RATES
from model.limits import limit_rows
from model.vocabulary import FindingKind

LIMITS = dict.fromkeys(FindingKind, (0.2, 0.5))


def _shown(count: int, low: float = 0.0, seed: int = 0) -> dict[FindingKind, list[float]]:
    rng = np.random.default_rng(seed)
    return {kind: rng.uniform(low, 1, count).tolist() for kind in FindingKind}


def test_too_few_photos_keep_the_limit_and_say_how_many_are_needed() -> None:
    """A miss rate of 1 % needs 99 examples, of 2 % 49 (Angelopoulos et al. 2022: 1/(n+1) <= rate)."""
    rows = {row.kind: row for row in limit_rows(_shown(48), LIMITS)}
    assert {kind: row.needed for kind, row in rows.items()} == {
        FindingKind.MISSING_LATCH: 49,
        FindingKind.BROKEN_PIN_HOUSING: 49,
        FindingKind.HEAT_MELTED_HOUSING: 99,
    }
    assert all(row.after == row.before == 0.2 and not row.enough for row in rows.values())
    assert rows[FindingKind.HEAT_MELTED_HOUSING].words == (
        "heat melted housing: 48 of the 99 photos needed; limit kept"
    )


def test_the_expected_share_missed_stays_under_the_stated_rate() -> None:
    """Over many draws the share of fresh damaged photos below the limit is at most the rate (the theorem)."""
    for kind, rate in MISS_RATES.items():
        missed = []
        for seed in range(400):
            row = next(r for r in limit_rows(_shown(150, seed=seed), LIMITS) if r.kind is kind)
            missed.append(row.after)  # scores are uniform on 0..1: the limit is the share below it
        assert np.mean(missed) <= rate + 3 * np.std(missed) / 20


@pytest.mark.parametrize("low", [0.6, 0.95])
def test_a_limit_never_rises_above_the_flag(low: float) -> None:
    assert all(row.after == 0.5 and row.enough for row in limit_rows(_shown(120, low), LIMITS))
