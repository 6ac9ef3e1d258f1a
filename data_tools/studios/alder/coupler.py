"""One coupler: its design, its damage, and the meshes of it as it is and as its undamaged twin would be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.alder import body, latch, sleeves
from data_tools.studios.alder.breaks import Break, draw_break
from data_tools.studios.alder.latch import Lever, Loss
from data_tools.studios.alder.melts import Melt, draw_melt
from data_tools.studios.alder.mesh import Mesh, Rgb, merged
from data_tools.studios.alder.sleeves import State
from data_tools.studios.alder.weather import Weather, draw_weather, texture, worn
from model.families import Contact, Family
from model.vocabulary import FindingKind, Place

PLASTICS: tuple[tuple[Rgb, float], ...] = (
    ((0.012, 0.012, 0.013), 0.3),
    ((0.03, 0.03, 0.032), 0.28),
    ((0.09, 0.09, 0.095), 0.12),
    ((0.24, 0.24, 0.24), 0.07),
    ((0.7, 0.7, 0.68), 0.07),
    ((0.03, 0.09, 0.32), 0.04),
    ((0.05, 0.25, 0.08), 0.04),
    ((0.68, 0.2, 0.02), 0.04),
    ((0.42, 0.025, 0.025), 0.04),
)


@dataclass(frozen=True)
class Damage:
    """One true damage: ``state`` of a sleeve or ``loss`` of the lever is kept elsewhere; ``dull``: cap it."""

    kind: FindingKind
    place: Place
    severity: float
    how: str
    dull: bool = False


@dataclass(frozen=True)
class Coupler:
    """The coupler as it is (``mesh``) and undamaged (``twin``); ``lever`` is the undamaged lever."""

    family: Family
    mesh: Mesh
    twin: Mesh
    lever: Mesh | None
    damages: tuple[Damage, ...]
    rim: float
    deep: float
    body_half: float
    marks: list[str]


def _plastic(rng: np.random.Generator) -> tuple[Rgb, float]:
    index = int(rng.choice(len(PLASTICS), p=[p[1] for p in PLASTICS]))
    tint = np.asarray(PLASTICS[index][0]) * float(rng.uniform(0.7, 1.35)) * rng.normal(1, 0.03, 3)
    tint = np.clip(tint, 0.006, 0.82)
    return (float(tint[0]), float(tint[1]), float(tint[2])), float(rng.uniform(0.22, 0.7))


def _kinds(rng: np.random.Generator, family: Family) -> set[FindingKind]:
    """Draw which kinds of damage this coupler has."""
    if rng.random() < 0.4:
        return set()
    kinds = [FindingKind.BROKEN_PIN_HOUSING, FindingKind.HEAT_MELTED_HOUSING, FindingKind.MISSING_LATCH]
    weights = np.array([0.25, 0.2, 0.22]) if family.has_latch else np.array([0.3, 0.25, 0.0])
    count = 2 if rng.random() < 0.15 else 1
    drawn = rng.choice(3, count, replace=False, p=weights / weights.sum())
    return {kinds[int(k)] for k in drawn}


def _melts(rng: np.random.Generator, family: Family, depth: float) -> tuple[dict[int, Melt], tuple[int, ...]]:
    """Draw the melted sleeves (index: melt) and, where two have fused, their indices."""
    spots = family.contact_centres()
    first = int(rng.integers(len(spots)))
    count = int(rng.choice([1, 2, 3, 4], p=[0.45, 0.3, 0.15, 0.1]))
    order = np.argsort(
        np.hypot(*(spots - spots[first]).T) + rng.uniform(0, 3, len(spots)) * (np.arange(len(spots)) != first)
    )
    chosen = [first, *[int(k) for k in order if k != first]][:count]
    amount = float(rng.uniform(0.45, 1.0))
    pair: tuple[int, ...] = ()
    if count > 1 and rng.random() < 0.4:
        pair = (chosen[0], chosen[1])
        amount = max(amount, 0.55)
    melts = {}
    for rank, index in enumerate(chosen):
        fused = index in pair
        other = pair[1 - pair.index(index)] if fused else index
        gap = spots[other] - spots[index]
        bridge = (float(gap[0]), float(gap[1])) if fused else None
        share = amount if fused else float(np.clip(amount * rng.uniform(0.6, 1.1) ** rank, 0.3, 1))
        melts[index] = draw_melt(rng, depth, share, bridge)
    return melts, pair


def _states(
    rng: np.random.Generator, family: Family, kinds: set[FindingKind], depth: float
) -> tuple[list[State], tuple[int, ...]]:
    states: list[State] = [None] * len(family.contacts)
    pair: tuple[int, ...] = ()
    if FindingKind.HEAT_MELTED_HOUSING in kinds:
        melts, pair = _melts(rng, family, depth)
        for index, melt in melts.items():
            states[index] = melt
    if FindingKind.BROKEN_PIN_HOUSING in kinds:
        free = [k for k, s in enumerate(states) if s is None]
        count = int(rng.choice([1, 2, 3], p=[0.65, 0.25, 0.1]))
        for index in rng.choice(free, min(count, len(free)), replace=False):
            states[int(index)] = draw_break(rng, depth)
    return states, pair


def _standing(
    family: Family, states: list[State], pair: tuple[int, ...], style: sleeves.SleeveStyle
) -> tuple[Mesh, list[float]]:
    """Return all sleeves in their states and each one's lost share; equal whole sleeves are meshed once."""
    parts, lost = [], [0.0] * len(states)
    made: dict[tuple[float, float], tuple[Contact, Mesh]] = {}
    for index, (spot, state) in enumerate(zip(family.contacts, states, strict=True)):
        if index in pair:
            continue
        if state is not None:
            mesh, shares = sleeves.group([spot], [state], style, [index])
            lost[index] = shares[0]
            parts.append(mesh)
            continue
        size = (spot.sleeve_diameter, spot.bore_diameter)
        if size not in made:
            made[size] = (spot, sleeves.group([spot], [None], style, [index])[0])
        original, mesh = made[size]
        copy = mesh.moved(mesh.points + [spot.x - original.x, spot.y - original.y, 0])
        parts.append(
            Mesh(
                copy.points, copy.faces, copy.colour, copy.rough, copy.metal, np.full_like(copy.place, index)
            )
        )
    if pair:
        spots = [family.contacts[k] for k in pair]
        parts.append(sleeves.group(spots, [states[k] for k in pair], style, list(pair))[0])
    return merged(parts), lost


def _damages(
    family: Family, states: list[State], lost: list[float], lever: Lever | None, loss: Loss | None
) -> list[Damage]:
    found = []
    for spot, state, share in zip(family.contacts, states, lost, strict=True):
        if isinstance(state, Break):
            least = 0.15 if state.kind == "split" else 0.02  # a crack takes little away yet weakens the wall
            found.append(
                Damage(
                    FindingKind.BROKEN_PIN_HOUSING,
                    spot.place,
                    round(min(max(share, least), 1), 3),
                    state.kind,
                    share < 0.012,
                )
            )
        elif isinstance(state, Melt):
            found.append(
                Damage(
                    FindingKind.HEAT_MELTED_HOUSING, spot.place, round(state.amount, 3), f"melt_{state.tint}"
                )
            )
    if lever is not None and loss is not None:
        dull = loss.kind == "hook_end" and lever.hook == "blunt" and loss.jag < 0.2 and loss.pale == 0
        found.append(
            Damage(FindingKind.MISSING_LATCH, Place.LATCH, latch.SEVERITY[loss.kind], loss.kind, dull)
        )
    return found


def build(rng: np.random.Generator, family: Family) -> Coupler:
    """Draw and build one coupler with its twin."""
    shell, rough = _plastic(rng)
    insert = shell if rng.random() < 0.6 else _plastic(rng)[0]
    style = sleeves.draw_style(rng, insert, float(np.clip(rough + rng.normal(0, 0.08), 0.2, 0.8)))
    nose = body.draw_nose(rng, family, shell, insert, rough)
    metal = body.draw_contacts(rng)
    behind = body.draw_body(rng, shell if rng.random() < 0.7 else _plastic(rng)[0], rough)
    kinds = _kinds(rng, family)
    states, pair = _states(rng, family, kinds, style.depth)
    weather: Weather = draw_weather(rng, family)
    fixed = [body.nose(family, nose, style.depth), body.body(family, nose, behind)]
    fixed += [body.contact(metal, spot, style.depth) for spot in family.contacts]
    lever = loss = None
    levers: tuple[list[Mesh], list[Mesh]] = ([], [])
    if family.has_latch:
        tint = shell if rng.random() < 0.75 else _plastic(rng)[0]
        lever = latch.draw_lever(rng, nose.deep, nose.rim, tint, rough)
        drawn = latch.draw_loss(rng)
        loss = drawn if FindingKind.MISSING_LATCH in kinds else None
        place = len(family.contacts)
        levers = ([latch.mesh(lever, loss, place)], [latch.mesh(lever, None, place)])
        pivot = drawn.kind == "pulled" and drawn.side > 0
        fixed.append(latch.seat(lever, behind.colour, rough, pivot))
    standing, lost = _standing(family, states, pair, style)
    twins = standing
    if any(s is not None for s in states):
        twins, _ = _standing(family, [None] * len(states), (), style)

    shared = merged(fixed)
    given = texture(shared, weather)

    def finished(parts: list[Mesh]) -> Mesh:
        rest = merged(parts)
        both = np.concatenate([given, texture(rest, weather)])
        return worn(merged([shared, rest]), both, weather, family, nose.rim)

    damages = _damages(family, states, lost, lever, loss)
    mesh = finished([standing, *levers[0]])
    return Coupler(
        family=family,
        mesh=mesh,
        twin=finished([twins, *levers[1]]) if damages else mesh,
        lever=levers[1][0] if levers[1] else None,
        damages=tuple(damages),
        rim=nose.rim,
        deep=nose.deep,
        body_half=family.nose_width / 2 + max(behind.swell, 0),
        marks=weather.names(),
    )
