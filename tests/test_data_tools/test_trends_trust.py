"""Agreement with published kappa, the miss rate of the blind audit, and the weekly watch."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binomtest

from data_tools import trends
from model.vocabulary import FindingKind
from tests.test_data_tools.invented_trends import BROKEN, MELTED, MONDAY, Scene, row


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
    # Shown in percent, as the other shares are: 0.05 beside 2 % reads as if it were less.
    assert {"rate", "low", "high", "at_most"} <= trends.SHARE_COLUMNS


def test_misses_in_the_audit_are_counted_by_kind():
    figure = trends.miss_rate(audited(58, 2).data())
    assert row(figure, about=FindingKind.HEAT_MELTED_HOUSING.value)["missed"] == 2
    assert row(figure, about=FindingKind.MISSING_LATCH.value)["missed"] == 0
    assert "2 of 60 audited" in figure.notices[0]
    clean = trends.miss_rate(audited(60, 0).data())
    assert clean.notices == ()
    assert "0 of 60 audited clear verdicts hid damage" in clean.counted


def test_judging_again_heals_no_miss_and_changes_no_agreement():
    """Six of 66 audited clear verdicts hid damage; a version that has learnt them calls all six damaged.

    At most 17.2 % hide damage (Clopper and Pearson 1934, one-sided, by SciPy); of the 60 that stay clear it
    would be at most 4.9 % of none.
    """
    bound = binomtest(6, 66, alternative="less").proportion_ci(0.95, "exact").high
    scene = audited(60, 6)
    before = trends.miss_rate(scene.data()), trends.technician_and_model(scene.data())
    for photo in range(1, 67):
        scene.judged_again(photo, "m2", {MELTED} if photo <= 6 else ())
    after = trends.miss_rate(scene.data()), trends.technician_and_model(scene.data())
    for figure in (before[0], after[0]):
        found = row(figure, about="any damage")
        assert (found["missed"], found["n"]) == (6, 66)
        assert found["at_most"] == pytest.approx(bound)
    pd.testing.assert_frame_equal(before[1].table, after[1].table)


def test_the_audit_and_the_agreement_are_told_by_version():
    scene = audited(60, 6)
    coupler = scene.coupler("u2")
    for _ in range(70):
        scene.photo(coupler, 2, model=(), by="ada", audit=True, version="m2")
    figure = trends.miss_rate(scene.data())
    rows = figure.table.set_index("about")
    versions = [f"any damage, by version {name}" for name in ("m1", "m2")]
    assert rows.loc[["any damage", *versions], "missed"].tolist() == [6, 6, 0]
    assert rows.loc[["any damage", *versions], "n"].tolist() == [136, 66, 70]
    assert rows.loc[versions, "at_most"].tolist() == pytest.approx([0.1716, 1 - 0.05 ** (1 / 70)], abs=5e-5)
    assert "By model version: m1 6 of 66, m2 0 of 70." in figure.notices[0]
    agreed = trends.technician_and_model(scene.data()).table.set_index("about")
    assert agreed.loc[versions, "agreed"].tolist() == pytest.approx([60 / 66, 1])


def test_a_version_with_a_small_audit_of_its_own_claims_nothing():
    scene = audited(60, 6)
    scene.photo(scene.coupler("u2"), 2, model=(), by="ada", audit=True, version="m2")
    figure = trends.miss_rate(scene.data())
    assert figure.enough
    young = row(figure, about="any damage, by version m2")
    assert (young["missed"], young["n"]) == (0, 1)
    assert young[["rate", "low", "high", "at_most", "hidden_at_most"]].isna().all()


def test_only_the_word_on_the_drawn_verdict_is_an_audit():
    """A photo is drawn once: what people say of it after a later verdict is no second draw."""
    scene = audited(60, 0)
    scene.judged_again(1, "m2")
    scene.decision(1, "bo")
    figure = trends.miss_rate(scene.data())
    assert row(figure, about="any damage")["n"] == 60
    assert not figure.table["about"].str.endswith("m2").any()


def test_a_later_word_on_the_photo_is_the_truth_of_its_audit():
    scene = audited(60, 0)
    scene.photos[0]["kinds"] = 2  # somebody has found the damage since
    assert row(trends.miss_rate(scene.data()), about="any damage")["missed"] == 1


def test_nobody_agrees_with_a_refusal():
    """People found damage in 25 photos that the model had refused; a later version calls them clear."""
    scene = Scene()
    coupler = scene.coupler("u1")
    for _ in range(25):
        scene.judged_again(scene.photo(coupler, 0, {MELTED}, refused=True, by="ada"), "m2")
    figure = trends.technician_and_model(scene.data())
    assert figure.n == 0
    assert figure.table["agreed"].isna().all()


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
