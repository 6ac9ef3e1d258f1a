"""Where the model looked: a photo with what spoke for the findings laid over it, made when asked for."""

from __future__ import annotations

import threading
from functools import partial

from sqlalchemy import select

from data_tools.access import Actor, Permission
from data_tools.database.schema import PhotoStateRow, VerdictRow
from data_tools.lookup import judgement_from_json, photo_row
from data_tools.model_side import Judge, evidence_of, judging_side
from data_tools.one_core import on_one_core
from data_tools.workspace import Workspace
from model.judgement import Judgement
from model.photo import open_photo, reencode_clean

_ONE_AT_A_TIME = threading.Lock()
"""While the networks are asked they note down what passes through them, whoever sent it."""


def evidence_view(ws: Workspace, actor: Actor, photo_id: int) -> bytes | None:
    """Return the whole photo as a JPEG, coloured where the live model found what it names.

    ``None`` where no face was located, or where the verdict that stands is not of the live version: only that
    one can be asked. Takes a tenth of a second once the model is loaded.

    Raises:
        NotFoundError: no such photo, or its original is missing.
        PhotoError: the original cannot be decoded (damaged on disk).
    """
    actor.require(Permission.DECIDE)
    with ws.read() as session:
        sha256 = photo_row(session, photo_id).sha256
        stands = select(VerdictRow).join(PhotoStateRow, PhotoStateRow.verdict_id == VerdictRow.id)
        verdict = session.scalar(stands.where(PhotoStateRow.photo_id == photo_id))
        judgement = judgement_from_json(verdict.judgement) if verdict is not None else None
    judge = ws.classifier()
    if judgement is None or judgement.face is None or judgement.model_version != judge.version:
        return None
    original = ws.photos.get(sha256)
    return on_one_core(partial(_coloured, judge, original, judgement))


def _coloured(judge: Judge, original: bytes, judgement: Judgement) -> bytes | None:
    photo = open_photo(original, max_side=judging_side(judge))
    with _ONE_AT_A_TIME:
        picture = evidence_of(judge, photo, judgement)
    return None if picture is None else reencode_clean(picture)
