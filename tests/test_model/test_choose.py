"""Which photos to review next."""

from __future__ import annotations

import numpy as np
import pytest

from model.choose import order_to_learn, suspicion


def test_a_little_suspicion_at_every_place_counts_more_than_much_at_one() -> None:
    one, all_over, sound = [0.9, 0.01, 0.01, 0.01], [0.3, 0.3, 0.3, 0.3], [0.01] * 4
    assert suspicion(all_over) > suspicion(one) > suspicion(sound)
    assert suspicion([0.5, 0.5]) == pytest.approx(0.0)


def test_places_and_families_of_other_size_compare() -> None:
    assert suspicion([0.2] * 3) == pytest.approx(suspicion([0.2] * 14))
    assert suspicion([]) == suspicion([0.0]) < suspicion([0.001])
    assert suspicion([1.0]) < 10


def test_the_most_suspected_comes_first_and_a_second_photo_of_a_coupler_after_all_couplers() -> None:
    assert order_to_learn([3.0, 2.9, 1.0, -2.0, -3.0], ["a", "a", "b", "c", "a"], 10) == [0, 2, 3, 1, 4]


def test_couplers_that_people_have_decided_on_wait_for_one_turn() -> None:
    couplers = ["a", "a", "b", "b", "c"]
    assert order_to_learn([5.0, 4.0, 3.0, 2.0, 1.0], couplers, 10, decided=["a"]) == [2, 4, 0, 3, 1]
    everyone = order_to_learn([5.0, 4.0, 3.0, 2.0, 1.0], couplers, 10, decided=["a", "b", "c", "a"])
    assert everyone == order_to_learn([5.0, 4.0, 3.0, 2.0, 1.0], couplers, 10)


def test_equally_suspected_photos_keep_their_order() -> None:
    assert order_to_learn([0.0] * 6, list("abcabc"), 6) == [0, 1, 2, 3, 4, 5]


@pytest.mark.parametrize("limit", [0, 3, 99])
def test_every_photo_at_most_once_and_no_more_than_asked(limit: int) -> None:
    rng = np.random.default_rng(0)
    order = order_to_learn(rng.normal(0, 1, 30).tolist(), rng.integers(0, 9, 30).tolist(), limit)
    assert len(order) == len(set(order)) == min(limit, 30)
    assert order_to_learn([], [], 5) == []
