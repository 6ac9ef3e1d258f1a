"""Worker processes that take photos, watched over: a crash, a hang or bad geometry costs one subject."""

from __future__ import annotations

import ctypes
import logging
import math
import multiprocessing
import os
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any, Protocol

from data_tools.rendering.renderer import choose_variant, cuda_device_count
from data_tools.rendering.shoot import Clock, Shot

_log = logging.getLogger(__name__)
HANG_SECONDS = 600.0
_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
"""Names of options in the GNU C library's malloc.h."""
LATE_SECONDS = 60.0
"""Once time is up, a subject in work gets this long: one that hangs must not hold up what comes after."""


class Task(Protocol):
    """One subject to take photos of: its place in the run, and its name for the log."""

    @property
    def index(self) -> int:
        """Number in the run."""

    @property
    def name(self) -> str:
        """What the log calls it."""


Take = Callable[[Any, Clock], Iterator[Shot]]
"""Takes the photos of one subject (a ``Task``) and counts the seconds of each step."""


@dataclass(frozen=True)
class CrewSettings:
    """How many processes, which renderer variant, on how many GPUs (0 = none), how many CPU threads each."""

    workers: int
    variant: str
    gpus: int
    threads: int


OpenStudio = Callable[[CrewSettings], Take]
"""Sets up what a worker takes photos with, in the worker's own process: it must be picklable."""


@dataclass(frozen=True)
class Result:
    """What came of one subject: its manifest lines and step times, or why it was skipped. ``retired``: the
    worker stops after it, because a renderer that failed twice running may never recover."""

    assignment: Task
    lines: list[dict[str, Any]]
    seconds: dict[str, float]
    error: str | None = None
    retired: bool = False


@dataclass
class _Worker:
    process: Any
    pipe: Connection
    number: int
    assignment: Task | None = None
    since: float = field(default_factory=time.monotonic)

    def give(self, assignment: Task) -> None:
        self.assignment, self.since = assignment, time.monotonic()
        with suppress(OSError):  # a dead worker is found, and its subject reported, at the next look
            self.pipe.send(assignment)


def gather(workers: int, variant: str) -> CrewSettings:
    """Return a crew of ``workers`` (0: one for each CPU core), with every GPU that ``variant`` can use.

    Raises:
        ValueError: unknown renderer variant.
    """
    variant = choose_variant(variant)
    cores = os.cpu_count() or 1
    workers = workers or cores
    gpus = cuda_device_count() if variant.startswith("cuda") else 0
    return CrewSettings(workers, variant, gpus, max(1, cores // workers))


def run_crew(
    crew: CrewSettings,
    studio: OpenStudio,
    out_dir: Path,
    todo: Sequence[Task],
    stop_at: float | None = None,
) -> Iterator[Result]:
    """Work through ``todo`` and yield results as they come; after ``stop_at`` (monotonic seconds) nothing
    new is started. Photos lie in ``out_dir`` before their result is yielded."""
    queue = list(reversed(todo))
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    workers = [_start(number, crew, studio, out_dir) for number in range(min(crew.workers, len(todo)))]
    try:
        for worker in workers:
            worker.give(queue.pop())
        while any(worker.assignment for worker in workers):
            if stop_at is not None and time.monotonic() > stop_at:
                queue.clear()
            last = math.inf if stop_at is None else stop_at + LATE_SECONDS
            for place, worker in enumerate(workers):
                result = _poll(worker, min(worker.since + HANG_SECONDS, last))
                if result is None:
                    continue
                if result.retired:
                    worker.pipe.close()
                    worker.process.join(30)
                    worker.process.kill()
                    workers[place] = worker = _start(worker.number, crew, studio, out_dir)
                worker.assignment = None
                if queue:
                    worker.give(queue.pop())
                yield result
            wait([worker.pipe for worker in workers if worker.assignment], timeout=1.0)
    finally:
        _dismiss(workers)


def _start(number: int, crew: CrewSettings, studio: OpenStudio, out_dir: Path) -> _Worker:
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_work, args=(number, crew, studio, out_dir, theirs), daemon=True)
    process.start()
    theirs.close()
    return _Worker(process, ours, number)


def _poll(worker: _Worker, last: float) -> Result | None:
    """Return the worker's result if it has one, or what became of its subject if it died or has none by
    ``last`` (monotonic seconds)."""
    if worker.assignment is None:
        return None
    error = None
    try:
        if worker.pipe.poll():
            result = worker.pipe.recv()
            return result if isinstance(result, Result) else None
    except (EOFError, OSError):
        worker.process.join(10)
        error = f"the worker process died (exit code {worker.process.exitcode})"
    if error is None and time.monotonic() > last:
        error = f"no answer within {time.monotonic() - worker.since:.0f} s"
    if error is None:
        return None
    worker.process.kill()
    worker.process.join(10)
    _log.warning("%s skipped: %s", worker.assignment.name, error)
    return Result(worker.assignment, [], {}, error, retired=True)


def _dismiss(workers: list[_Worker]) -> None:
    for worker in workers:
        worker.pipe.close()
    for worker in workers:
        worker.process.join(5)
        if worker.process.is_alive():
            worker.process.kill()


def _work(number: int, crew: CrewSettings, studio: OpenStudio, out_dir: Path, pipe: Connection) -> None:
    """Life of a worker: set up its studio, then one subject after the other until the pipe closes."""
    if crew.gpus > 1:
        visible = os.environ.get("CUDA_VISIBLE_DEVICES", "").split(",")
        devices = [name for name in visible if name] or [str(index) for index in range(crew.gpus)]
        os.environ["CUDA_VISIBLE_DEVICES"] = devices[number % len(devices)]
    _keep_memory()
    import cv2

    cv2.setNumThreads(crew.threads)
    take = studio(crew)
    failures = 0
    while failures < 2:
        try:
            assignment = pipe.recv()
        except (EOFError, OSError):
            return
        result = _one(assignment, take, out_dir)
        failures = failures + 1 if result.error else 0
        pipe.send(replace(result, retired=failures >= 2))


def _keep_memory() -> None:
    """Let the C library keep what it has had, where it can be told to: pictures come and go by the hundred,
    and giving each back to the system costs four times the page faults (measured on eight couplers)."""
    tell = getattr(ctypes.CDLL(None), "mallopt", None)
    if tell is not None:
        for option in (_MMAP_THRESHOLD, _TRIM_THRESHOLD):
            tell(option, 1 << 30)


def _one(assignment: Task, take: Take, out_dir: Path) -> Result:
    clock = Clock()
    lines: list[dict[str, Any]] = []
    try:
        for shot in take(assignment, clock):
            with clock("write"):
                _write(out_dir / shot.entry.file, shot.data)
            lines.append(shot.entry.to_json())
    except Exception as error:  # one bad subject among thousands must not end the run
        _log.exception("%s skipped", assignment.name)
        return Result(assignment, lines, clock.seconds, f"{type(error).__name__}: {error}")
    return Result(assignment, lines, clock.seconds)


def _write(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_suffix(".part")
    draft.write_bytes(data)
    draft.replace(path)
