"""Judging kept photos again with the live version: adds verdicts, never changes one.

A flag that nobody has ruled on stays what stands where the new verdict is milder (``standing``)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import NamedTuple

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from data_tools import jobs
from data_tools.access import Actor, Permission
from data_tools.database.schema import CouplerRow, PhotoRow, RoundRow, SiteRow, UnitRow, VerdictRow
from data_tools.intake import add_verdict
from data_tools.model_side import Judge, judging_side
from data_tools.one_core import on_one_core
from data_tools.states import refresh_state
from data_tools.workspace import Workspace, now_or
from model.errors import NotFoundError, PhotoError
from model.photo import open_photo

MOST_NAMED = 5


@dataclass(frozen=True)
class JudgedAgain:
    """How many photos have a new verdict, and the names of those whose originals could not be read."""

    count: int
    lost: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """What was done and what could not be, in plain words."""
        done = f"{self.count} photos judged again"
        if not self.lost:
            return f"{done}."
        more = f" and {len(self.lost) - MOST_NAMED} more" if len(self.lost) > MOST_NAMED else ""
        return (
            f"{done}. Passed over, since the original is lost or damaged: {len(self.lost)} "
            f"({', '.join(self.lost[:MOST_NAMED])}{more}). Run `rounds verify`, restore them from a backup "
            "and judge again."
        )


@dataclass(frozen=True)
class RoundToJudge:
    """One round: its number, site and ISO week, its photos, and how many the live version has not judged."""

    round_id: int
    site_key: str
    iso_year: int
    iso_week: int
    photos: int
    left: int


def rounds_to_judge(ws: Workspace, actor: Actor, limit: int = 60) -> list[RoundToJudge]:
    """Return the latest rounds with photos that the live version has not judged, newest first."""
    actor.require(Permission.MANAGE_MODELS)
    version = ws.classifier().version
    done = select(VerdictRow.photo_id).where(VerdictRow.model_version == version)
    left = func.sum(case((PhotoRow.id.not_in(done), 1), else_=0))
    query = (
        select(RoundRow.id, SiteRow.key, RoundRow.iso_year, RoundRow.iso_week, func.count(PhotoRow.id), left)
        .join(PhotoRow, PhotoRow.round_id == RoundRow.id)
        .join(SiteRow, SiteRow.id == RoundRow.site_id)
        .group_by(RoundRow.id, SiteRow.key, RoundRow.iso_year, RoundRow.iso_week)
        .having(left > 0)
        .order_by(RoundRow.iso_year.desc(), RoundRow.iso_week.desc(), SiteRow.key)
        .limit(limit)
    )
    with ws.read() as session:
        return [RoundToJudge(*row) for row in session.execute(query)]


def rescore(
    ws: Workspace,
    actor: Actor,
    *,
    round_id: int | None = None,
    progress: Callable[[int, str], None] | None = None,
    now: datetime | None = None,
) -> JudgedAgain:
    """Judge the photos of one round (or all) that the live version has not judged yet.

    One transaction a photo: stopped half-way, it goes on where it was when called again. A photo whose
    original is lost or damaged is passed over and named.

    Raises:
        NotFoundError: no such round.
    """
    actor.require(Permission.MANAGE_MODELS)
    judge = ws.classifier()
    todo = _not_judged(ws, judge.version, round_id)
    lost = []
    for count, photo in enumerate(todo, 1):
        try:
            _judge_again(ws, judge, photo, now_or(now))
        except (NotFoundError, PhotoError):
            lost.append(f"{photo.file_name} of {photo.unit_key}")
        if progress is not None:
            progress(count, photo.sha256)
    return JudgedAgain(len(todo) - len(lost), tuple(lost))


def run_job(ws: Workspace, actor: Actor, job_id: int, round_id: int | None = None) -> JudgedAgain:
    """Judge again as the job ``job_id``: progress, stop requests and the result go through its row."""
    actor.require(Permission.MANAGE_MODELS)
    with jobs.running(ws, job_id) as job:
        version = ws.classifier().version
        total = max(1, len(_not_judged(ws, version, round_id)))
        done = rescore(
            ws,
            actor,
            round_id=round_id,
            progress=lambda n, _name: job.beat(min(1.0, n / total), f"judging {total} photos again"),
        )
        job.message = f"{done.words} By {version}; earlier verdicts stay."
    return done


class _Photo(NamedTuple):
    id: int
    sha256: str
    file_name: str
    unit_key: str


def _not_judged(ws: Workspace, version: str, round_id: int | None) -> list[_Photo]:
    """Return the photos that this version has not judged."""
    done_already = select(VerdictRow.photo_id).where(VerdictRow.model_version == version)
    query = (
        select(PhotoRow.id, PhotoRow.sha256, PhotoRow.file_name, UnitRow.key)
        .join(CouplerRow, CouplerRow.id == PhotoRow.coupler_id)
        .join(UnitRow, UnitRow.id == CouplerRow.unit_id)
        .where(PhotoRow.id.not_in(done_already))
        .order_by(PhotoRow.id)
    )
    with ws.read() as session:
        if round_id is not None:
            _refuse_unknown(session, round_id)
            query = query.where(PhotoRow.round_id == round_id)
        return [_Photo(*row) for row in session.execute(query)]


def _refuse_unknown(session: Session, round_id: int) -> None:
    if session.get(RoundRow, round_id) is not None:
        return
    query = (
        select(RoundRow.id, SiteRow.key, RoundRow.iso_week, RoundRow.iso_year)
        .join(SiteRow, SiteRow.id == RoundRow.site_id)
        .order_by(RoundRow.id.desc())
        .limit(MOST_NAMED)
    )
    latest = [f"{n} ({site}, week {week} of {year})" for n, site, week, year in session.execute(query)]
    raise NotFoundError(
        "a round that exists", f"number {round_id}", f"The latest rounds: {', '.join(latest) or 'none'}."
    )


def _judge_again(ws: Workspace, judge: Judge, kept: _Photo, at: datetime) -> None:
    original = open_photo(ws.photos.get(kept.sha256), max_side=judging_side(judge))
    judgement = on_one_core(partial(judge.judge, original))
    with ws.write() as session:
        photo = session.get_one(PhotoRow, kept.id)
        add_verdict(session, photo, judgement, at)
        refresh_state(session, photo, ws.settings)
