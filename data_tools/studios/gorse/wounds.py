"""How damage changes the moulding: breaks take wall away, heat bends space and adds drops of melt."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from data_tools.studios.gorse.make import Damage, Make, dice
from data_tools.studios.gorse.solids import Axes, Grid, Waves, ball, join, part
from model.families import Contact
from model.vocabulary import FindingKind, Place

TURNS = 180
"""Steps around a sleeve in which the line of a break is walked."""


@dataclass(frozen=True)
class Break:
    """What is left of one sleeve: the height of its rim by angle, a crack and spalls.

    ``rim``: z of the surviving rim, mm, at ``TURNS`` angles; ``crack``: offset (mm along the wall) of a crack
    by millimetre of depth and ``gap`` its width at the mouth; ``spalls``: x, y, z, radius of what flew."""

    rim: Any
    crack: Any
    angle: float
    gap: float
    depth: float
    spalls: tuple[tuple[float, float, float, float], ...]

    def top(self, angle: Any, far: Any, radius: float) -> Any:
        """Return the height of the rim at an angle (radians) and a distance from the axis (mm)."""
        step = np.mod(angle / (2 * np.pi), 1) * TURNS
        low = np.floor(step)
        whole, share = low.astype(int) % TURNS, step - low
        line = self.rim[whole] * (1 - share) + self.rim[(whole + 1) % TURNS] * share
        slant = 0.35 * np.sin(3 * angle + self.angle) * (far - radius * 0.8)
        return line + np.where(line < -0.15, slant, 0.0)

    def carved(self, u: Any, v: Any, z: Any, radius: float) -> Any:
        """Return what the crack and the spalls took, as a solid."""
        taken: Any = np.float32(50)
        if self.gap > 0:
            line = np.interp(-z, np.arange(len(self.crack)), self.crack).astype(np.float32)
            c, s = np.cos(self.angle), np.sin(self.angle)
            width = self.gap * np.clip(1 + z / self.depth, 0, 1) * np.clip((c * u + s * v) / radius, 0, 1)
            across = np.abs(-s * u + c * v - line) - width / 2
            taken = np.maximum(np.maximum(across, -(c * u + s * v)), -self.depth - z)
        for spall in self.spalls:
            taken = np.minimum(taken, ball((u, v, z), spall[:3], spall[3]))
        return taken


def breaks(make: Make, damages: tuple[Damage, ...]) -> dict[Place, Break]:
    """Return the broken sleeves by place."""
    contacts = {contact.place: contact for contact in make.contacts}
    return {
        damage.place: _break(damage, contacts[damage.place], make)
        for damage in damages
        if damage.kind is FindingKind.BROKEN_PIN_HOUSING
    }


def walk(rng: np.random.Generator, count: int, step: float) -> Any:
    """Return a random walk of ``count`` steps that keeps coming back."""
    path = np.zeros(count)
    for n in range(1, count):
        path[n] = 0.93 * path[n - 1] + rng.normal(0, step)
    return path


def _break(damage: Damage, contact: Contact, make: Make) -> Break:
    rng, s = dice(damage.seed, 1), damage.severity
    radius, deep = contact.sleeve_diameter / 2, min(make.floor - 0.3, 15.0)
    angle = float(rng.uniform(0, 2 * np.pi))
    turn = np.linspace(0, 2 * np.pi, TURNS, endpoint=False)
    away = np.abs(np.angle(np.exp(1j * (turn - angle))))
    rough = walk(rng, TURNS, 0.16)
    rough -= np.linspace(0, 1, TURNS) * rough[-1]
    lost = np.zeros(TURNS)
    if damage.mode in ("chip", "spall", "pieces", "wedge"):
        for n in range(1 if damage.mode != "pieces" else int(rng.integers(2, 4))):
            centre = angle + n * rng.uniform(1.5, 2.6)
            off = np.abs(np.angle(np.exp(1j * (turn - centre))))
            half = (0.35 + 0.75 * s) * rng.uniform(0.85, 1.25)
            sharp = 0.6 if damage.mode == "chip" else 0.25
            bite = np.clip(1 - off / half, 0, 1) ** sharp
            lost = np.maximum(lost, bite * min(deep, (1.0 + 8.5 * s) * rng.uniform(0.85, 1.2)))
    elif damage.mode in ("ring", "root"):
        level = deep if damage.mode == "root" else deep * (0.25 + 0.6 * s)
        left = 1.0 if damage.mode == "root" else np.clip((away - 0.3) * 2.2, 0.25 * (1 - s), 1)
        lost = level * left + 0.12 * level * np.cos(turn - angle)
    else:
        across = np.minimum(away, np.abs(np.pi - away)) if s > 0.5 else away
        lost = np.clip(1 - across / (0.2 + 0.3 * s), 0, 1) * (1 + 3 * s)
    lost = np.clip(np.where(lost > 0.1, lost + rough * (0.6 + 0.8 * s), 0), 0, deep + 0.2)
    gap = 0.8 + 2.4 * s if damage.mode == "split" else 0.5 + 0.3 * s if rng.uniform() < 0.4 else 0.0
    spalls = []
    for _ in range(int(rng.integers(1, 4)) if damage.mode in ("spall", "pieces") else 0):
        turned = angle + rng.normal(0, 0.5)
        at = radius * rng.uniform(0.85, 1.05)
        size = (0.9 + 2.2 * s) * rng.uniform(0.8, 1.2)
        spalls.append((at * np.cos(turned), at * np.sin(turned), -float(rng.uniform(0, 1.5)), size))
    crack = walk(rng, 40, 0.28)
    return Break(-lost, crack, angle, gap, 2 + (deep + 4) * s, tuple(spalls))


@dataclass
class Melt:
    """A sleeve gone soft: how far its mouth sank and leant (mm), closed and turned oval, and its drops."""

    contact: Contact
    mode: str
    strength: float
    reach: float
    lean: tuple[float, float]
    sink: float
    closed: float
    oval: float
    turn: float
    seed: int
    drops: list[tuple[float, float, float, float]] = field(default_factory=list)

    def weight(self, x: Any, y: Any) -> Any:
        """Return how soft the plastic is at (x, y): 1 at the contact, 0 beyond ``reach``."""
        far = np.hypot(x - self.contact.x, y - self.contact.y)
        t = np.clip((self.reach - far) / (0.45 * self.reach), 0, 1)
        return t * t * (3 - 2 * t)

    def warped(self, axes: Axes) -> Axes:
        """Return where each point came from before the plastic flowed."""
        x, y, z = axes
        rng = dice(self.seed, 2)
        soft = self.weight(x, y) * np.clip(1 + z / 14, 0, 1.15)
        ripple = [Waves(rng, length)(axes) for length in (7.0, 7.0, 5.0)]
        wobble = 0.75 * self.strength
        return (
            x - soft * (self.lean[0] + wobble * ripple[0]),
            y - soft * (self.lean[1] + wobble * ripple[1]),
            z + soft * (self.sink * (0.8 + 0.5 * ripple[2])),
        )

    def squeezed(self, u: Any, v: Any) -> tuple[Any, Any]:
        """Return coordinates about the axis in which the oval sleeve is round."""
        c, s = np.cos(self.turn), np.sin(self.turn)
        along, across = c * u + s * v, -s * u + c * v
        along, across = along / (1 + self.oval), across * (1 + self.oval)
        return c * along - s * across, s * along + c * across

    def narrowed(self, z: Any) -> Any:
        """Return what is left of the bore's width at a height, 0..1."""
        return 1 - self.closed * np.clip(1 + z / 6, 0, 1)

    def grown(self, solid: Any, grid: Grid) -> Any:
        """Return the moulding with drips and blisters joined and craters (negative radius) taken out."""
        for x, y, z, radius in self.drops:
            window = grid.window(x, y, abs(radius) + 2)
            at = ball(part(grid.axes, window), (x, y, z), abs(radius))
            if radius > 0:
                solid[window] = join(solid[window], at, 1.3)
            else:
                solid[window] = -join(-solid[window], at, 0.5)
        return solid


def melts(make: Make, damages: tuple[Damage, ...]) -> list[Melt]:
    """Return the molten sleeves."""
    contacts = {contact.place: contact for contact in make.contacts}
    heat = FindingKind.HEAT_MELTED_HOUSING
    return [_melt(d, contacts[d.place], make) for d in damages if d.kind is heat]


def _melt(damage: Damage, contact: Contact, make: Make) -> Melt:
    rng, s, mode = dice(damage.seed, 3), damage.severity, damage.mode
    radius = contact.sleeve_diameter / 2
    way = rng.normal(-np.pi / 2, 0.9)
    shift = (0.25 + 3.2 * s) * rng.uniform(0.6, 1.1) * (1.0 if mode in ("sag", "fuse") else 0.45)
    deep = min(make.floor, 9.0)
    sink = s * deep * rng.uniform(0.3, 0.6) * (1.0 if mode in ("sag", "drip", "shrink") else 0.3)
    closing = {"close": (0.4, 0.6), "shrink": (0.05, 0.3), "fuse": (0.2, 0.5)}.get(mode, (0.1, 0.35))
    melt = Melt(
        contact,
        mode,
        s,
        radius * (1.45 + 0.45 * s) + 1,
        (float(shift * np.cos(way)), float(shift * np.sin(way))),
        float(sink),
        float(closing[0] + closing[1] * s if mode == "close" else rng.uniform(*closing) * (0.4 + s)),
        float(rng.uniform(0.05, 0.3) * (0.3 + s)),
        float(rng.uniform(0, np.pi)),
        damage.seed,
    )
    _drops(melt, rng, radius, make)
    return melt


def _drops(melt: Melt, rng: np.random.Generator, radius: float, make: Make) -> None:
    """Place the drops: chains that run down from the mouth, and single blisters and craters on the rim."""
    s, x, y = melt.strength, melt.contact.x + melt.lean[0], melt.contact.y + melt.lean[1]
    for _ in range(
        int(1 + 3 * s * rng.uniform(0.5, 1.2)) if melt.mode == "drip" else int(2 * s * rng.uniform())
    ):
        turn, size = rng.normal(-np.pi / 2, 1.0), (0.7 + 1.3 * s) * rng.uniform(0.8, 1.2)
        for n in range(int(rng.integers(3, 7))):
            at = radius * (0.8 + 0.16 * n)
            height = -melt.sink * 0.7 - n * rng.uniform(0.2, 0.9)
            swell = size * (0.75 + 0.12 * n)
            melt.drops.append((x + at * np.cos(turn), y + at * np.sin(turn), float(height), float(swell)))
    many = 14 * s + 3 if melt.mode == "blister" else 4 * s
    for _ in range(int(many)):
        turn, at = rng.uniform(0, 2 * np.pi), radius * rng.uniform(0.72, 1.1)
        size = rng.uniform(0.4, 0.75 + 0.9 * s) * (1 if rng.uniform() < 0.7 else -0.9)
        height = -melt.sink * 0.6 + rng.uniform(-1.5, 0.2)
        melt.drops.append((x + at * np.cos(turn), y + at * np.sin(turn), float(height), float(size)))
