"""Taking a round in: upload -> single files -> checked photos -> verdicts, one transaction a photo.

Order for each photo: decode, keep the original durably, judge, then one transaction that names the original.
A crash at any point loses nothing: at worst an original without a row, which ``rounds verify --repair`` takes up.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import islice

from sqlalchemy import select

from data_tools.access import Actor, Permission
from data_tools.archives import Upload, UploadSource, expand_sources, sources_from_paths
from data_tools.database.schema import RejectedRow, SiteRow, UnitRow, WaitingRow
from data_tools.intake import (
    Arrival,
    Kept,
    Target,
    find_photo,
    keep_photo,
    keep_rejected,
    keep_waiting,
    refuse_closed,
)
from data_tools.lookup import coupler_at, site_row, unit_row
from data_tools.model_side import judging_side
from data_tools.records import IngestedFile, IngestReport, IngestStatus, RejectedFile, WaitingFile
from data_tools.unit_labels import by_casefold, unit_from_file_name, unit_from_photo
from data_tools.workspace import Workspace, now_or
from model.errors import BadRequestError, ConflictError, NotFoundError, PhotoError, RoundsError, StorageError
from model.judgement import Judgement
from model.photo import Photo, open_photo
from model.vocabulary import ADVICE, Outcome, Reason, Triage

__all__ = [
    "UploadSource",
    "assign_unit",
    "expand_sources",
    "ingest",
    "list_rejected",
    "list_waiting",
    "sources_from_paths",
]

log = logging.getLogger(__name__)
Progress = Callable[[int, str], None]
"""Called after each file with the count of files done and the name of the last one."""


@dataclass(frozen=True)
class _Ready:
    """A photo whose original is kept and whose coupler is known: it only needs its verdict."""

    arrival: Arrival
    photo: Photo
    target: Target


def ingest(
    ws: Workspace,
    actor: Actor,
    sources: Iterable[UploadSource],
    site_key: str,
    *,
    unit_key: str | None = None,
    position: str | None = None,
    now: datetime | None = None,
    progress: Progress | None = None,
) -> IngestReport:
    """Take in an upload for one site and say, file by file and in order, what became of it.

    The unit is ``unit_key`` where given, else the code label in the photo, else the file name
    (see ``unit_labels``); a photo without one waits. ``now`` is the time of arrival.

    Raises:
        NotFoundError: no such site, or ``unit_key`` or ``position`` does not exist there.
        ConflictError: the site is closed.
        ArtefactError: the live model cannot be loaded.
    """
    actor.require(Permission.SEND)
    desk = _Desk(ws, actor, site_key, unit_key, position, now_or(now))
    files: list[IngestedFile] = []
    for chunk in _chunks(expand_sources(sources, ws.settings), max(1, ws.settings.judge_batch)):
        for done in desk.take_in(chunk):
            files.append(done)
            if progress is not None:
                progress(len(files), done.file_name)
    rounds = [file.photo.round_id for file in files if file.photo is not None]
    return IngestReport(rounds[-1] if rounds else None, tuple(files))


def _chunks(uploads: Iterator[Upload], size: int) -> Iterator[list[Upload]]:
    while chunk := list(islice(uploads, size)):
        yield chunk


class _Desk:
    """Where one upload is worked through: who sends, to which site, and the units that are known there."""

    def __init__(
        self,
        ws: Workspace,
        actor: Actor,
        site_key: str,
        unit_key: str | None,
        position: str | None,
        at: datetime,
    ) -> None:
        self.ws, self.actor, self.site_key, self.at = ws, actor, site_key, at
        self.judge = ws.classifier()
        with ws.read() as session:
            site = site_row(session, site_key)
            refuse_closed(site)
            keys = list(session.scalars(select(UnitRow.key).where(UnitRow.site_id == site.id)))
            self.given = None
            if unit_key is not None:
                unit = unit_row(session, unit_key)
                if unit.site_id != site.id:
                    raise BadRequestError(
                        f"a unit of site {site_key}", f"{unit_key}, at {unit.site.key}", "Correct one."
                    )
                self.given = Target(unit.key, coupler_at(unit, position or _first_position(unit)).position)
            self.first_positions = dict(
                _positions(session.scalars(select(UnitRow).where(UnitRow.site_id == site.id)))
            )
        self.known = by_casefold(keys)

    def take_in(self, uploads: Sequence[Upload]) -> list[IngestedFile]:
        """Work through a few files together, so that the model can judge them in one batch."""
        received = [self._receive(upload) for upload in uploads]
        ready = [item for item in received if isinstance(item, _Ready)]
        verdicts = iter(_judged(self.judge, [item.photo for item in ready]))
        return [self._finish(item, next(verdicts)) if isinstance(item, _Ready) else item for item in received]

    def _receive(self, upload: Upload) -> IngestedFile | _Ready:
        try:
            if upload.read is None:
                return self._set_aside(upload.name, upload.problem, upload.kept)
            data = upload.read()
            arrival = Arrival(
                upload.name, hashlib.sha256(data).hexdigest(), self.actor, self.at, self.site_key
            )
            with self.ws.read() as session:
                known = find_photo(session, arrival.sha256)
            return _known(upload.name, known) if known else self._check(arrival, data)
        except (StorageError, BadRequestError) as error:
            return IngestedFile(upload.name, IngestStatus.NOT_RECEIVED, str(error))

    def _check(self, arrival: Arrival, data: bytes) -> IngestedFile | _Ready:
        try:
            photo = open_photo(data, max_side=judging_side(self.judge))
        except PhotoError as error:
            return self._set_aside(arrival.file_name, str(error), lambda: data)
        self.ws.photos.put(data)
        target, why = self._target(photo, arrival.file_name)
        return _Ready(arrival, photo, target) if target else self._wait(arrival, why)

    def _set_aside(self, name: str, why: str, kept: Callable[[], bytes] | None) -> IngestedFile:
        if kept is None:
            return IngestedFile(name, IngestStatus.NOT_RECEIVED, why, reason=Reason.UNREADABLE)
        sha256 = self.ws.rejected.put(kept())
        keep_rejected(self.ws, Arrival(name, sha256, self.actor, self.at, self.site_key), why)
        return IngestedFile(name, IngestStatus.REJECTED, why, reason=Reason.UNREADABLE)

    def _wait(self, arrival: Arrival, why: str) -> IngestedFile:
        waiting_id = keep_waiting(self.ws, arrival, why)
        return IngestedFile(arrival.file_name, IngestStatus.NEEDS_UNIT, why, waiting_id=waiting_id)

    def _target(self, photo: Photo, name: str) -> tuple[Target | None, str]:
        """Return the coupler that the photo is of, or why it is not known."""
        label = unit_from_photo(photo.rgb, self.known)
        if self.given is not None:
            differs = label is not None and label.unit_key != self.given.unit_key
            note = f" The code label in the photo says {label.unit_key}." if label and differs else ""
            return replace(self.given, note=note), ""
        hint = label or unit_from_file_name(name, self.known)
        if hint is None:
            return None, "No unit found by code label or file name. Kept: name its unit."
        positions = self.first_positions[hint.unit_key]
        wanted = hint.position or (positions[0] if positions else "A")
        found = next((p for p in positions if p.casefold() == wanted.casefold()), None)
        if found is None:
            return None, f"Unit {hint.unit_key} has no coupler {wanted}. Kept: name its unit."
        return Target(hint.unit_key, found), ""

    def _finish(self, ready: _Ready, judgement: Judgement | None) -> IngestedFile:
        if judgement is None:
            return self._wait(
                ready.arrival, "The model failed on this photo. Kept: name its unit to try again."
            )
        name = ready.arrival.file_name
        try:
            kept = keep_photo(self.ws, ready.arrival, ready.target, ready.photo, judgement)
        except (NotFoundError, ConflictError) as error:
            return self._wait(ready.arrival, f"{error} The photo is kept.")
        except StorageError as error:
            return IngestedFile(name, IngestStatus.NOT_RECEIVED, str(error))
        return _known(name, kept) if kept.known else _stored(name, kept, ready.target.note)


def _first_position(unit: UnitRow) -> str:
    positions = sorted(c.position for c in unit.couplers if c.removed_on is None)
    return "A" if "A" in positions or not positions else positions[0]


def _positions(units: Iterable[UnitRow]) -> Iterator[tuple[str, list[str]]]:
    """Yield (unit key, its positions with a coupler, the default first)."""
    for unit in units:
        first = _first_position(unit)
        yield (
            unit.key,
            sorted(
                {c.position for c in unit.couplers if c.removed_on is None}, key=lambda p: (p != first, p)
            ),
        )


def _judged(judge: object, photos: list[Photo]) -> list[Judgement | None]:
    """Judge in one batch; where that fails, one by one, so that one bad photo costs only itself."""
    try:
        return list(judge.judge_many(photos))  # type: ignore[attr-defined]
    except RoundsError:
        raise
    except Exception:
        log.exception("judging a batch of %d failed; going one by one", len(photos))
    results: list[Judgement | None] = []
    for photo in photos:
        try:
            results.append(judge.judge(photo))  # type: ignore[attr-defined]
        except Exception:
            log.exception("judging %s failed", photo.sha256)
            results.append(None)
    return results


def _known(name: str, kept: Kept) -> IngestedFile:
    photo = kept.photo
    message = f"Already here: a photo of unit {photo.unit_key}, received on {photo.received_at:%Y-%m-%d}."
    return IngestedFile(name, IngestStatus.KNOWN, message, photo, kept.verdict, kept.verdict.judgement.reason)


def _stored(name: str, kept: Kept, note: str) -> IngestedFile:
    judgement = kept.verdict.judgement
    message = verdict_words(judgement) + note
    return IngestedFile(name, IngestStatus.STORED, message, kept.photo, kept.verdict, judgement.reason)


def verdict_words(judgement: Judgement) -> str:
    """Say in one or two sentences what a verdict means for whoever took the photo."""
    if judgement.outcome is Outcome.CANNOT_JUDGE:
        return f"Take it again. {ADVICE[judgement.reason]}" if judgement.reason else "Take it again."
    if judgement.triage is Triage.CLEAR:
        return "No visible damage found."
    found = ", ".join(
        f"{f.kind.value.replace('_', ' ')} ({f.place.value.replace('_', ' ')})" for f in judgement.findings
    )
    if judgement.triage is Triage.FLAG:
        return f"Do not use this coupler: {found or 'damage suspected'}. A technician will look."
    return f"Not sure{': ' + found if found else ''}. Do not use this coupler until a technician has looked."


def assign_unit(
    ws: Workspace,
    actor: Actor,
    waiting_id: int,
    unit_key: str,
    *,
    position: str | None = None,
) -> IngestedFile:
    """Name the unit of a waiting photo: it is judged and joins the unit's round.

    Raises:
        NotFoundError: no such waiting photo, unit or position.
        ConflictError: somebody has named its unit already, or the site is closed.
    """
    actor.require(Permission.SEND)
    with ws.read() as session:
        row = session.get(WaitingRow, waiting_id)
        if row is None:
            raise NotFoundError(
                "a waiting photo", f"number {waiting_id}", "Look at the list of waiting photos."
            )
        if row.settled_at is not None:
            raise ConflictError(
                "a photo that still waits", f"{row.file_name}, which has its unit", "Nothing to do."
            )
        unit = unit_row(session, unit_key)
        refuse_closed(unit.site)
        target = Target(unit.key, coupler_at(unit, position or _first_position(unit)).position)
        arrival = Arrival(row.file_name, row.sha256, actor, row.received_at, unit.site.key, row.received_by)
    judge = ws.classifier()
    photo = open_photo(ws.photos.get(arrival.sha256), max_side=judging_side(judge))
    kept = keep_photo(ws, arrival, target, photo, judge.judge(photo))
    return _stored(arrival.file_name, kept, "")


def list_waiting(ws: Workspace, actor: Actor, site_key: str | None = None) -> list[WaitingFile]:
    """Return the photos that wait for a unit, oldest first; with ``site_key`` also those of no known site."""
    actor.require(Permission.SEE)
    query = (
        select(WaitingRow, SiteRow.key)
        .outerjoin(SiteRow, SiteRow.id == WaitingRow.site_id)
        .where(WaitingRow.settled_at.is_(None))
        .order_by(WaitingRow.id)
    )
    if site_key is not None:
        query = query.where((SiteRow.key == site_key) | SiteRow.key.is_(None))
    with ws.read() as session:
        return [
            WaitingFile(row.id, row.sha256, row.file_name, key, row.received_at, row.received_by, row.why)
            for row, key in session.execute(query)
        ]


def list_rejected(ws: Workspace, actor: Actor, limit: int = 200) -> list[RejectedFile]:
    """Return the files kept aside because they are no photos we can read, newest first."""
    actor.require(Permission.SEE)
    query = select(RejectedRow).order_by(RejectedRow.id.desc()).limit(limit)
    with ws.read() as session:
        return [
            RejectedFile(row.id, row.sha256, row.file_name, row.received_at, row.received_by, row.why)
            for row in session.scalars(query)
        ]
