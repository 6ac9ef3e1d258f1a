"""What one subject is: the make of its coupler and the damages it has, drawn from a seed."""

from __future__ import annotations

import colorsys
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from model.families import FAMILIES, Contact, Family
from model.vocabulary import FindingKind, Place

SALT = 0x60125E
"""What keeps this studio's numbers apart from those of anybody else with the same seed."""
OTHER_SHARE, DAMAGED_SHARE, SECOND_SHARE = 0.10, 0.5, 0.25
Rgb = NDArray[Any]


def dice(*numbers: int) -> np.random.Generator:
    """Return random numbers of the studio's own for these numbers."""
    return np.random.default_rng([SALT, *numbers])


def rgb(hue: float, saturation: float, value: float) -> Rgb:
    """Return a colour, linear RGB, from hue, saturation and (display) value 0..1."""
    return np.asarray(colorsys.hsv_to_rgb(hue % 1, saturation, value), np.float32) ** 2.2


def plastic(rng: np.random.Generator, dark: float = 0.62) -> Rgb:
    """Return a plastic's colour; ``dark`` is the share of blacks and greys."""
    draw = rng.uniform()
    if draw < dark:
        return rgb(rng.choice([0.6, 0.1]), rng.uniform(0, 0.12), rng.uniform(0.12, 0.34))
    if draw < dark + 0.1:
        return rgb(0.12, rng.uniform(0, 0.1), rng.uniform(0.78, 0.93))
    if draw < dark + 0.18:
        return rgb(0.6, 0.05, rng.uniform(0.4, 0.65))
    hue = rng.choice([0.02, 0.07, 0.13, 0.3, 0.38, 0.5, 0.58, 0.63, 0.75]) + rng.normal(0, 0.012)
    return rgb(hue, rng.uniform(0.65, 0.95), rng.uniform(0.4, 0.9))


@dataclass(frozen=True)
class Damage:
    """One damage to model: ``mode`` says how it came about, ``stain`` how far its colour changed, 0..1."""

    kind: FindingKind
    place: Place
    severity: float
    mode: str
    stain: float
    seed: int


@dataclass(frozen=True)
class Make:
    """The dimensions (mm, z towards the viewer) and looks of one make of coupler."""

    family: Family
    seed: int
    shell: Rgb
    insert: Rgb
    sleeve: Rgb
    grip: Rgb
    rough: float
    grain: float
    brushed: float
    ribbed: bool
    rim: float
    wall: float
    floor: float
    dome: float
    fillet: float
    edge: float
    flare: float
    chamfer: float
    slots: int
    slot_depth: float
    contact_depth: float
    tarnish: float
    copper: float
    collar: float
    neck: float
    pistol: bool
    gasket: Rgb | None
    hook_width: float
    hook_height: float
    hook_reach: float
    hook_outline: str
    lever_width: float
    lever_gap: float
    hook_tip: float

    @property
    def contacts(self) -> tuple[Contact, ...]:
        """The contacts of the family."""
        return self.family.contacts


def draw_make(rng: np.random.Generator, family: str) -> Make:
    """Draw a make of this family."""
    shell = plastic(rng)
    insert = shell if rng.uniform() < 0.55 else plastic(rng, 0.75)
    sleeve = insert if rng.uniform() < 0.7 else plastic(rng, 0.5)
    shallow = rng.uniform() < 0.3
    hook = float(rng.uniform(5, 8.5) if rng.uniform() < 0.4 else rng.uniform(8.5, 16.5))
    return Make(
        family=FAMILIES[family],
        seed=int(rng.integers(2**31)),
        shell=shell,
        insert=insert,
        sleeve=sleeve,
        grip=plastic(rng, 0.45),
        rough=float(rng.uniform(0.16, 0.62)),
        grain=float(rng.choice([0, 0.4, 1.0]) * rng.uniform(0.5, 1)),
        brushed=float(rng.uniform(0.3, 1) if rng.uniform() < 0.15 else 0),
        ribbed=bool(rng.uniform() < 0.4),
        rim=float(rng.uniform(-1.5, 2.2)),
        wall=float(rng.uniform(1.7, 3.4)),
        floor=float(rng.uniform(2.5, 5) if shallow else rng.uniform(8, 19)),
        dome=float(rng.uniform(0.4, 2) if rng.uniform() < 0.4 else 0),
        fillet=float(rng.uniform(0.4, 2.2)),
        edge=float(rng.uniform(0.3, 1.5)),
        flare=float(rng.uniform(0.3, 1.0) if rng.uniform() < 0.4 else 0),
        chamfer=float(rng.uniform(0.4, 1.1) if rng.uniform() < 0.6 else 0.15),
        slots=int(rng.choice([1, 2, 3, 4]) if rng.uniform() < 0.22 else 0),
        slot_depth=float(rng.uniform(1.2, 5)),
        contact_depth=float(rng.uniform(1.2, 6.5)),
        tarnish=float(rng.uniform(0, 1) ** 1.5),
        copper=float(rng.choice([0, 0, 0.4, 1])),
        collar=float(rng.uniform(3.5, 9)),
        neck=float(rng.uniform(32, 38)),
        pistol=bool(rng.uniform() < (0.7 if family == "type1" else 0.4)),
        gasket=plastic(rng, 0.5) if rng.uniform() < 0.3 else None,
        hook_width=hook,
        hook_height=float(rng.uniform(6, 12)),
        hook_reach=float(rng.uniform(5, 11)),
        hook_outline=str(rng.choice(["block", "round", "trapezoid", "arch", "tee", "wedge"])),
        lever_width=float(np.clip(hook * rng.uniform(0.55, 1.1), 5, 17)),
        lever_gap=float(rng.uniform(0.6, 3.0)),
        hook_tip=float(rng.uniform(-9, 1.5)),
    )


def draw_damages(rng: np.random.Generator, family: Family) -> tuple[Damage, ...]:
    """Draw one to four damages, each at another place, the gravest first."""
    kinds = np.array(
        [FindingKind.BROKEN_PIN_HOUSING, FindingKind.HEAT_MELTED_HOUSING, FindingKind.MISSING_LATCH]
    )
    shares = (0.3, 0.3, 0.4) if family.has_latch else (0.5, 0.5, 0)
    drawn = rng.choice(kinds, 1 + (rng.uniform() < SECOND_SHARE), replace=False, p=shares)
    damages: list[Damage] = []
    for kind in map(FindingKind, drawn):
        severity = float(rng.uniform(0.1, 1))
        taken = {damage.place for damage in damages}
        free = [c for c in family.contacts if c.place not in taken]
        if kind is FindingKind.MISSING_LATCH:
            damages.append(_damage(rng, kind, Place.LATCH, severity))
            continue
        first = free[int(rng.integers(len(free)))]
        damages.append(_damage(rng, kind, first.place, severity))
        if kind is FindingKind.HEAT_MELTED_HOUSING and rng.uniform() < 0.35:
            nearest = sorted(free, key=lambda c: np.hypot(c.x - first.x, c.y - first.y))
            for contact in nearest[1 : 1 + int(rng.integers(1, 3))]:
                less = float(np.clip(severity * rng.uniform(0.5, 1), 0.1, 1))
                near = _damage(rng, kind, contact.place, less)
                damages.append(Damage(**{**near.__dict__, "stain": damages[-1].stain}))
    return tuple(damages)


def _damage(rng: np.random.Generator, kind: FindingKind, place: Place, severity: float) -> Damage:
    modes: tuple[str, ...] = {
        FindingKind.MISSING_LATCH: ("tip", "corner") if severity < 0.45 else ("mid", "root", "gone"),
        FindingKind.BROKEN_PIN_HOUSING: ("chip", "split", "spall")
        if severity < 0.4
        else ("wedge", "split", "ring", "pieces")
        if severity < 0.8
        else ("root", "ring", "wedge"),
        FindingKind.HEAT_MELTED_HOUSING: ("sag", "close", "blister", "drip", "fuse", "shrink"),
    }[kind]
    if kind is FindingKind.MISSING_LATCH and severity >= 0.45:
        modes = ("mid",) if severity < 0.7 else ("root", "gone")
    stain = 0.0 if rng.uniform() < 0.5 else float(rng.uniform(0.25, 1))
    return Damage(kind, place, severity, str(rng.choice(modes)), stain, int(rng.integers(2**31)))
