"""The invented operator and what happens to it: people, sites, units, parts, and what breaks when.

Everything here is made up. Three threads run through the half year: at Velmarsh Quay a wiring fault melts
the same contact of one unit again after the coupler was replaced; couplers with part number T1-BIRCH lose
their latches earlier than T1-ALDER; at Tolbeck Ridge rounds are walked poorly, so that damage goes unseen.
"""

from __future__ import annotations

from dataclasses import dataclass

from data_tools.access import Actor, Role
from data_tools.records import ObservationKind
from model.vocabulary import FindingKind

WEEKS = 26
GOOD_PART, BAD_PART, TYPE2_PART = "T1-ALDER", "T1-BIRCH", "T2-CEDAR"

LEAD = Actor("Sev Marrow", Role.LEAD)
FIRST_TECHNICIAN = Actor("Mira Tolling", Role.TECHNICIAN)
SECOND_TECHNICIAN = Actor("Osk Varren", Role.TECHNICIAN)


@dataclass(frozen=True)
class SitePlan:
    """A site and how its rounds go. ``walker`` takes the photos on ``weekday`` (0 Monday); ``walked`` is the
    share of couplers photographed in a week, ``unusable`` the share of photos that come out badly."""

    key: str
    name: str
    walker: Actor
    weekday: int
    walked: float
    unusable: float


SITES: tuple[SitePlan, ...] = (
    SitePlan("quay", "Velmarsh Quay", Actor("Dunya Harrel", Role.UPLOADER), 0, 0.97, 0.03),
    SitePlan("mill", "Orrin Mill car park", Actor("Pell Anwick", Role.UPLOADER), 1, 0.94, 0.04),
    SitePlan("ridge", "Tolbeck Ridge", Actor("Jory Stenn", Role.UPLOADER), 2, 0.55, 0.12),
)


@dataclass(frozen=True)
class UnitPlan:
    """A unit with its first coupler; ``age_days`` is how old that coupler is when the rounds begin."""

    site: str
    key: str
    family: str
    part_number: str
    age_days: int


@dataclass(frozen=True)
class Onset:
    """From this week on the coupler then on the unit shows this damage, until it is replaced.

    ``thread`` ties onsets that must be at one and the same place.
    """

    unit: str
    week: int
    kind: FindingKind
    thread: str = ""


@dataclass(frozen=True)
class Seen:
    """Something that staff saw or felt on a unit and a photo does not show; how a technician settled it."""

    unit: str
    week: int
    what: ObservationKind
    note: str
    blinks: int | None = None
    settled: str = ""


_LETTER = {"quay": "Q", "mill": "M", "ridge": "R"}
_BIRCH = {"M-01", "M-02", "M-05", "M-07", "M-09", "M-11", "M-12", "Q-04", "Q-08", "Q-10", "R-01", "R-06"}
_TYPE2 = {"Q-11", "Q-12", "R-10", "R-11", "R-12"}


def _unit(site: str, number: int) -> UnitPlan:
    key = f"{_LETTER[site]}-{number:02d}"
    family, part = ("type2", TYPE2_PART) if key in _TYPE2 else ("type1", GOOD_PART)
    if key in _BIRCH:
        return UnitPlan(site, key, "type1", BAD_PART, 14 + 9 * (number % 4))
    return UnitPlan(site, key, family, part, 20 + 19 * ((number * 5 + len(site)) % 11))


UNITS: tuple[UnitPlan, ...] = tuple(_unit(site.key, number) for site in SITES for number in range(1, 13))

_LATCH, _BROKEN, _MELTED = (
    FindingKind.MISSING_LATCH,
    FindingKind.BROKEN_PIN_HOUSING,
    FindingKind.HEAT_MELTED_HOUSING,
)
WIRING_FAULT_UNIT = "Q-07"
ONSETS: tuple[Onset, ...] = (
    Onset(WIRING_FAULT_UNIT, 6, _MELTED, "wiring"),
    Onset(WIRING_FAULT_UNIT, 15, _MELTED, "wiring"),
    Onset("M-02", 5, _LATCH),
    Onset("M-05", 8, _LATCH),
    Onset("M-12", 9, _LATCH),
    Onset("M-07", 11, _LATCH),
    Onset("Q-04", 12, _LATCH),
    Onset("M-09", 14, _LATCH),
    Onset("Q-08", 16, _LATCH),
    Onset("M-11", 19, _LATCH),
    Onset("R-01", 20, _LATCH),
    Onset("M-01", 22, _LATCH),
    Onset("R-05", 7, _BROKEN),
    Onset("Q-09", 10, _BROKEN),
    Onset("M-04", 18, _BROKEN),
    Onset("Q-02", 21, _BROKEN),
    Onset("R-08", 20, _MELTED),
    Onset("M-10", 23, _MELTED),
    Onset("Q-05", 25, _MELTED),
    Onset("M-08", 25, _BROKEN),
    Onset("Q-10", 24, _LATCH),
)

OBSERVATIONS: tuple[Seen, ...] = (
    Seen(
        "M-03",
        4,
        ObservationKind.RELEASE_BUTTON_STICKS,
        "sticks in the cold, frees after a few presses",
        settled="cleaned with the unit locked out; moves freely, latch holds",
    ),
    Seen(
        "R-09",
        9,
        ObservationKind.DEBRIS_IN_FACE,
        "sand in the lower holes, blown out",
        settled="cleaned with the unit locked out; contacts bright",
    ),
    Seen(WIRING_FAULT_UNIT, 15, ObservationKind.INDICATOR_FAULT, "red, warm smell at the socket side", 4),
    Seen(
        "R-02",
        17,
        ObservationKind.CABLE_CUT_OR_FRAYED,
        "outer sheath cut, about 3 cm, near the strain relief",
        settled="cable shortened and fitted anew by the electrician, tested",
    ),
    Seen("Q-03", 24, ObservationKind.OTHER, "a car was parked across both bays, could only reach one"),
)

REASONS: dict[FindingKind, str] = {
    _LATCH: "latch missing, does not hold in the inlet",
    _BROKEN: "pin housing broken",
    _MELTED: "pin housing melted",
}
BACK_REASON = "new coupler fitted and tested"
WIRING_REASON = (
    "loose terminal found upstream and remade by a licensed electrician; new coupler fitted and tested"
)


def walker_of(unit: str) -> Actor:
    """Return who walks the rounds at the unit's site."""
    site_key = next(plan.site for plan in UNITS if plan.key == unit)
    return next(site.walker for site in SITES if site.key == site_key)


def onsets_until(unit: str, week: int) -> list[Onset]:
    """Return what has broken on the unit up to and including ``week``, oldest first."""
    return sorted((o for o in ONSETS if o.unit == unit and o.week <= week), key=lambda o: o.week)
