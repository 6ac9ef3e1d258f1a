"""Limits and temperatures against published arithmetic."""

import numpy as np
import pytest
from numpy.typing import NDArray

from model.assemble import calibrate
from model.calibration import (
    MOST_CALLED_CLEAR,
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
from model.dataset import HOUSING_KINDS
from model.errors import CalibrationError
from model.judgement import Judgement
from model.manifest import LabelledFinding, LabelledPhoto
from model.metrics import expected_calibration_error
from model.scorebook import Scored
from model.vocabulary import FindingKind, Outcome, Place, Triage

from .test_predict import seen

SAID = Judgement(Outcome.SCORED, "v")


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


@pytest.mark.parametrize("rate", [0.01, 0.006])
def test_a_flag_costs_no_false_alarm_more_than_stated_however_few_photos_there_are(rate: float) -> None:
    draw = np.random.default_rng(5)
    for n in (20, 99, 100, 150, 333, 1667):
        for scores in (draw.uniform(0, 0.7, n), draw.uniform(0, 0.7, n).round(2)):
            assert np.mean(scores >= flag_limit(scores, 0.01, rate)) <= rate


def test_a_missing_latch_on_a_face_taken_for_a_family_without_one_counts_as_called_clear() -> None:
    """Nobody is told of it, whatever the limit: the stated miss rate is of all missing latches judged."""
    place = dict.fromkeys(HOUSING_KINDS, Place.BOTTOM) | {FindingKind.MISSING_LATCH: Place.LATCH}

    def shown(kind: FindingKind, logits: NDArray[np.float64], key: str = "type1") -> list[Scored]:
        label = LabelledPhoto("a", "a", "type1", (LabelledFinding(kind, place[kind]),))
        rows = [np.where(np.array(list(FindingKind)) == kind, logit, -9.0) for logit in logits]
        return [Scored(label, seen(key, photo=row.astype(np.float32)), SAID) for row in rows]

    intact = LabelledPhoto("b", "b", "type1")
    book = [
        Scored(intact, seen(photo=np.full(3, logit, np.float32)), SAID) for logit in np.linspace(-9, -4, 50)
    ] * 80
    for kind in FindingKind:
        book += shown(kind, np.linspace(-6, 6, 200))
    lost = shown(FindingKind.MISSING_LATCH, np.full(2, 6.0), "type2")
    found = [calibrate(book + lost[:n]).kinds[FindingKind.MISSING_LATCH] for n in range(3)]
    # 200 to 202 examples at 2 %: floor(0.02 (n + 1)) - 1 = 3 may be missed, the fourth lowest is the limit.
    lowest = [0.0, 0.0, *(found[0].probability(logit) for logit in np.linspace(-6, 6, 200)[:4])]
    assert max(lowest) < min(MOST_CALLED_CLEAR.values())
    assert [one.clear_below for one in found] == pytest.approx([lowest[5], lowest[4], lowest[3]])


def test_calibration_survives_json() -> None:
    calibration = Calibration.plain()
    assert Calibration.from_json(calibration.to_json()) == calibration
