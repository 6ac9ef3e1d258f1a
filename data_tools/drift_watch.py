"""The last look for drift of the photos: by site and by phone model at once, kept for the screen.

Looking takes the network over each new photo, so it is done when asked for (or weekly by the command) and
its result kept under ``derived/``, where it can be deleted and made again.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import func, select

from data_tools import jobs
from data_tools.access import Actor, Permission
from data_tools.database.schema import PhotoRow
from data_tools.jobs import Beat
from data_tools.photo_drift import GROUPS, DriftRow, photo_drift
from data_tools.registry import live_version
from data_tools.workspace import Workspace, now_or
from model.drift import Drift, Unlike
from model.errors import storage_errors


@dataclass(frozen=True)
class DriftReport:
    """What the last look found. ``photos``: how many photos there were; ``version``: with whose eyes;
    ``stale``: photos have come or another version is live since."""

    looked_at: datetime
    version: str
    photos: int
    rows: tuple[DriftRow, ...]
    stale: bool = False

    @property
    def notices(self) -> tuple[str, ...]:
        """What moved beyond chance, in plain words with what to do."""
        return tuple(row.notice for row in self.rows if row.notice)

    @property
    def words(self) -> str:
        """The result in one line."""
        told = sum(1 for row in self.rows if not row.lacking)
        moved = len(self.notices)
        return f"{told} sites and phone models could be compared with before; {moved} moved beyond chance."


def look_for_drift(ws: Workspace, actor: Actor, *, progress: Beat | None = None) -> DriftReport:
    """Look at the last week's photos by site and by phone model, keep and return what was found.

    Raises:
        NotFoundError: an original is missing from the store.
        StorageError: the result cannot be kept.
    """
    actor.require(Permission.PLAN)
    count, version = _photos(ws), live_version(ws).version
    rows: list[DriftRow] = []
    for at, group in enumerate(GROUPS):

        def told(done: int, total: int, at: int = at, group: str = group) -> None:
            if progress is not None:
                progress((at + done / max(1, total)) / len(GROUPS), f"looking at {total} photos, by {group}")

        rows += photo_drift(ws, actor, by=group, progress=told)
    report = DriftReport(now_or(None), version, count, tuple(rows))
    file = _file(ws)
    with storage_errors(f"to keep what was found in {file.parent}"):
        file.parent.mkdir(parents=True, exist_ok=True)
        part = file.with_suffix(".part")
        part.write_text(json.dumps({**asdict(report), "looked_at": report.looked_at.isoformat()}))
        part.replace(file)
    return report


def latest_drift(ws: Workspace, actor: Actor) -> DriftReport | None:
    """Return what the last look found; ``None`` where nobody has looked yet."""
    actor.require(Permission.PLAN)
    try:
        kept = json.loads(_file(ws).read_text(encoding="utf-8"))
        rows = tuple(_row(row) for row in kept["rows"])
        report = DriftReport(datetime.fromisoformat(kept["looked_at"]), kept["version"], kept["photos"], rows)
    except (OSError, ValueError, KeyError, TypeError):
        return None  # absent or damaged: it is made again
    stale = (report.photos, report.version) != (_photos(ws), live_version(ws).version)
    return DriftReport(report.looked_at, report.version, report.photos, rows, stale)


def _row(kept: dict[str, Any]) -> DriftRow:
    return DriftRow(**{**kept, "test": Drift(**kept["test"]), "unlike": Unlike(**kept["unlike"])})


def run_job(ws: Workspace, actor: Actor, job_id: int) -> DriftReport:
    """Look for drift as the job ``job_id``: progress, stop requests and the result go through its row."""
    actor.require(Permission.PLAN)
    with jobs.running(ws, job_id) as job:
        report = look_for_drift(ws, actor, progress=job.beat)
        job.message = report.words
    return report


def _photos(ws: Workspace) -> int:
    with ws.read() as session:
        return session.scalar(select(func.count()).select_from(PhotoRow)) or 0


def _file(ws: Workspace) -> Path:
    return ws.folder / "derived" / "drift.json"
