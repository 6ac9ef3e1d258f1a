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
    scene.units["off"]["out_of_service"] = True
    today = (MONDAY + pd.Timedelta(weeks=3, days=4)).tz_localize("UTC")
    table = trends.overdue_units(scene.data(), today).table
    assert table["unit"].tolist() == ["never", "late"]
    assert table["last_reason"].tolist() == ["", "too_dark"]
    assert table["days"].tolist() == [30, 17]
