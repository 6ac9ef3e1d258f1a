"""Long work in another process, with a row that a screen can follow and stop.

A job that crashed stops beating; after a minute it counts as dead and another may start. One that was only
silent (its machine slept) finds the other when it goes on, and ends.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from time import monotonic

from sqlalchemy import select
from sqlalchemy.orm import Session

from data_tools.access import Actor, Permission
from data_tools.database.schema import JobRow
from data_tools.workspace import Workspace, now_or
from model.errors import ConflictError, NotFoundError, RoundsError

DEAD_AFTER = timedelta(seconds=60)
BEAT_EVERY_S = 2.0
RETRAIN, RESCORE, DRIFT = "retrain", "rescore", "drift"
"""Kinds of jobs; each is the name of the command that does it."""
_children: list[subprocess.Popen[bytes]] = []
"""Processes started from here; those that ended are let go of when the next one starts."""

Beat = Callable[[float, str], None]


@dataclass(frozen=True)
class JobRecord:
    """A long work in another process. ``alive``: not ended, and heard of within the last minute;
    ``interrupted``: not ended and not heard of, so that it was killed or its machine went down."""

    id: int
    kind: str
    started_by: str
    started_at: datetime
    stage: str
    progress: float
    alive: bool
    stop_asked: bool
    finished_at: datetime | None
    message: str

    @property
    def interrupted(self) -> bool:
        """Whether it ended without a word."""
        return self.finished_at is None and not self.alive


class StopAskedError(RoundsError):
    """Somebody asked the job to stop."""

    def __init__(self) -> None:
        super().__init__(
            "to finish", "a request to stop", "Start it again when you like: it goes on from there."
        )


class ReplacedError(RoundsError):
    """Another job of the kind was started while this one was not heard of."""

    def __init__(self, kind: str) -> None:
        super().__init__(
            f"to go on with this {kind}",
            "another one that was started while this one was not heard of for a minute",
            "Follow that one: this one changed nothing.",
        )


def open_job(ws: Workspace, actor: Actor, kind: str) -> JobRecord:
    """Enter a new job; raises ``ConflictError`` while another of its kind is alive."""
    actor.require(Permission.MANAGE_MODELS)
    moment = now_or(None)
    with ws.write() as session:
        last = session.scalars(
            select(JobRow).where(JobRow.kind == kind).order_by(JobRow.id.desc()).limit(1)
        ).first()
        if last is not None and _record(last).alive:
            raise ConflictError(
                f"no other {kind} at work",
                f"one of {last.started_by}",
                "Wait for it, or stop it; one that was killed is let go of a minute later.",
            )
        row = JobRow(
            kind=kind,
            started_by=actor.name,
            started_at=moment,
            beat_at=moment,
            stage="starting",
            progress=0.0,
            stop_asked=False,
            message="",
        )
        session.add(row)
        session.flush()
        return _record(row)


def latest_job(ws: Workspace, actor: Actor, kind: str = RETRAIN) -> JobRecord | None:
    """Return the newest job of that kind, or ``None``."""
    actor.require(Permission.SEE)
    with ws.read() as session:
        row = session.scalars(
            select(JobRow).where(JobRow.kind == kind).order_by(JobRow.id.desc()).limit(1)
        ).first()
        return _record(row) if row is not None else None


def ask_stop(ws: Workspace, actor: Actor, job_id: int) -> None:
    """Ask a job to stop at its next step; raises ``NotFoundError``."""
    actor.require(Permission.MANAGE_MODELS)
    with ws.write() as session:
        _job_row(session, job_id).stop_asked = True


def beating(ws: Workspace, job_id: int) -> Beat:
    """Return a function that records progress (0..1) and stage; it raises ``StopAskedError`` on request, and
    ``ReplacedError`` once another job of the kind was started."""
    last_at, last_stage = 0.0, ""

    def beat(progress: float, stage: str) -> None:
        nonlocal last_at, last_stage
        if stage == last_stage and monotonic() - last_at < BEAT_EVERY_S:
            return
        last_at, last_stage = monotonic(), stage
        with ws.write() as session:
            refuse_replaced(session, job_id)
            row = _job_row(session, job_id)
            row.progress, row.stage, row.beat_at = progress, stage, now_or(None)
            stop = row.stop_asked
        if stop:
            raise StopAskedError

    return beat


def refuse_replaced(session: Session, job_id: int) -> None:
    """Raise ``ReplacedError`` where a newer job of this one's kind exists."""
    kind = _job_row(session, job_id).kind
    newer = select(JobRow.id).where(JobRow.kind == kind, JobRow.id > job_id).limit(1)
    if session.scalar(newer) is not None:
        raise ReplacedError(kind)


def close_job(ws: Workspace, job_id: int, message: str) -> None:
    """Mark a job as ended, with what came of it."""
    with ws.write() as session:
        row = _job_row(session, job_id)
        row.finished_at, row.message = now_or(None), message


@dataclass
class Running:
    """A job at work: what it calls to tell its progress, and what it has come to."""

    beat: Beat
    message: str = "Done."


@contextmanager
def running(ws: Workspace, job_id: int) -> Iterator[Running]:
    """Close the job at the end of the block with the block's message, or with what went wrong."""
    job = Running(beating(ws, job_id))
    try:
        yield job
    except RoundsError as error:
        close_job(ws, job_id, str(error))
        raise
    except KeyboardInterrupt:
        close_job(ws, job_id, "Stopped by hand. Start it again when you like: it goes on from there.")
        raise
    except BaseException as error:
        close_job(ws, job_id, f"It failed unexpectedly ({type(error).__name__}). What was live still is.")
        raise
    close_job(ws, job_id, job.message)


def start_retrain(ws: Workspace, actor: Actor) -> JobRecord:
    """Start a retrain in a process of its own and return its job; raises as ``open_job`` does."""
    return _start(ws, actor, RETRAIN)


def start_rescore(ws: Workspace, actor: Actor, round_id: int | None = None) -> JobRecord:
    """Start judging kept photos again (of one round or all) in a process of its own; raises alike."""
    return _start(ws, actor, RESCORE, *(() if round_id is None else ("--round", str(round_id))))


def start_drift(ws: Workspace, actor: Actor) -> JobRecord:
    """Start looking for drift of the photos in a process of its own; raises alike."""
    return _start(ws, actor, DRIFT)


def _start(ws: Workspace, actor: Actor, kind: str, *arguments: str) -> JobRecord:
    job = open_job(ws, actor, kind)
    command = [sys.executable, "-m", "data_tools.cli", "--workspace", str(ws.folder)]
    command += ["--as", actor.name, "--role", actor.role.value, kind, *arguments, "--job", str(job.id)]
    _children[:] = [process for process in _children if process.poll() is None]
    quiet = subprocess.DEVNULL
    _children.append(
        subprocess.Popen(command, start_new_session=True, stdin=quiet, stdout=quiet, stderr=quiet)
    )
    return job


def _job_row(session: Session, job_id: int) -> JobRow:
    row = session.get(JobRow, job_id)
    if row is None:
        raise NotFoundError("a job that exists", f"number {job_id}", "Reload the screen.")
    return row


def _record(row: JobRow) -> JobRecord:
    alive = row.finished_at is None and now_or(None) - row.beat_at < DEAD_AFTER
    return JobRecord(
        row.id, row.kind, row.started_by, row.started_at, row.stage, row.progress, alive, row.stop_asked,
        row.finished_at, row.message,
    )  # fmt: skip
