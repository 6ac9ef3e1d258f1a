"""How a latch fails: where it ends, and what its fracture looks like.

Failures remove everything in front of a break, torn or clean, or wear the hook round. Every random choice
comes from the damage's own seed; what later generators added, from a stream of its own each.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from data_tools.rendering.noise import noise, smoothstep
from data_tools.rendering.sdf import Array
from data_tools.rendering.spec import CouplerSpec, Damage
from model.vocabulary import FindingKind

MODES = ("hook_sheared", "arm_stub", "arm_gone", "hook_worn")
SHORTEST_HOOK_MM = 4.4
"""No intact hook of any build is less high than this, seen from the front (see ``sampling``)."""
HOOK_GONE_FROM = 0.3
"""From this severity on the hook itself is gone; below, some of it still holds."""
_CLEAR_OF_LIP = (13.0, 10.0)
"""A latch without hook ends at least so far (mm) behind the nose's lip, from coupler to coupler: no intact
hook does."""
_OUT_OF_SLOT = (8.0, 18.0)
"""Nor does it stick out of its slot by more than this, mm. The longer stubs of the other makes that the model
was tried on passed for hooks while all of ours were short."""
_AT_THE_ROOT = 0.55
"""Share of the sheared hooks that are gone at their root alone: there a lever is thinnest, and a hook takes
the knocks. What is left may end as far forward as an intact hook, but is thinner than any."""
_THICKEST_STUB_MM = 3.8
"""Of such a lever, ribs included; a thicker one without hook could pass for a hook (``SHORTEST_HOOK_MM``)."""
_TORN_SHORT = 0.35
"""Share of the sheared hooks of which a stump is left, as wide and high as the hook was and nearly as far
forward: what tells it is its torn face. Other hands break latches so."""
_CORES = ((0.42, 0.35, 0.24), (0.62, 0.60, 0.55), (0.30, 0.30, 0.31), (0.55, 0.20, 0.05), (0.05, 0.05, 0.05))
"""Linear RGB of what shows inside a lever that is coated, dyed or overmoulded: by eye."""
_SPLIT = 0.15
"""Share of the sheared hooks, not torn short, that split lengthways: one side is gone back to the root."""
_SNAPPED = 0.4
"""Share of the levers, of those that end short of their hook and are not torn at it, that snap anywhere."""
_CLEAN = 0.5
"""Share of these that snap clean across, as filled plastic does; the face is fresh then, and shows."""
_FACES = (*_CORES[:4], (0.8, 0.79, 0.75), (0.66, 0.47, 0.05), (0.6, 0.16, 0.2))
"""Linear RGB of such a face where it is not a lighter shade of the lever's own plastic: by eye."""


class LatchFailure:
    """One ``missing_latch`` damage: where the latch ends, and how its fracture looks.

    Severity: below ``HOOK_GONE_FROM`` the hook is worn or partly sheared and may still hold. From there on
    it is gone: ``hook_sheared`` leaves the arm, ``arm_stub`` ends between the nose's lip and the slot, the
    further back the worse, ``arm_gone`` leaves an open slot, or a remnant deep inside.
    """

    def __init__(self, damage: Damage, spec: CouplerSpec) -> None:
        rng, build = np.random.default_rng(damage.seed), spec.build
        s = float(damage.severity)
        self.damage = damage
        tip, hook = float(build["latch_tip"]), float(build["hook_length"])
        slot, lip = -float(build["nose_length"]), float(build["recess"])
        gross = np.clip((s - HOOK_GONE_FROM) / (1 - HOOK_GONE_FROM), 0.0, 1.0)
        # From a stream of its own: all else about a seed stays as it was when stubs were short and even.
        late, late_10, late_11, late_12 = (np.random.default_rng([damage.seed, n]) for n in (8, 10, 11, 12))
        clear, out = (float(np.interp(late.random(), (0, 1), pair)) for pair in (_CLEAR_OF_LIP, _OUT_OF_SLOT))
        start = min(tip - hook - 1.0, lip - clear, slot + out)
        if damage.mode == "hook_sheared":
            gone = max(start - 6.0 * gross, slot + 1.0)
            if late_10.random() < _AT_THE_ROOT and thickness(build) < _THICKEST_STUB_MM:
                gone = max(tip - hook - late_10.uniform(1.0, 4.0), slot + 1.0)
            self.end = gone if s >= HOOK_GONE_FROM else tip - hook * (0.1 + 1.3 * s)
        elif damage.mode == "arm_stub":
            self.end = min(start, slot + 3.0) - 8.0 * gross
        elif damage.mode == "arm_gone":
            depth = rng.uniform(0.5, 0.9) if rng.random() < 0.3 else 1.5
            self.end = slot - depth * float(build["slot_depth"])
        else:
            self.end = tip + 5.0
        self.tilt_x, self.tilt_y = np.clip(rng.normal(0, [0.35, 0.5]), -0.8, 0.8)
        self.rough = float(rng.uniform(0.25, 0.8))
        self.lighter = float(rng.uniform(0.0, 0.12) if rng.random() < 0.35 else rng.uniform(0.12, 0.55))
        if late.random() < 0.3:
            self.lighter = float(late.uniform(0.5, 0.9))
        self.splinters = float(late.uniform(1.0, 5.0)) if late.random() < 0.5 else 0.0
        # Teeth as of a saw, where fibres tore: they too only take away more.
        self.teeth = float(late_10.uniform(0.8, 3.0)) if late_10.random() < 0.35 else 0.0
        self.pitch = float(late_10.uniform(1.0, 2.6))
        self.core = _CORES[int(late_10.integers(len(_CORES)))] if late_10.random() < 0.25 else None
        sheared = damage.mode == "hook_sheared" and not self.passes_for_intact
        self.torn_short = bool(sheared and late_11.random() < _TORN_SHORT)
        if self.torn_short:
            self._tear_short(tip - hook * late_11.uniform(0.8, 1.3), late_11)
        self.old = float(rng.uniform(0, 1) ** 1.3)
        short = damage.mode in ("hook_sheared", "arm_stub") and not self.torn_short
        self.snapped = bool(short and not self.passes_for_intact and late_12.random() < _SNAPPED)
        if self.snapped:
            thin = thickness(build) < _THICKEST_STUB_MM
            self._snap((slot + 1.0, tip - hook - 2.0 if thin else start), late_12, clean_at_will=thin)
        worn = min(s / HOOK_GONE_FROM, 1.0)
        self.wear = float(0.25 + 0.75 * worn) if damage.mode == "hook_worn" else 0.0
        late_13 = np.random.default_rng([damage.seed, 13])
        self.split: tuple[int, float] | None = None
        if sheared and not (self.torn_short or self.snapped) and late_13.random() < _SPLIT:
            half = float(build["hook_width"]) / 2
            self.split = int(late_13.choice([-1, 1])), half * float(late_13.uniform(-0.4, 0.25))
            self.end = max(tip - hook * late_13.uniform(0.8, 1.2), slot + 1.0)
            self.tilt_x, self.tilt_y = 0.3 * self.tilt_x, 0.3 * self.tilt_y
        self.middle = float(build["arm_base"]) + 0.5 * float(build["arm_thick"])

    def _tear_short(self, end: float, rng: np.random.Generator) -> None:
        """End the stump at ``end``, mm, its face so torn that it cannot be taken for a worn hook's."""
        self.end = end
        self.rough = float(rng.uniform(0.5, 0.9))
        self.lighter = float(rng.uniform(0.1, 0.9))
        self.splinters = float(rng.uniform(2.0, 6.0))
        self.teeth = float(rng.uniform(1.2, 4.0)) if rng.random() < 0.6 else 0.0
        self.pitch = float(rng.uniform(0.9, 2.8))

    def _snap(self, ends: tuple[float, float], rng: np.random.Generator, *, clean_at_will: bool) -> None:
        """End the lever anywhere between ``ends``, mm, torn or clean: a clean face is even and fresh."""
        self.end = float(rng.uniform(*ends)) if ends[1] > ends[0] else ends[1]
        if not (clean_at_will and rng.random() < _CLEAN):
            self.rough = float(rng.uniform(0.5, 1.0))
            self.lighter = float(rng.uniform(0.1, 0.9))
            self.splinters = float(rng.uniform(1.0, 6.0))
            return
        self.rough = float(rng.uniform(0.03, 0.25))
        self.splinters = self.teeth = 0.0
        self.lighter = float(rng.uniform(0.4, 1.0))
        self.core = _FACES[int(rng.integers(len(_FACES)))] if rng.random() < 0.5 else None
        if self.core is not None:
            self.lighter = float(rng.uniform(0.0, 0.2))
        self.old = float(rng.uniform(0.0, 0.5))

    @property
    def passes_for_intact(self) -> bool:
        """Whether there is still a hook where intact ones have theirs: worn or shortened, so that nobody can
        tell from a photo that it once was another, and the latch is not missing."""
        return self.damage.severity < HOOK_GONE_FROM

    def cut(self, x: Array, y: Array, z: Array) -> Array:
        """Return the signed distance of what has broken away: everything in front of a ragged face."""
        seed = self.damage.seed
        ragged = self.rough * 1.5 * noise(x, y, z, 2.6, seed + 1, 2) + 0.35 * self.rough * noise(
            x, y, z, 0.8, seed + 2
        )
        if self.splinters:
            # They only take away more: what stands foremost is where the even break would be.
            torn = noise(x, y, z / 4, 1.7, seed + 3, 2) - np.float32(0.15)
            ragged = ragged + np.float32(self.splinters) * np.minimum(torn, 0.0)
        if self.teeth:
            across = x + np.float32(0.4) * noise(x, y, z, 2.0, seed + 5)
            saw = np.abs(np.mod(across / np.float32(self.pitch), 1.0) - 0.5) * 2
            ragged = ragged - np.float32(self.teeth) * saw
        plane = z - np.float32(self.end) + self.tilt_x * x + self.tilt_y * (y - np.float32(self.middle))
        gone = -plane + ragged
        if self.split is not None:
            side, at = self.split
            gone = np.maximum(gone, np.float32(at) - side * x + np.float32(0.4) * ragged)
        result: Array = gone.astype(np.float32)
        return result

    def fresh(self, x: Array, y: Array, z: Array) -> Array:
        """Return how much each point lies on the fracture face, 0..1."""
        return 1.0 - smoothstep(0.12, 0.55, np.abs(self.cut(x, y, z)))


def thickness(build: dict[str, Any]) -> float:
    """Return how thick a lever without its hook is, ribs included, mm."""
    return float(build["arm_thick"]) + (1.0 if build["arm_ribs"] else 0.0)


def failure_of(spec: CouplerSpec) -> LatchFailure | None:
    """Return the latch failure of a coupler, or None where the latch is whole."""
    found = [d for d in spec.damages if d.kind is FindingKind.MISSING_LATCH]
    return LatchFailure(found[0], spec) if found else None
