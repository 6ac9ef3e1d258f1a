"""Metrics against published values and against SciPy's own slower or independent routines."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from model import metrics

# Counts of Newcombe 1998, Statistics in Medicine 17:857; intervals computed from them.
NEWCOMBE_EXACT = [
    (81, 263, 0.2527, 0.3676),
    (15, 148, 0.0578, 0.1617),
    (0, 20, 0.0, 0.1684),
    (1, 29, 0.0009, 0.1776),
]


@pytest.mark.parametrize(("count", "n", "low", "high"), NEWCOMBE_EXACT)
def test_exact_interval_on_newcombes_counts(count, n, low, high):
    found = metrics.clopper_pearson(count, n)
    assert found.low == pytest.approx(low, abs=5e-5)
    assert found.high == pytest.approx(high, abs=5e-5)
    assert found.estimate == count / n


def test_exact_interval_of_the_engineering_handbook():
    """NIST/SEMATECH e-Handbook 7.2.4.2: 4 defective of 20, 90 % two-sided."""
    found = metrics.clopper_pearson(4, 20, 0.90)
    assert (found.low, found.high) == (pytest.approx(0.07135, abs=5e-6), pytest.approx(0.40103, abs=5e-6))


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_exact_bounds_agree_with_scipy(case):
    count, n = case
    expected = stats.binomtest(count, n).proportion_ci(0.95, method="exact")
    low, high = metrics.clopper_pearson_bounds([count], [n])
    assert low[0] == pytest.approx(expected.low, abs=1e-9)
    assert high[0] == pytest.approx(expected.high, abs=1e-9)


def test_nothing_to_divide_by_stays_undefined():
    empty = metrics.recall_score([False, False], [True, False])
    assert (empty.n, empty.estimate, empty.low, empty.high) == (0, None, None, None)
    assert metrics.expected_calibration_error([], []) is None
    assert metrics.brier_loss([], []) is None
    assert metrics.auroc_score([True, True], [0.1, 0.2]).value is None
    assert metrics.risk_coverage_loss(metrics.risk_coverage([], [])) is None


@pytest.mark.parametrize(("count", "n", "confidence"), [(3, 2, 0.95), (-1, 2, 0.95), (1, 2, 1.0)])
def test_impossible_counts_are_refused(count, n, confidence):
    with pytest.raises(ValueError, match="wanted"):
        metrics.clopper_pearson(count, n, confidence)


def test_recall_precision_and_false_alarms_count_what_they_say():
    truth = [True, True, True, False, False]
    said = [True, True, False, True, False]
    assert metrics.recall_score(truth, said).estimate == pytest.approx(2 / 3)
    assert metrics.miss_loss(truth, said).estimate == pytest.approx(1 / 3)
    assert metrics.precision_score(truth, said).estimate == pytest.approx(2 / 3)
    assert metrics.false_alarm_loss(truth, said).estimate == 0.5
    assert metrics.false_alarm_loss(truth, said).n == 2


def test_confusion_rows_are_the_truth():
    table = metrics.confusion_counts(["a", "a", "b"], ["a", "b", "b"], ["a", "b"])
    assert table.tolist() == [[1, 1], [0, 1]]
    with pytest.raises(ValueError, match="outside"):
        metrics.confusion_counts(["c"], ["a"], ["a", "b"])


def test_calibration_bins_are_open_below_and_closed_above():
    """Guo et al. 2017 (arXiv 1706.04599), section 2: bin m is ((m - 1)/M, m/M]."""
    bins = metrics.reliability_bins([0.0, 0.5, 0.50001, 1.0], [False, True, True, True], bins=2)
    assert [b.observed.n for b in bins] == [2, 2]
    assert bins[0].observed.count == 1


def test_calibration_error_by_hand():
    """Guo et al. 2017, equation 3, two bins: |0.3 - 0.5| * 2/4 + |0.8 - 1| * 2/4 = 0.2."""
    error = metrics.expected_calibration_error([0.2, 0.4, 0.7, 0.9], [False, True, True, True], bins=2)
    assert error == pytest.approx(0.2)


@given(st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=60))
def test_calibration_error_agrees_with_its_own_bins(cases):
    probabilities, outcomes = zip(*cases, strict=True)
    bins = metrics.reliability_bins(probabilities, outcomes)
    slow = sum(
        b.observed.n / len(cases) * abs(b.observed.estimate - b.mean_probability)
        for b in bins
        if b.observed.n
    )
    assert metrics.expected_calibration_error(probabilities, outcomes) == pytest.approx(slow, abs=1e-9)


def test_a_calibrated_forecaster_has_a_small_error_and_an_overconfident_one_a_large():
    random = np.random.default_rng(1)
    probabilities = random.uniform(0, 1, 20_000)
    outcomes = random.uniform(0, 1, 20_000) < probabilities
    assert metrics.expected_calibration_error(probabilities, outcomes) < 0.02
    assert metrics.expected_calibration_error(np.sqrt(probabilities), outcomes) > 0.1


@given(st.lists(st.tuples(st.booleans(), st.integers(0, 8)), min_size=4, max_size=60))
def test_auroc_agrees_with_the_mann_whitney_statistic(cases):
    """Area = U / (m n), Hanley and McNeil 1982; SciPy's U counts ties half."""
    truth = np.array([t for t, _ in cases])
    scores = np.array([s for _, s in cases], float)
    found = metrics.auroc_score(truth, scores)
    if truth.all() or not truth.any():
        assert found.value is None
        return
    u = stats.mannwhitneyu(scores[truth], scores[~truth]).statistic
    assert found.value == pytest.approx(u / (truth.sum() * (~truth).sum()))


def test_auroc_interval_covers_the_true_area():
    """Two unit normals one apart have area Phi(1 / sqrt 2) = 0.760; 95 % of intervals should hold it."""
    random = np.random.default_rng(7)
    truth = np.repeat([True, False], 80)
    true_area = stats.norm.cdf(1 / np.sqrt(2))
    held = 0
    for _ in range(400):
        found = metrics.auroc_score(truth, np.concatenate([random.normal(1, 1, 80), random.normal(0, 1, 80)]))
        held += found.low <= true_area <= found.high
    assert 0.92 <= held / 400 <= 0.98


def test_a_perfect_area_claims_no_certainty():
    perfect = metrics.auroc_score([False, False, True, True], [1, 2, 3, 4])
    assert (perfect.value, perfect.low, perfect.high) == (1.0, None, None)


def test_risk_coverage_keeps_ties_together():
    curve = metrics.risk_coverage([0.9, 0.8, 0.8, 0.5], [False, True, False, True])
    assert curve.coverage.tolist() == [0.25, 0.75, 1.0]
    assert curve.risk == pytest.approx([0.0, 1 / 3, 0.5])
    assert metrics.risk_coverage_loss(curve) == pytest.approx(0.5 / 3 + 0.25 * 0.5)


def test_exact_mcnemar_on_published_counts():
    """Agresti 1990 p. 350 (approval ratings, discordant 150 and 86), and 11 against 3 (exact binomial)."""
    assert metrics.mcnemar_exact(150, 86) == pytest.approx(3.716e-5, rel=2e-4)
    assert metrics.mcnemar_exact(11, 3) == pytest.approx(0.0573730, abs=5e-8)
    assert metrics.mcnemar_exact(0, 0) == 1.0


@given(st.integers(0, 40), st.integers(0, 40))
def test_exact_mcnemar_agrees_with_scipys_binomial_test(first, second):
    expected = stats.binomtest(first, first + second).pvalue if first + second else 1.0
    assert metrics.mcnemar_exact(first, second) == pytest.approx(expected, rel=1e-9)


def test_discordant_pairs():
    assert metrics.discordant([True, True, False, False], [True, False, True, False]) == (1, 1)
