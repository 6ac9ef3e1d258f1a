"""Scoring files without a store: each core takes a few files at a time, from decoding to judgement."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import islice
from pathlib import Path

from data_tools.model_side import Judge, judging_side, work_alone
from model.errors import NotFoundError, PhotoError
from model.judgement import Judgement
from model.photo import Photo, open_photo
from model.vocabulary import Outcome, Reason

BATCH = 8
MOST_WORKERS = 8
_PICTURES = frozenset({".jpg", ".jpeg", ".png", ".webp", ".heic", ".heif"})

Scores = list[tuple[Path, Judgement]]


def score_files(
    judge: Judge, paths: Iterable[Path], *, batch: int = BATCH, workers: int | None = None
) -> Iterator[tuple[Path, Judgement]]:
    """Yield each path with its judgement, in the order given; memory does not grow with their number.

    A file that is not a readable photo comes out as ``CANNOT_JUDGE`` for the reason ``UNREADABLE``.

    Args:
        judge: used from several threads at once.
        paths: read as they are needed.
        batch: files that a worker takes at once; fewer where the last ones are shared out.
        workers: threads, one for each core unless given.
    """
    workers = workers or max(1, min(MOST_WORKERS, os.cpu_count() or 1))
    source = iter(paths)
    waiting: deque[Future[Scores]] = deque()
    pool = ThreadPoolExecutor(workers, initializer=work_alone)
    try:
        while True:
            while len(waiting) < 2 * workers and (taken := list(islice(source, workers * batch))):
                waiting.extend(pool.submit(_score, judge, share) for share in _shares(taken, workers))
            if not waiting:
                return
            yield from waiting.popleft().result()
    finally:  # whoever stops reading does not wait for what was taken on ahead
        pool.shutdown(cancel_futures=True)


def _shares(paths: list[Path], workers: int) -> list[list[Path]]:
    """Divide evenly, so that no core waits for another one at the end."""
    size = -(-len(paths) // workers)
    return [paths[start : start + size] for start in range(0, len(paths), size)]


def _score(judge: Judge, paths: list[Path]) -> Scores:
    side = judging_side(judge)
    opened = [_open(path, side) for path in paths]
    photos = [photo for photo in opened if isinstance(photo, Photo)]
    judgements = iter(judge.judge_many(photos, batch=len(photos)) if photos else ())
    return [
        (path, next(judgements) if isinstance(came, Photo) else _unreadable(judge, came))
        for path, came in zip(paths, opened, strict=True)
    ]


def _open(path: Path, side: int) -> Photo | PhotoError:
    try:
        return open_photo(path, max_side=side)
    except PhotoError as error:
        return error


def _unreadable(judge: Judge, error: PhotoError) -> Judgement:
    return Judgement(Outcome.CANNOT_JUDGE, judge.version, Reason.UNREADABLE, str(error))


def expand_paths(paths: Iterable[Path]) -> list[Path]:
    """Return the files named, and for folders the picture files in them (by name, sorted), in order.

    Raises:
        NotFoundError: there are none.
    """
    paths = list(paths)
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            found += sorted(p for p in path.rglob("*") if p.suffix.lower() in _PICTURES and p.is_file())
        else:
            found.append(path)
    if not found:
        raise nothing_in(paths)
    return found


def nothing_in(paths: Iterable[Path]) -> NotFoundError:
    """Return the error that says that there is no photo at ``paths``."""
    return NotFoundError(
        "a photo", f"none in {', '.join(map(str, paths))}", "Name photos, or a folder with photos in it."
    )
