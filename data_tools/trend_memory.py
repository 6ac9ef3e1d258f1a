"""The frames of the trends, kept while the store stays as it is and brought up to date where it moved on.

Reading a hundred thousand photos anew for each look would cost more than all figures together. What is shown
is never older than the store: before each use the database adds up what the frames were made from, and the
frames must add up to the same.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import pandas as pd
from sqlalchemy import ColumnElement, case, func, or_, select
from sqlalchemy.orm import Session

from data_tools.access import Actor, Permission
from data_tools.database.schema import (
    CouplerRow,
    DecisionRow,
    EventRow,
    ObservationRow,
    PhotoRow,
    PhotoStateRow,
    SiteRow,
    UnitRow,
    VerdictRow,
)
from data_tools.standing import RULED
from data_tools.trend_data import findings_frame, with_photos
from data_tools.trend_photos import photos_frame
from data_tools.trend_tables import couplers_frame
from data_tools.trends import Notice, TrendData, attention
from data_tools.trends.frames import BIT_OF_KIND
from data_tools.workspace import Workspace, now_or
from model.vocabulary import Triage

MOST_NEW = 5_000
"""Records that came since; with more of them everything is read again."""
NOTICED_S = 120.0
"""How long notices are kept of frames that have not changed: only the days that couplers wait go on."""

Sums = tuple[int, ...]


@dataclass(frozen=True)
class _Mark:
    """How far the store had got. ``last``: newest photo, verdict, decision, event; ``other``: the rest."""

    last: Sums
    states: Sums
    other: Sums


class TrendMemory:
    """Keeps the newest frames for everybody who may see them. Safe to share between threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: tuple[_Mark, TrendData] | None = None
        self._noticed: tuple[TrendData, datetime, tuple[Notice, ...]] | None = None

    def current(self, ws: Workspace, actor: Actor) -> TrendData:
        """Return what ``load_trends`` would; the same object while the store stays as it is.

        Raises:
            NotAllowedError: the role may not see trends.
            StorageError: the database cannot be read.
        """
        actor.require(Permission.PLAN)
        with self._lock, ws.read() as session:
            now = _mark(session)
            if self._kept is None:
                data = _everything(session)
            elif self._kept[0] != now:
                data = _moved_on(session, *self._kept, now) or _everything(session)
            else:
                data = _with_findings(session, self._kept[1])
            self._kept = (now, data)
            return data

    def notices(self, ws: Workspace, actor: Actor, now: datetime | None = None) -> tuple[Notice, ...]:
        """Return what needs the lead (``attention``) in the frames as they are now."""
        data, moment = self.current(ws, actor), now_or(now)
        kept = self._noticed
        if kept is None or kept[0] is not data or abs((moment - kept[1]).total_seconds()) > NOTICED_S:
            kept = (data, moment, attention(data, pd.Timestamp(moment)))
            self._noticed = kept
        return kept[2]


def _everything(session: Session) -> TrendData:
    couplers = couplers_frame(session)
    return with_photos(session, couplers, photos_frame(session, couplers))


def _moved_on(session: Session, before: _Mark, data: TrendData, now: _Mark) -> TrendData | None:
    """Read only the photos with new records; ``None`` where that does not give what the store holds."""
    photo, verdict, decision, _event = before.last
    if sum(now.last) - sum(before.last) > MOST_NEW:
        return None
    couplers = couplers_frame(session)
    if not _as_they_were(data.couplers, couplers):
        return None
    judged = select(VerdictRow.photo_id).where(VerdictRow.id > verdict)
    decided = select(DecisionRow.photo_id).where(DecisionRow.id > decision)
    # All that ever moved, which are few: nothing adds up where a server shows an earlier event late.
    moved = select(EventRow.photo_id).where(EventRow.photo_id.is_not(None))
    touched = or_(PhotoRow.id > photo, *(PhotoRow.id.in_(some) for some in (judged, decided, moved)))
    photos = _replaced(data.photos, photos_frame(session, couplers, touched))
    return with_photos(session, couplers, photos) if _added_up(photos) == now.states else None


def _with_findings(session: Session, data: TrendData) -> TrendData:
    """Take the findings as they are: a repair of derived rows may move one to another place unannounced."""
    findings = findings_frame(session, data.photos)
    return data if findings.equals(data.findings) else replace(data, findings=findings, _weeks={})


def _as_they_were(before: pd.DataFrame, now: pd.DataFrame) -> bool:
    """Whether what photos take from their coupler is unchanged; one that was taken off stays what it is."""
    fixed = [column for column in before.columns if column != "removed_on"]
    same = now[now["coupler_id"].isin(before["coupler_id"])]
    return bool(before[fixed].reset_index(drop=True).equals(same[fixed].reset_index(drop=True)))


def _replaced(photos: pd.DataFrame, fresh: pd.DataFrame) -> pd.DataFrame:
    """Lay the fresh rows over those of the same photos and add the others, column by column."""
    if fresh.empty:
        return photos
    at = pd.Index(photos["photo_id"]).get_indexer(fresh["photo_id"])
    known = at >= 0
    columns = {}
    for name in photos.columns:
        old, new = (_open_ended(frame[name]) for frame in (photos, fresh))
        values = old.array.copy()
        values[at[known]] = new.array[known]
        column = pd.concat([pd.Series(values), new[~known]], ignore_index=True)
        columns[name] = column.astype(photos[name].dtype.name)
    return pd.DataFrame(columns)


def _open_ended(column: pd.Series) -> pd.Series:
    """A column that takes any value: categories would refuse a new one."""
    return column.astype(object) if isinstance(column.dtype, pd.CategoricalDtype) else column


def _mark(session: Session) -> _Mark:
    last = [select(func.max(row.id)) for row in (PhotoRow, VerdictRow, DecisionRow, EventRow)]
    other = [
        select(func.count(row.id), func.max(row.id))
        for row in (DecisionRow, EventRow, ObservationRow, CouplerRow, UnitRow, SiteRow)
    ]
    other += [
        select(_sum_where(CouplerRow.removed_on.is_not(None), CouplerRow.id)),
        select(_sum_where(SiteRow.closed_at.is_not(None), SiteRow.id)),
    ]
    return _Mark(_sums(session, last), _sums(session, [_states()]), _sums(session, other))


def _sums(session: Session, queries: list[Any]) -> Sums:
    return tuple(int(value or 0) for query in queries for value in session.execute(query).one())


def _sum_where(condition: ColumnElement[bool], number: Any) -> ColumnElement[Any]:
    # Of record numbers, not of ones: two rows that change places must not cancel each other out.
    return func.sum(case((condition, number), else_=0))


def _states() -> Any:
    row = PhotoStateRow
    conditions = [row.judged, *(getattr(row, kind.value) for kind in BIT_OF_KIND)]
    conditions += [*(row.triage == triage for triage in Triage), row.reason.is_not(None)]
    conditions.append(row.stand.in_(RULED))
    columns = [_sum_where(condition, row.photo_id) for condition in conditions]
    return select(func.count(), func.sum(row.verdict_id), func.sum(row.decision_id), *columns)


def _added_up(photos: pd.DataFrame) -> Sums:
    """The same sums as ``_states``, of the frame."""
    stands, triage = photos["stands"], photos["triage"]
    conditions = [photos["usable"], *((stands & bit) > 0 for bit in BIT_OF_KIND.values())]
    conditions += [*(triage == each.value for each in Triage), photos["reason"] != "", photos["decided"]]
    sums = [photos.loc[condition, "photo_id"].sum() for condition in conditions]
    return tuple(map(int, (len(photos), photos["verdict_id"].sum(), photos["decision_id"].sum(), *sums)))
