"""How much a fine-tuning learns in one stretch: within its memory, and every photo where the steps allow."""

from __future__ import annotations

import math

import pytest

from model.features import VIEW_BYTES
from model.schedule import plan


@pytest.mark.parametrize("own", [1, 30, 150, 1_500, 15_000])
@pytest.mark.parametrize("old", [0, 75, 20_000])
def test_a_plan_stays_in_its_memory_and_learns_every_photo_where_steps_allow(own: int, old: int) -> None:
    budget = 300 * 2**20
    todo = plan(own, old, None, 16, budget)
    assert (todo.own_views + todo.old_views) * VIEW_BYTES <= budget
    assert 40 <= todo.steps <= 400
    assert plan(own, old, None, 16, budget, 50).steps <= 50
    views = todo.own_views * todo.steps / todo.stretch_steps
    assert views >= min(own, todo.steps * todo.half // 4)
    assert todo.half == (8 if old else 16)


def test_a_rendered_view_is_used_as_often_however_many_photos_were_confirmed() -> None:
    """Where each confirmed photo is seen once, several stretches share what is replayed beside it."""
    few, many = plan(150, 348, None, 16), plan(15_000, 348, None, 16)
    made = many.views_until(math.ceil(many.steps / many.stretch_steps))
    assert (few.old_stretches, many.old_stretches) == (1, 4)
    assert made - many.steps * many.half <= many.steps * many.half / 3 + many.own_views
    stretches = range(math.ceil(many.steps / many.stretch_steps))
    assert [many.views_until(n + 1) - many.views_until(n) for n in stretches] == [
        many.own_views + (many.old_views if n % 4 == 0 else 0) for n in stretches
    ]
