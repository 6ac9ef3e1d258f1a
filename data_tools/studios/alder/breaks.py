"""How a pin housing breaks: noise-displaced cutting surfaces through its distance field."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.alder.fields import ball
from data_tools.studios.alder.mesh import Array
from data_tools.studios.alder.noise import noise, rough_noise
from model.families import Contact

KINDS = ("chips", "wedge", "crescent", "half", "gone", "even", "ragged", "split", "leaning", "lying")
WEIGHTS = (0.12, 0.13, 0.12, 0.13, 0.1, 0.09, 0.12, 0.06, 0.07, 0.06)


@dataclass(frozen=True)
class Shard:
    """Where the broken-out piece is: leaning outwards by ``lean`` radians, or ``lying`` on the floor."""

    turn: float
    lean: float
    lying: bool
    spin: float

    def placed(self, points: Array, contact: Contact, depth: float) -> Array:
        """Return the piece's points (Nx3 mm, face frame) where it has come to rest."""
        base = points.min(axis=0)[2]
        pivot = np.array([contact.x, contact.y, 0.0])
        out = np.array([np.cos(self.turn), np.sin(self.turn), 0.0])
        pivot = pivot + out * contact.sleeve_diameter * 0.45 + [0, 0, base]
        angle = np.pi / 2 * 0.95 if self.lying else self.lean
        axis = np.array([-out[1], out[0], 0.0])
        moved = _turned(points - pivot, axis, angle)
        if self.lying:
            moved = _turned(moved, np.array([0.0, 0.0, 1.0]), self.spin)
            moved[:, 2] += -depth + 0.2 - base - moved[:, 2].min()
        return np.asarray(moved + pivot + out * 0.25)


def _turned(points: Array, axis: Array, angle: float) -> Array:
    cos, sin = np.cos(angle), np.sin(angle)
    return np.asarray(points * cos + np.cross(axis, points) * sin + np.outer(points @ axis, axis) * (1 - cos))


@dataclass(frozen=True)
class Break:
    """One broken sleeve. Lengths in mm; ``turn`` is the middle of the break, ``wide`` its half angle."""

    kind: str
    turn: float
    wide: float
    deep: float
    slope: float
    rough: float
    grain: float
    gap: float
    pale: float
    seed: int
    balls: tuple[tuple[float, float, float], ...]
    waves: tuple[tuple[float, float, float], ...]
    shard: Shard | None

    def opened(self, p: Array, depth: float) -> Array:
        """Return the points with one side of a split sleeve pushed outwards."""
        if self.kind != "split" or self.gap < 0.45:
            return p
        side = np.array([-np.sin(self.turn), np.cos(self.turn)], np.float32)
        high = np.clip((p[..., 2] + depth) / depth, 0, 1.2) ** 2
        push = np.where(p[..., :2] @ side > 0, self.gap * 0.9, 0.0) * high
        moved = p.copy()
        moved[..., :2] -= push[..., None] * side
        return moved

    def cut(self, p: Array, contact: Contact, depth: float) -> Array:
        """Return the field of what is missing (negative where gone) at ...x3 local points."""
        radius = contact.sleeve_diameter / 2
        jag = self.rough * rough_noise(p, self.grain, self.seed) / 1.4
        jag = jag + self.rough * 0.5 * np.abs(noise(p, self.grain * 1.7, self.seed + 3))
        deep = min(self.deep, depth - 0.6)
        return self._plain_cut(p, radius, deep, depth) + jag

    def _plain_cut(self, p: Array, radius: float, deep: float, depth: float) -> Array:
        x, y, z = p[..., 0], p[..., 1], p[..., 2]
        away = np.angle(np.exp(1j * (np.arctan2(y, x) - self.turn)))
        aside = np.abs(away) * radius
        toward = x * np.cos(self.turn) + y * np.sin(self.turn)
        if self.kind == "chips":
            field = np.full(z.shape, 9.0)
            for turn, height, size in self.balls:
                at = (radius * 0.85 * np.cos(turn), radius * 0.85 * np.sin(turn), height)
                field = np.minimum(field, ball(p, at, size))
            return field
        if self.kind in ("wedge", "leaning", "lying"):
            return np.asarray((aside - self.wide * radius * np.clip((z + deep) / deep, 0, 1.2) ** 0.7) * 0.8)
        if self.kind == "crescent":
            fall = np.clip((toward / radius + self.slope) / (1 + self.slope), -0.4, 1)
            return np.asarray(-(z + deep * fall) * 0.8)
        if self.kind == "half":
            return np.asarray(np.maximum(aside - self.wide * radius * 1.6, -z - deep))
        if self.kind == "split":
            line = np.abs(-x * np.sin(self.turn) + y * np.cos(self.turn)) - self.gap / 2
            return np.asarray(np.maximum(np.maximum(line, -toward), -z - depth * 0.85))
        base = {"gone": depth - 0.8 - self.slope, "even": min(deep, 5.0)}.get(self.kind, deep * 0.55)
        for times, size, phase in self.waves if self.kind == "ragged" else ():
            base = base + size * np.sin(times * away + phase)
        return np.asarray(-z - base)

    def coloured(self, points: Array, cut: Array, colour: Array, rough: Array) -> tuple[Array, Array]:
        """Return colour (Nx3) and roughness (N) with the fracture face and its whitened edge."""
        face = np.clip(1.5 - np.abs(cut) / 0.25, 0, 1)
        edge = 0.35 * np.clip(1 - np.abs(cut) / 1.2, 0, 1)
        amount = (self.pale * np.maximum(face, edge))[:, None]
        speck = 1 + 0.25 * noise(points, 0.6, self.seed + 9)[:, None]
        fresh = (colour * 1.3 + 0.09) * speck
        return colour * (1 - amount) + fresh * amount, np.maximum(rough, 0.75 * face)


def draw_break(rng: np.random.Generator, depth: float) -> Break:
    """Draw one break of a sleeve whose recess is ``depth`` mm deep."""
    kind = str(rng.choice(KINDS, p=WEIGHTS))
    turn = float(rng.uniform(-np.pi, np.pi))
    balls = tuple(
        (turn + float(rng.normal(0, 0.7)), float(rng.uniform(-0.4, 0.3)), float(rng.uniform(1.2, 2.7)))
        for _ in range(int(rng.integers(1, 4)))
    )
    waves = tuple(
        (float(k), float(rng.uniform(0.5, 2.2) / k**0.4), float(rng.uniform(0, 6.3))) for k in (1, 2, 3, 5)
    )
    shard = None
    if kind in ("leaning", "lying"):
        lean = float(rng.uniform(0.12, 0.55))
        shard = Shard(turn, lean, kind == "lying", float(rng.uniform(-1.5, 1.5)))
    return Break(
        kind=kind,
        turn=turn,
        wide=float(rng.uniform(0.35, 1.2)),
        deep=float(rng.uniform(1.8, max(2.5, depth - 0.8))),
        slope=float(rng.uniform(0.0, 1.2)),
        rough=float(rng.uniform(0.1, 0.55)),
        grain=float(rng.uniform(1.2, 4.0)),
        gap=float(rng.uniform(0.35, 1.1)),
        pale=float(rng.choice([0.0, rng.uniform(0.1, 0.5), rng.uniform(0.5, 1.0)])),
        seed=int(rng.integers(1 << 30)),
        balls=balls,
        waves=waves,
        shard=shard,
    )
