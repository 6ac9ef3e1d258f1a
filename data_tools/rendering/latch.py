"""The latch of Type 1: hook, lever arm, and what is left of them when they fail.

The arm lies above the nose along -z; the hook is at its front end. Failures remove everything in front
of a ragged break, or wear the hook round.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from data_tools.rendering.hook_shapes import carve, widened
from data_tools.rendering.noise import noise, smoothstep
from data_tools.rendering.sdf import Array, Grid, extrude, graded, rectangle, smooth_max, smooth_min, surface
from data_tools.rendering.spec import CouplerSpec, Damage, Mesh
from model.families import family
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
        late, late_10, late_11 = (np.random.default_rng([damage.seed, version]) for version in (8, 10, 11))
        clear, out = (float(np.interp(late.random(), (0, 1), pair)) for pair in (_CLEAR_OF_LIP, _OUT_OF_SLOT))
        start = min(tip - hook - 1.0, lip - clear, slot + out)
        if damage.mode == "hook_sheared":
            gone = max(start - 6.0 * gross, slot + 1.0)
            thick = float(build["arm_thick"]) + (1.0 if build["arm_ribs"] else 0.0)
            if late_10.random() < _AT_THE_ROOT and thick < _THICKEST_STUB_MM:
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
        worn = min(s / HOOK_GONE_FROM, 1.0)
        self.wear = float(0.25 + 0.75 * worn) if damage.mode == "hook_worn" else 0.0
        self.middle = float(build["arm_base"]) + 0.5 * float(build["arm_thick"])

    def _tear_short(self, end: float, rng: np.random.Generator) -> None:
        """End the stump at ``end``, mm, its face so torn that it cannot be taken for a worn hook's."""
        self.end = end
        self.rough = float(rng.uniform(0.5, 0.9))
        self.lighter = float(rng.uniform(0.1, 0.9))
        self.splinters = float(rng.uniform(2.0, 6.0))
        self.teeth = float(rng.uniform(1.2, 4.0)) if rng.random() < 0.6 else 0.0
        self.pitch = float(rng.uniform(0.9, 2.8))

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
        result: Array = (-plane + ragged).astype(np.float32)
        return result

    def fresh(self, x: Array, y: Array, z: Array) -> Array:
        """Return how much each point lies on the fracture face, 0..1."""
        return 1.0 - smoothstep(0.12, 0.55, np.abs(self.cut(x, y, z)))


def failure_of(spec: CouplerSpec) -> LatchFailure | None:
    """Return the latch failure of a coupler, or None where the latch is whole."""
    found = [d for d in spec.damages if d.kind is FindingKind.MISSING_LATCH]
    return LatchFailure(found[0], spec) if found else None


def _latch_field(x: Array, y: Array, z: Array, build: dict[str, Any], wear: float) -> Array:
    """Return the signed distance of the whole latch; ``wear`` 0..1 takes the hook's tooth and edges."""
    base, thick, half = float(build["arm_base"]), float(build["arm_thick"]), float(build["arm_width"]) / 2
    tip, length = float(build["latch_tip"]), float(build["hook_length"])
    edge = float(build["latch_round"])
    middle = base + thick / 2
    arm = extrude(rectangle(x, y - middle, half, thick / 2, edge), z, -60.0, tip - length * 0.4, edge)
    tooth = float(build["hook_tooth"]) * (1 - 0.85 * wear)
    low, high = (base - tooth, base + thick) if build["hook_down"] else (base, base + thick + tooth)
    low, high = low - build["hook_extra"] * (1 - wear) * 0.3, high + build["hook_extra"] * (1 - wear)
    shape = build.get("hook_shape")
    hook_half = widened(float(build["hook_width"]) / 2, shape) * (1 - 0.15 * wear)
    rounding = min(edge + 1.6 * wear, 0.45 * (high - low), hook_half * 0.9)
    hook = extrude(
        rectangle(
            x,
            y - (low + high) / 2,
            hook_half,
            (high - low) / 2,
            min(build["hook_round"] + 2 * wear, 0.49 * (high - low)),
        ),
        z,
        tip - length,
        tip - 1.2 * wear,
        rounding,
    )
    slope = float(build["hook_ramp"])
    toward = (np.float32(low) - y) if build["hook_down"] else (y - np.float32(high))
    ramp = (z - np.float32(tip - 1.5 * wear)) + slope * (toward + np.float32(0.65 * (high - low)))
    hook = smooth_max(hook, (ramp / np.hypot(1.0, slope)).astype(np.float32), 0.4 + wear)
    if build["hook_fork"]:
        gap = np.maximum(np.abs(x) - np.float32(hook_half * 0.22), np.float32(tip - length * 0.75) - z)
        hook = smooth_max(hook, -gap, 0.4)
    hook = carve(hook, x, y, low, high, hook_half, shape)
    latch = smooth_min(arm, hook, build["latch_fillet"])
    return _ornate(latch, x, y, z, build)


def _ornate(latch: Array, x: Array, y: Array, z: Array, build: dict[str, Any]) -> Array:
    """Return the latch with what the make has on its lever: ribs, a hole, a gap between two bars."""
    base, thick, half = float(build["arm_base"]), float(build["arm_thick"]), float(build["arm_width"]) / 2
    tip, length = float(build["latch_tip"]), float(build["hook_length"])
    if build["arm_ribs"]:
        for side in (-1, 1):
            rib = extrude(
                rectangle(x - side * half * 0.6, y - (base + thick), 0.6, 0.7, 0.3),
                z,
                -60.0,
                tip - length,
                0.3,
            )
            latch = smooth_min(latch, rib, 0.3)
    if build.get("arm_split"):
        gap = np.maximum(
            np.abs(x) - np.float32(half * build["arm_split"]), z - np.float32(tip - length - 1.0)
        )
        latch = smooth_max(latch, -gap, 0.3)
    if build["arm_hole"]:
        hole = np.maximum(
            np.hypot(x, z - np.float32(tip - length - 4.0)) - np.float32(half * 0.42), -np.abs(y) * 0
        )
        latch = smooth_max(latch, -hole, 0.3)
    result: Array = latch
    return result


def build_latch(spec: CouplerSpec, failure: LatchFailure | None) -> list[Mesh]:
    """Return ``latch_hook`` and ``latch_lever``, or ``latch_stub`` for what a failure left of them."""
    if not family(spec.family).has_latch:
        return []
    build = spec.build
    grid = _grid(build)
    x, y, z = grid.coordinates()
    worn = failure.wear if failure is not None else 0.0
    field = np.array(np.broadcast_to(_latch_field(x, y, z, build, worn), grid.shape), np.float32)
    if build["hook_rough"]:
        field += np.float32(build["hook_rough"]) * noise(x, y, z, 2.0, spec.seed + 61, 2)
    if failure is not None and failure.wear == 0.0:
        field = np.maximum(field, -failure.cut(x, y, z))
    elif failure is not None:
        bumps = noise(x, y, z, 1.8, failure.damage.seed + 4, 2)
        front = smoothstep(
            build["latch_tip"] - build["hook_length"] * 1.1,
            build["latch_tip"] - build["hook_length"] * 0.6,
            z,
        )
        field = field + np.float32(0.22 * failure.wear) * bumps * front
    vertices, faces = surface(field, grid)
    if not len(vertices):
        return []
    if failure is not None and failure.damage.mode in ("arm_stub", "arm_gone"):
        return [Mesh("latch_stub", "plastic", vertices, faces, smooth=True)]
    border = build["latch_tip"] - build["hook_length"] - 0.3
    front = vertices[faces][..., 2].mean(axis=1) > border
    meshes = []
    for name, chosen in (("latch_hook", front), ("latch_lever", ~front)):
        if chosen.any():
            used, renumbered = np.unique(faces[chosen], return_inverse=True)
            meshes.append(
                Mesh(
                    name, "plastic", vertices[used], renumbered.reshape(-1, 3).astype(np.uint32), smooth=True
                )
            )
    return meshes


def _grid(build: dict[str, Any]) -> Grid:
    half = max(build["arm_width"] / 2, widened(build["hook_width"] / 2, build.get("hook_shape"))) + 0.9
    low = build["arm_base"] - build["hook_tooth"] - build["hook_extra"] - 0.9
    high = build["arm_base"] + build["arm_thick"] + build["hook_tooth"] + build["hook_extra"] + 1.2
    x = np.arange(-half, half + 0.4, 0.4, dtype=np.float32)
    y = np.arange(low, high + 0.4, 0.36, dtype=np.float32)
    rear = -build["nose_length"] - build["slot_depth"] - 2.0
    front = build["latch_tip"]
    # Fine as far back as latches break: splinters are as small there as a hook's edge is in front.
    back = max(front - build["hook_length"] - 16.0, rear + 1.0)
    return Grid(x, y, graded(back, front + 0.9, 0.4, rear, front + 1.0, 1.06))
