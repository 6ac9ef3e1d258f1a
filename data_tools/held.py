"""What holds a unit up: open damage and what staff noted, for screens and command line alike."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from data_tools.access import Actor
from data_tools.answers import damage_in_short
from data_tools.open_damage import OpenDamage, open_damage
from data_tools.open_observations import open_observations
from data_tools.records import EventRecord, ObservationKind, UnitStatus
from data_tools.workspace import Workspace

STOPS = frozenset(
    {
        ObservationKind.RELEASE_BUTTON_STICKS,
        ObservationKind.CABLE_CUT_OR_FRAYED,
        ObservationKind.DEBRIS_IN_FACE,
    }
)
"""What makes a coupler one that must not be used until somebody has settled it."""
DOUBTS = frozenset({ObservationKind.INDICATOR_FAULT})
"""What makes a unit one that a technician has to look at first."""


class Hold(StrEnum):
    """What a unit that is in service must not be used for."""

    STOP = "do not use"
    LOOK = "do not use until a technician has looked"


def hold_of(damage: Sequence[OpenDamage], noted: Sequence[EventRecord]) -> Hold | None:
    """Return what open damage and open notes of one unit make of it; ``None`` where they hold nothing up."""
    seen = {event.what for event in noted}
    if seen & STOPS or any(found.sure for found in damage):
        return Hold.STOP
    return Hold.LOOK if damage or seen & DOUBTS else None


@dataclass(frozen=True)
class Held:
    """What a unit is held up by: how far, why in words, and the open damage and open notes behind it."""

    hold: Hold
    why: str
    damage: tuple[OpenDamage, ...]
    noted: tuple[EventRecord, ...]


def stands(status: UnitStatus, held: Held | None) -> str:
    """Return how a unit of that status stands: "in service" must not stand where it is not to be used."""
    return (held.hold if held and status is UnitStatus.IN_SERVICE else status).value


def held_units(ws: Workspace, actor: Actor, site_key: str | None = None) -> dict[str, Held]:
    """Return what each unit of a site, or of all, is held up by, by unit key; those left out are not.

    Raises:
        NotFoundError: no such site.
    """
    damage: dict[str, list[OpenDamage]] = defaultdict(list)
    noted: dict[str, list[EventRecord]] = defaultdict(list)
    for found in open_damage(ws, actor, site_key):
        damage[found.photo.unit_key].append(found)
    for event in open_observations(ws, actor, site_key):
        noted[event.unit_key].append(event)
    held = {}
    for key in sorted({*damage, *noted}):
        hold = hold_of(damage[key], noted[key])
        if hold is not None:
            why = [*map(damage_in_short, damage[key]), *map(_noted_in_short, noted[key])]
            held[key] = Held(hold, "; ".join(why), tuple(damage[key]), tuple(noted[key]))
    return held


def _noted_in_short(event: EventRecord) -> str:
    return f"noted: {str(event.what or '').replace('_', ' ')}"
