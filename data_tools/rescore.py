"""Judging kept photos again with the live version: adds verdicts, never changes one."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from sqlalchemy import select

from data_tools.access import Actor, Permission
from data_tools.database.schema import PhotoRow, VerdictRow
from data_tools.intake import add_verdict
from data_tools.model_side import judging_side
from data_tools.states import refresh_state
from data_tools.workspace import Workspace, now_or
from model.photo import open_photo


def rescore(
    ws: Workspace,
    actor: Actor,
    *,
    round_id: int | None = None,
    progress: Callable[[int, str], None] | None = None,
    now: datetime | None = None,
) -> int:
    """Judge the photos of one round (or all) that the live version has not judged yet; return how many.

    One transaction a photo: stopped half-way, it goes on where it was when called again.
    """
    actor.require(Permission.MANAGE_MODELS)
    judge = ws.classifier()
    done_already = select(VerdictRow.photo_id).where(VerdictRow.model_version == judge.version)
    query = select(PhotoRow.id, PhotoRow.sha256).where(PhotoRow.id.not_in(done_already)).order_by(PhotoRow.id)
    if round_id is not None:
        query = query.where(PhotoRow.round_id == round_id)
    with ws.read() as session:
        todo = [(row.id, row.sha256) for row in session.execute(query)]
    for count, (photo_id, sha256) in enumerate(todo, 1):
        judgement = judge.judge(open_photo(ws.photos.get(sha256), max_side=judging_side(judge)))
        with ws.write() as session:
            photo = session.get_one(PhotoRow, photo_id)
            add_verdict(session, photo, judgement, now_or(now))
            refresh_state(session, photo)
        if progress is not None:
            progress(count, sha256)
    return len(todo)
