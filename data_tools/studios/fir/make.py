"""Ordinary variety: what one make of coupler looks like before anything happens to it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from model.families import Family

Colour = tuple[float, float, float]

_DARK = ((18, 18, 19), (26, 27, 29), (38, 39, 42), (30, 32, 38), (50, 50, 51), (22, 24, 22), (62, 63, 66))
_MIDDLE = ((92, 94, 97), (118, 120, 122), (78, 84, 92), (104, 100, 92))
_PALE = ((214, 214, 208), (232, 231, 226), (190, 192, 192), (222, 214, 196))
_BRIGHT = (
    (212, 92, 24), (20, 74, 148), (30, 116, 62), (226, 180, 30), (160, 24, 26), (28, 138, 150), (122, 176, 40)
)  # fmt: skip
_METALS = ((214, 213, 208), (198, 192, 178), (205, 170, 98), (196, 142, 84), (142, 122, 84), (96, 88, 74))
MOUTHS = ("square", "chamfer", "flare", "step", "slotted", "round")
FRONTS = ("block", "trapezoid", "dome", "tee", "bevelled", "keystone", "hollow")
SIDES = ("barb", "under", "head", "wedge", "plain")


@dataclass(frozen=True)
class Finish:
    """Colour (linear RGB), roughness and metalness of one part."""

    colour: Colour
    rough: float
    metal: float = 0.0


@dataclass(frozen=True)
class Hook:
    """The latch lever: outlines seen from the front and from the side, and measures in mm."""

    front: str
    side: str
    width: float
    base: float
    thick: float
    barb: float
    tip: float
    corner: float
    ribs: int
    hood: float
    button: float


@dataclass(frozen=True)
class Make:
    """One make of coupler. Lengths in mm, z from the plane of the mouths towards the viewer."""

    family: Family
    seed: int
    insert: Finish
    shell: Finish
    body: Finish
    latch: Finish
    gasket: Finish
    contact: Finish
    wall: float
    rim: float
    rim_edge: float
    gap: float
    floor: float
    mouth: str
    mouth_size: float
    slots: int
    swell: float
    bore: float
    ribs: int
    bosses: int
    tabs: int
    ledge: float
    lead: float
    contact_depth: float
    contact_slots: int
    flange: float
    flange_z: float
    flange_corner: float
    seal: str
    droop: float
    grain: float
    hook: Hook | None = field(default=None)


def linear(colour: tuple[float, ...] | NDArray[np.float64]) -> NDArray[np.float64]:
    """Return linear RGB of an sRGB colour, 0..255."""
    c = np.asarray(colour, float) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def _shade(
    rng: np.random.Generator, palette: tuple[tuple[int, int, int], ...], spread: float = 0.12
) -> Colour:
    c = linear(palette[rng.integers(len(palette))]) * rng.normal(1, spread) * rng.normal(1, 0.03, 3)
    return tuple(np.clip(c, 0.004, 0.85))


def _plastic(rng: np.random.Generator, weights: tuple[float, float, float, float]) -> Finish:
    palette = (_DARK, _MIDDLE, _PALE, _BRIGHT)[rng.choice(4, p=weights)]
    return Finish(_shade(rng, palette), float(np.clip(rng.normal(0.42, 0.13), 0.14, 0.75)))


def draw_make(rng: np.random.Generator, family: Family) -> Make:
    """Draw one make of a family."""
    insert = _plastic(rng, (0.74, 0.12, 0.08, 0.06))
    shell = insert if rng.random() < 0.35 else _plastic(rng, (0.7, 0.14, 0.09, 0.07))
    body = shell if rng.random() < 0.4 else _plastic(rng, (0.52, 0.14, 0.18, 0.16))
    latch = (insert, shell, body, _plastic(rng, (0.45, 0.1, 0.1, 0.35)))[
        rng.choice(4, p=(0.2, 0.3, 0.2, 0.3))
    ]
    gasket = Finish(_shade(rng, (*_DARK[:3], (150, 60, 30), (120, 122, 124), (150, 28, 24))), 0.7)
    bright = rng.random() < 0.7
    contact = Finish(_shade(rng, _METALS), rng.uniform(0.12, 0.35) if bright else rng.uniform(0.35, 0.6), 1.0)
    two = family.key == "type2"
    return Make(
        family=family, seed=int(rng.integers(2**31)),
        insert=insert, shell=shell, body=body, latch=latch, gasket=gasket, contact=contact,
        wall=rng.uniform(1.7, 3.3), rim=float(np.clip(rng.normal(0.2, 1.2), -2.5, 2.5)),
        rim_edge=rng.uniform(0.3, 1.3), gap=rng.uniform(0.25, 0.8), floor=-rng.uniform(7, 22 if two else 26),
        mouth=MOUTHS[rng.choice(6, p=(0.22, 0.2, 0.16, 0.12, 0.14, 0.16))], mouth_size=rng.uniform(0.5, 1.4),
        slots=int(rng.integers(1, 5)), swell=rng.uniform(-0.25, 0.2), bore=rng.uniform(-0.25, 0.4),
        ribs=int(rng.integers(0, 4)), bosses=int(rng.integers(0, 4)), tabs=int(rng.integers(0, 4)),
        ledge=rng.uniform(0.3, 2.4), lead=rng.uniform(0, 1),
        contact_depth=rng.uniform(1.5, 7), contact_slots=int(rng.integers(0, 5)),
        flange=rng.uniform(2, 9), flange_z=-(rng.uniform(24, 38) if two else rng.uniform(29, 34)),
        flange_corner=rng.uniform(6, 26), seal=("none", "collar", "inner", "both")[rng.integers(4)],
        droop=rng.uniform(0.3, 1.4), grain=rng.uniform(0, 1), hook=None if two else _draw_hook(rng),
    )  # fmt: skip


def _draw_hook(rng: np.random.Generator) -> Hook:
    side = SIDES[rng.choice(5, p=(0.34, 0.2, 0.2, 0.16, 0.1))]
    barb = rng.uniform(1.6, 4.6)
    return Hook(
        front=FRONTS[rng.integers(len(FRONTS))], side=side, width=rng.uniform(7.5, 17.5),
        base=rng.uniform(22.7, 24.5) + (barb if side == "under" else 0), thick=rng.uniform(2.8, 5.2),
        barb=barb, tip=float(np.clip(rng.normal(-3, 3.5), -12, 3)), corner=rng.uniform(0.3, 1.8),
        ribs=int(rng.integers(0, 4)), hood=rng.uniform(0, 1), button=rng.uniform(0, 1),
    )  # fmt: skip
