"""Control charts of sites: bursts are flagged in their week, and chance alone rarely is."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from data_tools import trends
from tests.test_data_tools.invented_trends import BROKEN, MONDAY, Scene


def burst(weekly: list[int], units: int = 40) -> Scene:
    """A site in which ``weekly[w]`` more couplers break in week w + 1."""
    scene = Scene()
    ends = [week + 1 for week, count in enumerate(weekly) for _ in range(count)]
    for unit in range(units):
        coupler = scene.coupler(f"u{unit}")
        for week in range(len(weekly) + 1):
            scene.photo(coupler, week, {BROKEN} if unit < len(ends) and week >= ends[unit] else ())
    return scene


def test_a_burst_of_damage_is_flagged_in_its_week():
    figure = trends.site_over_weeks(burst([0, 1, 0, 0, 1, 0, 0, 0, 8, 0, 0, 0, 1, 0]).data(), "north")
    flagged = figure.table[figure.table["flagged"]]
    assert flagged["week"].tolist() == [MONDAY + pd.Timedelta(weeks=9)]
    assert flagged["new"].tolist() == [8]
    assert len(figure.notices) == 1
    assert "2025-03-10" in figure.notices[0]


def test_a_chart_needs_enough_weeks():
    figure = trends.site_over_weeks(burst([0, 3, 0]).data(), "north")
    assert not figure.enough
    assert "12 needed" in figure.not_enough
    assert "flagged" not in figure.table


def test_weeks_without_photos_stay_visible_as_gaps():
    scene = burst([0] * 14)
    scene.photos = [p for p in scene.photos if p["week"] != MONDAY + pd.Timedelta(weeks=5)]
    table = trends.site_over_weeks(scene.data(), "north").table
    assert table["n"].tolist().count(0) == 1
    assert table["rate"].isna().sum() == 1


def test_charts_of_chance_alone_rarely_flag():
    """A dozen couplers at a constant rate: the exact condition holds false flags near 0.00135 a point."""
    random = np.random.default_rng(11)
    flags = points = 0
    for rate in (0.005, 0.02, 0.05):
        for _ in range(400):
            n = np.full(26, 12)
            count = random.binomial(n, rate)
            chart = trends.charts.laney_p_chart(count, n)
            flags += int(trends.charts.beyond_chance(count, n, chart)[1].sum())
            points += 26
    assert flags / points < 0.002


def test_a_site_worse_than_the_others_is_flagged():
    scene = Scene()
    random = np.random.default_rng(5)
    for site, rate in (("east", 0.002), ("north", 0.002), ("west", 0.04)):
        for unit in range(50):
            coupler = scene.coupler(f"{site}{unit}", site)
            broken = False
            for week in range(20):
                broken |= bool(week and random.uniform() < rate)
                scene.photo(coupler, week, {BROKEN} if broken else ())
    figure = trends.sites_compared(scene.data())
    assert figure.table.set_index("site")["flagged"].to_dict() == {
        "east": False,
        "north": False,
        "west": True,
    }
    assert figure.notices[0].startswith("At west:")


def test_sites_alike_are_rarely_flagged():
    """Exact condition: at most 0.00135 a site, so at most about 2 of 1,500."""
    random = np.random.default_rng(6)
    flags = 0
    for _ in range(500):
        n = random.integers(60, 400, 3)
        counts = pd.DataFrame({"site": list("abc"), "new": random.binomial(n, 0.01), "n": n})
        flags += int(trends.charts._against_the_others(counts, np.ones(3, bool))["flagged"].sum())
    assert flags <= 2


def test_the_comparison_of_sites_is_fishers_exact_test():
    counts = pd.DataFrame({"site": ["a", "b"], "new": [9, 3], "n": [100, 250]})
    found = trends.charts._against_the_others(counts, np.ones(2, bool))
    expected = stats.fisher_exact([[9, 91], [3, 247]], alternative="greater").pvalue
    assert found["p_value"].iloc[0] == pytest.approx(expected)
    assert found["centre"].tolist() == pytest.approx([3 / 250, 9 / 100])


def test_one_site_cannot_be_compared():
    assert not trends.sites_compared(burst([0] * 14).data()).enough
