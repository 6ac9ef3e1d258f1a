"""Photos are shared out among the cores, each of which works for itself."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Iterator

import pytest

from data_tools import one_core
from data_tools.one_core import judge_on_cores, on_one_core
from model.errors import PhotoError
from model.judgement import Judgement
from model.photo import Photo, open_photo
from tests.test_data_tools.store_kit import CLEAR, DARK, MELTED, UNSURE, GreyJudge, picture

LEVELS = (CLEAR, MELTED, DARK, UNSURE, CLEAR)


class NotingJudge(GreyJudge):
    """Notes which thread judged how many photos; the first ones wait for each other."""

    def __init__(self, together: int) -> None:
        super().__init__()
        self.parts: list[tuple[str, int]] = []
        self._barrier = threading.Barrier(together, timeout=10)

    def judge_many(self, photos: Iterable[Photo], batch: int = 16) -> Iterator[Judgement]:
        photos = list(photos)
        self.parts.append((threading.current_thread().name, len(photos)))
        self._barrier.wait()
        return map(self.judge, photos)


@pytest.fixture
def photos() -> list[Photo]:
    return [open_photo(picture(level, seed), max_side=64) for seed, level in enumerate(LEVELS)]


def test_verdicts_come_in_the_order_of_the_photos(photos: list[Photo]) -> None:
    judge = GreyJudge()
    assert judge_on_cores(judge, photos) == [judge.judge(photo) for photo in photos]
    assert judge_on_cores(judge, []) == []


def test_the_cores_work_at_the_same_time(photos: list[Photo], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(one_core.os, "cpu_count", lambda: 2)
    one_core._workers.cache_clear()
    judge = NotingJudge(together=2)
    judge_on_cores(judge, photos)
    assert sorted(count for _, count in judge.parts) == [2, 3]
    assert len({name for name, _ in judge.parts}) == 2
    one_core._workers.cache_clear()


def test_each_piece_of_work_has_one_core_to_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    torch = pytest.importorskip("torch")
    here = torch.get_num_threads()
    assert on_one_core(torch.get_num_threads) == 1
    assert torch.get_num_threads() == here


def test_what_goes_wrong_comes_out_where_it_was_asked_for() -> None:
    with pytest.raises(PhotoError):
        on_one_core(lambda: open_photo(b"no photo", max_side=64))
    assert on_one_core(lambda: 7) == 7
