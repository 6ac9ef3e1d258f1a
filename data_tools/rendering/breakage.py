"""Broken pin housings: what an impact takes out of a sleeve, as a solid to remove, and what falls out.

Every random choice comes from the damage's own seed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.rendering.mouths import Mouth
from data_tools.rendering.noise import noise, smoothstep
from data_tools.rendering.sdf import Array
from data_tools.rendering.spec import CouplerSpec, Damage
from model.families import family
from model.vocabulary import FindingKind

MODES = ("chip", "crack", "sector", "sleeve_gone")
RAGGED = {"sector": 1.4, "sleeve": 2.4}
"""How far a fracture face at the bottom of a break strays. A sleeve that snaps off all round leaves splinters
and steps; were it cut off evenly, it could not be told from one that was moulded shorter."""
EVEN, EVEN_FROM, EVENLY = 0.4, 0.6, 0.4
"""Share of such sleeves, from a severity on, that break off as good as evenly, and how far their face strays:
so low that no maker moulds one sleeve so, the contact bare."""
WEDGES = 0.35
"""Share of the chips that are wedges: two flat faces that meet below, as where a corner struck."""


@dataclass(frozen=True)
class Bite:
    """One piece removed from a sleeve, in cylinder coordinates about the sleeve's axis.

    ``angle`` and ``half_angle`` in radians, ``depth`` below the mouth and ``tilt`` in mm; ``slit`` is the
    half width of a crack in mm, 0 for anything else.
    """

    kind: str
    angle: float
    half_angle: float
    depth: float
    tilt: float
    slit: float


class Break:
    """One ``broken_pin_housing`` damage, ready to cut into the insulator and to be painted."""

    def __init__(self, damage: Damage, spec: CouplerSpec) -> None:
        shape, build = family(spec.family), spec.build
        self.damage = damage
        index = shape.housing_places.index(damage.place)
        contact, offset = shape.contacts[index], build["offsets"][index]
        rng = np.random.default_rng(damage.seed)
        self.centre = (contact.x + float(offset[0]), contact.y + float(offset[1]))
        self.radius = contact.sleeve_diameter / 2 + float(build["sleeve_grow"][index])
        self.bore = contact.bore_diameter / 2 + float(build["bore_grow"][index])
        self.top = -float(build["drops"][index])
        self.mouth = Mouth(shape, build, index)
        self.floor = float(build["floor_depth"])
        self.solid_body = build["style"] == "body"
        self.reach = self.radius + 4.5
        self.edge = self.radius + (rng.uniform(-0.8, 1.6) if self.solid_body else 1.2)
        self.fray = 2.2 if self.solid_body else 0.3
        self.coarse = float(rng.uniform(1.2, 3.5))
        self.fine = float(rng.uniform(0.5, 0.9))
        self.rough = float(rng.uniform(0.25, 0.6))
        self.lighter = float(rng.uniform(0.0, 0.1) if rng.random() < 0.25 else rng.uniform(0.12, 0.6))
        self.old = float(rng.uniform(0, 1) ** 1.5)
        self.bites = _bites(rng, damage, self)
        # From a stream of its own: all else about a seed stays as it was.
        late = np.random.default_rng([damage.seed, 13])
        even = damage.severity >= EVEN_FROM and late.random() < EVEN
        self.ragged = RAGGED | ({"sleeve": EVENLY} if even else {})
        if damage.mode == "chip":
            self.bites = [_wedge(bite, self) if late.random() < WEDGES else bite for bite in self.bites]

    def cut(self, x: Array, y: Array, z: Array) -> Array:
        """Return the signed distance (mm, about; negative inside) of everything this damage removes."""
        dx, dy = x - np.float32(self.centre[0]), y - np.float32(self.centre[1])
        away = np.hypot(dx, dy)
        around = np.arctan2(dy, dx)
        ragged = noise(x, y, z, self.coarse, self.damage.seed + 11, 2) * np.float32(self.rough * 1.6) + noise(
            x, y, z, self.fine, self.damage.seed + 12
        ) * np.float32(self.rough * 0.5)
        removed = None
        for bite in self.bites:
            one = self._one(bite, away, around, z, ragged)
            removed = one if removed is None else np.minimum(removed, one)
        assert removed is not None
        inside = np.maximum(
            away - np.float32(self.edge) - np.float32(self.fray) * ragged, np.float32(-self.floor - 0.4) - z
        )
        result: Array = np.maximum(removed, inside).astype(np.float32)
        return result

    def _one(self, bite: Bite, away: Array, around: Array, z: Array, ragged: Array) -> Array:
        turn = np.mod(around - np.float32(bite.angle) + np.pi, 2 * np.pi) - np.pi
        # Measured from where this make's rim is, or a slight chip would lie in the air above it.
        below = np.float32(self.top - self.mouth.lowered_at(bite.angle)) - z
        if bite.kind == "crack":
            along = np.clip(1 - below / np.float32(bite.depth), 0.0, 1.0)
            wander = ragged * np.float32(1.6)
            slit = np.abs(turn * away + wander) - np.float32(bite.slit) * along
            outward = np.where(np.abs(turn) < 1.2, 0.0, 5.0)
            crack: Array = np.maximum(slit, below - np.float32(bite.depth)) + outward
            return crack
        if bite.kind == "chip":
            radial = (away - np.float32(self.radius - bite.tilt * 0.3)) / np.float32(max(bite.tilt, 0.3))
            across = turn * away / np.float32(bite.half_angle * self.radius)
            down = below / np.float32(bite.depth)
            ball = np.sqrt(radial**2 + across**2 + down**2) - 1.0
            chip: Array = ball * np.float32(min(bite.depth, bite.tilt)) + ragged * 0.8
            return chip
        if bite.kind == "wedge":
            along = np.clip(1 - below / np.float32(bite.depth), 0.0, 1.5)
            flank = np.abs(turn) * away - np.float32(bite.half_angle * self.radius) * along
            inner = np.float32(self.radius - 1.2 * bite.tilt) - away
            wedge: Array = np.maximum(np.maximum(flank, below - np.float32(bite.depth)), inner) + 0.4 * ragged
            return wedge
        side = (np.abs(turn) - np.float32(bite.half_angle)) * np.maximum(away, 0.5) + ragged
        lean = (
            np.float32(bite.tilt) * np.cos(around - np.float32(bite.angle)) * away / np.float32(self.radius)
        )
        bottom = below - np.float32(bite.depth) - lean + ragged * np.float32(self.ragged[bite.kind])
        sector: Array = np.maximum(side, bottom)
        return sector

    def fresh(self, x: Array, y: Array, z: Array) -> Array:
        """Return how much each point lies on a fracture face, 0..1."""
        return 1.0 - smoothstep(0.12, 0.5, np.abs(self.cut(x, y, z)))


def _chip(rng: np.random.Generator, scale: float, angle: float) -> Bite:
    grown = scale**0.7
    depth = (0.8 + 5.0 * grown) * rng.uniform(0.8, 1.3)
    width = (0.15 + 0.85 * grown) * rng.uniform(0.85, 1.3)
    through = (0.8 + 3.6 * grown) * rng.uniform(0.9, 1.3)
    return Bite("chip", angle, width, depth, through, 0.0)


def _wedge(chip: Bite, hit: Break) -> Bite:
    """Return a wedge as large as ``chip``, narrower than half of the mouth and not down to the floor."""
    depth = min(1.3 * chip.depth, hit.floor - 1.0)
    return Bite("wedge", chip.angle, min(chip.half_angle, 1.2), depth, chip.tilt, 0.0)


def _crack(rng: np.random.Generator, scale: float, angle: float, height: float) -> Bite:
    depth = (3.0 + (height - 3.0) * scale) * rng.uniform(0.7, 1.1)
    return Bite("crack", angle, 0.0, depth, 0.0, 0.22 + 1.05 * scale**0.7 * rng.uniform(0.75, 1.0))


def _sector(rng: np.random.Generator, scale: float, angle: float, height: float) -> Bite:
    half_angle = 0.3 + 1.6 * scale**0.8 * rng.uniform(0.8, 1.1)
    depth = 1.0 + (height - 1.0) * scale**0.8 * rng.uniform(0.6, 1.1)
    return Bite("sector", angle, half_angle, depth, rng.uniform(-0.5, 2.0) * (0.3 + scale), 0.0)


def _bites(rng: np.random.Generator, damage: Damage, hit: Break) -> list[Bite]:
    """Draw the removed pieces for a severity: an impact from one side, with lesser damage beside it."""
    s, impact = float(damage.severity), float(rng.uniform(-np.pi, np.pi))
    height = min(hit.floor, 16.0)
    if damage.mode == "chip":
        count = 1 + int(rng.random() < 0.4) + int(s > 0.5) + int(s > 0.8)
        return [
            _chip(rng, s * rng.uniform(0.75, 1), impact + rng.normal() * 0.9 * (k > 0)) for k in range(count)
        ]
    if damage.mode == "crack":
        count = 1 + int(rng.random() < 0.5) + int(s > 0.6)
        bites = [_crack(rng, s, impact + k * rng.uniform(0.7, 2.5), height) for k in range(count)]
        return bites + ([_chip(rng, s * 0.4, impact)] if rng.random() < 0.4 else [])
    if damage.mode == "sector":
        sector = _sector(rng, s, impact, height)
        beside = impact + sector.half_angle * rng.choice([-1, 1]) + rng.normal() * 0.3
        return [sector, *([_crack(rng, s * 0.7, beside, height)] if rng.random() < 0.5 else [])]
    depth = height * (0.08 + 0.9 * s**0.7) * rng.uniform(0.9, 1.05)
    if hit.solid_body:
        depth *= rng.uniform(0.5, 0.9)
    return [Bite("sleeve", impact, np.pi + 0.5, depth, rng.uniform(0.8, 3.2), 0.0)]


def broken(spec: CouplerSpec) -> list[Break]:
    """Return the housing breaks of a coupler."""
    return [Break(d, spec) for d in spec.damages if d.kind is FindingKind.BROKEN_PIN_HOUSING]
