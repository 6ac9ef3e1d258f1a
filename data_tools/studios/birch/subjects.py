"""One subject: a coupler drawn anew (family, shapes, plastics, damages, dirt) and its meshes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.birch.breaks import Break, draw_break
from data_tools.studios.birch.housing import Nose, draw_nose
from data_tools.studios.birch.latches import SEVERITY, Latch, LatchBreak, draw_latch, draw_latch_break
from data_tools.studios.birch.looks import Dirt, darker, draw_dirts, metal, plastic
from data_tools.studios.birch.melts import Melt, draw_melt
from data_tools.studios.birch.meshes import Look
from data_tools.studios.birch.sleeves import Sleeve
from model.families import TYPE1, TYPE2, Family
from model.manifest import LabelledFinding
from model.vocabulary import FindingKind, Place


@dataclass(frozen=True)
class Looks:
    """The materials of one coupler; ``names`` are for reports."""

    shell: Look
    insert: Look
    sleeve: Look
    lever: Look
    body: Look
    cable: Look
    contact: tuple[Look, ...]
    fresh_change: float
    names: tuple[str, ...]


@dataclass(frozen=True)
class Sagging:
    """A whole insert sagged: centre (mm), level 0..1, reach (mm)."""

    centre: tuple[float, float]
    level: float
    wide: float


@dataclass(frozen=True)
class Coupler:
    """Everything drawn about one coupler; damages by number of the sleeve in table order."""

    family: Family
    nose: Nose
    sleeves: tuple[Sleeve, ...]
    recess: tuple[float, ...]
    latch: Latch | None
    latch_break: LatchBreak | None
    breaks: dict[int, Break]
    melts: dict[int, Melt]
    sagging: Sagging | None
    stains: dict[int, Melt]
    looks: Looks
    dirts: tuple[Dirt, ...]
    wear: float
    gravity: tuple[float, float]
    drops: int
    seed: int

    @property
    def damaged(self) -> bool:
        """Whether there is any damage."""
        return bool(self.breaks or self.melts or self.latch_break)


def draw_coupler(rng: np.random.Generator) -> Coupler:
    """Draw a coupler with or without damages."""
    family = TYPE1 if rng.uniform() < 0.5 else TYPE2
    nose = draw_nose(rng, family)
    sleeves = _sleeves(rng, family, nose)
    latch = draw_latch(rng, nose.depth) if family.has_latch else None
    intact = rng.uniform() < 0.42
    wants_break, wants_melt = rng.uniform(size=2) < (0.26, 0.17)
    wants_latch = latch is not None and rng.uniform() < 0.40
    if not intact and not (wants_break or wants_melt or wants_latch):
        wants_break = rng.uniform() < 0.5
        wants_melt = not wants_break
    latch_break = draw_latch_break(rng, latch) if latch and wants_latch and not intact else None
    turn = rng.normal(-np.pi / 2, 0.5) if rng.uniform() < 0.8 else rng.uniform(0, 2 * np.pi)
    gravity = (float(np.cos(turn)), float(np.sin(turn)))
    melts = _melts(rng, sleeves, gravity) if wants_melt and not intact else {}
    breaks = {}
    if wants_break and not intact:
        free = [k for k in range(len(sleeves)) if k not in melts]
        count = min(len(free), int(rng.choice([1, 2, 3], p=[0.66, 0.24, 0.10])))
        for k in rng.choice(free, count, replace=False):
            breaks[int(k)] = draw_break(rng, sleeves[int(k)], nose.floor)
    sagging = None
    if melts and not breaks and rng.uniform() < 0.25:
        hot = sleeves[next(iter(melts))]
        level = max(m.level for m in melts.values()) * rng.uniform(0.3, 1.0)
        sagging = Sagging((hot.x, hot.y), float(level), hot.outer * rng.uniform(1.0, 1.5))
    return Coupler(
        family=family,
        nose=nose,
        sleeves=sleeves,
        recess=tuple(float(v) for v in rng.uniform(0.8, 7, 1) + rng.uniform(-0.4, 0.4, len(sleeves))),
        latch=latch,
        latch_break=latch_break,
        breaks=breaks,
        melts=melts,
        sagging=sagging,
        stains=_stains(rng, sleeves, gravity, {*melts, *breaks}),
        looks=_looks(rng, len(sleeves)),
        dirts=tuple(draw_dirts(rng, family.nose_width / 2)),
        wear=float(rng.uniform(0, 0.45) * (rng.uniform() < 0.55)),
        gravity=gravity,
        drops=int(rng.integers(10, 120)) if rng.uniform() < 0.12 else 0,
        seed=int(rng.integers(2**31)),
    )


def _sleeves(rng: np.random.Generator, family: Family, nose: Nose) -> tuple[Sleeve, ...]:
    round_out, round_in = rng.uniform(0.12, 0.9), rng.uniform(0.1, 0.8)
    draft = rng.uniform(0, 0.02)
    slots = int(rng.choice([0, 1, 2, 3, 4], p=[0.68, 0.12, 0.1, 0.04, 0.06]))
    first, wide, deep = rng.uniform(0, 2 * np.pi), rng.uniform(0.12, 0.4), rng.uniform(0.8, 4)
    mirrored = rng.uniform() < 0.5
    notch = tuple(
        (float(first + 2 * np.pi * k / max(slots, 1)), float(wide), float(deep)) for k in range(slots)
    )
    made = []
    for c in family.contacts:
        outer, bore = c.sleeve_diameter / 2, c.bore_diameter / 2
        wall = outer - bore
        mine = tuple((np.pi - a, w, d) for a, w, d in notch) if mirrored and c.x > 0 else notch
        x, y = np.array([c.x, c.y]) + rng.uniform(-0.12, 0.12, 2)
        made.append(
            Sleeve(
                float(x),
                float(y),
                outer + float(rng.uniform(-0.12, 0.12)),
                bore + float(rng.uniform(-0.12, 0.12)),
                float(rng.uniform(-0.12, 0.12)),
                nose.floor - 14,
                float(round_out * min(wall * 0.42, 0.9)),
                float(round_in * min(wall * 0.42, 1.2)),
                float(draft),
                mine,
            )
        )
    return tuple(made)


def _near(sleeves: tuple[Sleeve, ...], first: int, count: int) -> list[int]:
    off = [np.hypot(s.x - sleeves[first].x, s.y - sleeves[first].y) for s in sleeves]
    return [int(k) for k in np.argsort(off)[:count]]


def _melts(
    rng: np.random.Generator, sleeves: tuple[Sleeve, ...], gravity: tuple[float, float]
) -> dict[int, Melt]:
    count = int(rng.choice([1, 2, 3, 4], p=[0.5, 0.28, 0.14, 0.08]))
    first = int(rng.integers(len(sleeves)))
    level = float(rng.uniform(0.25, 1.0))
    hot = _near(sleeves, first, count)
    middle = np.array([[sleeves[k].x, sleeves[k].y] for k in hot]).mean(0)
    colour, made = "", {}
    for k in hot:
        way = middle - [sleeves[k].x, sleeves[k].y]
        side = np.arctan2(way[1], way[0]) if count > 1 else rng.uniform(0, 2 * np.pi)
        mine = draw_melt(rng, float(np.clip(level * rng.uniform(0.75, 1.15), 0.2, 1)), float(side), gravity)
        colour = colour or mine.colour
        made[k] = Melt(mine.level, mine.flows, mine.side, gravity, colour, mine.seed)
    return made


def _stains(
    rng: np.random.Generator, sleeves: tuple[Sleeve, ...], gravity: tuple[float, float], taken: set[int]
) -> dict[int, Melt]:
    """Return sleeves that are only coloured (soot, brown, pale), never changed in shape."""
    if rng.uniform() > 0.16:
        return {}
    found = {}
    for k in _near(sleeves, int(rng.integers(len(sleeves))), int(rng.integers(1, 4))):
        if k not in taken:
            mark = draw_melt(rng, float(rng.uniform(0.2, 0.9)), float(rng.uniform(0, 6.28)), gravity)
            colour = str(rng.choice(["brown", "char", "pale", "gloss"], p=[0.4, 0.35, 0.15, 0.1]))
            found[k] = Melt(mark.level, (), mark.side, gravity, colour, mark.seed)
    return found


def _looks(rng: np.random.Generator, count: int) -> Looks:
    name, shell = plastic(rng)
    other, second = plastic(rng)
    two = rng.uniform() < 0.4
    insert = (
        second if two else darker(shell, rng.uniform(0.85, 1.15), float(np.clip(shell.rough + 0.05, 0.1, 1)))
    )
    sleeve = darker(insert, rng.uniform(0.85, 1.2)) if rng.uniform() < 0.85 else plastic(rng)[1]
    lever = darker(shell, rng.uniform(0.8, 1.2)) if rng.uniform() < 0.7 else plastic(rng)[1]
    body = darker(shell, rng.uniform(0.8, 1.2)) if rng.uniform() < 0.6 else plastic(rng)[1]
    cable = plastic(rng, str(rng.choice(["black", "black", "dark grey", "orange", "blue", "green"])))[1]
    first = metal(rng)
    contacts = tuple(first if rng.uniform() < 0.8 else metal(rng) for _ in range(count))
    fresh = float(rng.choice([0.0, rng.uniform(0.1, 0.5), rng.uniform(0.5, 1.0)]))
    return Looks(shell, insert, sleeve, lever, body, cable, contacts, fresh, (name, other if two else name))


def findings_of(coupler: Coupler) -> list[tuple[LabelledFinding, int]]:
    """Return the true damages with the number of the sleeve (-1: the latch); ``visible`` still 1."""
    found: list[tuple[LabelledFinding, int]] = []
    places = coupler.family.housing_places
    for k, crack in sorted(coupler.breaks.items()):
        severity = float(np.clip(crack.gone, 0.01, 1))
        found.append((LabelledFinding(FindingKind.BROKEN_PIN_HOUSING, places[k], round(severity, 3)), k))
    for k, melt in sorted(coupler.melts.items()):
        found.append((LabelledFinding(FindingKind.HEAT_MELTED_HOUSING, places[k], round(melt.level, 3)), k))
    if coupler.latch_break is not None:
        severity = SEVERITY[coupler.latch_break.how]
        found.append((LabelledFinding(FindingKind.MISSING_LATCH, Place.LATCH, severity), -1))
    return found


def words(coupler: Coupler) -> list[str]:
    """Return how the coupler is damaged, for reports."""
    how = [
        f"break:{b.how}" + (f"+{b.piece}" if b.piece != "none" else "")
        for _, b in sorted(coupler.breaks.items())
    ]
    how += [f"melt:{'+'.join(m.flows)}:{m.colour}" for _, m in sorted(coupler.melts.items())]
    if coupler.sagging:
        how.append("melt:sag")
    if coupler.latch_break:
        how.append(f"latch:{coupler.latch_break.how}")
    return how


def changed(coupler: Coupler) -> list[int]:
    """Return the sleeves that look altered though nobody could say whether they melted: glossed over by
    heat, or drawn along (by more than half a millimetre) where the insert sagged beside them."""
    found = {k for k, mark in coupler.stains.items() if mark.colour == "gloss"}
    sagged = coupler.sagging
    for k, sleeve in enumerate(coupler.sleeves):
        if sagged is None or k in coupler.melts or k in coupler.breaks:
            continue
        off = np.hypot(sleeve.x - sagged.centre[0], sleeve.y - sagged.centre[1]) - sleeve.outer
        if sagged.level * 7.0 * np.exp(-(max(off, 0.0) ** 2) / (2 * sagged.wide**2)) > 0.5:
            found.add(k)
    return sorted(found)
