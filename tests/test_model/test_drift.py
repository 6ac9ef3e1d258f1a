"""Drift of the photos: exact under no change, found when there is one, blind to how couplers differ."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binomtest, permutation_test

from model.drift import LEVEL, Unlike, drift, unlike

COUPLERS, BEFORE, WIDTH = 12, 3, 20


def _photos(rng: np.random.Generator, shift: float = 0.0) -> tuple[np.ndarray, list[bool], list[str]]:
    """Per coupler three photos before and one now; couplers differ by far more than photos do."""
    own = rng.normal(0, 10, (COUPLERS, 1, WIDTH))
    x = own + rng.normal(0, 1, (COUPLERS, BEFORE + 1, WIDTH))
    x[:, -1] += shift
    now = [False] * BEFORE + [True]
    names = [f"c{n}" for n in range(COUPLERS) for _ in range(BEFORE + 1)]
    return x.reshape(-1, WIDTH), now * COUPLERS, names


def test_without_change_p_is_uniform() -> None:
    rng = np.random.default_rng(1)
    p = np.array([drift(*_photos(rng), shuffles=99, seed=n).p for n in range(300)])
    for level in (0.05, 0.2, 0.5):
        assert binomtest(int((p <= level).sum()), len(p), level).pvalue > 0.001


def test_a_change_of_all_photos_is_found_and_measured() -> None:
    found = drift(*_photos(np.random.default_rng(2), 1.5))
    assert found.p < 0.001
    assert (found.now, found.before, found.couplers) == (COUPLERS, COUPLERS * BEFORE, COUPLERS)
    assert found.distance == pytest.approx(1.5 / np.hypot(0.75**0.5, 1.5 * 0.1875**0.5), rel=0.2)


def test_p_agrees_with_a_reference_library_on_one_block() -> None:
    """scipy.stats.permutation_test, independent samples, all 462 deals of 5 among 11 photos."""
    rng = np.random.default_rng(3)
    x = rng.normal(0, 1, (11, 1))
    x[:5] += 0.9
    now = [True] * 5 + [False] * 6
    exact = permutation_test(
        (x[:5, 0], x[5:, 0]), lambda a, b: (a.mean() - b.mean()) ** 2, alternative="greater"
    ).pvalue
    assert drift(x, now, ["c"] * 11).p == pytest.approx(exact, abs=0.02)


def test_couplers_seen_only_now_or_only_before_say_nothing() -> None:
    x = np.vstack([np.zeros((4, 2)), np.ones((4, 2)) * 50])
    found = drift(x, [False] * 4 + [True] * 4, [f"c{n}" for n in range(8)])
    assert (found.p, found.couplers) == (1.0, 0)


def test_couplers_of_the_same_kind_are_unlike_as_often_as_the_level_says() -> None:
    rng = np.random.default_rng(4)
    names = [f"r{n}" for n in range(200)]
    counts = [
        unlike(rng.normal(0, 1, (1, 5)), ["x"], rng.normal(0, 1, (200, 5)), names).unlike for _ in range(600)
    ]
    assert binomtest(sum(counts), 600, LEVEL).pvalue > 0.001


@pytest.mark.parametrize(("each", "reference_each"), [(1, 1), (4, 1), (1, 3), (4, 3)])
def test_many_photos_of_one_coupler_are_no_more_reason_for_a_notice(each: int, reference_each: int) -> None:
    """Twelve couplers without change: p is below .005 in one of 200 weeks at most, however often each was
    photographed and however few the reference has (photos counted singly: in one of twelve)."""
    rng = np.random.default_rng(1)

    def photos(couplers: int, of_each: int, name: str) -> tuple[np.ndarray, list[str]]:
        own = np.repeat(rng.normal(0, 1, (couplers, 8)), of_each, 0)
        names = [f"{name}{n}" for n in range(couplers) for _ in range(of_each)]
        return own + rng.normal(0, 0.15, own.shape), names

    weeks = 300
    told = sum(
        unlike(*photos(12, each, "n"), *photos(40, reference_each, "r")).p < 0.005 for _ in range(weeks)
    )
    assert binomtest(told, weeks, 0.005, alternative="greater").pvalue > 0.001


def test_the_chance_of_so_many_is_that_of_ranks_in_a_shared_reference() -> None:
    """Exchangeable draws: the chance that n of n pass is k/(M+1) (k+1)/(M+2) ... (k+n-1)/(M+n), because each
    one that passed makes the reference a little less far than thought (Vovk 2012)."""
    rng = np.random.default_rng(5)
    reference, names = rng.normal(0, 1, (100, 5)), [f"r{n // 2}" for n in range(100)]
    found = unlike(reference[:4] + 20, ["a", "b", "c", "d"], reference, names)
    assert (found.couplers, found.unlike, found.reference) == (4, 4, 50)
    k = int(LEVEL * 51)
    assert found.p == pytest.approx(np.prod([(k + n) / (51 + n) for n in range(4)]))


def test_a_coupler_is_not_its_own_likeness() -> None:
    rng = np.random.default_rng(5)
    reference, names = rng.normal(0, 1, (100, 5)), [f"r{n // 2}" for n in range(100)]
    far = np.vstack([reference, np.full((2, 5), 30.0)])
    own = unlike(far[-1:], ["own"], far, [*names, "own", "own"])
    assert own.unlike == 1, "its only likeness is of the same coupler"
    other = unlike(far[-1:], ["own"], far, [*names, "p", "q"])
    assert other.unlike == 0


def test_one_odd_photo_of_three_makes_no_coupler_unlike() -> None:
    rng = np.random.default_rng(6)
    reference, names = rng.normal(0, 1, (100, 5)), [f"r{n}" for n in range(100)]
    photos = np.zeros((3, 5))
    photos[0] += 30
    assert unlike(photos, ["a"] * 3, reference, names).unlike == 0
    photos[1] += 30
    assert unlike(photos, ["a"] * 3, reference, names).unlike == 1


def test_without_enough_to_compare_with_nothing_is_unlike() -> None:
    few = [f"b{n % 39}" for n in range(80)]
    assert unlike(np.zeros((3, 2)), ["a"] * 3, np.ones((80, 2)), few) == Unlike(1, 0, 39, 1.0)
    assert unlike(np.zeros((0, 2)), [], np.ones((50, 2)), [f"b{n}" for n in range(50)]).p == 1.0
