"""Damage rates on small invented scenes whose answers are known; too little data gives words."""

import pandas as pd
import pytest
from scipy import stats

from data_tools import trends
from data_tools.trends import By
from model.vocabulary import Place, Triage
from tests.test_data_tools.invented_trends import BROKEN, LATCH, MELTED, MONDAY, Scene, row, two_sites


def test_a_damaged_coupler_counts_once_however_often_it_is_photographed():
    figure = trends.damage_rate(two_sites(10).data(), By.SITE)
    south = row(figure, group="south")
    assert (south["damaged"], south["n"], south["rate"]) == (3, 12, 0.25)
    exact = stats.binomtest(3, 12).proportion_ci(method="exact")
    assert (south["low"], south["high"]) == (pytest.approx(exact.low), pytest.approx(exact.high))
    assert row(figure, group="north")["damaged"] == 0


def test_rates_by_part_number_family_and_kind():
    data = two_sites().data()
    assert row(trends.damage_rate(data, By.PART_NUMBER), group="PN-9")["damaged"] == 3
    assert row(trends.damage_rate(data, By.FAMILY), group="type1")["n"] == 24
    assert trends.damage_rate(data, By.SITE, LATCH).table["damaged"].sum() == 0
    assert trends.damage_rate(data, By.SITE, MELTED).table["damaged"].sum() == 3


def test_rate_by_week_is_the_share_that_shows_damage_that_week():
    table = trends.damage_rate(two_sites(4).data(), By.WEEK).table
    assert table["damaged"].tolist() == [3, 3, 3, 3]
    assert table["n"].tolist() == [24, 24, 24, 24]


def test_rate_by_age_counts_first_damage_in_coupler_weeks_at_risk():
    scene = Scene()
    for unit in range(20):
        coupler = scene.coupler(f"u{unit}", installed="2024-12-30")
        for week in range(6):
            scene.photo(coupler, week, {BROKEN} if unit < 2 and week >= 3 else ())
    young = row(trends.damage_rate(scene.data(), By.AGE), group="under 3 months")
    assert young["damaged"] == 2
    assert young["n"] == 18 * 5 + 2 * 3


def test_confirmed_damage_is_told_apart_from_the_models_word():
    scene = two_sites()
    coupler = scene.coupler("north-x", "north")
    scene.photo(coupler, 0, {BROKEN}, by="ada")
    table = trends.damage_rate(scene.data(), By.SITE).table.set_index("group")
    assert table["confirmed"].to_dict() == {"north": 1, "south": 0}


def test_rate_by_place_divides_by_the_couplers_that_have_the_place():
    scene = Scene()
    for unit in range(11):
        scene.photo(scene.coupler(f"one{unit}"), 0, {MELTED} if unit == 0 else (), place=Place.BOTTOM)
        scene.photo(scene.coupler(f"two{unit}", family="type2"), 0)
    figure = trends.damage_rate(scene.data(), By.PLACE)
    bottom = row(figure, group="bottom", kind="heat_melted_housing")
    assert (bottom["damaged"], bottom["n"]) == (1, 11)
    assert row(figure, group="upper_left", kind="broken_pin_housing")["n"] == 22
    assert row(figure, group="latch", kind="missing_latch")["n"] == 11
    assert not ((figure.table["group"] == "latch") & (figure.table["kind"] != "missing_latch")).any()


def test_too_few_couplers_give_words_instead_of_a_rate():
    scene = Scene()
    for unit in range(7):
        scene.photo(scene.coupler(f"u{unit}"), 0, {BROKEN})
    figure = trends.damage_rate(scene.data(), By.SITE)
    assert figure.not_enough == "Not enough yet: 7 couplers in the largest group, 10 needed (3 more)."
    assert figure.table[["rate", "low", "high"]].isna().all(axis=None)
    assert figure.table["needed"].tolist() == [3]


def test_an_open_question_and_a_refused_photo_are_not_seen():
    scene = two_sites()
    coupler = scene.coupler("north-y", "north")
    scene.photo(coupler, 0, {BROKEN}, triage=Triage.UNSURE)
    scene.photo(coupler, 1, refused=True)
    assert row(trends.damage_rate(scene.data(), By.SITE), group="north")["n"] == 12


def test_an_empty_store_gives_words_for_every_figure():
    scene = Scene()
    scene.photo(scene.coupler("u1"), 0)
    data = scene.data()
    empty = trends.TrendData(
        data.photos.head(0),
        data.findings,
        data.decisions,
        data.couplers,
        data.units,
        data.events,
        data.observations,
    )
    figures = [
        *(trends.damage_rate(empty, by) for by in By),
        trends.site_over_weeks(empty, "north"),
        trends.sites_compared(empty),
        trends.time_to_first_damage(empty),
        trends.roster_coverage(empty),
        trends.technician_and_model(empty),
        trends.technicians(empty),
        trends.miss_rate(empty),
        trends.weekly_watch(empty),
    ]
    assert all(figure.not_enough for figure in figures)
    assert trends.recurrence(empty).table.empty
    assert len(trends.overdue_units(empty, pd.Timestamp("2025-02-01", tz="UTC")).table) == 1


def test_a_period_can_be_cut_out():
    data = two_sites(4).data()
    cut = trends.between(data, MONDAY + pd.Timedelta(weeks=1), MONDAY + pd.Timedelta(weeks=3))
    assert cut.photos["week"].nunique() == 2
    assert set(cut.findings["photo_id"]) <= set(cut.photos["photo_id"])
