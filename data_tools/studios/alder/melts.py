"""How a pin housing melts: the space of its field is warped, lumps are fused on, the colour may change."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.alder.fields import ball, capsule, smooth_max, smooth_min
from data_tools.studios.alder.mesh import Array
from data_tools.studios.alder.noise import noise, rough_noise
from model.families import Contact

TINTS = ("none", "brown", "char", "ash", "yellow")
TINT_WEIGHTS = (0.36, 0.24, 0.2, 0.08, 0.12)


@dataclass(frozen=True)
class Melt:
    """One melted sleeve. ``amount`` 0..1 is how far; lengths in mm, angles in radians.

    ``toward`` is the heat's side; ``bridge`` the vector (mm) to a neighbour it has fused with, if any.
    """

    amount: float
    toward: float
    sag: float
    drift: float
    wobble: float
    close: float
    flare: float
    oval: float
    reach: float
    soft: float
    blisters: tuple[tuple[float, float, float, float], ...]
    runs: tuple[tuple[float, float, float], ...]
    puddle: float
    roll: float
    tint: str
    tint_deep: float
    gloss: float
    seed: int
    bridge: tuple[float, float] | None = None

    @property
    def spread(self) -> float:
        """How far (mm) the plastic may stand out beyond the whole sleeve."""
        return 1.4 + self.drift * 0.9 + 1.6 * self.wobble + max(self.roll, 6 * self.flare) + 0.4 * self.puddle

    def _high(self, z: Array, depth: float) -> Array:
        reach = min(self.reach, depth)
        return np.asarray(np.clip((z + reach) / reach, 0, 1.15))

    def warped(self, p: Array, depth: float) -> Array:
        """Return the points of the whole sleeve that have flowed to ``p`` (...x3 local mm)."""
        high = self._high(p[..., 2], depth)
        turn = np.arctan2(p[..., 1], p[..., 0])
        lowered = self.sag * (0.55 + 0.45 * np.cos(turn - self.toward))
        lowered = lowered + 0.35 * self.sag * noise(p * [1, 1, 0.3], 5.0, self.seed)
        q = np.array(p, np.float32)
        # The hot side hangs towards ``toward``; the warp is the inverse of where the plastic went.
        drift = self.drift * high**2
        q[..., 0] -= drift * np.cos(self.toward) + self.wobble * high * noise(p, 4.5, self.seed + 1)
        q[..., 1] -= drift * np.sin(self.toward) + self.wobble * high * noise(p, 4.5, self.seed + 2)
        along = q[..., 0] * np.cos(self.toward) + q[..., 1] * np.sin(self.toward)
        squeeze = self.oval * high * along
        q[..., 0] += squeeze * np.cos(self.toward)
        q[..., 1] += squeeze * np.sin(self.toward)
        q[..., :2] /= (1 + self.flare * high**2)[..., None]
        q[..., 2] += np.clip(lowered, 0, min(self.reach, depth) * 0.7) * np.minimum(high, 1)
        return q

    def narrowing(self, p: Array, depth: float) -> Array:
        """Return how far (0..1) the bore has closed at ``p``."""
        uneven = 1 + 0.3 * noise(p, 4.0, self.seed + 5)
        return np.asarray(np.clip(self.close * self._high(p[..., 2], depth) * uneven, -0.2, 0.97))

    def lumped(self, field: Array, p: Array, contact: Contact, depth: float) -> Array:
        """Return the field with blisters, runs, rolled rim, puddle and bridge fused on."""
        radius = contact.sleeve_diameter / 2
        for turn, height, size, sign in self.blisters:
            at = ((radius - 0.2) * np.cos(turn), (radius - 0.2) * np.sin(turn), -self.sag * 0.5 - height)
            lump = ball(p, at, size)
            field = smooth_min(field, lump, 0.5) if sign > 0 else smooth_max(field, -lump, 0.3)
        for turn, length, size in self.runs:
            out = np.array([np.cos(turn), np.sin(turn), 0.0]) * radius
            top = out + [0, 0, -self.sag * 0.6 - 0.6]
            foot = out * 1.06 + [0, 0, max(-self.sag * 0.6 - length, -depth)]
            field = smooth_min(field, capsule(p, top, foot, size * 0.7, size), 1.0)
        if self.roll > 0:
            across = np.hypot(p[..., 0], p[..., 1]) - radius - 0.15
            side = np.cos(np.arctan2(p[..., 1], p[..., 0]) - self.toward)
            thick = self.roll * np.clip(0.35 + 0.65 * side, 0, 1) - 0.05
            ring = np.hypot(across, p[..., 2] + self.sag * (0.55 + 0.45 * side) + 0.5) - thick
            field = smooth_min(field, ring, 1.0)
        if self.puddle > 0:
            flat = (p + np.array([0, 0, depth], np.float32)) * np.array([1, 1, 2.6], np.float32)
            spread = radius + self.puddle * (1 + 0.4 * noise(p, 6.0, self.seed + 8))
            field = smooth_min(field, (np.linalg.norm(flat, axis=-1) - spread) / 2.0, 1.5)
            field = np.maximum(field, contact.bore_diameter / 2 * 0.9 - np.hypot(p[..., 0], p[..., 1]))
        if self.bridge is not None:
            end = np.array([*self.bridge, 0.0]) / 2
            start = end * (radius * 0.85 / max(float(np.linalg.norm(end)), 1e-6))
            low = np.array([0, 0, -self.sag * 0.7 - 1.6])
            field = smooth_min(field, capsule(p, start + low, end + low, 2.0, 1.2 + self.amount), 1.6)
        ripple = 0.1 * self.soft * noise(p, 1.6, self.seed + 4)
        return field + ripple * self._high(p[..., 2], depth)

    def coloured(self, local: Array, colour: Array, rough: Array, depth: float) -> tuple[Array, Array]:
        """Return colour (Nx3) and roughness (N) of the hot plastic at Nx3 local points."""
        high = np.clip(self._high(local[:, 2], depth) + 0.3 * rough_noise(local, 5.0, self.seed + 6), 0, 1)
        hot = high**0.8
        glossy = rough + (self.gloss - rough) * hot
        if self.tint == "none":
            return colour, glossy
        target, mixed = {
            "brown": (np.array([0.10, 0.05, 0.022]), 0.8),
            "char": (np.array([0.006, 0.006, 0.006]), 0.97),
            "ash": (np.array([0.32, 0.30, 0.27]), 0.65),
            "yellow": (np.array([0.42, 0.28, 0.09]), 0.45),
        }[self.tint]
        speck = 1 + 0.3 * noise(local, 1.3, self.seed + 7)[:, None]
        blend = (mixed * self.tint_deep * hot)[:, None]
        # Heat browns light plastic; on black it can only leave a dull or ashen film.
        base = colour.mean(axis=1, keepdims=True)
        target = np.minimum(target, 0.35 * base + 0.03) if self.tint in ("brown", "yellow") else target
        out = colour * (1 - blend) + target * speck * blend
        return out, np.where(self.tint in ("char", "ash"), rough + (0.9 - rough) * hot, glossy)


def draw_melt(
    rng: np.random.Generator, depth: float, amount: float, bridge: tuple[float, float] | None = None
) -> Melt:
    """Draw one melt of the given amount (0..1) in a recess ``depth`` mm deep."""

    def some(chance: float, low: float, high: float) -> float:
        """Return a draw between the bounds, with the given chance; else 0."""
        value = float(rng.uniform(low, high))
        return value if rng.random() < chance else 0.0

    toward = float(rng.uniform(-np.pi, np.pi)) if bridge is None else float(np.arctan2(bridge[1], bridge[0]))
    blisters = tuple(
        (
            float(rng.uniform(-3.1, 3.1)),
            float(rng.uniform(-0.3, 4)),
            float(rng.uniform(0.4, 1.3)),
            float(rng.choice([1, 1, -1])),
        )
        for _ in range(int(rng.integers(2, 9)) if rng.random() < 0.5 else 0)
    )
    runs = tuple(
        (toward + float(rng.normal(0, 0.9)), float(rng.uniform(2, 9)), float(rng.uniform(0.5, 1.2)))
        for _ in range(int(rng.integers(1, 4)) if rng.random() < 0.4 else 0)
    )
    return Melt(
        amount=amount,
        toward=toward,
        sag=amount * float(rng.uniform(2.0, 0.65 * depth)),
        drift=amount * (float(rng.uniform(0.8, 5.0)) if bridge is None else 1.4),
        wobble=amount * float(rng.uniform(0.7, 2.3)),
        close=some(0.6, 0.3, 1.3) * amount,
        flare=some(0.45, 0.1, 0.45) * amount,
        oval=some(0.55, 0.15, 0.6) * amount,
        reach=float(rng.uniform(5, 12)),
        soft=float(rng.uniform(0.7, 2.2)) * (0.4 + amount),
        blisters=blisters,
        runs=runs,
        puddle=some(0.35, 0.8, 3.0),
        roll=some(0.4, 0.5, 1.5) * (0.5 + amount / 2),
        tint=str(rng.choice(TINTS, p=TINT_WEIGHTS)),
        tint_deep=float(rng.uniform(0.5, 1.0)),
        gloss=float(rng.uniform(0.15, 0.4)),
        seed=int(rng.integers(1 << 30)),
        bridge=bridge,
    )
