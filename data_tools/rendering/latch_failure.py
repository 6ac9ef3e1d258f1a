"""How a latch fails: where it ends, and what its fracture looks like.

Failures remove everything in front of a break, torn or clean, or wear the hook round. Every random choice
comes from the damage's own seed; what later generators added, from a stream of its own each.
"""

from __future__ import annotations

from dataclasses import dataclass
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
_SPLIT = 0.3
"""Share of the sheared hooks, neither torn short nor snapped, that split lengthways, one side gone."""
_SNAPPED = 0.4
"""Share of the levers, of those that end short of their hook and are not torn at it, that snap anywhere."""
_CLEAN = 0.5
"""Share of these that snap clean across, as filled plastic does; the face is fresh then, and shows."""
_FACES = (*_CORES[:4], (0.8, 0.79, 0.75), (0.66, 0.47, 0.05), (0.6, 0.16, 0.2))
"""Linear RGB of such a face where it is not a lighter shade of the lever's own plastic: by eye."""


_Streams = dict[int, np.random.Generator]
"""Random streams by the generator version that drew from them first."""


@dataclass(frozen=True)
class _Lever:
    """A whole lever, mm: its ``tip``, the length of its ``hook`` and half its width, where its slot and the
    nose's lip are (z), how deep the slot is, how thick the bare arm is and at what height its middle lies."""

    tip: float
    hook: float
    half: float
    slot: float
    slot_depth: float
    lip: float
    thick: float
    middle: float

    @classmethod
    def of(cls, build: dict[str, Any]) -> _Lever:
        """Return the lever of a coupler's build."""
        ribs = 1.0 if build["arm_ribs"] else 0.0
        return cls(
            tip=float(build["latch_tip"]),
            hook=float(build["hook_length"]),
            half=float(build["hook_width"]) / 2,
            slot=-float(build["nose_length"]),
            slot_depth=float(build["slot_depth"]),
            lip=float(build["recess"]),
            thick=float(build["arm_thick"]) + ribs,
            middle=float(build["arm_base"]) + 0.5 * float(build["arm_thick"]),
        )

    @property
    def root(self) -> float:
        """Where the hook begins, mm."""
        return self.tip - self.hook

    @property
    def thin(self) -> bool:
        """Whether the arm, ribs and all, is clearly thinner than any hook is high (``SHORTEST_HOOK_MM``)."""
        return self.thick < _THICKEST_STUB_MM


class LatchFailure:
    """One ``missing_latch`` damage: where the latch ends, and how its fracture looks.

    Severity: below ``HOOK_GONE_FROM`` the hook is worn or partly sheared and may still hold. From there on
    it is gone: ``hook_sheared`` leaves the arm, ``arm_stub`` ends between the nose's lip and the slot, the
    further back the worse, ``arm_gone`` leaves an open slot, or a remnant deep inside.
    """

    def __init__(self, damage: Damage, spec: CouplerSpec) -> None:
        lever, rng = _Lever.of(spec.build), np.random.default_rng(damage.seed)
        # What each generator added has a stream of its own: all else about a seed stays as it was.
        late = {version: np.random.default_rng([damage.seed, version]) for version in (8, 10, 11, 12, 13)}
        self.damage = damage
        self.middle = lever.middle
        worn = min(float(damage.severity) / HOOK_GONE_FROM, 1.0)
        self.wear = 0.25 + 0.75 * worn if damage.mode == "hook_worn" else 0.0
        farthest = self._break_off(lever, rng, late)
        self._draw_face(rng, late)
        self.torn_short = self.snapped = False
        self.split: tuple[int, float] | None = None
        if not self.passes_for_intact:
            self._draw_other_ways(lever, farthest, late)

    def _break_off(self, lever: _Lever, rng: np.random.Generator, late: _Streams) -> float:
        """Set where the latch ends; return how far forward any stub may end that has no torn face, mm."""
        s, mode = float(self.damage.severity), self.damage.mode
        gross = np.clip((s - HOOK_GONE_FROM) / (1 - HOOK_GONE_FROM), 0.0, 1.0)
        clear, out = (
            float(np.interp(late[8].random(), (0, 1), pair)) for pair in (_CLEAR_OF_LIP, _OUT_OF_SLOT)
        )
        farthest = min(lever.root - 1.0, lever.lip - clear, lever.slot + out)
        self.end = lever.tip + 5.0
        if mode == "hook_sheared":
            gone = max(farthest - 6.0 * gross, lever.slot + 1.0)
            if late[10].random() < _AT_THE_ROOT and lever.thin:
                gone = max(lever.root - late[10].uniform(1.0, 4.0), lever.slot + 1.0)
            self.end = gone if s >= HOOK_GONE_FROM else lever.tip - lever.hook * (0.1 + 1.3 * s)
        elif mode == "arm_stub":
            self.end = min(farthest, lever.slot + 3.0) - 8.0 * gross
        elif mode == "arm_gone":
            depth = rng.uniform(0.5, 0.9) if rng.random() < 0.3 else 1.5
            self.end = lever.slot - depth * lever.slot_depth
        return farthest

    def _draw_face(self, rng: np.random.Generator, late: _Streams) -> None:
        """Draw how the fracture lies and looks."""
        self.tilt_x, self.tilt_y = np.clip(rng.normal(0, [0.35, 0.5]), -0.8, 0.8)
        self.rough = float(rng.uniform(0.25, 0.8))
        self.lighter = float(rng.uniform(0.0, 0.12) if rng.random() < 0.35 else rng.uniform(0.12, 0.55))
        self.old = float(rng.uniform(0, 1) ** 1.3)
        if late[8].random() < 0.3:
            self.lighter = float(late[8].uniform(0.5, 0.9))
        self.splinters = float(late[8].uniform(1.0, 5.0)) if late[8].random() < 0.5 else 0.0
        # Teeth as of a saw, where fibres tore: they too only take away more.
        self.teeth = float(late[10].uniform(0.8, 3.0)) if late[10].random() < 0.35 else 0.0
        self.pitch = float(late[10].uniform(1.0, 2.6))
        self.core = _CORES[int(late[10].integers(len(_CORES)))] if late[10].random() < 0.25 else None

    def _draw_other_ways(self, lever: _Lever, farthest: float, late: _Streams) -> None:
        """Tear some hooks off short, snap some levers anywhere, split some hooks lengthways."""
        sheared = self.damage.mode == "hook_sheared"
        if sheared and late[11].random() < _TORN_SHORT:
            self.torn_short = True
            self._tear_short(lever.tip - lever.hook * late[11].uniform(0.8, 1.3), late[11])
        elif (sheared or self.damage.mode == "arm_stub") and late[12].random() < _SNAPPED:
            self.snapped = True
            ends = lever.slot + 1.0, lever.root - 2.0 if lever.thin else farthest
            self._snap(ends, late[12], clean_at_will=lever.thin)
        elif sheared and late[13].random() < _SPLIT:
            self.split = int(late[13].choice([-1, 1])), lever.half * float(late[13].uniform(-0.4, 0.25))
            self.end = max(lever.tip - lever.hook * late[13].uniform(0.8, 1.2), lever.slot + 1.0)
            self.tilt_x, self.tilt_y = 0.3 * self.tilt_x, 0.3 * self.tilt_y

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
        grain = ragged
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
            gone = np.maximum(gone, np.float32(at) - side * x + np.float32(0.4) * grain)
        result: Array = gone.astype(np.float32)
        return result

    def fresh(self, x: Array, y: Array, z: Array) -> Array:
        """Return how much each point lies on the fracture face, 0..1."""
        return 1.0 - smoothstep(0.12, 0.55, np.abs(self.cut(x, y, z)))


def failure_of(spec: CouplerSpec) -> LatchFailure | None:
    """Return the latch failure of a coupler, or None where the latch is whole."""
    found = [d for d in spec.damages if d.kind is FindingKind.MISSING_LATCH]
    return LatchFailure(found[0], spec) if found else None
