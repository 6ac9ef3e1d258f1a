"""Every statistic against published values; the source stands beside each check."""

import numpy as np
import pytest
from lifelines.datasets import load_leukemia
from lifelines.statistics import multivariate_logrank_test
from statsmodels.duration.survfunc import SurvfuncRight

from data_tools import statistics
from data_tools.statistics import Rule

# Nonconforming cans in 30 samples of 50: Montgomery, Introduction to Statistical Quality Control, frozen
# orange juice concentrate cans. Typed in from memory; their sum, limits and out-of-control samples, and the
# order through Laney's sigma_z, agree with the published figures tested below.
ORANGE_JUICE = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22]
ORANGE_JUICE += [8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]
# Nonconformities in 20 samples of 5 personal computers: same book, typed in from memory, sum agrees (193).
COMPUTERS = [10, 12, 8, 14, 10, 16, 11, 7, 10, 15, 9, 5, 7, 11, 12, 6, 8, 10, 7, 5]
# Nonconformities in 26 samples of circuit boards: same book, typed in from memory, sum agrees (516).
BOARDS = [
    21,
    24,
    16,
    12,
    15,
    5,
    28,
    20,
    31,
    25,
    20,
    24,
    16,
    19,
    10,
    17,
    13,
    22,
    18,
    39,
    30,
    24,
    16,
    19,
    17,
    15,
]


@pytest.mark.parametrize(
    ("count", "n", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_score_interval_on_newcombes_counts(count, n, low, high):
    """Newcombe 1998, Statistics in Medicine 17:857, method 3 (score, no continuity correction)."""
    found = statistics.wilson(count, n)
    assert found.low == pytest.approx(low, abs=5e-5)
    assert found.high == pytest.approx(high, abs=5e-5)


def test_score_interval_of_nothing_is_undefined():
    assert statistics.wilson(0, 0).estimate is None


@pytest.mark.parametrize(("sensitivity", "needed"), [(0.90, 29), (0.95, 59), (0.99, 299)])
def test_cases_without_a_miss_that_are_needed(sensitivity, needed):
    """Exact binomial: 0.95 confidence; the rule of three is its large-n form (Eypasch 1995, BMJ 311:619)."""
    assert statistics.zero_failures_needed(1 - sensitivity) == needed
    assert sensitivity**needed <= 0.05 < sensitivity ** (needed - 1)


@pytest.mark.parametrize(
    ("n", "rule", "exact"), [(30, 0.100, 0.0950), (100, 0.030, 0.0295), (300, 0.010, 0.00994)]
)
def test_rule_of_three_and_its_exact_bound(n, rule, exact):
    """Eypasch, Lefering, Kum and Troidl 1995, BMJ 311:619."""
    assert statistics.rule_of_three(n) == pytest.approx(rule)
    assert statistics.upper_bound(0, n) == pytest.approx(exact, abs=5e-5 if n < 300 else 5e-6)


def test_one_sided_bound_of_nothing_is_undefined():
    assert statistics.upper_bound(0, 0) is None


def test_kappa():
    """statsmodels and the statpsych documentation: table 31, 12, 4, 58."""
    found = statistics.kappa([[31, 12], [4, 58]])
    assert found.value == pytest.approx(0.6756757, abs=5e-8)
    assert found.standard_error == pytest.approx(0.0734476, abs=5e-8)
    assert found.low == pytest.approx(0.53172, abs=5e-6)
    assert found.high == pytest.approx(0.81963, abs=5e-6)
    assert (found.n, found.observed) == (105, pytest.approx(89 / 105))


def test_kappa_of_one_label_only_is_undefined():
    found = statistics.kappa_of_pairs(["intact"] * 5, ["intact"] * 5, ["intact", "melted"])
    assert (found.value, found.observed, found.n) == (None, 1.0, 5)
    assert statistics.kappa([[0, 0], [0, 0]]).observed is None


def test_kappa_against_a_reader_of_one_label_is_zero_without_an_interval():
    """Expected and observed agreement are then the same sum, so that kappa is 0 (Cohen 1960, formula 1)."""
    found = statistics.kappa([[0, 6], [0, 60]])
    assert (found.value, found.low, found.high, found.standard_error) == (0.0, None, None, None)
    assert found.observed == pytest.approx(60 / 66)


def test_mcnemar():
    """Agresti 1990, Categorical Data Analysis, p. 350: approval ratings 794, 150, 86, 570."""
    found = statistics.mcnemar([[794, 150], [86, 570]])
    assert found.statistic == pytest.approx(17.356, abs=5e-4)
    assert found.statistic_corrected == pytest.approx(16.818, abs=5e-4)
    assert found.p_exact == pytest.approx(3.716e-5, rel=2e-4)
    assert found.n == 1600


def test_mcnemar_without_a_discordant_pair():
    found = statistics.mcnemar([[5, 0], [0, 7]])
    assert (found.p_exact, found.statistic, found.p) == (1.0, None, None)


def test_p_chart():
    """Montgomery, orange juice cans: mean .23133, limits .05243 and .41024, samples 15 and 23 out."""
    assert sum(ORANGE_JUICE) == 347
    chart = statistics.p_chart(ORANGE_JUICE, 50)
    assert chart.centre == pytest.approx(0.23133, abs=5e-6)
    assert chart.lower[0] == pytest.approx(0.05243, abs=5e-6)
    assert chart.upper[0] == pytest.approx(0.41024, abs=5e-6)
    assert [position + 1 for position in chart.out] == [15, 23]
    assert chart.n == 1500


def test_p_chart_after_removing_the_explained_samples():
    """Same source: without samples 15 and 23 the mean is .2150, limits .04070 and .38930."""
    kept = [c for number, c in enumerate(ORANGE_JUICE, 1) if number not in (15, 23)]
    chart = statistics.p_chart(kept, 50)
    assert chart.centre == pytest.approx(0.2150, abs=5e-6)
    assert chart.lower[0] == pytest.approx(0.04070, abs=5e-6)
    assert chart.upper[0] == pytest.approx(0.38930, abs=5e-6)


def test_laney_chart():
    """Laney 2002, Quality Engineering 14:531: mean moving range of z over 1.128 gives 1.661 on this data."""
    chart = statistics.laney_p_chart(ORANGE_JUICE, 50)
    assert chart.sigma_z == pytest.approx(1.661, abs=5e-4)
    half = chart.upper[0] - chart.centre
    assert half == pytest.approx(1.661 * (0.41024 - 0.23133), abs=2e-4)


def test_laney_chart_is_the_p_chart_where_nothing_varies_more():
    plain, laney = statistics.p_chart([0, 0, 0], [5, 6, 7]), statistics.laney_p_chart([0, 0, 0], [5, 6, 7])
    assert laney.sigma_z == 1.0
    assert laney.upper == pytest.approx(plain.upper)


def test_u_chart():
    """Montgomery, personal computers: 193 in 20 samples of 5, mean 1.93, limits .066 and 3.794."""
    assert sum(COMPUTERS) == 193
    chart = statistics.u_chart(COMPUTERS, 5)
    assert chart.centre == pytest.approx(1.93)
    assert chart.lower[0] == pytest.approx(0.066, abs=5e-4)
    assert chart.upper[0] == pytest.approx(3.794, abs=5e-4)
    assert chart.out == ()


def test_c_chart():
    """Montgomery, circuit boards: mean 19.846, limits 6.481 and 33.211, samples 6 and 20 out."""
    assert sum(BOARDS) == 516
    chart = statistics.c_chart(BOARDS)
    assert chart.centre == pytest.approx(19.846, abs=5e-4)
    assert chart.lower[0] == pytest.approx(6.481, abs=5e-4)
    assert chart.upper[0] == pytest.approx(33.211, abs=5e-4)
    assert [position + 1 for position in chart.out] == [6, 20]


def test_run_rules_signal_what_their_words_say():
    """Western Electric Handbook 1956, zone rules; shares of 100 around 0.5 have sigma 0.05."""
    counts = [50] * 20 + [42] * 8 + [58] * 8
    chart = statistics.p_chart(counts, 100, rules=set(Rule))
    assert chart.centre == pytest.approx(0.5)
    assert chart.signals[Rule.RUN_OF_EIGHT] == (27, 35)
    assert chart.signals[Rule.BEYOND_LIMITS] == ()
    assert 23 in chart.signals[Rule.FOUR_OF_FIVE]
    two_of_three = statistics.p_chart([50] * 10 + [61, 50, 61, 39, 50, 39], 100, rules={Rule.TWO_OF_THREE})
    assert two_of_three.out == (12, 15)


def test_weeks_without_photos_are_passed_over():
    chart = statistics.p_chart([1, 0, 2], [10, 0, 10])
    assert np.isnan(chart.values[1])
    assert chart.centre == pytest.approx(0.15)
    with pytest.raises(ValueError, match="nothing|none"):
        statistics.p_chart([0], [0])


@pytest.fixture(scope="module")
def leukaemia():
    """Freireich 1963 as shipped with lifelines; Rx 0 is the 6-MP arm, 1 placebo."""
    return load_leukemia()


def test_kaplan_meier(leukaemia):
    """Freireich 1963, 6-MP arm: 21 patients, 9 relapses; medians 23 and 8 weeks."""
    treated, placebo = (leukaemia[leukaemia["Rx"] == arm] for arm in (0, 1))
    curve = statistics.kaplan_meier(treated["t"], treated["status"])
    assert curve.times.tolist() == [6, 7, 10, 13, 16, 22, 23]
    expected = [0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482]
    assert curve.survival == pytest.approx(expected, abs=5e-5)
    assert (curve.median, curve.n, curve.events) == (23, 21, 9)
    assert np.all((curve.low <= curve.survival) & (curve.survival <= curve.high))
    assert statistics.kaplan_meier(placebo["t"], placebo["status"]).median == 8


def test_kaplan_meier_without_an_event_claims_nothing():
    curve = statistics.kaplan_meier([1, 2, 3], [False, False, False])
    assert (curve.median, curve.times.size, curve.n) == (None, 0, 3)
    with pytest.raises(ValueError, match="none"):
        statistics.kaplan_meier([], [])


def test_log_rank_and_wilcoxon(leukaemia):
    """Kleinbaum and Klein 2012, Survival Analysis: 16.793 (p 4.169e-5), Wilcoxon 13.458."""
    arms = leukaemia["Rx"].astype(str).tolist()
    found = statistics.log_rank(leukaemia["t"], leukaemia["status"], arms)
    assert found.statistic == pytest.approx(16.79294, abs=5e-6)
    assert found.p == pytest.approx(4.169e-5, rel=2e-4)
    assert (found.degrees_of_freedom, found.groups) == (1, {"0": 21, "1": 21})
    assert str(found).startswith("chi-square 16.79 with 1 degree of freedom, p = 4.2e-05 (42 in 2 groups")
    weighted = statistics.gehan_wilcoxon(leukaemia["t"], leukaemia["status"], arms)
    assert weighted.statistic == pytest.approx(13.457852, abs=5e-7)


def test_one_group_cannot_be_compared():
    found = statistics.log_rank([1, 2, 3], [True, True, False], ["a", "a", "a"])
    assert (found.statistic, found.p) == (None, None)
    assert str(found) == "nothing to compare (3 in 1 groups, 2 events)"


def test_three_groups_agree_with_lifelines():
    """The same chi-square from another library, on random durations in three groups."""
    random = np.random.default_rng(3)
    durations, happened = random.exponential(10, 90).round(1), random.uniform(size=90) < 0.7
    groups = random.choice(["a", "b", "c"], 90)
    expected = multivariate_logrank_test(durations, groups, happened)
    found = statistics.log_rank(durations, happened, groups.tolist())
    assert found.statistic == pytest.approx(expected.test_statistic)
    assert found.p == pytest.approx(expected.p_value)
    assert found.degrees_of_freedom == 2


def test_delayed_entry_agrees_with_statsmodels():
    """Risk sets (entry, exit], as in statsmodels' estimator; with ties between entries and events."""
    durations, happened, entry = [5, 5, 8, 9, 12], [1, 0, 1, 0, 1], [0, 0, 5, 2, 8]
    expected = SurvfuncRight(durations, happened, entry=np.asarray(entry))
    found = statistics.kaplan_meier(durations, happened, entry)
    assert found.times.tolist() == expected.surv_times.tolist()
    assert found.survival == pytest.approx(expected.surv_prob)
    assert found.at_risk.tolist() == expected.n_risk.tolist()
    with pytest.raises(ValueError, match="entry"):
        statistics.kaplan_meier([5], [True], [6])
