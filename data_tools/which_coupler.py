"""Which coupler does a photo of an upload show? The one chosen for the upload, or what photo or name say.

A code label in the photo counts for more than the file name. Where a unit was chosen and they say another
one, of any site, or another coupler of it than the chosen one, nobody can tell which is right: filed wrongly,
a photo would lay the damage of one coupler on another, and hide it where it is. A person settles that; a
label of what was chosen settles what the name says. Where only a unit was chosen, they say which coupler."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from data_tools.database.schema import SiteRow, UnitRow
from data_tools.intake import Target, refuse_closed
from data_tools.keys import KnownKeys
from data_tools.lookup import coupler_at, site_row, unit_row
from data_tools.unit_labels import UnitHint, unit_from_file_name, unit_from_photo
from data_tools.workspace import Workspace
from model.errors import BadRequestError
from model.photo import Photo, open_photo

LABEL_SIDE = 3000
"""A code label that cannot be read at the judging size is looked for again at this many pixels."""


@dataclass(frozen=True)
class Unknown:
    """Why a photo's coupler is not known, and unit key and position of each that it may be."""

    why: str
    offered: tuple[tuple[str, str], ...] = ()


class SiteCouplers:
    """The couplers of one site, and the one chosen for an upload where one was.

    Raises:
        NotFoundError: no such site, or the given unit or position does not exist.
        BadRequestError: the given unit is at another site.
        ConflictError: the site is closed.
    """

    def __init__(self, ws: Workspace, site_key: str, unit_key: str | None, position: str | None) -> None:
        self.ws = ws
        with ws.read() as session:
            site = site_row(session, site_key)
            refuse_closed(site)
            self.site_key = site.key
            self.positions = _positions(session, site)
            self.given = _given(session, site, unit_key, position) if unit_key is not None else None
            everywhere = list(session.scalars(select(UnitRow.key))) if self.given else []
        self.position_given = position is not None
        self.known = KnownKeys(self.positions)
        self.known_anywhere = KnownKeys({*everywhere, *self.positions})

    def shown_in(self, photo: Photo, name: str, data: bytes) -> Target | Unknown:
        """Return the coupler that ``photo`` (its file ``name`` and bytes ``data``) is of, or why not."""
        named = unit_from_file_name(name, self.known)
        if named is None and self.given is not None:
            named = unit_from_file_name(name, self.known_anywhere)
        label = unit_from_photo(photo.rgb, self.known_anywhere)
        sure = named is not None and (self.given is None or self._agrees(named, self.given))
        if label is None and not sure and photo.scale < 1:
            label = unit_from_photo(open_photo(data, max_side=LABEL_SIDE).rgb, self.known_anywhere)
        if self.given is not None:
            return self._as_given(self.given, label, named)
        hint = label or named
        if hint is None:
            return Unknown("No unit found by code label or file name. Kept: name its unit.")
        position = self._position(hint)
        if position is None:
            return Unknown(
                f"Unit {hint.unit_key} has no coupler {hint.position or 'now'}. Kept: name its unit."
            )
        return Target(hint.unit_key, position)

    def _as_given(self, given: Target, label: UnitHint | None, named: UnitHint | None) -> Target | Unknown:
        """Take what was given, unless something says another; of a unit alone, that may say which coupler."""
        hint = label or named
        if hint is not None and hint.unit_key != given.unit_key:
            return self._between(label, hint, (hint.unit_key, given.unit_key), given)
        for said in (label, named):
            position = self._said_position(said, given)
            if said is not None and position is not None:
                if self.position_given and position != given.position:
                    words = f"coupler {position} of {given.unit_key}", f"coupler {given.position}"
                    return self._between(label, said, words, given)
                given = replace(given, position=position)
                break
        if named is not None and named.unit_key != given.unit_key:
            return replace(given, note=f"The file name says {named.unit_key}.")
        return given

    def _between(
        self, label: UnitHint | None, said: UnitHint, words: tuple[str, str], given: Target
    ) -> Unknown:
        where = "code label in it" if said is label else "file name"
        return Unknown(
            f"The {where} says {words[0]}, but {words[1]} was chosen. Kept: say which of the two it shows.",
            tuple(self._offered(said, given)),
        )

    def _agrees(self, named: UnitHint, given: Target) -> bool:
        other = self.position_given and self._said_position(named, given) not in (None, given.position)
        return named.unit_key == given.unit_key and not other

    def _said_position(self, said: UnitHint | None, given: Target) -> str | None:
        """Return which coupler of the given unit a label or name states, where there is such a one."""
        if said is None or said.position is None or said.unit_key != given.unit_key:
            return None
        return self._position(said)

    def _offered(self, hint: UnitHint, given: Target) -> Iterator[tuple[str, str]]:
        with self.ws.read() as session:
            unit = unit_row(session, hint.unit_key)
            there = [coupler.position for coupler in unit.couplers if coupler.removed_on is None]
        # A coupler that is not there is not offered, and no other one of the unit in its stead.
        if position := KnownKeys(there).get(hint.position) if hint.position else first_position(unit):
            yield unit.key, position
        yield given.unit_key, given.position

    def _position(self, hint: UnitHint) -> str | None:
        positions = self.positions[hint.unit_key]
        return KnownKeys(positions).get(hint.position or next(iter(positions), ""))


def _given(session: Session, site: SiteRow, unit_key: str, position: str | None) -> Target:
    unit = unit_row(session, unit_key)
    if unit.site_id != site.id:
        raise BadRequestError(f"a unit of site {site.key}", f"{unit_key}, at {unit.site.key}", "Correct one.")
    return Target(unit.key, coupler_at(unit, position or first_position(unit)).position)


def _positions(session: Session, site: SiteRow) -> dict[str, list[str]]:
    """Return unit key -> its positions that hold a coupler, the default first."""
    query = select(UnitRow).where(UnitRow.site_id == site.id).options(selectinload(UnitRow.couplers))
    found = {}
    for unit in session.scalars(query):
        first = first_position(unit)
        others = sorted({c.position for c in unit.couplers if c.removed_on is None} - {first})
        found[unit.key] = [first, *others] if unit.couplers else others
    return found


def first_position(unit: UnitRow) -> str:
    """Return the position that is meant where none is named: A, or the first one there is."""
    positions = sorted(c.position for c in unit.couplers if c.removed_on is None)
    return "A" if "A" in positions or not positions else positions[0]
