"""Where every unit of a site stands now."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from data_tools.access import Actor
from data_tools.open_damage import OpenDamage, open_damage
from data_tools.records import RosterLine, Site
from data_tools.workspace import Workspace
from review_app.standing import standing_of_line
from review_app.wording import Standing


def damage_by_unit(ws: Workspace, actor: Actor, site: Site) -> dict[str, list[OpenDamage]]:
    """Return the open damage of a site by unit key."""
    found: dict[str, list[OpenDamage]] = defaultdict(list)
    for damage in open_damage(ws, actor, site.key):
        found[damage.photo.unit_key].append(damage)
    return dict(found)


def standings_now(
    ws: Workspace, actor: Actor, site: Site, lines: Sequence[RosterLine]
) -> dict[str, Standing]:
    """Return the standing of each unit of a roster by unit key."""
    damage = damage_by_unit(ws, actor, site)
    return {line.unit.key: standing_of_line(line, damage.get(line.unit.key, ())) for line in lines}
