"""Model versions: kept as they came, one pointer to the live one, every move recorded and reversible."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from data_tools.access import Actor, Permission
from data_tools.conditions import required_reason
from data_tools.database.schema import LiveModelRow, ModelEventRow, ModelVersionRow
from data_tools.jobs import refuse_replaced
from data_tools.keys import clean_text
from data_tools.model_files import KeptFile, check_file, keep_file
from data_tools.records import ModelEventKind, ModelVersion
from data_tools.workspace import Workspace, now_or
from model.errors import ConflictError, NotFoundError

SHIPPED = "shipped"
"""Key of the version that came with the product; it is not in the table and can always be gone back to."""


def register(
    ws: Workspace,
    actor: Actor,
    artefact: Path,
    note: str,
    *,
    metrics: Mapping[str, Any] | None = None,
    training_set: str = "",
    now: datetime | None = None,
) -> ModelVersion:
    """Copy a model file into the workspace and enter it; the live version stays as it is.

    The same file twice is entered once. It is loaded first: a file that cannot judge is not entered.

    Raises:
        ArtefactError: not a model file that this version can load.
        ConflictError: another file of the same version name is here.
    """
    actor.require(Permission.MANAGE_MODELS)
    file = keep_file(ws, artefact)
    with ws.write() as session:
        row = _entered(session, ws, file, note, metrics or {}, training_set, actor, now)
        return _version_record(session, row, _live_id(session))


def settle(
    ws: Workspace,
    actor: Actor,
    artefact: Path,
    note: str,
    *,
    promote: bool,
    why: str,
    compared_with: str,
    job_id: int | None = None,
    metrics: Mapping[str, Any] | None = None,
    training_set: str = "",
    now: datetime | None = None,
) -> ModelVersion:
    """Enter a model file and promote or hold it, in one transaction: never one without the other.

    It is promoted only over the version ``compared_with``: where another one has been made live since, it is
    held, and says so. A version that is live already stays live, and that it was found again is not recorded
    twice. ``job_id``: the job that it comes from.

    Raises:
        ArtefactError: not a model file that this version can load.
        ConflictError: another file of the same version name is here.
        ReplacedError: another job was started meanwhile; nothing is entered.
    """
    actor.require(Permission.MANAGE_MODELS)
    reason = required_reason(why)
    file = keep_file(ws, artefact)
    with ws.write() as session:
        if job_id is not None:
            refuse_replaced(session, job_id)
        session.get(LiveModelRow, 1, with_for_update=True)  # nobody moves it until the decision is kept
        row = _entered(session, ws, file, note, metrics or {}, training_set, actor, now)
        live = _live_name(session)
        if promote and live == compared_with and live != row.version:
            _move(session, row, ModelEventKind.PROMOTED, reason, actor, now)
        elif not promote:
            _record(session, row.id, ModelEventKind.HELD, reason, actor, now)
        elif live != row.version:
            _record(session, row.id, ModelEventKind.HELD, _overtaken(live, compared_with), actor, now)
        return _version_record(session, row, _live_id(session))


def _overtaken(live: str, compared_with: str) -> str:
    return (
        f"Held: {live} was made live meanwhile. This version was compared with {compared_with} alone, and "
        f"nobody knows whether it is as good as {live}. Train again: it then goes on from that one."
    )


def _entered(
    session: Session,
    ws: Workspace,
    file: KeptFile,
    note: str,
    metrics: Mapping[str, Any],
    training_set: str,
    actor: Actor,
    now: datetime | None,
) -> ModelVersionRow:
    row = session.scalar(select(ModelVersionRow).where(ModelVersionRow.version == file.version))
    if row is not None and row.digest != file.digest:
        raise ConflictError(
            "a new version name", f"{file.version}, which names another file", "Train it again."
        )
    if row is None:
        row = ModelVersionRow(
            version=file.version,
            path=file.path.relative_to(ws.folder).as_posix(),
            digest=file.digest,
            note=clean_text(note, 2000),
            metrics=json.loads(json.dumps(dict(metrics), default=str)),
            training_set=training_set,
            registered_at=now_or(now),
            registered_by=actor.name,
        )
        session.add(row)
        session.flush()
        _record(session, row.id, ModelEventKind.REGISTERED, note, actor, now)
    return row


def list_versions(ws: Workspace, actor: Actor) -> list[ModelVersion]:
    """Return all versions, the shipped one first, then as they were entered."""
    actor.require(Permission.SEE)
    with ws.read() as session:
        live = _live_id(session)
        rows = session.scalars(select(ModelVersionRow).order_by(ModelVersionRow.id))
        return [_shipped_record(live), *(_version_record(session, row, live) for row in rows)]


def live_version(ws: Workspace) -> ModelVersion:
    """Return the version that judges new photos."""
    with ws.read() as session:
        live = _live_id(session)
        row = session.get(ModelVersionRow, live) if live is not None else None
        return _version_record(session, row, live) if row is not None else _shipped_record(live)


def promote(
    ws: Workspace, actor: Actor, version: str, why: str, *, now: datetime | None = None
) -> ModelVersion:
    """Make ``version`` the live one: its file is checked, then one transaction moves the pointer.

    Raises:
        NotFoundError: no such version.
        ArtefactError: its file is missing or altered.
        ConflictError: it is live already.
    """
    actor.require(Permission.MANAGE_MODELS)
    reason = required_reason(why)
    with ws.write() as session:
        row = None if version == SHIPPED else _row(session, version)
        if row is not None:
            check_file(ws, row)
        _move(session, row, ModelEventKind.PROMOTED, reason, actor, now)
        live = row.id if row is not None else None
        return _version_record(session, row, live) if row is not None else _shipped_record(live)


def go_back(ws: Workspace, actor: Actor, why: str, *, now: datetime | None = None) -> ModelVersion:
    """Make the version live that was live before this one; verdicts keep the version that made them.

    Raises:
        ConflictError: the shipped version is live and nothing was before it.
        ArtefactError: the earlier version's file is missing or altered.
    """
    actor.require(Permission.MANAGE_MODELS)
    reason = required_reason(why)
    with ws.write() as session:
        row = _before(session)
        if row is not None:
            check_file(ws, row)
        _move(session, row, ModelEventKind.WENT_BACK, reason, actor, now)
        live = row.id if row is not None else None
        return _version_record(session, row, live) if row is not None else _shipped_record(live)


def version_before(ws: Workspace, actor: Actor) -> str | None:
    """Return the version that ``go_back`` would make live; ``None`` where there is none."""
    actor.require(Permission.SEE)
    with ws.read() as session:
        try:
            row = _before(session)
        except ConflictError:
            return None
        return row.version if row is not None else SHIPPED


def _before(session: Session) -> ModelVersionRow | None:
    """Return the version to go back to (``None``: the shipped one), by replaying the moves as a stack."""
    moves = session.scalars(
        select(ModelEventRow)
        .where(ModelEventRow.kind.in_((ModelEventKind.PROMOTED, ModelEventKind.WENT_BACK)))
        .order_by(ModelEventRow.id)
    )
    stack: list[int | None] = [None]
    for move in moves:
        if move.kind is ModelEventKind.PROMOTED:
            stack.append(move.version_id)
        elif len(stack) > 1:
            stack.pop()
    if len(stack) < 2:
        raise ConflictError("an earlier version to go back to", "none", "Promote another version instead.")
    earlier = stack[-2]
    return session.get(ModelVersionRow, earlier) if earlier is not None else None


def _move(
    session: Session,
    row: ModelVersionRow | None,
    kind: ModelEventKind,
    why: str,
    actor: Actor,
    now: datetime | None,
) -> None:
    target = row.id if row is not None else None
    pointer = session.get(LiveModelRow, 1, with_for_update=True)
    if (pointer.version_id if pointer else None) == target:
        name = row.version if row else SHIPPED
        raise ConflictError("a version that is not live", f"{name}, which is", "Nothing to do.")
    if pointer is None:
        pointer = LiveModelRow(id=1)
        session.add(pointer)
    pointer.version_id, pointer.moved_at = target, now_or(now)
    _record(session, target, kind, why, actor, now)


def _record(
    session: Session,
    version_id: int | None,
    kind: ModelEventKind,
    why: str,
    actor: Actor,
    now: datetime | None,
) -> None:
    session.add(
        ModelEventRow(
            version_id=version_id,
            kind=kind,
            why=clean_text(why, 4000),
            done_by=actor.name,
            done_at=now_or(now),
        )
    )
    session.flush()


def _row(session: Session, version: str) -> ModelVersionRow:
    row = session.scalar(select(ModelVersionRow).where(ModelVersionRow.version == version))
    if row is None:
        raise NotFoundError("a model version that exists", repr(version), "See `rounds models` for the list.")
    return row


def _live_id(session: Session) -> int | None:
    return session.scalar(select(LiveModelRow.version_id).where(LiveModelRow.id == 1))


def _live_name(session: Session) -> str:
    live = _live_id(session)
    return session.get_one(ModelVersionRow, live).version if live is not None else SHIPPED


def _version_record(session: Session, row: ModelVersionRow, live: int | None) -> ModelVersion:
    last = session.scalars(
        select(ModelEventRow)
        .where(ModelEventRow.version_id == row.id)
        .order_by(ModelEventRow.id.desc())
        .limit(1)
    ).one()
    is_live = row.id == live
    status = "live" if is_live else ("replaced" if last.kind is ModelEventKind.PROMOTED else last.kind.value)
    return ModelVersion(row.version, row.registered_at, row.path, is_live, status, last.why, row.metrics)


def _shipped_record(live: int | None) -> ModelVersion:
    epoch = datetime.fromisoformat("1970-01-01T00:00:00+00:00")
    status = "live" if live is None else "replaced"
    return ModelVersion(SHIPPED, epoch, "", live is None, status, "Came with the product.")
