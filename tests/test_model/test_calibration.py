"""Limits and temperatures against published arithmetic."""

import numpy as np
import pytest

from model.calibration import (
    SURELY_FLAGGED,
    Calibration,
    KindCalibration,
    clear_limit,
    fit_scaling,
    flag_limit,
    needed_examples,
    sigmoid,
    worst,
)
from model.errors import CalibrationError
from model.metrics import expected_calibration_error
from model.vocabulary import Triage


# Angelopoulos et al. 2022, arXiv 2208.02814: zero loss needs n >= 1/alpha - 1.
@pytest.mark.parametrize(("rate", "needed"), [(0.10, 9), (0.05, 19), (0.02, 49), (0.01, 99)])
def test_fewest_examples_for_a_miss_rate(rate: float, needed: int) -> None:
    assert needed_examples(rate) == needed
    scores = np.linspace(0.2, 0.9, needed)
    assert clear_limit(scores, rate) == pytest.approx(0.2)
    with pytest.raises(CalibrationError, match=str(needed)):
        clear_limit(scores[1:], rate)


def test_the_limit_is_the_largest_that_keeps_the_promise() -> None:
    """The slow obvious twin: try every score as limit against n/(n+1) R + 1/(n+1) <= rate."""
    scores = np.random.default_rng(4).beta(4, 2, 437)
    for rate in (0.01, 0.02, 0.05, 0.2):
        n = len(scores)
        allowed = [s for s in scores if n / (n + 1) * np.mean(scores < s) + 1 / (n + 1) <= rate + 1e-12]
        assert clear_limit(scores, rate) == pytest.approx(max(allowed))


def test_the_promised_miss_rate_holds_on_fresh_draws() -> None:
    rng = np.random.default_rng(7)
    misses = [np.mean(rng.beta(5, 2, 500) < clear_limit(rng.beta(5, 2, 199), 0.05)) for _ in range(400)]
    # Expected at most 5 %; the standard error of the mean of 400 is under 0.1 %.
    assert np.mean(misses) <= 0.053


def test_temperature_is_recovered_and_repairs_overconfidence() -> None:
    """Guo et al. 2017 (arXiv 1706.04599): logits multiplied by T are repaired by temperature T."""
    rng = np.random.default_rng(1)
    honest = rng.normal(0, 2, 20000)
    truth = rng.random(20000) < sigmoid(honest)
    temperature, shift = fit_scaling(3.0 * honest, truth)
    assert temperature == pytest.approx(3.0, rel=0.05)
    assert shift == pytest.approx(0.0, abs=0.05)
    before = expected_calibration_error(sigmoid(3.0 * honest), truth)
    after = expected_calibration_error(sigmoid(3.0 * honest / temperature + shift), truth)
    assert before is not None
    assert after is not None
    assert after < 0.02 < before


def test_one_class_only_leaves_the_logits_alone() -> None:
    assert fit_scaling([0.3, 2.0], [True, True]) == (1.0, 0.0)
    assert fit_scaling([], []) == (1.0, 0.0)


def test_outcomes_stay_in_order() -> None:
    kind = KindCalibration(clear_below=0.1, flag_from=0.6)
    assert [kind.triage(p) for p in (0.05, 0.1, 0.59, 0.6)] == [
        Triage.CLEAR, Triage.UNSURE, Triage.UNSURE, Triage.FLAG,
    ]  # fmt: skip
    assert flag_limit([0.01] * 100, clear_below=0.3) == 0.3
    assert worst([Triage.CLEAR, Triage.UNSURE]) is Triage.UNSURE
    assert worst([Triage.UNSURE, Triage.FLAG]) is Triage.FLAG
    assert worst([]) is Triage.CLEAR


def test_a_flag_costs_no_more_false_alarms_than_stated_up_to_a_probability_flagged_in_any_case() -> None:
    scores = np.linspace(0.0, 0.7, 1001)
    assert np.mean(scores >= flag_limit(scores, 0.1, 0.01)) == pytest.approx(0.01, abs=0.002)
    assert flag_limit([0.99] * 100, 0.1, 0.01) == SURELY_FLAGGED
    assert flag_limit([], 0.1) == 0.5


def test_calibration_survives_json() -> None:
    calibration = Calibration.plain()
    assert Calibration.from_json(calibration.to_json()) == calibration
