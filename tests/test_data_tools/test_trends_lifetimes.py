"""Time to first damage: the plain curve for couplers followed from new, corrected for those seen late."""

import numpy as np
import pandas as pd
import pytest

from data_tools import trends
from data_tools.statistics import GroupTest, kaplan_meier
from data_tools.trends import lifetimes
from tests.test_data_tools.invented_trends import BROKEN, LATCH, MONDAY, Scene


def followed(lifetimes: np.ndarray, entry: np.ndarray, end: int, part: str, scene: Scene) -> None:
    """Couplers with these lifetimes (weeks of age), photographed from ``entry`` weeks of age on."""
    for life, start in zip(lifetimes, entry, strict=True):
        installed = MONDAY - pd.Timedelta(weeks=int(start))
        coupler = scene.coupler(f"{part}-{len(scene.couplers)}", part=part, installed=f"{installed:%Y-%m-%d}")
        for week in range(end):
            scene.photo(coupler, week, {LATCH} if start + week >= life else ())


def test_couplers_followed_from_new_give_the_plain_kaplan_meier_curve():
    random = np.random.default_rng(2)
    life = random.integers(1, 30, 25)
    scene = Scene()
    followed(life, np.zeros(25), 20, "PN-1", scene)
    figure = trends.time_to_first_damage(scene.data())
    seen = np.minimum(life, 19)
    plain = kaplan_meier(seen * 7, life <= 19)
    drawn = figure.table.iloc[1:]
    kept = int((drawn["age_days"].isin(plain.times)).sum())
    assert drawn["age_days"].iloc[-1] == figure.groups["to_age_days"].iloc[0]
    drawn = drawn.head(kept)
    assert kept >= 5
    assert drawn["age_days"].tolist() == plain.times[:kept].tolist()
    assert drawn["share"].tolist() == pytest.approx(plain.survival[:kept].tolist())
    assert drawn["low"].tolist() == pytest.approx(plain.low[:kept].tolist())


def test_couplers_first_seen_late_do_not_flatter_the_curve():
    """Exponential lifetimes of mean 40 weeks, seen from a random age on: only survivors are seen at all.

    Truth: exp(-(age - start) / 40) of those undamaged at the start of the curve.
    """
    random = np.random.default_rng(8)
    scene = Scene()
    life, entry = random.exponential(40, 400), random.integers(0, 40, 400).astype(float)
    alive = life > entry
    followed(np.ceil(life[alive]), entry[alive], 20, "PN-1", scene)
    figure = trends.time_to_first_damage(scene.data())
    start = figure.groups["from_age_days"].iloc[0]
    later = figure.table[figure.table["age_days"] >= start + 140].iloc[0]
    truth = np.exp(-(later["age_days"] - start) / (7 * 40))
    assert later["low"] <= truth <= later["high"]
    assert later["share"] == pytest.approx(truth, abs=0.06)


def test_a_part_number_that_breaks_early_is_told_from_the_other():
    random = np.random.default_rng(4)
    scene = Scene()
    followed(random.integers(2, 12, 15), np.zeros(15), 24, "PN-bad", scene)
    followed(random.integers(15, 60, 15), np.zeros(15), 24, "PN-good", scene)
    figure = trends.time_to_first_damage(scene.data())
    assert figure.test is not None
    assert figure.test.p < 0.001
    assert "log-rank" in figure.notices[0]
    medians = figure.groups.set_index("group")["median_days"]
    assert medians["PN-bad"] < 84


def test_a_coupler_damaged_on_its_first_photo_is_not_followed():
    scene = Scene()
    scene.photo(scene.coupler("u"), 0, {BROKEN})
    lives = trends.coupler_lifetimes(scene.data())
    assert lives["followed"].tolist() == [False]
    figure = trends.time_to_first_damage(scene.data())
    assert figure.not_enough == (
        "Not enough yet: 0 followed couplers in the largest part number, 10 needed (10 more)."
    )
    assert figure.table.empty


def test_a_group_without_damage_is_compared_and_drawn_flat_without_a_band():
    random = np.random.default_rng(9)
    scene = Scene()
    followed(random.integers(3, 15, 12), np.zeros(12), 24, "PN-bad", scene)
    followed(np.full(12, 99), np.zeros(12), 24, "PN-good", scene)
    figure = trends.time_to_first_damage(scene.data())
    assert figure.test.p < 0.001
    flat = figure.table[figure.table["group"] == "PN-good"]
    assert flat["share"].tolist() == [1.0, 1.0]
    assert flat["low"].isna().all()
    assert np.isnan(figure.groups.set_index("group").loc["PN-good", "median_days"])


def test_no_damage_at_all_is_too_little():
    scene = Scene()
    followed(np.full(12, 99), np.zeros(12), 24, "PN-good", scene)
    figure = trends.time_to_first_damage(scene.data())
    assert figure.not_enough == "Not enough yet: 0 first damages among them, 3 needed (3 more)."


def test_the_curve_covers_the_ages_with_the_most_coupler_days():
    """Six couplers seen young for three weeks, and twenty seen from week 30 on: the latter make the curve."""
    random = np.random.default_rng(10)
    scene = Scene()
    followed(np.full(6, 99), np.zeros(6), 3, "PN-1", scene)
    followed(random.integers(31, 50, 20), np.full(20, 30), 15, "PN-1", scene)
    groups = trends.time_to_first_damage(scene.data()).groups
    assert groups[["n", "from_age_days"]].iloc[0].tolist() == [20, 210]


@pytest.mark.parametrize(
    ("p", "told"),
    [(0.0496, "p < 0.05"), (0.0494, "p 0.049"), (0.031, "p 0.031"), (0.00004, "p < 0.001")],
)
def test_a_p_beside_the_line_is_never_rounded_onto_it(
    p: float, told: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    random = np.random.default_rng(4)
    scene = Scene()
    followed(random.integers(2, 12, 15), np.zeros(15), 24, "PN-bad", scene)
    followed(random.integers(12, 24, 15), np.zeros(15), 24, "PN-good", scene)
    test = GroupTest(4.0, p, 1, {"PN-bad": 15, "PN-good": 15}, 30, 30)
    monkeypatch.setattr(lifetimes, "log_rank", lambda *_: test)
    (notice,) = trends.time_to_first_damage(scene.data(), by="part_number").notices
    assert f"(log-rank {told}, 30 couplers" in notice
