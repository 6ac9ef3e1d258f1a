"""Heat-melted housings: a hot contact softens the plastic around it, from the bore outwards.

The melt moves the solid (sag, slump, ovalised bore), rounds its edges, swells or blisters it, and may or
may not change its colour and gloss. Every random choice comes from the damage's own seed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from data_tools.rendering.collapse import (
    OWN_COLOUR,
    Lump,
    draw_lumps,
    draw_pleats,
    draw_puddle,
    draw_rolled_rim,
    draw_sinking,
)
from data_tools.rendering.melt_amounts import AMOUNTS
from data_tools.rendering.noise import noise, smoothstep
from data_tools.rendering.runs import Sleeve, draw_runs, joined
from data_tools.rendering.sdf import Array, Grid, smooth_max, smooth_min
from data_tools.rendering.spec import CouplerSpec, Damage
from model.families import family
from model.vocabulary import FindingKind

_EARLY = 0.65
"""Exponent on severity: most of the deformation is there by the middle of the scale."""


class Melt:
    """One ``heat_melted_housing`` damage, ready to deform the insulator and to be painted."""

    def __init__(self, damage: Damage, spec: CouplerSpec) -> None:
        shape, build = family(spec.family), spec.build
        index = shape.housing_places.index(damage.place)
        contact, offset = shape.contacts[index], build["offsets"][index]
        rng = np.random.default_rng(damage.seed)
        self.damage = damage
        s = float(damage.severity)
        self.centre = (contact.x + float(offset[0]), contact.y + float(offset[1]))
        self.radius = contact.sleeve_diameter / 2
        self.bore = contact.bore_diameter / 2
        self.floor = float(build["floor_depth"])
        lean, far = rng.uniform(-np.pi, np.pi), rng.uniform(0.0, 0.55) * self.radius
        self.hot = (
            self.centre[0] + far * np.cos(lean),
            self.centre[1] + far * np.sin(lean),
            -rng.uniform(0.0, 4.0),
        )
        self.reach = max(self.radius, 4.6) * (0.95 + 1.25 * s**1.3) * rng.uniform(0.9, 1.2)
        self.amount = {
            name: float(np.interp(s**_EARLY, (0, 1), pair)) * rng.uniform(0.75, 1.25)
            for name, pair in vars(AMOUNTS[damage.mode]).items()
        }
        if rng.random() < 0.3:
            self.amount["slump"] *= rng.uniform(1.3, 2.4)
        down = rng.normal() * 0.35
        self.pull = np.array([np.sin(down), -np.cos(down)])
        self.oval_turn = rng.uniform(0, np.pi)
        self.balls = _blisters(rng, self)
        # From a stream of its own: all else about a seed stays as it was before plastic ran.
        sleeves = [_sleeve(spec, number) for number in range(len(shape.contacts))]
        self.runs = draw_runs(np.random.default_rng([damage.seed, 8]), index, sleeves, self.pull, s)
        ends = [np.hypot(run.end[0] - self.centre[0], run.end[1] - self.centre[1]) for run in self.runs]
        self.ran_to = float(max(ends, default=-5.0)) + 5.0
        self.pleats = draw_pleats(np.random.default_rng([damage.seed, 10]), s**_EARLY)
        late = np.random.default_rng([damage.seed, 11])
        self.sinking = draw_sinking(late, s**_EARLY)
        lumps = draw_lumps(late, s)
        self.balls += [_as_ball(lump, self) for lump in lumps]
        late_12 = np.random.default_rng([damage.seed, 12])
        self.rolled = draw_rolled_rim(late_12, s**_EARLY)
        self.puddle = draw_puddle(late_12, self.centre, self.radius, s)
        self.on_rim = bool(s > 0.35 and rng.random() < 0.45)
        self.look = _look(rng, damage)
        if (lumps or self.sinking) and damage.mode != "char" and late.random() < OWN_COLOUR:
            self.look |= {"colour": "none", "soot": 0.0}

    def weight(self, x: Array, y: Array, z: Array, spread: float = 1.0) -> Array:
        """Return how hot each point got, 0..1: 1 at the contact, 0 beyond reach, with an uneven border."""
        away = np.sqrt(
            (x - np.float32(self.hot[0])) ** 2
            + (y - np.float32(self.hot[1])) ** 2
            + (0.55 * (z - np.float32(self.hot[2]))) ** 2
        )
        uneven = noise(x, y, z, max(self.reach * 0.6, 2.5), self.damage.seed + 3) * np.float32(
            0.22 * self.reach
        )
        return 1.0 - smoothstep(0.45 * self.reach * spread, 1.25 * self.reach * spread, away + uneven)

    def heat(self, x: Array, y: Array, z: Array) -> Array:
        """Return how hot the plastic at each point once was, 0..1: as ``weight``, and what ran was hot."""
        hot = self.weight(x, y, z)
        for run in self.runs:
            hot = np.maximum(hot, 1.0 - smoothstep(0.1, 1.2, run.field(x, y, z)))
        return hot

    def displacement(self, x: Array, y: Array, z: Array) -> tuple[Array, Array, Array]:
        """Return how far the plastic at each point has flowed, mm along x, y and z."""
        hot, seed = self.weight(x, y, z), self.damage.seed
        height = np.clip((z + np.float32(self.floor)) / np.float32(self.floor), 0.0, 1.1)
        flow = hot * height
        dx, dy = x - np.float32(self.centre[0]), y - np.float32(self.centre[1])
        cos, sin = np.float32(np.cos(self.oval_turn)), np.float32(np.sin(self.oval_turn))
        u, v = (dx * cos + dy * sin) / self.radius, (dy * cos - dx * sin) / self.radius
        stretch, squeeze = u * self.amount["oval"], -v * self.amount["oval"]
        wave = self.amount["wobble"]
        move_x = flow * (
            self.pull[0] * self.amount["sag"]
            + stretch * cos
            - squeeze * sin
            + wave * noise(x, y, z, 4.5, seed + 5)
        )
        move_y = flow * (
            self.pull[1] * self.amount["sag"]
            + stretch * sin
            + squeeze * cos
            + wave * noise(x, y, z, 4.5, seed + 6)
        )
        tilt = 0.65 + 0.5 * noise(x, y, z, 6.0, seed + 7)
        move_z = -flow * self.amount["slump"] * tilt
        away = np.hypot(dx, dy) + np.float32(1e-3)
        if self.sinking is not None:
            there = flow * self.sinking.share(np.arctan2(dy, dx))
            outward = there * np.float32(self.sinking.out)
            move_x, move_y = move_x + outward * dx / away, move_y + outward * dy / away
            move_z = move_z - there * np.float32(self.sinking.deep)
        if self.rolled is not None:
            wall = np.clip((away - self.bore) / (self.radius - self.bore), 0, 1)
            roll = hot * self.rolled.push(-z, wall, noise(x, y, z, self.rolled.pitch, seed + 13, 2))
            move_x, move_y = move_x + roll * dx / away, move_y + roll * dy / away
        if self.pleats is not None:
            fold = self.pleats.fold(np.arctan2(dy, dx) + 0.5 * noise(x, y, z, 5.0, seed + 12))
            inward = flow * (np.float32(self.pleats.deep) * fold - np.float32(self.pleats.drawn))
            move_x, move_y = move_x + inward * dx / away, move_y + inward * dy / away
            move_z = move_z - flow * np.float32(self.pleats.low) * (1 - fold) / 2
        return move_x.astype(np.float32), move_y.astype(np.float32), move_z.astype(np.float32)

    def undo(self, x: Array, y: Array, z: Array) -> tuple[Array, Array, Array]:
        """Return where the plastic now at each point came from, mm."""
        x, y, z = np.broadcast_arrays(x, y, z)
        far = self.reach * 1.7 + 3.0
        near = (np.abs(x - self.centre[0]) < far) & (np.abs(y - self.centre[1]) < far)
        rows, columns = np.flatnonzero(near.any(axis=(1, 2))), np.flatnonzero(near.any(axis=(0, 2)))
        where = (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1))
        moved = self.displacement(x[where], y[where], z[where])
        result = []
        for axis, shift in zip((x, y, z), moved, strict=True):
            full = np.array(axis, np.float32)
            full[where] -= shift
            result.append(full)
        return result[0], result[1], result[2]

    def soften(self, field: Array, grid: Grid) -> Array:
        """Return the field with rounded edges, swelling, blisters and pits in the hot place."""
        where = grid.window(self.centre, max(self.reach * 1.7 + 3.0, self.ran_to))
        x, y, z = grid.coordinates()
        x, y = x[where[0]], y[:, where[1]]
        part = field[where]
        hot = self.weight(x, y, z)
        step = float(grid.x[1] - grid.x[0])
        rounded = gaussian_filter(part, self.amount["blur"] / step * np.array([1, 1, 0.8]), mode="nearest")
        part = part + hot * (rounded - part)
        swell = self.amount["swell"] * (0.7 + 0.6 * noise(x, y, z, 3.5, self.damage.seed + 8))
        part = part - hot * hot * swell.astype(np.float32)
        for cx, cy, cz, radius, popped in self.balls:
            cx, cy, cz = self._attached(cx, cy, cz)
            if not self._touches(part, grid, where, (cx, cy, cz), radius):
                continue
            ball = np.sqrt((x - np.float32(cx)) ** 2 + (y - np.float32(cy)) ** 2 + (z - np.float32(cz)) ** 2)
            near = np.abs(part) + ball < np.float32(4.0 + 2 * radius)
            part = np.where(near, smooth_min(part, ball - np.float32(radius), 0.5 * radius), part)
            if popped:
                hole = ball + np.float32(0.5 * radius) - (z - np.float32(cz)) * np.float32(0.6)
                part = np.where(near, smooth_max(part, -(hole - np.float32(0.62 * radius)), 0.25), part)
        if self.runs:
            uneven = np.float32(0.25) * noise(x, y, z, 2.0, self.damage.seed + 10, 2)
            part = joined(part, self.runs, (x, y, z), uneven)
        if self.puddle is not None:
            ripple = noise(x, y, z, 2.8, self.damage.seed + 14, 2)
            part = smooth_min(part, self.puddle.field(x, y, z, self.floor, ripple), 0.8)
        if self.amount["pits"] > 0.05:
            pits = noise(x, y, z, 1.3, self.damage.seed + 9, 2)
            part = part + hot * np.float32(self.amount["pits"]) * pits
        field = field.copy()
        field[where] = part
        return field

    def _attached(self, cx: float, cy: float, cz: float) -> tuple[float, float, float]:
        """Return where a spot of the plastic lies after it has flowed, mm."""
        spot = [np.array([value], np.float32) for value in (cx, cy, cz)]
        moved = self.displacement(*spot)
        return cx + float(moved[0][0]), cy + float(moved[1][0]), cz + float(moved[2][0])

    @staticmethod
    def _touches(
        part: Array, grid: Grid, where: tuple[slice, slice], at: tuple[float, float, float], radius: float
    ) -> bool:
        """Return whether a blister there would grow out of the plastic rather than float beside it."""
        axes = (grid.x[where[0]], grid.y[where[1]], grid.z)
        index = tuple(
            int(np.clip(np.searchsorted(a, v), 0, len(a) - 1)) for a, v in zip(axes, at, strict=True)
        )
        return bool(-1.2 * radius - 0.3 < part[index] < 0.35 * radius)

    def carry(self, vertices: NDArray[np.float32], share: float) -> NDArray[np.float32]:
        """Return vertices of another part moved along with the flowing plastic, by ``share`` of it."""
        moved = np.stack(self.displacement(vertices[:, 0], vertices[:, 1], vertices[:, 2]), axis=1)
        return (vertices + np.float32(share) * moved).astype(np.float32)


def _sleeve(spec: CouplerSpec, index: int) -> Sleeve:
    contact, offset = family(spec.family).contacts[index], spec.build["offsets"][index]
    return Sleeve(
        (contact.x + float(offset[0]), contact.y + float(offset[1])),
        contact.sleeve_diameter / 2,
        contact.bore_diameter / 2,
        float(spec.build["floor_depth"]),
    )


def _blisters(rng: np.random.Generator, melt: Melt) -> list[tuple[float, float, float, float, bool]]:
    """Draw blisters (x, y, z, radius, popped) on the mouth and the outer wall of the hot sleeve."""
    balls = []
    for _ in range(int(melt.amount["blisters"] + 0.5)):
        angle, s = rng.uniform(-np.pi, np.pi), melt.damage.severity
        on_mouth = rng.random() < 0.7
        away = rng.uniform(melt.bore, melt.radius * (1.0 + 0.35 * s)) if on_mouth else melt.radius
        depth = rng.uniform(0.0, 0.8 + melt.amount["slump"]) if on_mouth else rng.uniform(0.5, 5.0)
        size = rng.uniform(0.35, 0.6 + 1.1 * s)
        balls.append(
            (
                melt.centre[0] + away * np.cos(angle),
                melt.centre[1] + away * np.sin(angle),
                -depth,
                size,
                bool(rng.random() < 0.25),
            )
        )
    return balls


def _as_ball(lump: Lump, melt: Melt) -> tuple[float, float, float, float, bool]:
    """Return a lump as a blister that has not popped."""
    away = lump.away * melt.radius
    x, y = melt.centre[0] + away * np.cos(lump.around), melt.centre[1] + away * np.sin(lump.around)
    return float(x), float(y), -lump.depth, lump.radius, False


def _look(rng: np.random.Generator, damage: Damage) -> dict[str, float | str]:
    """Draw colour and gloss of the melt; a third of all melts keep the plastic's own colour, and
    more of those that sink or swell (``collapse.OWN_COLOUR``)."""
    names = ["none", "brown", "white", "dark", "brown_core"]
    odds = [0.36, 0.2, 0.14, 0.15, 0.15]
    colour = "char" if damage.mode == "char" else str(rng.choice(names, p=odds))
    gloss = str(rng.choice(["glossy", "matte", "same"], p=[0.45, 0.3, 0.25]))
    return {
        "colour": colour,
        "gloss": gloss,
        "strength": float(rng.uniform(0.6, 1.0) if damage.mode == "char" else rng.uniform(0.35, 1.0)),
        "soot": float(rng.uniform(0.2, 0.9)) if rng.random() < 0.35 else 0.0,
        "soot_reach": float(rng.uniform(0.8, 2.4)),
        "contact_burn": float(rng.uniform(0, 1)),
    }


def melted(spec: CouplerSpec) -> list[Melt]:
    """Return the melts of a coupler."""
    return [Melt(d, spec) for d in spec.damages if d.kind is FindingKind.HEAT_MELTED_HOUSING]
