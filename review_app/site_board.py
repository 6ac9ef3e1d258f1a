"""Where every unit of a site stands now: this week's round, open damage, and what staff noted."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from data_tools.access import Actor
from data_tools.answers import OPEN_WORDS, nameless
from data_tools.open_damage import OpenDamage, open_damage
from data_tools.open_observations import open_observations
from data_tools.records import EventRecord, RosterLine, Site
from data_tools.sites import roster
from data_tools.workspace import Workspace
from review_app.standing import (
    findings_words,
    held_by,
    kinds_words,
    observation_name,
    observation_words,
    standing_of_line,
)
from review_app.wording import Standing


@dataclass(frozen=True)
class Board:
    """One site's units; the dictionaries go by unit key and lack units of which nothing is known."""

    lines: tuple[RosterLine, ...]
    damage: dict[str, list[OpenDamage]]
    noted: dict[str, list[EventRecord]]
    standings: dict[str, Standing]

    def why(self, unit_key: str) -> str:
        """Return what stands against the unit in words; nothing where nothing does."""
        return "; ".join(
            [
                *(damage_words(damage) for damage in self.damage.get(unit_key, ())),
                *(observation_words(event) for event in self.noted.get(unit_key, ())),
            ]
        )

    def short(self, unit_key: str) -> str:
        """Return the same in a few words, for a list on a phone."""
        found = [f for damage in self.damage.get(unit_key, ()) for f in damage.findings]
        noted = [observation_name(event) for event in self.noted.get(unit_key, ())]
        return ", ".join(part for part in (kinds_words(found), *dict.fromkeys(noted)) if part)


def board_of(ws: Workspace, actor: Actor, site: Site) -> Board:
    """Return where every unit of the site stands now."""
    lines = tuple(roster(ws, actor, site.key))
    damage: dict[str, list[OpenDamage]] = defaultdict(list)
    for found in open_damage(ws, actor, site.key):
        damage[found.photo.unit_key].append(found)
    noted: dict[str, list[EventRecord]] = defaultdict(list)
    for event in open_observations(ws, actor, site.key):
        noted[event.unit_key].append(event)
    standings = {
        line.unit.key: standing_of_line(line, damage.get(line.unit.key, ()), noted.get(line.unit.key, ()))
        for line in lines
    }
    return Board(lines, dict(damage), dict(noted), standings)


def held_up(ws: Workspace, actor: Actor, site: Site, unit_key: str) -> tuple[Standing, str] | None:
    """Return what a unit is held by and why in words; ``None`` where nothing stands against it."""
    damage = [found for found in open_damage(ws, actor, site.key) if found.photo.unit_key == unit_key]
    noted = [event for event in open_observations(ws, actor, site.key) if event.unit_key == unit_key]
    held = held_by(damage, noted)
    return (held, "; ".join([*map(damage_words, damage), *map(observation_words, noted)])) if held else None


def damage_words(damage: OpenDamage) -> str:
    """Return open damage in words, and how it stands."""
    words = findings_words(damage.findings) if damage.findings else nameless(damage)
    doubt = "; filed under the coupler before the swap, move it on Units" if damage.coupler_in_doubt else ""
    return f"{words} ({OPEN_WORDS[damage.stand]}{doubt})"
