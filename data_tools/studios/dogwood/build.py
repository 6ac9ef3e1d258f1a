"""Builds: how a maker may have shaped and coloured a coupler of a family. Every number is drawn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from data_tools.studios.dogwood.mesh import Finish, Floats
from model.families import Family

Colour = tuple[float, float, float]

PLASTICS: tuple[tuple[Colour, float], ...] = (
    ((0.016, 0.016, 0.018), 8.0),
    ((0.035, 0.035, 0.037), 6.0),
    ((0.085, 0.087, 0.09), 3.5),
    ((0.22, 0.225, 0.23), 2.5),
    ((0.62, 0.61, 0.58), 2.5),
    ((0.65, 0.2, 0.03), 1.0),
    ((0.05, 0.28, 0.09), 1.0),
    ((0.03, 0.1, 0.36), 1.0),
    ((0.4, 0.36, 0.26), 0.6),
    ((0.45, 0.04, 0.03), 0.4),
)
METALS: tuple[Colour, ...] = (
    (0.75, 0.74, 0.71),
    (0.83, 0.62, 0.3),
    (0.8, 0.45, 0.28),
    (0.5, 0.47, 0.42),
    (0.3, 0.25, 0.2),
)


@dataclass(frozen=True)
class Sleeve:
    """One pin housing and its contact, mm and finishes; ``top`` is its mouth's z, ``root`` its foot's."""

    x: float
    y: float
    outer: float
    inner: float
    top: float
    root: float
    outer_bevel: float
    inner_bevel: float
    round_bevel: bool
    notches: tuple[tuple[float, float, float], ...]
    """Moulded notches in the rim: angle, width (rad) and depth (mm)."""
    contact_outer: float
    contact_inner: float
    contact_top: float
    slits: int
    finish: Finish


@dataclass(frozen=True)
class Latch:
    """Lever and hook of the latch: a box along z above the nose, and what is at its tip. mm."""

    width: float
    low: float
    high: float
    tip: float
    head_width: float
    head_low: float
    head_high: float
    head_long: float
    rounding: float
    slant: float
    ribs: int
    hood: float
    """z of the front of the body the lever comes out of."""
    finish: Finish


@dataclass(frozen=True)
class Build:
    """One maker's coupler: finishes and lengths (mm) of everything that is not a sleeve or a latch."""

    family: Family
    sleeves: tuple[Sleeve, ...]
    latch: Latch | None
    wall: float
    shell_top: float
    shell_bevel: float
    shell_round: bool
    floor: float
    flange: float
    flange_z: float
    keys: tuple[tuple[float, float, float], ...]
    """Ribs inside (positive) or grooves in (negative) the shell: angle, width (rad), height (mm)."""
    vents: tuple[tuple[float, float, float], ...]
    emboss: int
    fillet: float
    shell: Finish
    insert: Finish
    body: Finish
    metal: Finish
    drop: float
    """How steeply the handle falls behind the face: 0 straight back, 1 straight down."""
    handle_width: float
    seam: float
    lattice: int


def plastic(rng: Generator, like: Finish | None = None, keep: float = 0.6) -> Finish:
    """Draw a plastic; with probability ``keep`` the one given."""
    if like is not None and rng.random() < keep:
        return like
    weights = np.array([w for _, w in PLASTICS])
    colour = PLASTICS[rng.choice(len(PLASTICS), p=weights / weights.sum())][0]
    shade = rng.uniform(0.75, 1.3)
    mixed = tuple(float(np.clip(c * shade * rng.uniform(0.93, 1.07), 0.01, 0.8)) for c in colour)
    return Finish((mixed[0], mixed[1], mixed[2]), float(rng.uniform(0.22, 0.68)))


def draw_build(rng: Generator, family: Family) -> Build:
    """Draw one maker's build of a family."""
    shell = plastic(rng)
    insert = plastic(rng, shell, 0.65)
    body = plastic(rng, shell, 0.55)
    floor = -float(rng.choice([rng.uniform(4, 8), rng.uniform(8, 20)]))
    metal = METALS[rng.choice(len(METALS), p=[0.4, 0.2, 0.12, 0.18, 0.1])]
    flange_z = -float(rng.uniform(13, 34))
    return Build(
        family=family,
        sleeves=_sleeves(rng, family, insert, floor),
        latch=_latch(rng, shell, body, flange_z) if family.has_latch else None,
        wall=float(rng.uniform(1.6, 3.4)),
        shell_top=float(rng.choice([rng.uniform(-0.6, 0.6), rng.uniform(-3.0, 4.5)], p=[0.4, 0.6])),
        shell_bevel=float(rng.uniform(0.2, 1.1)),
        shell_round=bool(rng.random() < 0.6),
        floor=floor,
        flange=float(rng.uniform(1.04, 1.4)),
        flange_z=flange_z,
        keys=_keys(rng, family),
        vents=_vents(rng, family),
        emboss=int(rng.integers(0, 4)),
        fillet=float(rng.uniform(0.2, 1.6)),
        shell=shell,
        insert=insert,
        body=body,
        metal=Finish(metal, float(rng.uniform(0.15, 0.45)), 1.0),
        drop=float(rng.uniform(0.1, 0.95)),
        handle_width=float(rng.uniform(15, 25)),
        seam=float(rng.choice([0.0, rng.uniform(0.08, 0.3)])),
        lattice=int(rng.integers(1 << 31)),
    )


def _keys(rng: Generator, family: Family) -> tuple[tuple[float, float, float], ...]:
    """Up to three ribs and grooves, so that nothing looks like a rim with four slots."""
    count = int(rng.choice([0, 1, 2, 3], p=[0.4, 0.3, 0.2, 0.1]))
    angles = rng.uniform(0, 2 * np.pi, count)
    sign = float(rng.choice([-1.0, 1.0]))
    return tuple(
        (float(a), float(rng.uniform(0.06, 0.2)), sign * float(rng.uniform(0.5, 1.2))) for a in angles
    )


def _vents(rng: Generator, family: Family) -> tuple[tuple[float, float, float], ...]:
    """Small holes in the floor between the sleeves: x, y, radius (mm)."""
    if rng.random() < 0.55:
        return ()
    spots = rng.uniform(-0.38, 0.38, (40, 2)) * (family.nose_width, family.nose_height) + family.nose_centre
    gap = np.min([np.hypot(*(spots - (c.x, c.y)).T) - c.sleeve_diameter / 2 for c in family.contacts], axis=0)
    free = spots[gap > 1.9]
    return tuple((float(x), float(y), float(rng.uniform(0.6, 1.4))) for x, y in free[: rng.integers(1, 4)])


def _sleeves(rng: Generator, family: Family, insert: Finish, floor: float) -> tuple[Sleeve, ...]:
    own = plastic(rng, insert, 0.7)
    odd_one = plastic(rng)
    odd = int(rng.integers(len(family.contacts))) if rng.random() < 0.12 else -1
    wide, bore = rng.uniform(0.9, 1.03), rng.uniform(0.9, 1.18)
    outer_bevel = rng.choice([rng.uniform(0.08, 0.3), rng.uniform(0.3, 0.9)])
    inner_bevel = rng.choice([rng.uniform(0.08, 0.3), rng.uniform(0.3, 1.3)])
    round_bevel = bool(rng.random() < 0.55)
    notch = rng.random() < 0.25
    notch_angle, notch_depth = rng.uniform(0, 2 * np.pi), rng.uniform(0.5, 1.6)
    notch_wide, notch_twice = rng.uniform(0.16, 0.4), rng.random() < 0.3
    uneven = rng.choice([0.0, 0.0, 0.12, 0.35])
    recess, slits = rng.uniform(0.6, 6.0), int(rng.choice([0, 2, 4, 6], p=[0.4, 0.25, 0.25, 0.1]))
    solid = rng.random() < 0.25
    sleeves = []
    for number, contact in enumerate(family.contacts):
        outer = contact.sleeve_diameter / 2 * wide
        inner = min(contact.bore_diameter / 2 * bore, outer - 0.9)
        wall = outer - inner
        angles = (notch_angle, notch_angle + np.pi)[: 2 if notch_twice else 1] if notch else ()
        contact_outer = inner * float(rng.uniform(0.84, 0.94))
        sleeves.append(
            Sleeve(
                x=contact.x + float(rng.normal(0, 0.08)),
                y=contact.y + float(rng.normal(0, 0.08)),
                outer=outer,
                inner=inner,
                top=float(rng.uniform(-uneven, uneven)),
                root=floor,
                outer_bevel=float(min(outer_bevel, wall * 0.5)),
                inner_bevel=float(min(inner_bevel, wall * 0.45)),
                round_bevel=round_bevel,
                notches=tuple((float(a), float(notch_wide), float(notch_depth)) for a in angles)
                if notch
                else (),
                contact_outer=contact_outer,
                contact_inner=0.02 if solid else contact_outer * float(rng.uniform(0.6, 0.78)),
                contact_top=-float(recess * rng.uniform(0.9, 1.1)),
                slits=slits,
                finish=odd_one if number == odd else own,
            )
        )
    return tuple(sleeves)


def _latch(rng: Generator, shell: Finish, body: Finish, flange_z: float) -> Latch:
    low = float(rng.uniform(23.6, 26.0))
    high = low + float(rng.uniform(3.0, 5.0))
    width = float(rng.uniform(5.0, 11.0))
    metal = Finish((0.55, 0.54, 0.52), float(rng.uniform(0.25, 0.45)), 1.0)
    return Latch(
        width=width,
        low=low,
        high=high,
        tip=float(rng.uniform(-6.0, 3.0)),
        head_width=width * float(rng.choice([1.0, rng.uniform(1.0, 1.5)])),
        head_low=low - float(rng.choice([0.0, rng.uniform(0.2, 1.4)])),
        head_high=high + float(rng.uniform(0.2, 3.6)),
        head_long=float(rng.uniform(3.5, 7.5)),
        rounding=float(rng.uniform(0.3, 1.6)),
        slant=float(rng.uniform(0.0, 0.9)),
        ribs=int(rng.choice([0, 0, 1, 3])),
        hood=max(flange_z, -float(rng.uniform(14, 26))),
        finish=metal if rng.random() < 0.1 else plastic(rng, body if rng.random() < 0.5 else shell, 0.7),
    )


def outline(family: Family, angle: NDArray[np.floating]) -> Floats:
    """Distance (N,) mm from the nose centre to the shell's outer edge at ``angle`` (N,), from +x to +y.

    Type 2 is a disc whose top is cut flat, the corners eased; a round nose is a disc.
    """
    if family.nose_height == family.nose_width:
        return np.full(len(angle), family.nose_width / 2, np.float32)
    radius, half = family.nose_width / 2, family.nose_height / 2
    rise = radius - half  # the disc's centre above the nose centre
    sine, cosine = np.sin(angle), np.cos(angle)
    disc = rise * sine + np.sqrt(radius**2 - (rise * cosine) ** 2)
    flat = half / np.maximum(sine, 1e-3)
    eased = -np.log(np.exp(-disc * 1.3) + np.exp(-np.minimum(flat, 90) * 1.3)) / 1.3
    return np.asarray(eased, np.float32)
