"""The frames that the trend functions read, and the figure that they return.

All functions of this package are pure: frames in, ``Figure`` out. Nobody's name, path or picture is needed.
Damage is counted by coupler: one that is photographed in ten weeks with the same melted housing is one
damaged coupler, not ten. A photo that neither model nor person could judge counts as not seen, and so does
one that the model is unsure about until a person has decided.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from model.vocabulary import GRAVITY, LABEL_OF_KIND, FindingKind, Label

CONFIDENCE = 0.95
BIT_OF_KIND: dict[FindingKind, int] = {kind: 1 << position for position, kind in enumerate(GRAVITY)}
"""Sets of findings are kept as one small number: the sum of the bits of their kinds; 0 is intact."""
LABELS: tuple[str, ...] = tuple(Label)
SHARE_COLUMNS = frozenset({"rate", "low", "high", "centre", "lower", "upper", "share", "agreed", "at_most"})
"""Columns of a figure's table that hold shares 0..1: screens and report show them in percent."""

# Fewest cases that a figure is drawn from. Common practice, no source: below these an exact interval is so
# wide that it would be read as news when it is only noise.
MIN_COUPLERS = 10
MIN_COUPLER_WEEKS = 50
MIN_WEEKS = 12
MIN_AT_RISK = 5
MIN_EVENTS = 3
MIN_READ_TWICE = 20
MIN_AUDITED = 59
"""Audited clear verdicts: 59 without a miss show a miss rate below 5 % with 95 % confidence."""
MIN_PHOTOS_A_WEEK = 20

_LABEL_OF_BITS = np.array(
    [
        next((LABEL_OF_KIND[k].value for k in GRAVITY if bits & BIT_OF_KIND[k]), Label.INTACT.value)
        for bits in range(1 << len(GRAVITY))
    ]
)


@dataclass(frozen=True, eq=False)
class TrendData:
    """Everything that trends are computed from. Times are UTC, dates and weeks local to the site.

    ``photos``, one row a photo: photo_id, coupler_id, unit, position, site, family, part_number, week (the
    Monday of its round), seen_at, age_days (since installation), outcome, reason, triage and model_version
    (of the verdict that stands: a flag that nobody has ruled on outlasts a milder one), blind_audit, decided
    (by people who do not differ), usable (the photo could be judged), judged (a state stands: a person told
    what is there, or it is clear or flagged by the model), kinds (bits of that state; -1: there is none).

    ``findings``, one row a finding that stands now: photo_id, kind, place, confirmed (a person saw it and
    nobody differs).
    ``decisions``, one row a decision that counts, oldest first: photo_id, verdict_id (the verdict that the
    person saw) with its model_version, triage (empty where it refused) and model_kinds (bits of what it
    found; -1 where it refused), decided_by, decided_at, kinds (bits of what the person found; -1: cannot
    tell), seconds, evidence_shown. ``couplers``: coupler_id, unit, position, number, site, family,
    part_number, installed_on, removed_on, put_on_at (entered in the store). ``units``: unit, site, added_at,
    closed_at (when the site was closed; NaT: open). ``events``: unit, site, coupler_id, kind, reason,
    done_by, done_at. ``observations``: unit, site, what, note, done_at. ``names``: site key -> what people
    call it; closed sites too.
    """

    photos: pd.DataFrame
    findings: pd.DataFrame
    decisions: pd.DataFrame
    couplers: pd.DataFrame
    units: pd.DataFrame
    events: pd.DataFrame
    observations: pd.DataFrame
    names: Mapping[str, str] = field(default_factory=dict)
    _weeks: dict[FindingKind | None, pd.DataFrame] = field(default_factory=dict, repr=False)

    def called(self, site: str) -> str:
        """Return what people call a site; its key where it has no name."""
        return self.names.get(site, site)

    def coupler_weeks(self, kind: FindingKind | None = None) -> pd.DataFrame:
        """Return ``coupler_weeks(photos, kind)``, computed once: most figures start from it."""
        if kind not in self._weeks:
            self._weeks[kind] = coupler_weeks(self.photos, kind)
        return self._weeks[kind]


@dataclass(frozen=True, eq=False)
class Figure:
    """One figure of the lead: a table with intervals and n in each row, or the words why there is none.

    ``counted`` says what n counts and how; ``not_enough`` is empty where the figure may be drawn, else it
    says how much is there and how much is needed (rows that are themselves too thin have ``enough`` false
    and no rate). ``notices`` are plain sentences about what moved beyond chance and what to do.
    """

    title: str
    table: pd.DataFrame
    n: int
    counted: str
    not_enough: str = ""
    notices: tuple[str, ...] = ()

    @property
    def enough(self) -> bool:
        """Whether there is enough to draw the figure."""
        return not self.not_enough


def not_enough(have: int, needed: int, of: str) -> str:
    """Return the words for too little data, or nothing when ``have`` reaches ``needed``."""
    if have >= needed:
        return ""
    return f"Not enough yet: {have} {of}, {needed} needed ({needed - have} more)."


def words_for(kind: FindingKind | None) -> str:
    """Return the trade's words for a kind of damage; ``None`` is any damage."""
    return LABEL_OF_KIND[kind].value if kind else "damage"


def labels_of(kinds: NDArray[np.integer] | pd.Series) -> NDArray[np.str_]:
    """Return the summary label of each set of findings; an empty string for -1 (not judged)."""
    bits = np.asarray(kinds, np.int64)
    return np.where(bits < 0, "", _LABEL_OF_BITS[np.maximum(bits, 0)])


def bits_of(kinds: Iterable[FindingKind]) -> int:
    """Return the set of findings as one number."""
    return sum({BIT_OF_KIND[kind] for kind in kinds})


def has_kind(photos: pd.DataFrame, kind: FindingKind | None, column: str = "kinds") -> NDArray[np.bool_]:
    """Return which rows show ``kind`` now (any damage when ``None``)."""
    bits = photos[column].to_numpy()
    wanted = BIT_OF_KIND[kind] if kind else sum(BIT_OF_KIND.values())
    return np.asarray((bits > 0) & ((bits & wanted) > 0), np.bool_)


_OF_PHOTO = ["coupler_id", "site", "family", "part_number", "week", "age_days"]


def coupler_weeks(photos: pd.DataFrame, kind: FindingKind | None = None) -> pd.DataFrame:
    """Return one row for each coupler and week with a judged photo: the week's worst, oldest first.

    Columns: of the photo ``coupler_id``, ``site``, ``family``, ``part_number``, ``week`` and ``age_days``;
    ``hit`` (shows ``kind``, or any damage), ``confirmed`` (a person has confirmed
    the hit), ``first_week`` (the coupler's first judged week), ``hit_week`` (the first week with a hit, or
    NaT), ``at_risk`` (after its first week and up to the week of its first hit) and ``new`` (first hit,
    while at risk).
    """
    judged = photos.loc[photos["judged"], [*_OF_PHOTO, "kinds", "decided"]]
    hit = has_kind(judged, kind)
    confirmed = hit & judged["decided"].to_numpy(np.bool_)
    judged = judged[_OF_PHOTO].assign(hit=hit, confirmed=confirmed)
    worst_first = -(judged["hit"].to_numpy(np.int8) + judged["confirmed"].to_numpy(np.int8))
    rows = judged.iloc[np.lexsort((worst_first, judged["week"].to_numpy(), judged["coupler_id"].to_numpy()))]
    ids, weeks = rows["coupler_id"].to_numpy(), rows["week"].to_numpy()
    first_of_pair = np.ones(len(rows), np.bool_)
    first_of_pair[1:] = (ids[1:] != ids[:-1]) | (weeks[1:] != weeks[:-1])
    rows = rows[first_of_pair]
    grouped = rows.groupby("coupler_id", sort=False)
    first_week = grouped["week"].transform("min")
    hit_week = rows["coupler_id"].map(rows[rows["hit"]].groupby("coupler_id")["week"].min())
    at_risk = (rows["week"] > first_week) & (hit_week.isna() | (rows["week"] <= hit_week))
    return rows.assign(
        first_week=first_week, hit_week=hit_week, at_risk=at_risk, new=at_risk & (rows["week"] == hit_week)
    )


def between(data: TrendData, start: pd.Timestamp, end: pd.Timestamp) -> TrendData:
    """Return ``data`` with only the photos, findings and decisions of weeks in [start, end)."""
    photos = data.photos[(data.photos["week"] >= start) & (data.photos["week"] < end)]
    kept = set(photos["photo_id"])
    return TrendData(
        photos,
        data.findings[data.findings["photo_id"].isin(kept)],
        data.decisions[data.decisions["photo_id"].isin(kept)],
        data.couplers,
        data.units,
        data.events,
        data.observations,
        data.names,
    )


def last_weeks(data: TrendData, weeks: int, now: pd.Timestamp) -> TrendData:
    """Return ``data`` with only the photos, findings and decisions of the last ``weeks`` weeks to ``now``.

    Weeks are the sites' own: where it is Monday already, the week that has begun there counts beside them.
    """
    return between(data, monday(now) - pd.Timedelta(weeks=weeks - 1), pd.Timestamp.max)


def monday(day: pd.Timestamp) -> pd.Timestamp:
    """Return the Monday (naive midnight) of the week that holds ``day``."""
    plain = day.tz_localize(None) if day.tzinfo is not None else day
    return plain.normalize() - pd.Timedelta(days=plain.weekday())
