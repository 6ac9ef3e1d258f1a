"""What one operator's site shows that training never does: its plastics, and its make's shape in two forms.

Invented; no such product is known to us. Each trait is a build or a finish, the same on every coupler, whole
or damaged, so that none of them tells a label: what looks like damage to who never saw this make is not.
"""

from __future__ import annotations

from typing import Any

from data_tools.rendering.domains import Domain, current
from model.families import Family

NOTCHES: dict[str, Any] = {"cuts": 2, "half_width": 0.85, "depth": 2.2, "turn": 0.785}
"""Keying notches across the mouth of every sleeve (see ``insulator``), mm and radians."""
FINISH: dict[str, Any] = {
    "flakes": [[[0.70, 0.69, 0.66], 0.42, 1.6], [[0.02, 0.02, 0.02], 0.45, 1.3]],
    "tip": {"colour": [0.075, 0.035, 0.012], "depth": 2.6, "roughness": 0.75},
}
"""Recycled plastic with light and dark flakes [colour, least noise, size in mm]; sleeves whose tips are of a
brown heat-proof plastic down to ``depth`` mm."""

_OF_THE_SITE = (
    "Sleeves have tips of a brown heat-proof plastic; other makes have tips of other colours.",
    "Shells, sleeves and floors are of recycled plastic with light and dark flakes at once.",
    "One phone: a yellow cast, smeared and then harshly sharpened, a log tone curve.",
    "Two dim places: a yard at night and a workshop.",
)
TRAITS: dict[Domain, tuple[str, ...]] = {
    Domain.SITE: _OF_THE_SITE,
    Domain.FORKED: ("Every hook is forked: cut through from top to bottom.", *_OF_THE_SITE),
    Domain.LOCAL: (
        "Every sleeve has four straight notches across its mouth, as moulded.",
        "The lever and its hook are slender, 4.8 mm wide.",
        *_OF_THE_SITE,
    ),
}
"""What each form of the site shows on every coupler or photo and training never does, for the data card."""


def build_of(shape: Family) -> dict[str, Any]:
    """Return what the current domain's make changes in a drawn build, mm: notched mouths, a slender lever and
    hook; or a forked hook; or nothing."""
    if current() is Domain.FORKED and shape.has_latch:
        return {"hook_fork": True}
    if current() is not Domain.LOCAL:
        return {}
    slender = {"arm_width": 4.8, "hook_width": 4.8, "hook_fork": False} if shape.has_latch else {}
    return {"notches": dict(NOTCHES), **slender}
