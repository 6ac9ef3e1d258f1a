"""Coupler families as data: where the contacts, the shell and the latch are, in millimetres.

Coordinates look into the face of the handheld coupler: origin at the face centre (Type 1) or at the
protective-earth contact (Type 2), x to the right, y up, z towards the viewer. The *face plane* (z = 0)
is the plane of the sleeve mouths. Values were measured from open drawings and photographs of
IEC 62196-2 configurations (Type 1 nose diameter: public encyclopaedia entry on SAE J1772), not read
from the standard: allow +-0.5 mm. To add a family, add a row here and a build to the generator.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from model.errors import UnknownFamilyError
from model.vocabulary import Place

TOLERANCE_MM = 0.5
CANONICAL_SIDE_MM = 72.0
"""Side of the square canonical view; the same for all families so that one pixel means one size."""


@dataclass(frozen=True)
class Contact:
    """One contact and the pin housing (sleeve) around it; lengths in mm."""

    place: Place
    x: float
    y: float
    sleeve_diameter: float
    bore_diameter: float


@dataclass(frozen=True)
class Box:
    """An axis-aligned box on the face plane, mm."""

    left: float
    bottom: float
    right: float
    top: float

    def corners(self) -> NDArray[np.float64]:
        """Return the corners as 4x2 mm: top left, top right, bottom right, bottom left."""
        return np.array(
            [
                [self.left, self.top],
                [self.right, self.top],
                [self.right, self.bottom],
                [self.left, self.bottom],
            ]
        )


@dataclass(frozen=True)
class Family:
    """Everything about one connector configuration that the locator, classifier and generator share."""

    key: str
    title: str
    contacts: tuple[Contact, ...]
    nose_width: float
    nose_height: float
    nose_centre: tuple[float, float]
    latch_zone: Box | None
    canonical_view: Box

    @property
    def has_latch(self) -> bool:
        """Whether this family has a latch lever, so that ``missing latch`` applies."""
        return self.latch_zone is not None

    @property
    def housing_places(self) -> tuple[Place, ...]:
        """Places of the pin housings in table order."""
        return tuple(contact.place for contact in self.contacts)

    @property
    def places(self) -> tuple[Place, ...]:
        """Every place a finding can have: the pin housings, then the latch where there is one."""
        return (*self.housing_places, Place.LATCH) if self.has_latch else self.housing_places

    @property
    def latch_surroundings(self) -> Box | None:
        """The latch zone with what tells a hook from a stub beside it: seen obliquely, a hook leans out."""
        zone = self.latch_zone
        return None if zone is None else Box(zone.left - 5, zone.bottom - 6, zone.right + 5, zone.top + 4)

    def contact_centres(self) -> NDArray[np.float64]:
        """Return the contact centres as Nx2 mm in table order."""
        return np.array([[c.x, c.y] for c in self.contacts])


def _square(centre_x: float, centre_y: float, side: float = CANONICAL_SIDE_MM) -> Box:
    half = side / 2
    return Box(centre_x - half, centre_y - half, centre_x + half, centre_y + half)


# Sleeves are slightly smaller than the recesses of the mating inlet (11.2 / 10.5 / 8.2 mm).
TYPE1 = Family(
    key="type1",
    title="Type 1",
    contacts=(
        Contact(Place.UPPER_LEFT, -7.7, 6.9, 10.6, 6.0),
        Contact(Place.UPPER_RIGHT, 7.7, 6.9, 10.6, 6.0),
        Contact(Place.LOWER_LEFT, -10.4, -5.4, 7.6, 3.8),
        Contact(Place.LOWER_RIGHT, 10.4, -5.4, 7.6, 3.8),
        Contact(Place.BOTTOM, 0.0, -10.4, 9.9, 5.2),
    ),
    nose_width=43.8,
    nose_height=43.8,
    nose_centre=(0.0, 0.0),
    latch_zone=Box(-10.0, 20.0, 10.0, 40.0),
    canonical_view=_square(0.0, 8.0),
)

TYPE2 = Family(
    key="type2",
    title="Type 2",
    contacts=(
        Contact(Place.UPPER_LEFT, -8.0, 11.2, 7.7, 3.6),
        Contact(Place.UPPER_RIGHT, 8.0, 11.2, 7.7, 3.6),
        Contact(Place.LEFT, -16.0, 0.0, 12.2, 6.6),
        Contact(Place.CENTRE, 0.0, 0.0, 12.2, 6.6),
        Contact(Place.RIGHT, 16.0, 0.0, 12.2, 6.6),
        Contact(Place.LOWER_LEFT, -8.0, -13.9, 12.2, 6.6),
        Contact(Place.LOWER_RIGHT, 8.0, -13.9, 12.2, 6.6),
    ),
    nose_width=59.0,
    nose_height=51.7,
    nose_centre=(0.0, -3.35),
    latch_zone=None,
    canonical_view=_square(0.0, -3.35, 64.0),
)

FAMILIES: dict[str, Family] = {family.key: family for family in (TYPE1, TYPE2)}


def family(key: str) -> Family:
    """Return the family row for ``key``.

    Raises:
        UnknownFamilyError: no such family in the table.
    """
    try:
        return FAMILIES[key]
    except KeyError:
        raise UnknownFamilyError(key, tuple(FAMILIES)) from None
