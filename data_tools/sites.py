"""Sites, units and couplers: the roster that a round works through."""

from __future__ import annotations

import re
from collections import defaultdict
from datetime import date, datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from sqlalchemy import func, select
from sqlalchemy.orm import Session, selectinload

from data_tools.access import Actor, Permission
from data_tools.database.schema import (
    CouplerRow,
    PhotoRow,
    PhotoStateRow,
    RoundRow,
    SiteRow,
    UnitRow,
    VerdictRow,
)
from data_tools.keys import KnownKeys, clean_text, folded_key, tidy_key
from data_tools.lookup import (
    held_unit,
    photo_record,
    site_record,
    site_row,
    twins,
    unit_record,
    unit_row,
    verdict_record,
)
from data_tools.records import RosterLine, Site, Unit, UnitStatus
from data_tools.standing import Stand
from data_tools.workspace import Workspace, now_or
from model.errors import BadRequestError, ConflictError
from model.families import family as family_of
from model.vocabulary import Triage

KEY = re.compile(r"\w[\w.\-]{0,39}")
MAX_NAME = 120


def add_site(
    ws: Workspace,
    actor: Actor,
    key: str,
    name: str,
    timezone: str | None = None,
    *,
    now: datetime | None = None,
) -> Site:
    """Add a site. ``timezone`` is an IANA name (default: the setting).

    Raises:
        BadRequestError: a key, name or time zone that cannot be used.
        ConflictError: the key is taken.
    """
    actor.require(Permission.MANAGE_SITES)
    zone, key = timezone or ws.settings.timezone, _usable_key(key)
    _check_zone(zone)
    row = SiteRow(
        key=key,
        name=clean_text(name or key, MAX_NAME),
        timezone=zone,
        added_at=now_or(now),
        added_by=actor.name,
    )
    with ws.write() as session:
        _refuse_taken(session, SiteRow, key, "site")
        session.add(row)
        session.flush()
        return site_record(row)


def close_site(ws: Workspace, actor: Actor, site_key: str, *, now: datetime | None = None) -> Site:
    """Close a site: it takes no more photos; all that is known of it stays."""
    actor.require(Permission.MANAGE_SITES)
    with ws.write() as session:
        row = site_row(session, site_key)
        if row.closed_at is None:
            row.closed_at = now_or(now)
        return site_record(row)


def add_unit(
    ws: Workspace,
    actor: Actor,
    site_key: str,
    unit_key: str,
    name: str = "",
    *,
    family: str = "type1",
    part_number: str = "",
    installed_on: date | None = None,
    position: str = "A",
    now: datetime | None = None,
) -> Unit:
    """Add a unit with its first coupler, or, where the unit is known, one more coupler on a free position.

    Raises:
        NotFoundError: no such site.
        UnknownFamilyError: no such coupler family.
        BadRequestError: a key that cannot be used, or an installation day that is still to come.
        ConflictError: the unit is at another site or has another name, or that position holds a coupler.
    """
    actor.require(Permission.MANAGE_SITES)
    unit_key, position = _usable_key(unit_key), _usable_key(position)
    moment = now_or(now)
    with ws.write() as session:
        site = site_row(session, site_key)
        today = moment.astimezone(ZoneInfo(site.timezone)).date()
        if installed_on is not None and installed_on > today:
            raise BadRequestError(f"an installation day up to {today}", f"{installed_on}", "Correct the day.")
        unit = _unit_for(session, site, unit_key, name, actor, moment)
        if KnownKeys(c.position for c in unit.couplers).get(position) is not None:
            raise ConflictError(
                f"a free position on unit {unit.key}",
                f"{position}, which holds a coupler",
                "Replace the coupler instead.",
            )
        unit.couplers.append(
            CouplerRow(
                position=position,
                number=1,
                family=family_of(family).key,
                part_number=clean_text(part_number, MAX_NAME),
                installed_on=installed_on or today,
                put_on_at=moment,
            )
        )
        session.flush()
        return unit_record(unit)


def _unit_for(
    session: Session, site: SiteRow, key: str, name: str, actor: Actor, moment: datetime
) -> UnitRow:
    if session.scalar(select(UnitRow.id).where(UnitRow.key == key)) is not None:
        unit = held_unit(session, key)
        if unit.site_id != site.id:
            raise ConflictError(
                f"a unit of site {site.key}", f"{key}, which is at {unit.site.key}", "Choose another key."
            )
        if name and clean_text(name, MAX_NAME) != unit.name:
            raise ConflictError(f"the name of unit {key}, {unit.name!r}", repr(name[:80]), "Leave it out.")
        return unit
    _refuse_taken(session, UnitRow, key, "unit")
    unit = UnitRow(
        site=site,
        key=key,
        name=clean_text(name or key, MAX_NAME),
        status=UnitStatus.IN_SERVICE,
        added_at=moment,
        added_by=actor.name,
        couplers=[],
    )
    session.add(unit)
    return unit


def list_sites(ws: Workspace, actor: Actor, *, closed: bool = False) -> list[Site]:
    """Return the sites by key; closed ones only where asked."""
    actor.require(Permission.SEE)
    query = select(SiteRow).order_by(SiteRow.key)
    if not closed:
        query = query.where(SiteRow.closed_at.is_(None))
    with ws.read() as session:
        alike = twins(session, SiteRow)
        return [site_record(row, alike.get(row.key, "")) for row in session.scalars(query)]


def get_unit(ws: Workspace, actor: Actor, unit_key: str) -> Unit:
    """Return one unit; raises ``NotFoundError``."""
    actor.require(Permission.SEE)
    with ws.read() as session:
        unit = unit_row(session, unit_key)
        return unit_record(unit, twins(session, UnitRow).get(unit.key, ""))


def list_units(ws: Workspace, actor: Actor, site_key: str | None = None) -> list[Unit]:
    """Return the units of one site, or of all, by key."""
    actor.require(Permission.SEE)
    with ws.read() as session:
        site_id = site_row(session, site_key).id if site_key is not None else None
        alike = twins(session, UnitRow)
        return [unit_record(row, alike.get(row.key, "")) for row in _units(session, site_id)]


def _units(session: Session, site_id: int | None) -> list[UnitRow]:
    query = (
        select(UnitRow)
        .order_by(UnitRow.key)
        .options(selectinload(UnitRow.site), selectinload(UnitRow.couplers))
    )
    if site_id is not None:
        query = query.where(UnitRow.site_id == site_id)
    return list(session.scalars(query))


def roster(ws: Workspace, actor: Actor, site_key: str, week_of: date | None = None) -> list[RosterLine]:
    """Return every unit of the site with its last photo and whether the round of that week has it.

    ``week_of`` is any day of the wanted ISO week, local to the site (default: today there).
    """
    actor.require(Permission.SEE)
    with ws.read() as session:
        site = site_row(session, site_key)
        day = week_of or now_or(None).astimezone(ZoneInfo(site.timezone)).date()
        units = _units(session, site.id)
        couplers = {c.id: c for unit in units for c in unit.couplers if c.removed_on is None}
        week = _states_of_week(session, site.id, day)
        last = _last_photos(session, list(couplers))
        alike = twins(session, UnitRow)
        return [_line(unit, week, last, alike.get(unit.key, "")) for unit in units]


def _states_of_week(session: Session, site_id: int, day: date) -> dict[int, list[PhotoStateRow]]:
    """Return the states of that week's photos by coupler, oldest first."""
    year, week, _ = day.isocalendar()
    query = (
        select(PhotoRow.coupler_id, PhotoStateRow)
        .join(RoundRow, PhotoRow.round_id == RoundRow.id)
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .where(RoundRow.site_id == site_id, RoundRow.iso_year == year, RoundRow.iso_week == week)
        .order_by(PhotoRow.seen_at, PhotoRow.id)
    )
    states: dict[int, list[PhotoStateRow]] = defaultdict(list)
    for coupler_id, state in session.execute(query):
        states[coupler_id].append(state)
    return states


def _last_photos(session: Session, coupler_ids: list[int]) -> dict[int, tuple[PhotoRow, VerdictRow]]:
    newest = (
        select(PhotoRow.coupler_id, func.max(PhotoRow.seen_at).label("seen_at"))
        .where(PhotoRow.coupler_id.in_(coupler_ids))
        .group_by(PhotoRow.coupler_id)
        .subquery()
    )
    query = (
        select(PhotoRow, VerdictRow)
        .join(newest, (PhotoRow.coupler_id == newest.c.coupler_id) & (PhotoRow.seen_at == newest.c.seen_at))
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .join(VerdictRow, VerdictRow.id == PhotoStateRow.verdict_id)
        .order_by(PhotoRow.id)
    )
    return {photo.coupler_id: (photo, verdict) for photo, verdict in session.execute(query)}


def _line(
    unit: UnitRow,
    week: dict[int, list[PhotoStateRow]],
    last: dict[int, tuple[PhotoRow, VerdictRow]],
    alike: str,
) -> RosterLine:
    couplers = [c for c in unit.couplers if c.removed_on is None]
    missing = [c for c in couplers if not any(state.judged for state in week.get(c.id, ()))]
    latest = [states[-1] for c in couplers if (states := [s for s in week.get(c.id, ()) if s.judged])]
    tried = [week[c.id][-1] for c in missing if week.get(c.id)]
    newest = max(
        (last[c.id] for c in couplers if c.id in last), key=lambda pair: pair[0].seen_at, default=None
    )
    return RosterLine(
        unit=unit_record(unit, alike),
        last_photo=photo_record(newest[0]) if newest else None,
        last_verdict=verdict_record(newest[1]) if newest else None,
        done_this_week=bool(couplers) and not missing,
        missing_positions=tuple(sorted(c.position for c in missing)),
        take_again=next((state.reason for state in tried if state.reason), None),
        again=bool(tried),
        unsure=sum(state.triage is Triage.UNSURE for state in latest),
        as_before=sum(state.stand is Stand.AS_BEFORE for state in latest),
    )


def _usable_key(given: str) -> str:
    """Return the key as it is kept; raises ``BadRequestError``."""
    key = tidy_key(given)
    if not KEY.fullmatch(key):
        raise BadRequestError(
            "a key of 1 to 40 letters, digits, dots, dashes or underscores",
            repr(given[:80]),
            "Choose another key.",
        )
    return key


def _check_zone(name: str) -> None:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise BadRequestError("an IANA time zone such as Europe/Zurich", repr(name), "Correct it.") from None


def _refuse_taken(session: Session, table: type[SiteRow] | type[UnitRow], key: str, what: str) -> None:
    if taken := session.scalar(select(table.key).where(table.folded == folded_key(key))):
        came = f"{key}, which is taken" + (f" (as {taken})" if taken != key else "")
        raise ConflictError(f"a {what} key that is free", came, "Choose another key.")
