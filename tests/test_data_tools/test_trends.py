"""Trends on small invented scenes whose answers are known, and their error rates on chance alone."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from data_tools import trends
from data_tools.statistics import kaplan_meier
from data_tools.trends import By
from model.vocabulary import FindingKind, Place, Triage
from tests.test_data_tools.invented_trends import BROKEN, LATCH, MELTED, MONDAY, Scene


def row(figure: trends.Figure, **where: object) -> pd.Series:
    """The one row of the figure's table with these values."""
    table = figure.table
    for column, value in where.items():
        table = table[table[column] == value]
    assert len(table) == 1, table
    return table.iloc[0]


def two_sites(weeks: int = 4) -> Scene:
    """Twelve couplers at each of two sites; three at ``south`` are melted in every week."""
    scene = Scene()
    for site in ("north", "south"):
        for unit in range(12):
            coupler = scene.coupler(f"{site}-{unit}", site, part="PN-9" if unit < 6 else "PN-1")
            for week in range(weeks):
                scene.photo(coupler, week, {MELTED} if site == "south" and unit < 3 else ())
    return scene


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
    assert figure.notices[0].startswith("west:")


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
    kept = len(drawn)
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
    assert "10 followed couplers with 3 damages" in figure.not_enough
    assert figure.table.empty


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


def decided(table: list[list[int]], by_second: str | None = None) -> Scene:
    """Photos whose two readings (first: damaged or not, second likewise) have these counts."""
    scene = Scene()
    coupler = scene.coupler("u1")
    for first, counts in zip(({MELTED}, set()), table, strict=True):
        for second, count in zip(({MELTED}, set()), counts, strict=True):
            for _ in range(count):
                if by_second is None:
                    scene.photo(coupler, 0, first, model=second, by="ada")
                else:
                    scene.decision(scene.photo(coupler, 0, first, by="ada"), by_second, second)
    return scene


def test_agreement_with_the_model_is_the_published_kappa():
    """Table 31, 12, 4, 58: kappa .6756757, interval .53172 to .81963 (statpsych documentation)."""
    figure = trends.technician_and_model(decided([[31, 12], [4, 58]]).data())
    for about in ("label", "any damage", "heat_melted_housing"):
        found = row(figure, about=about)
        assert found["kappa"] == pytest.approx(0.6756757, abs=5e-8)
        assert (found["low"], found["high"]) == (
            pytest.approx(0.53172, abs=5e-6),
            pytest.approx(0.81963, abs=5e-6),
        )
        assert found["n"] == 105
    assert np.isnan(row(figure, about="missing_latch")["kappa"])


def test_agreement_between_technicians_is_the_published_kappa():
    figure = trends.technicians(decided([[31, 12], [4, 58]], by_second="bo").data())
    assert row(figure, about="ada and bo")["kappa"] == pytest.approx(0.6756757, abs=5e-8)
    assert figure.n == 105


def test_agreement_needs_enough_photos():
    assert "20 needed" in trends.technician_and_model(decided([[2, 1], [1, 2]]).data()).not_enough
    few = trends.technicians(decided([[2, 1], [1, 2]], by_second="bo").data())
    assert few.not_enough == "Not enough yet: 6 photos decided by the same two people, 20 needed (14 more)."
    assert few.table["kappa"].isna().all()


def audited(clean: int, missed: int) -> Scene:
    scene = Scene()
    coupler = scene.coupler("u1")
    for number in range(clean + missed):
        scene.photo(coupler, 0, {MELTED} if number < missed else (), model=(), by="ada", audit=True)
    for _ in range(100):
        scene.photo(coupler, 1)
    return scene


def test_59_audits_without_a_miss_bound_the_rate_at_five_percent():
    """Exact binomial: 59 zero-failure cases show below 5 % with 95 % confidence."""
    found = row(trends.miss_rate(audited(59, 0).data()), about="any damage")
    assert (found["missed"], found["n"], found["rate"]) == (0, 59, 0)
    assert 0.0490 < found["at_most"] < 0.05
    assert (found["clear"], found["hidden_at_most"]) == (159, 7)


def test_misses_in_the_audit_are_counted_by_kind():
    figure = trends.miss_rate(audited(58, 2).data())
    assert row(figure, about=FindingKind.HEAT_MELTED_HOUSING.value)["missed"] == 2
    assert row(figure, about=FindingKind.MISSING_LATCH.value)["missed"] == 0
    assert "2 of 60 audited" in figure.notices[0]
    clean = trends.miss_rate(audited(60, 0).data())
    assert clean.notices == ()
    assert "0 of 60 audited clear verdicts hid damage" in clean.counted


def test_a_small_audit_claims_nothing():
    figure = trends.miss_rate(audited(20, 0).data())
    assert figure.not_enough == "Not enough yet: 20 audited clear verdicts, 59 needed (39 more)."
    assert figure.table[["rate", "at_most"]].isna().all(axis=None)
    assert figure.notices == ()


def watched(refused: list[float], n: int = 60, seed: int = 3) -> Scene:
    """A site with ``n`` photos a week of which the given share cannot be judged."""
    random = np.random.default_rng(seed)
    scene = Scene()
    coupler = scene.coupler("u1")
    for week, share in enumerate(refused):
        for _ in range(n):
            scene.photo(coupler, week, refused=bool(random.uniform() < share))
    return scene


def test_the_watch_notices_a_week_of_unusable_photos():
    figure = trends.weekly_watch(watched([0.05] * 15 + [0.3]).data())
    flagged = figure.table[figure.table["flagged"]]
    assert flagged["measure"].tolist() == ["refused"]
    assert flagged["week"].tolist() == [MONDAY + pd.Timedelta(weeks=15)]
    assert "could not be judged" in figure.notices[0]


def test_the_watch_notices_falling_agreement():
    scene = Scene()
    coupler = scene.coupler("u1")
    for week in range(15):
        for number in range(40):
            wrong = number < (20 if week == 14 else 2)
            scene.photo(coupler, week, {BROKEN}, model=() if wrong else None, by="ada")
    figure = trends.weekly_watch(scene.data(), site="north")
    flagged = figure.table[figure.table["flagged"]]
    assert flagged["measure"].tolist() == ["agreed"]
    assert "north, week of 2025-04-14" in figure.notices[0]


def test_the_watch_rarely_cries_on_chance_alone():
    flags = points = 0
    for seed in range(6):
        table = trends.weekly_watch(watched([0.04] * 30, n=40, seed=seed).data()).table
        refused = table[(table["measure"] == "refused") & table["centre"].notna()]
        flags, points = flags + int(refused["flagged"].sum()), points + len(refused)
    assert points == 6 * 18
    assert flags <= 1


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
