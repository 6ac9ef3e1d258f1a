"""Work of the networks on one core each, as many at a time as there are cores.

Spread over the cores, a photo is judged a little faster on an idle machine and thirty times slower on a busy
one: at every layer each core waits for the slowest, and meanwhile keeps busy with waiting.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import cache, partial
from typing import TypeVar

from data_tools.model_side import Judge, work_alone
from model.judgement import Judgement
from model.photo import Photo

MOST_CORES = 8

Result = TypeVar("Result")


def on_one_core(work: Callable[[], Result]) -> Result:
    """Return what ``work`` returns, done on one core; what it raises comes out here."""
    return _workers().submit(_alone, work).result()


def judge_on_cores(judge: Judge, photos: Sequence[Photo]) -> list[Judgement]:
    """Judge photos in the order given, shared out among the cores."""
    share = -(-len(photos) // _cores()) or 1
    parts = [photos[at : at + share] for at in range(0, len(photos), share)]
    works = [_workers().submit(_alone, partial(_judged, judge, part)) for part in parts]
    return [judgement for work in works for judgement in work.result()]


def _judged(judge: Judge, photos: Sequence[Photo]) -> list[Judgement]:
    return list(judge.judge_many(photos))


def _alone(work: Callable[[], Result]) -> Result:
    if "torch" in sys.modules:  # a stand-in for the model may do without
        work_alone()
    return work()


def _cores() -> int:
    return max(1, min(MOST_CORES, os.cpu_count() or 1))


@cache
def _workers() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(_cores(), thread_name_prefix="one core")


if hasattr(os, "register_at_fork"):
    # A forked process has the pool but none of its threads.
    os.register_at_fork(after_in_child=_workers.cache_clear)
