"""Scoring files: a stream that keeps its order, reads no further than it must and remembers nothing."""

from __future__ import annotations

import threading
import tracemalloc
from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from data_tools.scoring import score_files
from model.judgement import Judgement
from model.photo import Photo
from model.vocabulary import Outcome, Reason

from .store_kit import CLEAR, MELTED, GreyJudge, picture


class NotingJudge(GreyJudge):
    """A ``GreyJudge`` that notes how many photos it got at a time, and from how many threads."""

    def __init__(self) -> None:
        super().__init__()
        self.groups: list[int] = []
        self.threads: set[int] = set()

    def judge_many(self, photos: Iterable[Photo], batch: int = 16) -> Iterator[Judgement]:
        """Judge photos in order."""
        group = list(photos)
        self.groups.append(len(group))
        self.threads.add(threading.get_ident())
        return super().judge_many(group, batch)


def files(folder: Path, count: int) -> list[Path]:
    paths = [folder / f"{number:03}.png" for number in range(count)]
    for number, path in enumerate(paths):
        path.write_bytes(picture(MELTED if number % 3 == 0 else CLEAR, number))
    return paths


@pytest.mark.parametrize(("batch", "workers"), [(1, 1), (4, 3), (7, 2), (64, 8)])
def test_order_and_verdicts_do_not_depend_on_threads(tmp_path: Path, batch: int, workers: int) -> None:
    paths = files(tmp_path, 30)
    paths[11].write_bytes(b"no photo at all")
    scored = list(score_files(GreyJudge(), paths, batch=batch, workers=workers))
    assert [path for path, _ in scored] == paths
    for number, (_, judgement) in enumerate(scored):
        if number == 11:
            assert (judgement.outcome, judgement.reason) == (Outcome.CANNOT_JUDGE, Reason.UNREADABLE)
        else:
            assert bool(judgement.findings) == (number % 3 == 0)


def test_photos_go_in_groups_to_several_threads(tmp_path: Path) -> None:
    judge = NotingJudge()
    assert len(list(score_files(judge, files(tmp_path, 22), batch=4, workers=2))) == 22
    assert sorted(judge.groups) == [3, 3, 4, 4, 4, 4]  # the last six are shared out
    assert threading.get_ident() not in judge.threads


def test_only_unreadable_files_and_none_at_all(tmp_path: Path) -> None:
    judge = NotingJudge()
    assert list(score_files(judge, [])) == []
    ((_, judgement),) = score_files(judge, [tmp_path / "not there.jpg"])
    assert judgement.reason is Reason.UNREADABLE
    assert judge.groups == []


def test_files_are_taken_as_they_are_needed(tmp_path: Path) -> None:
    paths = files(tmp_path, 100)
    taken: list[Path] = []
    source = (taken.append(path) or path for path in paths)
    stream = score_files(GreyJudge(), source, batch=2, workers=2)
    assert [path for path, _ in islice(stream, 3)] == paths[:3]
    assert len(taken) <= 12  # two groups of two in hand, four waiting
    stream.close()
    assert len(taken) <= 12


def test_a_fault_of_the_judge_is_not_swallowed(tmp_path: Path) -> None:
    class Broken(GreyJudge):
        def judge(self, photo: Photo) -> Judgement:
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        list(score_files(Broken(), files(tmp_path, 9), batch=2, workers=2))


def test_memory_does_not_grow_with_the_number_of_photos(tmp_path: Path) -> None:
    """Each photo is 1.5 MB of pixels: 300 kept would be 450 MB."""
    path = tmp_path / "photo.jpg"
    Image.fromarray(np.full((600, 800, 3), CLEAR, np.uint8)).save(path)

    def peak(count: int) -> float:
        tracemalloc.start()
        for _ in score_files(GreyJudge(), (path for _ in range(count)), batch=2, workers=2):
            pass
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return most / 1e6

    few, many = peak(30), peak(300)
    assert many < few + 10
    assert few > 1.4  # pixels are counted at all
