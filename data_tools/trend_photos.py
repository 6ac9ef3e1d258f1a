"""The photos of the trends, one row each: plain columns come out of the database, words are laid over them.

For a hundred thousand photos the time goes into making Python objects, so that weeks travel as the number of
their round and nothing is made into an enum or a date on the way.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, Select, func, select
from sqlalchemy.orm import Session

from data_tools.database.schema import PhotoRow, PhotoStateRow, RoundRow, VerdictRow
from data_tools.standing import RULED, SAID
from data_tools.trend_tables import as_times, plain_column, read_columns, read_frame
from data_tools.trends.frames import BIT_OF_KIND
from model.vocabulary import Outcome, Triage

Ints = NDArray[np.int64]


def photos_frame(
    session: Session, couplers: pd.DataFrame, where: ColumnElement[bool] | None = None
) -> pd.DataFrame:
    """Return the photos (those ``where`` says, else all) as ``TrendData.photos``, by photo_id.

    Besides, ``verdict_id``, ``decision_id`` (0: none) and ``stands`` (bits of the findings kept, whether or
    not they count yet) tell what the row was made from.
    """
    read = read_columns(session, _query(where))
    photo_id, coupler_id, round_id, verdict_id, decision_id = (
        np.array(read[name], np.int64)
        for name in ("photo_id", "coupler_id", "round_id", "verdict_id", "decision_id")
    )
    usable, blind_audit = np.array(read["judged"], np.bool_), np.array(read["blind_audit"], np.bool_)
    stands = np.sum([np.array(read[kind], np.int64) * bit for kind, bit in BIT_OF_KIND.items()], axis=0)
    triage, reason, stand = (np.array(read[name], dtype=object) for name in ("triage", "reason", "stand"))
    decided, scored = np.isin(stand, RULED), triage != ""
    judged = usable & ((triage != Triage.UNSURE.value) | np.isin(stand, SAID))
    photos = pd.DataFrame(
        {
            "photo_id": photo_id,
            "coupler_id": coupler_id,
            "verdict_id": verdict_id,
            "decision_id": decision_id,
            "week": _weeks(session, round_id),
            "seen_at": as_times(pd.Series(read["seen_at"], dtype=object)),
            "outcome": np.where(scored, Outcome.SCORED.value, Outcome.CANNOT_JUDGE.value).astype(object),
            "reason": reason,
            "triage": triage,
            "model_version": _versions(session, verdict_id, where),
            "blind_audit": blind_audit,
            "decided": decided,
            "usable": usable,
            "judged": judged,
            "stands": stands,
            "kinds": np.where(judged, stands, -1),
        }
    )
    return _with_coupler(photos, couplers)


def _query(where: ColumnElement[bool] | None) -> Select[*tuple[Any, ...]]:
    state = PhotoStateRow
    query = (
        select(
            PhotoRow.id.label("photo_id"),
            PhotoRow.coupler_id,
            PhotoRow.round_id,
            plain_column(PhotoRow.seen_at, "seen_at"),
            plain_column(PhotoRow.blind_audit, "blind_audit"),
            state.verdict_id,
            func.coalesce(state.decision_id, 0).label("decision_id"),
            plain_column(state.judged, "judged"),
            plain_column(state.stand, "stand"),
            *(plain_column(getattr(state, kind), kind) for kind in BIT_OF_KIND),
            *(func.coalesce(plain_column(c, c.key), "").label(c.key) for c in (state.triage, state.reason)),
        )
        .join(state, state.photo_id == PhotoRow.id)
        .order_by(PhotoRow.id)
    )
    return query if where is None else query.where(where)


def _weeks(session: Session, round_id: Ints) -> NDArray[np.datetime64]:
    """The naive Monday of each round's ISO week; the week that holds 4 January is week 1 (ISO 8601)."""
    rounds = read_frame(session, select(RoundRow.id, RoundRow.iso_year, RoundRow.iso_week))
    fourth = pd.to_datetime(rounds["iso_year"].astype("int64").astype(str) + "-01-04", format="%Y-%m-%d")
    days = (rounds["iso_week"].astype("int64") - 1) * 7 - fourth.dt.weekday
    mondays = (fourth + pd.to_timedelta(days, unit="D")).to_numpy("datetime64[ns]")
    at = pd.Index(rounds["id"].astype("int64")).get_indexer(round_id)
    return np.asarray(mondays[at])


def _versions(session: Session, verdict_id: Ints, where: ColumnElement[bool] | None) -> pd.Categorical:
    """The model version of each verdict. Verdict rows are long; these two columns are in an index."""
    query = select(VerdictRow.id, VerdictRow.model_version)
    if where is not None:
        query = query.where(VerdictRow.id.in_(verdict_id.tolist()))
    read = read_columns(session, query)
    names = pd.Categorical(np.array(read["model_version"], dtype=object))
    at = pd.Index(np.array(read["id"], np.int64)).get_indexer(verdict_id)
    return names.take(at, allow_fill=True).remove_unused_categories()


def _with_coupler(photos: pd.DataFrame, couplers: pd.DataFrame) -> pd.DataFrame:
    by_id = couplers.set_index("coupler_id")
    row = by_id.index.get_indexer(photos["coupler_id"])
    for column in ("unit", "position", "site", "family", "part_number"):
        photos[column] = by_id[column].to_numpy(dtype=object)[row]
    installed = by_id["installed_on"].to_numpy("datetime64[ns]")[row]
    age = (photos["seen_at"].dt.tz_localize(None).to_numpy() - installed) / np.timedelta64(1, "D")
    # A photo of the installation day may be earlier than midnight UTC of it; older ones have no known age.
    photos["age_days"] = np.where(age > -1, np.maximum(np.floor(age), 0), np.nan)
    return photos
