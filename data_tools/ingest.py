"""Taking a round in: upload -> single files -> checked photos -> verdicts, one transaction a photo.

Order for each photo: decode, keep the original durably, judge, then one transaction that names the
original. A crash at any point loses nothing: at worst an original without a row, which ``rounds verify
--repair`` takes up."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from datetime import datetime
from itertools import islice

from sqlalchemy import select

from data_tools.access import Actor, Permission
from data_tools.answers import verdict_words
from data_tools.archives import Upload, UploadSource, expand_sources, sources_from_paths
from data_tools.database.schema import RejectedRow
from data_tools.desk import Desk, judged_alone, told
from data_tools.intake import Arrival, Target, keep_photo, refuse_closed
from data_tools.lookup import coupler_at, unit_row
from data_tools.model_side import judging_side
from data_tools.received import as_it_stands
from data_tools.records import IngestedFile, IngestReport, RejectedFile
from data_tools.waiting import aside_words, list_waiting, unsettled_file
from data_tools.which_coupler import first_position
from data_tools.workspace import Workspace, now_or
from model.errors import ArtefactError, ConflictError
from model.photo import open_photo

__all__ = [
    "UploadSource",
    "assign_unit",
    "expand_sources",
    "ingest",
    "list_rejected",
    "list_waiting",
    "sources_from_paths",
    "verdict_words",
]

Progress = Callable[[int, str], None]
"""Called after each file with the count of files done and the name of the last one."""


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
    (see ``unit_labels``); a photo without one waits, and so does one whose label or name says another unit
    than the given one (``which_coupler``). What is said of a photo counts open damage of its coupler too.
    ``now`` is the time of arrival.

    Raises:
        NotFoundError: no such site, or ``unit_key`` or ``position`` does not exist there.
        ConflictError: the site is closed.
        ArtefactError: the live model cannot be loaded.
    """
    actor.require(Permission.SEND)
    desk = Desk(ws, actor, site_key, now_or(now), unit_key=unit_key, position=position)
    files: list[IngestedFile] = []
    for chunk in _chunks(expand_sources(sources, ws.settings), max(1, ws.settings.judge_batch)):
        for done in desk.take_in(chunk):
            files.append(done)
            if progress is not None:
                progress(len(files), done.file_name)
    files = as_it_stands(ws, actor, files)
    rounds = [file.photo.round_id for file in files if file.photo is not None]
    return IngestReport(rounds[-1] if rounds else None, tuple(files))


def _chunks(uploads: Iterator[Upload], size: int) -> Iterator[list[Upload]]:
    while chunk := list(islice(uploads, size)):
        yield chunk


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
        ConflictError: somebody has named its unit already or set it aside, or the site is closed.
        ArtefactError: the model fails on it.
    """
    return as_it_stands(ws, actor, [assigned(ws, actor, waiting_id, unit_key, position)])[0]


def assigned(
    ws: Workspace, actor: Actor, waiting_id: int, unit_key: str, position: str | None
) -> IngestedFile:
    """Do what ``assign_unit`` does, without what other photos of the coupler say."""
    actor.require(Permission.SEND)
    with ws.read() as session:
        row = unsettled_file(session, waiting_id)
        if row.aside:
            raise ConflictError(
                "a photo that waits", f"{row.file_name}, {aside_words(row.aside)}", "Bring it back first."
            )
        unit = unit_row(session, unit_key)
        refuse_closed(unit.site)
        target = Target(unit.key, coupler_at(unit, position or first_position(unit)).position)
        arrival = Arrival(row.file_name, row.sha256, actor, row.received_at, unit.site.key, row.received_by)
    judge = ws.classifier()
    photo = open_photo(ws.photos.get(arrival.sha256), max_side=judging_side(judge))
    judgement = judged_alone(judge, photo)
    if judgement is None:
        raise ArtefactError(
            f"a verdict on {arrival.file_name}",
            "a fault of the model",
            "It is kept and waits: try again later.",
        )
    kept = keep_photo(ws, arrival, target, photo, judgement)
    return told(arrival.file_name, kept, target)


def list_rejected(ws: Workspace, actor: Actor, limit: int = 200) -> list[RejectedFile]:
    """Return the files kept aside because they are no photos we can read, newest first."""
    actor.require(Permission.SEE)
    query = select(RejectedRow).order_by(RejectedRow.id.desc()).limit(limit)
    with ws.read() as session:
        return [
            RejectedFile(row.id, row.sha256, row.file_name, row.received_at, row.received_by, row.why)
            for row in session.scalars(query)
        ]
