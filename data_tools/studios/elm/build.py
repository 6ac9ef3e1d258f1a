"""How one make of coupler differs from the next: sizes, shapes, colours, plastics."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.elm.noise import Array, Rng
from data_tools.studios.elm.solids import Outline, Skin, circle
from model.families import Family

PLASTICS: dict[str, tuple[float, float, float]] = {
    "black": (0.022, 0.022, 0.024),
    "soot": (0.04, 0.041, 0.043),
    "slate": (0.09, 0.092, 0.097),
    "grey": (0.24, 0.245, 0.25),
    "white": (0.72, 0.71, 0.68),
    "orange": (0.66, 0.16, 0.03),
    "green": (0.10, 0.33, 0.09),
    "blue": (0.05, 0.16, 0.42),
}
METALS = ((0.80, 0.79, 0.77), (0.62, 0.60, 0.57), (0.78, 0.60, 0.34), (0.72, 0.45, 0.30))
_FACES = ("black", "soot", "slate", "grey", "white", "orange", "green", "blue")
_FACE_ODDS = (0.30, 0.22, 0.14, 0.10, 0.09, 0.05, 0.05, 0.05)


@dataclass(frozen=True)
class Build:
    """One make. Lengths in mm, heights over the face plane; ``bores`` and ``sleeves`` are radii."""

    shell: Skin
    floor: Skin
    sleeves: tuple[Skin, ...]
    body: Skin
    metal: Skin
    wall: float
    rim: float
    bevel: float
    step: float
    depth: float
    collar: float
    radii: tuple[tuple[float, float], ...]
    tops: tuple[float, ...]
    sleeve_bevel: float
    notches: tuple[float, ...]
    recess: float
    slots: int
    boldness: float
    flange: tuple[float, float, float]
    nose: float
    grip: str
    lever: tuple[float, float, float]
    power: float
    grain: float
    vents: int
    marks: int


def _tinted(name: str, rng: Rng, rough: float) -> Skin:
    colour = np.asarray(PLASTICS[name]) * rng.uniform(0.75, 1.3) * rng.normal(1, 0.04, 3)
    return Skin(tuple(np.clip(colour, 0.012, 0.82)), float(np.clip(rough, 0.12, 0.9)))


def draw_build(family: Family, rng: Rng) -> Build:
    """Return a make of coupler of ``family``."""
    face = str(rng.choice(_FACES, p=_FACE_ODDS))
    gloss = float(rng.uniform(0.22, 0.68))
    shell = _tinted(face, rng, gloss)
    other = face if rng.random() < 0.55 else str(rng.choice(_FACES, p=_FACE_ODDS))
    floor = _tinted(other, rng, gloss + rng.normal(0, 0.08))
    sleeve = _tinted(other if rng.random() < 0.7 else face, rng, gloss + rng.normal(0, 0.08))
    coloured = _tinted(str(rng.choice(_FACES[3:])), rng, gloss)
    code = rng.random()
    few = set(rng.choice(len(family.contacts), 2, replace=False).tolist()) if code < 0.1 else set()
    everywhere = 0.1 <= code < 0.16
    body = shell if rng.random() < 0.6 else _tinted(str(rng.choice(_FACES)), rng, gloss)
    metal = METALS[int(rng.choice(4, p=(0.4, 0.3, 0.2, 0.1)))]
    depth = float(rng.choice([rng.uniform(3.5, 8), rng.uniform(8, 18)]))
    wall, thick = float(rng.uniform(1.7, 3.1)), rng.random() < 0.3
    fat, narrow = rng.uniform(0.92, 1.0), rng.uniform(0.9, 1.08)
    ups = rng.normal(0, 0.25, len(family.contacts)) * (rng.random() < 0.4)
    base = float(rng.uniform(-1.0, 0.7))
    return Build(
        shell=shell,
        floor=floor,
        sleeves=tuple(coloured if everywhere or n in few else sleeve for n in range(len(family.contacts))),
        body=body,
        metal=Skin(metal, float(rng.uniform(0.18, 0.45)), 1.0),
        wall=wall + 0.6 * thick,
        rim=float(rng.uniform(-0.8, 2.8)),
        bevel=wall * 0.45 if thick else float(rng.uniform(0.2, 0.7)),
        step=float(rng.uniform(0.5, 1.0)) if rng.random() < 0.35 else 0.0,
        depth=depth,
        collar=float(rng.uniform(0.1, 0.45)) if rng.random() < 0.4 else 0.0,
        radii=tuple((c.bore_diameter / 2 * narrow, c.sleeve_diameter / 2 * fat) for c in family.contacts),
        tops=tuple((base + ups).tolist()),
        sleeve_bevel=float(rng.uniform(0.15, 0.75)),
        notches=tuple(rng.uniform(0, 2 * np.pi, int(rng.integers(1, 3))).tolist())
        if rng.random() < 0.15
        else (),
        recess=float(rng.uniform(1.5, 7)),
        slots=int(rng.choice([0, 2, 4, 3])),
        boldness=float(rng.uniform(0.52, 0.74)),
        flange=(float(rng.uniform(4, 13)), float(rng.uniform(2, 12)), float(rng.uniform(2.2, 4.5))),
        nose=float(rng.uniform(24, 36)),
        grip=str(rng.choice(["pistol", "straight", "loop"])),
        lever=(float(rng.uniform(3.6, 6.2)), float(rng.uniform(1.7, 2.8)), float(rng.uniform(26.5, 30.5))),
        power=float(rng.uniform(14, 40)),
        grain=float(rng.uniform(0.0, 0.035)),
        vents=int(rng.integers(1, 4)) if rng.random() < 0.35 else 0,
        marks=int(rng.integers(2, 9)) if rng.random() < 0.3 else 0,
    )


def nose_outline(family: Family, power: float) -> Outline:
    """Return the outline of the rim: a circle, for Type 2 cut flat above; offset 0 is its outside, mm."""
    half = family.nose_width / 2
    if family.nose_height > family.nose_width - 1:
        return lambda angle, offset: circle(*family.nose_centre)(angle, half + offset)
    bottom = family.nose_centre[1] - family.nose_height / 2
    middle, top = bottom + half, bottom + family.nose_height

    def flattened(angle: Array, offset: Array | float) -> tuple[Array, Array]:
        flat = np.maximum(np.sin(angle), 0.02) / (top - middle + offset)
        radius = ((half + offset) ** -power + flat**power) ** (-1 / power)
        return radius * np.cos(angle), middle + radius * np.sin(angle)

    return flattened
