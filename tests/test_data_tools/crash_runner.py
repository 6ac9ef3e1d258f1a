"""Runs the store in child processes and kills them; prints what it found as one line of JSON.

Run as a program of its own (``python -m tests.test_data_tools.crash_runner SCENARIO FOLDER COUNT SEED``),
because it forks, which a test process with threads must not. Children die by SIGKILL either at a random
moment or right before or after one of the steps that matter: a file flushed, renamed, a transaction
committed."""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import event, func, select

from data_tools import registry
from data_tools.database.schema import DecisionRow, PhotoRow, VerdictRow, WaitingRow
from data_tools.ingest import UploadSource, ingest
from data_tools.records import DecisionKind
from data_tools.rescore import rescore
from data_tools.review import decide, queue
from data_tools.verify import verify
from data_tools.workspace import Workspace, open_workspace
from tests.test_data_tools.store_kit import LEAD, MELTED, TECHNICIAN, UPLOADER, GreyJudge, furnished, picture

PHOTOS = 3
Work = Callable[[Workspace, int], None]
"""What a child does: with its own workspace, and a pipe end on which it reports what it was told is kept."""


class Killer:
    """Kills this process at its ``last``-th step; ``None`` only counts."""

    def __init__(self, last: int | None) -> None:
        self.last, self.steps = last, 0

    def step(self) -> None:
        """One more step."""
        self.steps += 1
        if self.steps == self.last:
            os.kill(os.getpid(), signal.SIGKILL)

    def watch(self, ws: Workspace) -> None:
        """Step before and after each flush, rename and commit from now on."""
        os.fsync = self._around(os.fsync)
        Path.replace = self._around(Path.replace)  # type: ignore[method-assign]
        event.listen(ws.engine, "commit", lambda _connection: self.step())

    def _around(self, real: Callable[..., object]) -> Callable[..., object]:
        def stepped(*arguments: object, **options: object) -> object:
            self.step()
            result = real(*arguments, **options)
            self.step()
            return result

        return stepped


def open_here(folder: Path, version: str = "grey-1") -> Workspace:
    """Open the workspace with a judge of this version."""
    from tests.test_data_tools.store_kit import settings_for

    return open_workspace(settings_for(folder), classifier=GreyJudge(version))


def sources(batch: int) -> list[UploadSource]:
    """The photos of one batch, and one file that is none."""
    photos = [
        UploadSource(f"P3-07_{batch}_{n}.png", picture(MELTED, 1000 * batch + n)) for n in range(PHOTOS - 1)
    ]
    no_unit = UploadSource(f"IMG_{batch}.png", picture(MELTED, 1000 * batch + 999))
    return [*photos, no_unit, UploadSource("x.txt", f"text {batch}".encode())]


def taking_in(batch: int) -> Work:
    """A child that takes in a batch and reports each file after it was told that it is kept."""

    def work(ws: Workspace, pipe: int) -> None:
        ingest(
            ws, UPLOADER, sources(batch), "north", progress=lambda done, _name: os.write(pipe, bytes([done]))
        )

    return work


def deciding(ws: Workspace, pipe: int) -> None:
    """A child that decides on the whole queue and reports each decision that was confirmed to it."""
    for item in queue(ws, TECHNICIAN, limit=5):
        decision = decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED)
        os.write(pipe, decision.id.to_bytes(4, "big"))


def _own_thread_pool() -> None:
    """Let PyTorch make its thread pool anew after a fork, before two threads ask for it at once: then one of
    them may be told "Invalid thread pool!" (seen in two of some 80 runs). The product forks nowhere."""
    if torch := sys.modules.get("torch"):
        torch.set_num_threads(torch.get_num_threads())


@contextmanager
def child(
    folder: Path, work: Work, kill_at: int | None, version: str = "grey-1"
) -> Iterator[tuple[int, int]]:
    """Run ``work`` in a forked child; yields (process id, pipe to read from)."""
    read_end, write_end = os.pipe()
    sys.stdout.flush()
    pid = os.fork()
    if pid == 0:
        code = 1
        try:
            os.close(read_end)
            _own_thread_pool()
            ws = open_here(folder, version)
            killer = Killer(kill_at)
            killer.watch(ws)
            work(ws, write_end)
            code = 0
        finally:
            os._exit(code)
    os.close(write_end)
    try:
        yield pid, read_end
    finally:
        os.close(read_end)


def run_child(
    folder: Path, work: Work, kill_at: int | None = None, after_s: float | None = None
) -> tuple[bytes, bool]:
    """Run a child to its end or its death; return what it reported and whether it was killed."""
    with child(folder, work, kill_at) as (pid, pipe):
        if after_s is not None:
            time.sleep(after_s)
            os.kill(pid, signal.SIGKILL)
        reported = b""
        while part := os.read(pipe, 4096):
            reported += part
        _, status = os.waitpid(pid, 0)
    if not os.WIFSIGNALED(status) and os.WEXITSTATUS(status) != 0:
        raise RuntimeError("a child failed by itself")
    return reported, os.WIFSIGNALED(status)


def known(ws: Workspace) -> set[str]:
    """The content of every photo or waiting file that has a row."""
    with ws.read() as session:
        return set(session.scalars(select(PhotoRow.sha256))) | set(session.scalars(select(WaitingRow.sha256)))


def check(ws: Workspace, reported: bytes, batch: int) -> list[str]:
    """Return what is wrong after a child died: what cannot be repaired, confirmed photos without a row."""
    found = verify(ws, LEAD, repair=True, leftover_age_s=-1.0)
    faults = [f"{p.kind} {p.subject}: {p.message}" for p in found.problems if not p.repaired]
    faults += [f"left after repair: {p.kind}" for p in verify(ws, LEAD, leftover_age_s=-1.0).problems]
    have = known(ws)
    confirmed = [source for source in sources(batch)[: max(reported, default=0)] if source.name != "x.txt"]
    for source in confirmed:
        assert isinstance(source.content, bytes)
        if ws.photos.put(source.content) not in have:
            faults.append(f"lost: {source.name}")
    return faults


def ingest_crashes(folder: Path, count: int, seed: int) -> dict[str, object]:
    """Kill at each step in turn and at random moments by turns; after each: verify and repair."""
    furnished(folder).close()
    chance = random.Random(seed)
    start = time.perf_counter()
    run_child(folder, taking_in(0))
    whole_s = time.perf_counter() - start
    faults: list[str] = []
    kills = 0
    for batch in range(1, count + 1):
        by_step = batch % 2 == 1
        kill_at = (batch + 1) // 2 if by_step else None
        after_s = None if by_step else chance.uniform(0.0, 1.1 * whole_s)
        start = time.perf_counter()
        reported, killed = run_child(folder, taking_in(batch), kill_at, after_s)
        kills += killed
        if not killed:
            # The first child starts cold: moments drawn from its time would mostly come too late.
            whole_s = min(whole_s, time.perf_counter() - start)
        ws = open_here(folder)
        faults += check(ws, reported, batch)
        ws.close()
    ws = open_here(folder)
    for batch in range(count + 1):
        ingest(ws, UPLOADER, sources(batch)[: PHOTOS - 1], "north")
    with ws.read() as session:
        photos = session.scalar(select(func.count()).select_from(PhotoRow))
    report = verify(ws, LEAD)
    ws.close()
    return {
        "kills": kills,
        "faults": faults,
        "photos": photos,
        "expected": (count + 1) * (PHOTOS - 1),
        "ok": report.ok,
    }


def decision_crashes(folder: Path, count: int, _seed: int) -> dict[str, object]:
    """Kill while deciding: every decision that was confirmed to the person is there, the rest not half."""
    ws = furnished(folder)
    for batch in range(count):
        ingest(ws, UPLOADER, sources(batch), "north")
    ws.close()
    faults: list[str] = []
    kills = 0
    for number in range(1, count + 1):
        reported, killed = run_child(folder, deciding, kill_at=number)
        kills += killed
        ws = open_here(folder)
        with ws.read() as session:
            have = set(session.scalars(select(DecisionRow.id)))
        told = {int.from_bytes(reported[i : i + 4], "big") for i in range(0, len(reported), 4)}
        faults += [f"lost decision {i}" for i in told - have]
        faults += [problem.message for problem in verify(ws, LEAD).problems]
        ws.close()
    return {"kills": kills, "faults": faults}


def model_crashes(folder: Path, count: int, _seed: int) -> dict[str, object]:
    """Kill while a version is entered and promoted, and while photos are judged again."""
    ws = furnished(folder)
    ingest(ws, UPLOADER, [s for batch in range(3) for s in sources(batch)], "north")
    ws.close()
    faults: list[str] = []
    kills = 0
    for number in range(1, count + 1):
        version = f"grey-{number + 10}"
        artefact = folder / f"{version}.safetensors"
        artefact.write_text(version)

        def work(ws: Workspace, _pipe: int, artefact: Path = artefact, version: str = version) -> None:
            ws.load_judge = lambda _path: GreyJudge(version)
            entered = registry.register(ws, LEAD, artefact, "x")
            registry.promote(ws, LEAD, entered.version, "better")
            rescore(ws, LEAD)

        _, killed = run_child(folder, work, kill_at=number)
        kills += killed
        ws = open_here(folder)
        found = verify(ws, LEAD, repair=True)
        faults += [p.message for p in found.problems if not p.repaired]
        live = registry.live_version(ws)
        if live.path and not (ws.folder / live.path).is_file():
            faults.append("the live version's file is missing")
        with ws.read() as session:
            verdicts = session.execute(select(VerdictRow.photo_id, VerdictRow.model_version)).all()
        if len(set(verdicts)) != len(verdicts):
            faults.append("a photo was judged twice by one version")
        ws.close()
    return {"kills": kills, "faults": faults}


def twins(folder: Path, count: int, _seed: int) -> dict[str, object]:
    """Two processes take in the same photos at once."""
    furnished(folder).close()
    batch = [UploadSource(f"P3-07_{n}.png", picture(MELTED, n)) for n in range(count)]

    def work(ws: Workspace, pipe: int) -> None:
        for file in ingest(ws, UPLOADER, batch, "north").files:
            os.write(pipe, {"stored": b"s", "already_here": b"k"}.get(file.status.value, b"?"))

    with child(folder, work, None) as (one, pipe_one), child(folder, work, None) as (two, pipe_two):
        answers = [os.read(pipe_one, 1 << 16), os.read(pipe_two, 1 << 16)]
        for pipe, index in ((pipe_one, 0), (pipe_two, 1)):
            while part := os.read(pipe, 1 << 16):
                answers[index] += part
        codes = [os.waitpid(pid, 0)[1] for pid in (one, two)]
    ws = open_here(folder)
    with ws.read() as session:
        photos, verdicts = (
            session.scalar(select(func.count()).select_from(t)) for t in (PhotoRow, VerdictRow)
        )
    report = verify(ws, LEAD)
    ws.close()
    return {
        "codes": codes, "photos": photos, "verdicts": verdicts, "ok": report.ok,
        "answers": [answer.decode() for answer in answers],
    }  # fmt: skip


SCENARIOS = {"ingest": ingest_crashes, "decide": decision_crashes, "models": model_crashes, "twins": twins}

if __name__ == "__main__":
    scenario, folder, count, seed = sys.argv[1:]
    print(json.dumps(SCENARIOS[scenario](Path(folder), int(count), int(seed))))
