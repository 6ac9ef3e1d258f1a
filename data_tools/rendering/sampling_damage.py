"""Draw damages: which place, which way of failing, how bad; several at once where asked or by chance."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from data_tools.rendering import breakage, latch_failure, melt_amounts, melting
from data_tools.rendering.spec import CouplerSpec, Damage
from model.families import Family, family
from model.vocabulary import FindingKind, Place

MODES: dict[FindingKind, tuple[str, ...]] = {
    FindingKind.MISSING_LATCH: latch_failure.MODES,
    FindingKind.BROKEN_PIN_HOUSING: breakage.MODES,
    FindingKind.HEAT_MELTED_HOUSING: melt_amounts.MODES,
}
_ODDS: dict[FindingKind, tuple[float, ...]] = {
    FindingKind.BROKEN_PIN_HOUSING: (0.32, 0.2, 0.28, 0.2),
    FindingKind.HEAT_MELTED_HOUSING: (0.34, 0.26, 0.2, 0.2),
}
_LATCH_ODDS: dict[str, tuple[float, tuple[float, float]]] = {
    "hook_sheared": (0.34, (0.25, 0.65)),
    "arm_stub": (0.3, (0.35, 0.85)),
    "arm_gone": (0.32, (0.6, 1.0)),
    "hook_worn": (0.04, (0.05, 0.3)),
}
"""Odds and severities of each way to lose a latch, in the order of ``latch_failure.MODES``. Less than a tenth
of the severities lie below 0.3, where the hook still holds in part; three in five lose the arm or most of
it."""

_HEAT_THAT_DEFORMS = 0.3
"""Share of the full heat at a neighbour's mouth from which its deformation can be seen; by eye."""
_HEAT_OF_A_BRIDGE = 0.5
"""What plastic that ran to a neighbour and stuck there does to it, as a share of the full heat; by eye."""


def with_damages(spec: CouplerSpec, damages: Iterable[Damage]) -> CouplerSpec:
    """Return the same coupler with these damages instead of its own."""
    return replace(spec, damages=tuple(damages))


def sample_damages(rng: np.random.Generator, spec: CouplerSpec, kinds: set[FindingKind]) -> CouplerSpec:
    """Return the coupler with at least one damage of each kind, at one or several places.

    A family without a latch never loses one: ``MISSING_LATCH`` is left out there. A place has one damage
    of a kind at most; a break and a melt may share a place.
    """
    shape = family(spec.family)
    damages: list[Damage] = []
    for kind in sorted(kinds):
        if kind is FindingKind.MISSING_LATCH:
            if shape.has_latch:
                damages.append(_one(rng, kind, Place.LATCH))
            continue
        damages += [_one(rng, kind, place) for place in _places(rng, shape, kind)]
    whole = with_damages(spec, damages)
    return with_damages(whole, [*damages, *_spread(rng, whole)])


def _places(rng: np.random.Generator, shape: Family, kind: FindingKind) -> list[Place]:
    """Draw one to three pin housings, near one another; heat prefers the contacts that carry the load."""
    load = np.array([contact.bore_diameter for contact in shape.contacts]) ** 1.5
    odds = load / load.sum() if kind is FindingKind.HEAT_MELTED_HOUSING else None
    first = int(rng.choice(len(load), p=odds))
    middles = shape.contact_centres()
    away = np.linalg.norm(middles - middles[first], axis=1)
    away += rng.uniform(0, 6, len(load)) * (away > 0)
    count = int(rng.choice([1, 2, 3], p=[0.68, 0.23, 0.09]))
    return [shape.contacts[int(index)].place for index in np.argsort(away)[:count]]


def _spread(rng: np.random.Generator, spec: CouplerSpec) -> list[Damage]:
    """Return slight melts for housings that a neighbour's heat deforms, so that the record names them."""
    shape = family(spec.family)
    kind = FindingKind.HEAT_MELTED_HOUSING
    known = {damage.place for damage in spec.damages if damage.kind is kind}
    found = []
    for melt in melting.melted(spec):
        reached = {run.to for run in melt.runs}
        for number, contact in enumerate(shape.contacts):
            x, y, z = (np.array([value], np.float32) for value in (contact.x, contact.y, -1.0))
            heat = max(float(melt.weight(x, y, z)[0]), _HEAT_OF_A_BRIDGE * (number in reached))
            if contact.place not in known and heat > _HEAT_THAT_DEFORMS:
                known.add(contact.place)
                severity = float(np.clip(0.7 * heat * melt.damage.severity, 0.05, 1.0))
                found.append(Damage(kind, contact.place, severity, "soften", int(rng.integers(1 << 31))))
    return found


def _one(rng: np.random.Generator, kind: FindingKind, place: Place) -> Damage:
    if kind is FindingKind.MISSING_LATCH:
        mode = str(rng.choice(MODES[kind], p=[rows[0] for rows in _LATCH_ODDS.values()]))
        low, high = _LATCH_ODDS[mode][1]
        return Damage(kind, place, float(rng.uniform(low, high)), mode, int(rng.integers(1 << 31)))
    mode = str(rng.choice(MODES[kind], p=_ODDS[kind]))
    severity = float(rng.uniform(0.05, 1.0)) if rng.random() < 0.5 else float(rng.beta(3.0, 1.7))
    return Damage(kind, place, severity, mode, int(rng.integers(1 << 31)))
