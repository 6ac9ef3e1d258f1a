"""What needs the lead now: recent and urgent things in sentences, and nothing that is long past."""

import pandas as pd

from data_tools import trends
from data_tools.trends import Topic, attention
from model.vocabulary import Place
from tests.test_data_tools.invented_trends import LATCH, MELTED, MONDAY, Scene
from tests.test_data_tools.test_trends_charts import burst


def after(weeks: float) -> pd.Timestamp:
    """Return a moment so many weeks after the first Monday."""
    return (MONDAY + pd.Timedelta(weeks=weeks)).tz_localize("UTC")


def topics(scene: Scene, at: pd.Timestamp) -> list[Topic]:
    """Return the topics of what needs somebody."""
    return [notice.topic for notice in attention(scene.data(), at)]


def test_a_burst_is_told_while_it_is_news_and_no_longer():
    scene = burst([0, 1, 0, 0, 1, 0, 0, 0, 8, 0, 0, 0, 1, 0])
    assert Topic.SITES in topics(scene, after(10.5))
    assert Topic.SITES not in topics(scene, after(15))


def test_damage_that_came_back_is_told_for_half_a_year():
    scene = Scene()
    first, second = scene.coupler("u1"), scene.coupler("u1", number=2, installed="2025-02-03")
    scene.photo(first, 0, {MELTED}, by="ada", place=Place.BOTTOM)
    scene.photo(second, 8, {MELTED}, by="ada", place=Place.BOTTOM)
    (notice, *_) = attention(scene.data(), after(9))
    assert notice.topic is Topic.COMES_BACK
    assert "wiring or terminals upstream" in notice.words
    assert Topic.COMES_BACK not in topics(scene, after(8 + 27))


def test_a_miss_of_the_blind_audit_comes_before_what_only_takes_longer():
    scene = Scene()
    for unit in range(70):
        found = {LATCH} if unit == 0 else ()
        scene.photo(scene.coupler(f"u{unit}"), 0, found, model=(), by="ada", audit=True)
    told = attention(scene.data(), after(2))
    assert [notice.topic for notice in told] == [Topic.TRUST, Topic.ROUNDS]
    assert "1 of 70 audited clear verdicts hid damage" in told[0].words
    assert told[1].words.startswith("70 couplers of units in service had no photo")


def test_a_quiet_week_needs_nobody():
    scene = Scene()
    for unit in range(12):
        coupler = scene.coupler(f"u{unit}")
        for week in range(3):
            scene.photo(coupler, week)
    assert attention(scene.data(), after(2.5)) == ()


def test_notices_of_weeks_are_one_for_each_flagged_row():
    scene = burst([0, 1, 0, 0, 1, 0, 0, 0, 8, 0, 0, 0, 1, 0])
    for figure in (trends.site_over_weeks(scene.data(), "north"), trends.weekly_watch(scene.data())):
        assert len(figure.notices) == int(figure.table["flagged"].sum())
