"""Which photos that a technician ruled on spare the look at later unsure ones of the same coupler.

The rule itself is pure (``model.as_before``). Here are the photos that it is asked about: earlier ones of the
very same coupler in which a person saw no damage and nobody differs, at most ``as_before_days`` before. A
photo on which the coupler showed damage since, or was flagged, ends their word."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from data_tools.database.schema import CouplerRow, PhotoRow, PhotoStateRow, SiteRow, UnitRow, VerdictRow
from data_tools.filing import left_by_swap
from data_tools.in_part import ASKED_WITHIN, NEW_TRY
from data_tools.lookup import judgement_from_json
from data_tools.settings import Settings
from data_tools.stable_draw import BLIND_AUDIT, share_of
from data_tools.standing import OPEN, SeenBefore, Stand
from model.as_before import MARGIN, PLACE_MARGIN, REVISION, as_before
from model.judgement import COVERED_BELOW, Judgement
from model.vocabulary import Triage

_DAMAGE = tuple(stand for stand in OPEN if stand is not Stand.DOUBTED)
TELLING = (*_DAMAGE, Stand.SEEN_INTACT)
"""What one photo can say about the look at another one."""
_MOST_DAYS = 36_500


@dataclass(frozen=True)
class _Told:
    photo_id: int
    seen_at: datetime
    stand: Stand
    judgement: Judgement
    timezone: str

    @property
    def as_seen(self) -> SeenBefore:
        return SeenBefore(self.photo_id, self.seen_at.astimezone(ZoneInfo(self.timezone)).date())


def rule_in_force(settings: Settings) -> str:
    """Return all that decides which photos are as before or show too little, in one line: states told by
    another are stale."""
    days, share = settings.as_before_days, settings.blind_audit_share
    return (
        f"revision {REVISION}; {days} days; audit {share:g}; margins {MARGIN:g}, {PLACE_MARGIN:g}; "
        f"covered below {COVERED_BELOW:g}; asked within {ASKED_WITHIN}, anew after {NEW_TRY}"
    )


def drawn_for_audit(photo: PhotoRow, settings: Settings) -> bool:
    """Whether a photo that is spared is looked at nevertheless: the same draw as for clear verdicts."""
    return share_of(photo.sha256, BLIND_AUDIT) < settings.blind_audit_share


def seen_before(
    session: Session, doubts: Sequence[tuple[PhotoRow, Judgement]], settings: Settings
) -> dict[int, tuple[SeenBefore, ...]]:
    """Return photo number -> the earlier photos that it is no more suspicious than, for those of ``doubts``
    (photos with the verdict that stands) that are as before."""
    if not doubts or settings.as_before_days <= 0:
        return {}
    days = timedelta(days=min(settings.as_before_days, _MOST_DAYS))
    told = _told(session, [photo for photo, _ in doubts], days)
    found = {}
    for photo, judgement in doubts:
        earlier = _counting(photo, told[photo.coupler_id], days)
        named = as_before(judgement, [reference.judgement for reference in earlier])
        if named:
            found[photo.id] = tuple(earlier[at].as_seen for at in named)
    if found:  # of a photo that a swap left behind nobody knows which coupler it shows
        strays = session.scalars(select(PhotoRow.id).where(PhotoRow.id.in_(found), left_by_swap(PhotoRow)))
        for photo_id in strays.all():
            del found[photo_id]
    return found


def _told(session: Session, photos: Sequence[PhotoRow], days: timedelta) -> dict[int, list[_Told]]:
    """Return what other photos say, by coupler, oldest first."""
    query = (
        select(
            PhotoRow.coupler_id,
            PhotoRow.id,
            PhotoRow.seen_at,
            PhotoStateRow.stand,
            VerdictRow.judgement,
            SiteRow.timezone,
        )
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .join(VerdictRow, VerdictRow.id == PhotoStateRow.verdict_id)
        .join(CouplerRow, CouplerRow.id == PhotoRow.coupler_id)
        .join(UnitRow, UnitRow.id == CouplerRow.unit_id)
        .join(SiteRow, SiteRow.id == UnitRow.site_id)
        .where(PhotoRow.coupler_id.in_({photo.coupler_id for photo in photos}))
        .where(PhotoRow.seen_at >= min(photo.seen_at for photo in photos) - days)
        .where(PhotoRow.seen_at <= max(photo.seen_at for photo in photos))
        .where(PhotoStateRow.stand.in_(TELLING), ~left_by_swap(PhotoRow))
        .order_by(PhotoRow.seen_at, PhotoRow.id)
    )
    told: dict[int, list[_Told]] = defaultdict(list)
    for coupler_id, photo_id, seen_at, stand, judgement, timezone in session.execute(query):
        told[coupler_id].append(_Told(photo_id, seen_at, stand, judgement_from_json(judgement), timezone))
    return told


def _counting(photo: PhotoRow, told: Sequence[_Told], days: timedelta) -> list[_Told]:
    """Return the photos without damage before ``photo`` that nothing graver came after."""
    past = [other for other in told if other.seen_at <= photo.seen_at and other.photo_id != photo.id]
    damage = max((other.seen_at for other in past if other.stand in _DAMAGE), default=None)
    return [
        other
        for other in past
        if other.stand is Stand.SEEN_INTACT
        and photo.seen_at - days <= other.seen_at < photo.seen_at
        and (damage is None or other.seen_at > damage)
    ]


def undecided_doubts(
    coupler_ids: Collection[int] | None = None, since: datetime | None = None
) -> Select[PhotoRow]:
    """Select the unsure photos that nobody has said anything of (of these couplers, seen ``since`` then):
    what other photos say may spare the look at them."""
    query = (
        select(PhotoRow)
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .where(PhotoStateRow.stand.in_((Stand.DOUBTED, Stand.IN_PART, Stand.AS_BEFORE)))
        .where(PhotoStateRow.triage == Triage.UNSURE, PhotoStateRow.decision_id.is_(None))
        .order_by(PhotoRow.id)
    )
    if coupler_ids is not None:
        query = query.where(PhotoRow.coupler_id.in_(coupler_ids))
    return query if since is None else query.where(PhotoRow.seen_at >= since)
