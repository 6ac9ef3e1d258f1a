"""Which photos to review next."""

from __future__ import annotations

import numpy as np
import pytest

from model.choose import doubt, order_to_learn


def test_doubt_is_greatest_at_even_odds_of_any_damage() -> None:
    given = doubt([[0.5, 0.01, 0.0], [0.01, 0.9, 0.2], [0.0, 0.0, 1.0]])
    assert given[0] == 1.0
    assert given[0] > given[1] > given[2] > 0
    assert len(doubt(np.zeros((0, 3)))) == 0


def test_the_most_doubtful_comes_first_and_its_copies_last() -> None:
    vectors = [[0.0, 0.0], [0.0, 0.0], [3.0, 0.0], [0.0, 4.0]]
    assert order_to_learn([1.0, 0.99, 0.5, 0.2], vectors, 10) == [0, 2, 3, 1]


def test_what_people_have_decided_on_already_is_not_asked_again_in_another_photo() -> None:
    vectors = [[0.0, 0.0], [5.0, 0.0]]
    assert order_to_learn([1.0, 0.3], vectors, 1) == [0]
    assert order_to_learn([1.0, 0.3], vectors, 1, known=[[0.1, 0.0]]) == [1]


@pytest.mark.parametrize("limit", [0, 3, 99])
def test_every_photo_at_most_once_and_no_more_than_asked(limit: int) -> None:
    rng = np.random.default_rng(0)
    order = order_to_learn(rng.random(30), rng.normal(0, 1, (30, 4)), limit)
    assert len(order) == len(set(order)) == min(limit, 30)
    assert order_to_learn([], np.zeros((0, 4)), 5) == []


def test_few_chosen_cover_more_groups_than_the_most_doubtful_alone() -> None:
    """Ten groups, one of which holds nearly all doubt: by doubt alone ten choices see one group."""
    rng = np.random.default_rng(1)
    group = np.repeat(np.arange(10), 20)
    vectors = rng.normal(0, 0.1, (200, 10)) + 5 * np.eye(10)[group]
    doubts = np.where(group == 0, 0.9, 0.5) + 0.05 * rng.random(200)
    assert len(set(group[np.argsort(-doubts)[:10]])) == 1
    assert len(set(group[order_to_learn(doubts, vectors, 10)])) == 10
