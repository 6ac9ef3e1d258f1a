"""Does the store hold what it says, and say what it holds? Finds what is missing, damaged or orphaned,
and puts right what can be put right without guessing. Originals are never deleted."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from sqlalchemy import func, select, text
from sqlalchemy.orm import Session

from data_tools.access import Actor, Permission
from data_tools.database.schema import (
    EventRow,
    ModelVersionRow,
    PhotoRow,
    PhotoStateRow,
    RejectedRow,
    UnitRow,
    WaitingRow,
)
from data_tools.intake import Arrival, keep_rejected, keep_waiting, settle_waiting
from data_tools.model_files import check_file
from data_tools.photo_store import PhotoStore
from data_tools.records import EventKind, UnitStatus
from data_tools.states import folded, refresh_state
from data_tools.workspace import Workspace, now_or
from model.durable import PART_SUFFIX
from model.errors import ArtefactError, PhotoError, storage_errors
from model.photo import open_photo

LEFTOVER_AGE_S, _AT_ONCE = 3600.0, 500
_RECOVERED = "Recovered after an interruption."


@dataclass(frozen=True)
class Problem:
    """One thing that is not as it should be. ``kind`` is ``missing``, ``damaged``, ``orphan``, ``leftover``,
    ``derived``, ``status``, ``model`` or ``database``."""

    kind: str
    subject: str
    message: str
    repairable: bool
    repaired: bool = False


@dataclass(frozen=True)
class VerifyReport:
    """What was looked at and what was found."""

    originals: int
    photos: int
    problems: tuple[Problem, ...]

    @property
    def ok(self) -> bool:
        """Whether nothing is wrong (any more)."""
        return all(problem.repaired for problem in self.problems)


_Finding = tuple[Problem, Callable[[], None] | None]


def verify(
    ws: Workspace, actor: Actor, repair: bool = False, *, leftover_age_s: float = LEFTOVER_AGE_S
) -> VerifyReport:
    """Check originals against rows both ways, every checksum, derived rows, unit states and model files.

    With ``repair``: orphaned originals are taken up as waiting photos, unfinished writes older than
    ``leftover_age_s`` are removed, derived rows are folded again. A missing or damaged original can only
    come back from a backup (or by sending the photo again)."""
    actor.require(Permission.MANAGE_SITES if repair else Permission.SEE)
    problems = []
    for problem, mend in _findings(ws, actor, leftover_age_s):
        done = repair and mend is not None
        if done and mend is not None:
            mend()
        problems.append(Problem(problem.kind, problem.subject, problem.message, mend is not None, done))
    with ws.read() as session:
        photos = session.scalar(select(func.count()).select_from(PhotoRow)) or 0
    return VerifyReport(sum(1 for _ in ws.photos.names()), photos, tuple(problems))


def _findings(ws: Workspace, actor: Actor, leftover_age_s: float) -> Iterator[_Finding]:
    yield from _database(ws)
    yield from _originals(ws, actor)
    yield from _rejected(ws, actor)
    yield from _settled(ws, actor)
    for store in (ws.photos, ws.rejected):
        yield from _leftovers(store, leftover_age_s)
    yield from _states(ws)
    yield from _refiled(ws)
    yield from _unit_statuses(ws)
    yield from _models(ws, leftover_age_s)


def _problem(kind: str, subject: str, message: str) -> Problem:
    return Problem(kind, subject, message, repairable=False)


def _database(ws: Workspace) -> Iterator[_Finding]:
    if ws.engine.dialect.name != "sqlite":
        return
    with ws.read() as session:
        faults = [row[0] for row in session.execute(text("PRAGMA integrity_check")) if row[0] != "ok"]
        strays = session.execute(text("PRAGMA foreign_key_check")).all()
    for fault in faults:
        yield _problem("database", "store.db", f"{fault}. Restore a backup."), None
    for table, row, parent, _ in strays:
        yield (
            _problem("database", f"{table} row {row}", f"points to a missing {parent}. Restore a backup."),
            None,
        )


def _originals(ws: Workspace, actor: Actor) -> Iterator[_Finding]:
    with ws.read() as session:
        named = _names(session, PhotoRow) | _names(session, WaitingRow)
    yield from _against_rows(ws.photos, named)
    for sha256 in ws.photos.names():
        if sha256 not in named and ws.photos.is_whole(sha256):
            message = "An original that no row names: the work stopped between file and row."
            yield _problem("orphan", sha256, message), partial(_take_up, ws, actor, sha256)
        elif sha256 not in named:
            message = (
                "A file whose bytes do not match its name, named by no row. Left for a person to look at."
            )
            yield _problem("damaged", sha256, message), None


def _names(session: Session, table: type[PhotoRow] | type[WaitingRow] | type[RejectedRow]) -> dict[str, str]:
    return {row.sha256: row.file_name for row in session.execute(select(table.sha256, table.file_name))}


def _against_rows(store: PhotoStore, named: dict[str, str]) -> Iterator[_Finding]:
    for sha256, file_name in sorted(named.items()):
        if not store.has(sha256):
            yield (
                _problem("missing", sha256, f"{file_name} is gone. Send it again or restore a backup."),
                None,
            )
        elif not store.is_whole(sha256):
            message = f"{file_name} no longer has its bytes. Send it again or restore a backup."
            yield _problem("damaged", sha256, message), None


def _take_up(ws: Workspace, actor: Actor, sha256: str) -> None:
    """Give an orphan a row: a waiting photo, or a rejected file where it is no photo."""
    data = ws.photos.get(sha256)
    arrival = Arrival(f"recovered {sha256[:12]}", sha256, actor, now_or(None), None)
    try:
        open_photo(data, max_side=256)
    except PhotoError as error:
        ws.rejected.put(data)
        keep_rejected(ws, arrival, str(error))
        with storage_errors("to move a file aside"):
            ws.photos.path(sha256).unlink()
        return
    keep_waiting(ws, arrival, f"{_RECOVERED} Name its unit.")


def _rejected(ws: Workspace, actor: Actor) -> Iterator[_Finding]:
    with ws.read() as session:
        named = _names(session, RejectedRow)
    yield from _against_rows(ws.rejected, named)
    for sha256 in ws.rejected.names():
        if sha256 not in named:
            arrival = Arrival(f"recovered {sha256[:12]}", sha256, actor, now_or(None), None)
            message = "A rejected file that no row names: the work stopped between file and row."
            yield _problem("orphan", sha256, message), partial(keep_rejected, ws, arrival, _RECOVERED)


def _settled(ws: Workspace, actor: Actor) -> Iterator[_Finding]:
    query = (
        select(PhotoRow.id, PhotoRow.sha256)
        .join(WaitingRow, WaitingRow.sha256 == PhotoRow.sha256)
        .where(WaitingRow.settled_at.is_(None))
    )
    with ws.read() as session:
        strays = session.execute(query).all()
    for photo_id, sha256 in strays:
        message = "It waits for a unit, and has one: it came twice at the same moment."
        yield _problem("derived", sha256, message), partial(_settle, ws, actor, photo_id)


def _settle(ws: Workspace, actor: Actor, photo_id: int) -> None:
    with ws.write() as session:
        settle_waiting(session, session.get_one(PhotoRow, photo_id), actor)


def _leftovers(store: PhotoStore, age_s: float) -> Iterator[_Finding]:
    for path in store.leftovers(age_s):
        yield _problem("leftover", path.name, "An unfinished write."), partial(_remove, path)


def _remove(path: Path) -> None:
    with suppress(FileNotFoundError), storage_errors("to remove an unfinished write"):
        path.unlink()


def _states(ws: Workspace) -> Iterator[_Finding]:
    last = 0
    while True:
        with ws.read() as session:
            some = select(PhotoRow).where(PhotoRow.id > last).order_by(PhotoRow.id).limit(_AT_ONCE)
            photos = list(session.scalars(some))
            wanted = folded(session, photos, ws.settings)
            rows = session.scalars(
                select(PhotoStateRow).where(PhotoStateRow.photo_id.in_(p.id for p in photos))
            )
            have = {row.photo_id: row for row in rows}
        if not photos:
            return
        last = photos[-1].id
        for photo in photos:
            yield from _state(ws, photo, wanted.get(photo.id), have.get(photo.id))


def _state(
    ws: Workspace, photo: PhotoRow, wanted: dict[str, Any] | None, row: PhotoStateRow | None
) -> Iterator[_Finding]:
    if wanted is None:
        message = "A photo without a verdict: a transaction was cut. Restore a backup."
        yield _problem("database", photo.sha256, message), None
    elif row is None or any(getattr(row, name) != value for name, value in wanted.items()):
        message = "What stands for this photo was out of step with its records."
        yield _problem("derived", photo.sha256, message), partial(_refold, ws, photo.id)


def _refold(ws: Workspace, photo_id: int) -> None:
    with ws.write() as session:
        refresh_state(session, session.get_one(PhotoRow, photo_id), ws.settings)


def _refiled(ws: Workspace) -> Iterator[_Finding]:
    last = select(func.max(EventRow.id)).where(EventRow.photo_id.is_not(None)).group_by(EventRow.photo_id)
    query = select(PhotoRow.sha256).join(EventRow, EventRow.photo_id == PhotoRow.id)
    with ws.read() as session:
        strays = session.scalars(
            query.where(EventRow.id.in_(last), EventRow.new_coupler_id != PhotoRow.coupler_id)
        ).all()
    for sha256 in strays:
        yield _problem("database", sha256, "Not filed where its last event says. Restore a backup."), None


def _unit_statuses(ws: Workspace) -> Iterator[_Finding]:
    with ws.read() as session:
        statuses = {
            unit.key: (unit.status, _status_by_events(session, unit))
            for unit in session.scalars(select(UnitRow))
        }
    for key, (has, should) in statuses.items():
        if has is not should:
            message = f"It says {has.value}; its last event says {should.value}."
            yield _problem("status", key, message), partial(_set_status, ws, key, should)


def _status_by_events(session: Session, unit: UnitRow) -> UnitStatus:
    switches = (EventKind.OUT_OF_SERVICE, EventKind.RETURNED)
    query = select(EventRow.kind).where(EventRow.unit_id == unit.id, EventRow.kind.in_(switches))
    last = session.scalar(query.order_by(EventRow.id.desc()).limit(1))
    return UnitStatus.OUT_OF_SERVICE if last is EventKind.OUT_OF_SERVICE else UnitStatus.IN_SERVICE


def _set_status(ws: Workspace, unit_key: str, status: UnitStatus) -> None:
    with ws.write() as session:
        session.scalars(select(UnitRow).where(UnitRow.key == unit_key)).one().status = status


def _models(ws: Workspace, age_s: float) -> Iterator[_Finding]:
    with ws.read() as session:
        rows = list(session.scalars(select(ModelVersionRow).order_by(ModelVersionRow.id)))
    for row in rows:
        try:
            check_file(ws, row)
        except ArtefactError as error:
            yield _problem("model", row.version, str(error)), None
    named = {ws.folder / row.path for row in rows}
    unnamed = (path for path in ws.models.glob("*") if path not in named and path.is_file())
    for path in _untouched(unnamed, age_s):
        message = "A model file that no version names: the work stopped before it was entered."
        yield _problem("leftover", path.name, message), partial(_remove, path)
    parts = (*ws.training_sets.glob(f"*{PART_SUFFIX}"), *ws.runs.rglob(f"*{PART_SUFFIX}"))
    for path in _untouched(parts, age_s):
        yield _problem("leftover", path.name, "An unfinished write."), partial(_remove, path)


def _untouched(paths: Iterable[Path], age_s: float) -> Iterator[Path]:
    """Yield those that nobody has written for ``age_s`` seconds: younger ones may be in the making."""
    limit = time.time() - age_s
    for path in sorted(paths):
        with suppress(FileNotFoundError):
            if path.stat().st_mtime <= limit:
                yield path
