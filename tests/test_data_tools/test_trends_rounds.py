"""What comes back on the same unit, whether rounds were walked, and which couplers are overdue."""

import pandas as pd
import pytest

from data_tools import trends
from model.vocabulary import Place
from tests.test_data_tools.invented_trends import BROKEN, MELTED, MONDAY, Scene


def test_damage_that_returns_at_the_same_contact_points_upstream():
    scene = Scene()
    first, second = scene.coupler("u1"), scene.coupler("u1", number=2, installed="2025-02-10")
    scene.photo(first, 2, {MELTED}, by="ada", place=Place.LOWER_LEFT)
    scene.photo(second, 9, {MELTED}, by="ada", place=Place.LOWER_LEFT)
    other = scene.coupler("u2"), scene.coupler("u2", number=2)
    scene.photo(other[0], 2, {MELTED}, place=Place.LOWER_LEFT)
    scene.photo(other[1], 9, {MELTED}, place=Place.UPPER_LEFT)
    figure = trends.recurrence(scene.data())
    assert len(figure.table) == 1
    again = figure.table.iloc[0]
    assert (again["unit"], again["place"], again["first_coupler"], again["next_coupler"]) == (
        "u1",
        "lower_left",
        1,
        2,
    )
    assert again["days_after_installation"] == 28
    assert again["confirmed"]
    assert "wiring" in again["words"]
    assert "licensed electrician" in figure.notices[0]


def test_damage_comes_back_over_a_coupler_on_which_it_was_not_seen():
    scene = Scene()
    for number, kinds in ((1, {MELTED}), (2, ()), (3, {MELTED})):
        scene.photo(scene.coupler("u1", number=number), number, kinds)
    figure = trends.recurrence(scene.data())
    assert figure.table[["first_coupler", "next_coupler"]].values.tolist() == [[1, 3]]
    assert "the next on which the damage was seen (others may have hung there" in figure.counted


def test_a_recurrence_nobody_confirmed_says_so():
    scene = Scene()
    for number in (1, 2):
        scene.photo(scene.coupler("u1", number=number), number, {BROKEN})
    figure = trends.recurrence(scene.data())
    assert not figure.table["confirmed"].any()
    assert "not yet confirmed" in figure.notices[0]


def test_the_same_damage_on_the_same_coupler_is_no_recurrence():
    scene = Scene()
    coupler = scene.coupler("u1")
    for week in range(3):
        scene.photo(coupler, week, {MELTED})
    assert trends.recurrence(scene.data()).table.empty


def test_coverage_leaves_out_what_was_not_due():
    scene = Scene()
    walked, missed, broken = (scene.coupler(unit) for unit in ("u1", "u2", "u3"))
    for week in range(3):
        scene.photo(walked, week)
    scene.photo(missed, 0)
    scene.photo(missed, 1, refused=True)
    scene.photo(broken, 0)
    scene.event("u3", "out_of_service", 1)
    scene.event("u3", "returned_to_service", 2)
    table = trends.roster_coverage(scene.data()).table
    assert table["due"].tolist() == [3, 2, 3]
    assert table["covered"].tolist() == [3, 1, 1]
    assert table["unusable"].tolist() == [0, 1, 0]
    assert table["rate"].tolist() == pytest.approx([1, 1 / 2, 1 / 3])


def test_each_position_of_a_unit_is_due_and_a_replacement_is_not_a_second_one():
    scene = Scene()
    scene.photo(scene.coupler("u1"), 0)
    scene.coupler("u1", number=2)
    scene.coupler("u1", position="B")
    table = trends.roster_coverage(scene.data()).table
    assert (table["due"].tolist(), table["covered"].tolist()) == ([2], [1])


def test_overdue_couplers_with_the_longest_wait_first():
    scene = Scene()
    scene.photo(scene.coupler("fresh"), 3)
    late = scene.coupler("late")
    scene.photo(late, 1)
    scene.photo(late, 3, refused=True)
    scene.coupler("never")
    scene.coupler("off")
    scene.event("off", "out_of_service", 3)
    scene.coupler("shut", site="south")
    scene.units["shut"]["closed_at"] = (MONDAY + pd.Timedelta(weeks=2)).tz_localize("UTC")
    today = (MONDAY + pd.Timedelta(weeks=3, days=4)).tz_localize("UTC")
    table = trends.overdue_units(scene.data(), today).table
    assert table["unit"].tolist() == ["never", "late"]
    assert table["last_reason"].tolist() == ["", "too_dark"]
    assert table["days"].tolist() == [30, 17]


def test_what_was_overdue_on_a_past_day_does_not_change_afterwards():
    scene = Scene()
    scene.photo(scene.coupler("u1"), 0)
    back_since, then = scene.coupler("u2"), (MONDAY + pd.Timedelta(weeks=3)).tz_localize("UTC")
    scene.photo(back_since, 0)
    scene.event("u2", "out_of_service", 1)
    before = trends.overdue_units(scene.data(), then)
    assert before.table["unit"].tolist() == ["u1"]
    scene.photo(1, 4)
    scene.event("u1", "out_of_service", 5)
    scene.event("u2", "returned_to_service", 5)
    scene.coupler("later")
    scene.couplers[3]["put_on_at"] = then + pd.Timedelta(weeks=2)
    scene.units["u1"]["closed_at"] = then + pd.Timedelta(weeks=2)
    after = trends.overdue_units(scene.data(), then)
    pd.testing.assert_frame_equal(after.table, before.table)
    assert (before.n, after.n) == (1, 1)


def test_closing_a_site_keeps_what_it_owed_until_then():
    scene = Scene()
    for unit, site in (("u1", "north"), ("u2", "south")):
        coupler = scene.coupler(unit, site)
        for week in (0, 2):
            scene.photo(coupler, week)
    today = (MONDAY + pd.Timedelta(weeks=5, days=2)).tz_localize("UTC")
    open_still = trends.roster_coverage(scene.data(), today).table
    scene.units["u2"]["closed_at"] = (MONDAY + pd.Timedelta(weeks=3, days=1)).tz_localize("UTC")
    table = trends.roster_coverage(scene.data(), today).table
    until = MONDAY + pd.Timedelta(weeks=3)
    kept = open_still[(open_still["site"] == "north") | (open_still["week"] < until)]
    pd.testing.assert_frame_equal(table, kept.reset_index(drop=True))
    assert table.loc[table["site"] == "south", ["due", "covered"]].sum().tolist() == [3, 2]


def test_a_monday_that_has_begun_at_a_site_is_in_the_last_weeks():
    """Monday 10:00 in Auckland is Sunday 21:00 UTC."""
    scene = Scene()
    coupler = scene.coupler("u1")
    photos = [scene.photo(coupler, week) for week in (0, 1, 13, 14)]
    sunday = (MONDAY + pd.Timedelta(weeks=13, days=6, hours=21)).tz_localize("UTC")
    shown = trends.last_weeks(scene.data(), 13, sunday)
    assert shown.photos["photo_id"].tolist() == photos[1:]
