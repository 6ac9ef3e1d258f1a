"""Scoring files without a store: the next files are decoded while the model judges the last ones."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import islice
from pathlib import Path

from data_tools.model_side import Judge, judging_side
from model.errors import PhotoError
from model.judgement import Judgement
from model.photo import Photo, open_photo
from model.vocabulary import Outcome, Reason

BATCH = 16
_PICTURES = frozenset({".jpg", ".jpeg", ".png", ".webp", ".heic", ".heif"})


def score_files(
    judge: Judge, paths: Iterable[Path], *, batch: int = BATCH, workers: int | None = None
) -> Iterator[tuple[Path, Judgement]]:
    """Yield each path with its judgement, in the order given; memory does not grow with their number.

    A file that is not a readable photo comes out as ``CANNOT_JUDGE`` for the reason ``UNREADABLE``.
    """
    side = judging_side(judge)
    source = iter(paths)
    with ThreadPoolExecutor(workers or max(1, min(4, os.cpu_count() or 1))) as pool:
        ahead = _start(pool, source, batch, side)
        while ahead:
            current, ahead = ahead, _start(pool, source, batch, side)
            yield from _judged(judge, current, batch)


_Opened = tuple[Path, Future["Photo | PhotoError"]]


def _start(pool: ThreadPoolExecutor, source: Iterator[Path], batch: int, side: int) -> list[_Opened]:
    return [(path, pool.submit(_open, path, side)) for path in islice(source, batch)]


def _open(path: Path, side: int) -> Photo | PhotoError:
    try:
        return open_photo(path, max_side=side)
    except PhotoError as error:
        return error


def _judged(judge: Judge, opened: list[_Opened], batch: int) -> Iterator[tuple[Path, Judgement]]:
    results = [(path, future.result()) for path, future in opened]
    photos = [photo for _, photo in results if isinstance(photo, Photo)]
    judgements = iter(judge.judge_many(photos, batch=batch))
    for path, result in results:
        if isinstance(result, Photo):
            yield path, next(judgements)
        else:
            yield path, Judgement(Outcome.CANNOT_JUDGE, judge.version, Reason.UNREADABLE, str(result))


def expand_paths(paths: Iterable[Path]) -> list[Path]:
    """Return the files named, and for folders the picture files in them (by name, sorted), in order."""
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            found += sorted(p for p in path.rglob("*") if p.suffix.lower() in _PICTURES and p.is_file())
        else:
            found.append(path)
    return found
