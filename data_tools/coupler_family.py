"""Couplers that are entered as another family than their photos show, and putting that right.

Type 1 is what a unit is entered with where nobody says otherwise. Where the model takes the faces for another
family, nobody knows where they lie, and what is confirmed on them is not learnt from (``training_set``)."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Select, func, select

from data_tools.access import Actor, Permission
from data_tools.conditions import required_reason
from data_tools.database.schema import CouplerRow, EventRow, PhotoRow, PhotoStateRow, UnitRow, VerdictRow
from data_tools.lookup import coupler_at, event_record, held_unit, site_row
from data_tools.records import EventKind, EventRecord
from data_tools.workspace import Workspace, now_or
from model.errors import ConflictError
from model.families import FAMILIES
from model.families import family as family_of
from model.vocabulary import Outcome

PHOTOS = 3
"""So many photos in a row, the newest, have to look like the other family: one alone may be misjudged."""


@dataclass(frozen=True)
class FamilyDoubt:
    """A coupler that is ``entered`` as one family (its key), while its newest photos look like ``seen``."""

    unit_key: str
    position: str
    entered: str
    seen: str


def families_in_doubt(ws: Workspace, actor: Actor, site_key: str) -> list[FamilyDoubt]:
    """Return the couplers now on the units of a site whose last three judged photos all look like the same
    other family, by unit and position.

    Raises:
        NotFoundError: no such site.
    """
    actor.require(Permission.SEE)
    looks: dict[tuple[str, str, str], list[str]] = defaultdict(list)
    with ws.read() as session:
        for unit_key, position, entered, seen in session.execute(_last_seen(site_row(session, site_key).id)):
            looks[unit_key, position, entered].append(seen)
    return [
        FamilyDoubt(*coupler, seen[0])
        for coupler, seen in sorted(looks.items())
        if len(seen) == PHOTOS and len(set(seen)) == 1 and seen[0] in FAMILIES and seen[0] != coupler[2]
    ]


def _last_seen(site_id: int) -> Select[str, str, str, str]:
    """Select unit, position, entered and seen family of the newest judged photos of each coupler."""
    newest_first = PhotoRow.seen_at.desc(), PhotoRow.id.desc()
    ranked = (
        select(
            VerdictRow.id,
            PhotoRow.coupler_id,
            func.row_number().over(partition_by=PhotoRow.coupler_id, order_by=newest_first).label("rank"),
        )
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .join(VerdictRow, VerdictRow.id == PhotoStateRow.verdict_id)
        .join(CouplerRow, CouplerRow.id == PhotoRow.coupler_id)
        .join(UnitRow, UnitRow.id == CouplerRow.unit_id)
        .where(UnitRow.site_id == site_id, CouplerRow.removed_on.is_(None))
        .where(VerdictRow.outcome == Outcome.SCORED)
        .subquery()
    )
    seen = VerdictRow.judgement["face"]["family"].as_string()
    return (
        select(UnitRow.key, CouplerRow.position, CouplerRow.family, seen)
        .join(CouplerRow, CouplerRow.unit_id == UnitRow.id)
        .join(ranked, ranked.c.coupler_id == CouplerRow.id)
        .join(VerdictRow, VerdictRow.id == ranked.c.id)
        .where(ranked.c.rank <= PHOTOS)
    )


def correct_family(
    ws: Workspace,
    actor: Actor,
    unit_key: str,
    position: str,
    family: str,
    reason: str,
    *,
    now: datetime | None = None,
) -> EventRecord:
    """Correct the family that the coupler on ``position`` was entered with; an event says what it was.

    The coupler stays the same one: photos, verdicts, decisions and what was noted stay with it. Training sets
    frozen before keep what they were made with.

    Raises:
        NotFoundError: no such unit or position.
        UnknownFamilyError: no such coupler family.
        BadRequestError: no reason given.
        ConflictError: it is entered as that family already.
    """
    actor.require(Permission.ACT)
    why, right = required_reason(reason), family_of(family)
    with ws.write() as session:
        unit = held_unit(session, unit_key)
        coupler = coupler_at(unit, position)
        session.refresh(coupler, with_for_update=True)
        if coupler.family == right.key:
            came = f"{right.title}, which {unit.key} {coupler.position} is entered as"
            raise ConflictError("another family than the one entered", came, "Nothing to do.")
        before = FAMILIES[coupler.family].title if coupler.family in FAMILIES else coupler.family
        row = EventRow(
            unit_id=unit.id,
            coupler_id=coupler.id,
            kind=EventKind.FAMILY_CORRECTED,
            reason=f"{before} to {right.title}: {why}",
            done_by=actor.name,
            done_at=now_or(now),
        )
        coupler.family = right.key
        session.add(row)
        session.flush()
        return event_record(row, unit.key)
