"""Draw damages: which place, which way of failing, how bad; several at once where asked or by chance."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from data_tools.rendering import breakage, latch, melting
from data_tools.rendering.spec import CouplerSpec, Damage
from model.families import family
from model.vocabulary import FindingKind, Place

MODES: dict[FindingKind, tuple[str, ...]] = {
    FindingKind.MISSING_LATCH: latch.MODES,
    FindingKind.BROKEN_PIN_HOUSING: breakage.MODES,
    FindingKind.HEAT_MELTED_HOUSING: melting.MODES,
}
_ODDS: dict[FindingKind, tuple[float, ...]] = {
    FindingKind.MISSING_LATCH: (0.3, 0.25, 0.28, 0.17),
    FindingKind.BROKEN_PIN_HOUSING: (0.32, 0.2, 0.28, 0.2),
    FindingKind.HEAT_MELTED_HOUSING: (0.34, 0.26, 0.2, 0.2),
}


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
        count = int(rng.choice([1, 2, 3], p=[0.68, 0.23, 0.09]))
        first = int(rng.integers(len(shape.contacts)))
        middles = shape.contact_centres()
        order = np.argsort(
            np.linalg.norm(middles - middles[first], axis=1)
            + rng.uniform(0, 6, len(middles)) * (np.arange(len(middles)) != first)
        )
        damages += [_one(rng, kind, shape.contacts[int(index)].place) for index in order[:count]]
    return with_damages(spec, damages)


def _one(rng: np.random.Generator, kind: FindingKind, place: Place) -> Damage:
    mode = str(rng.choice(MODES[kind], p=_ODDS[kind]))
    severity = float(rng.uniform(0.05, 1.0)) if rng.random() < 0.6 else float(rng.beta(2.5, 2))
    return Damage(kind, place, severity, mode, int(rng.integers(1 << 31)))
