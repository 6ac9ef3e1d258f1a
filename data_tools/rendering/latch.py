"""The latch of Type 1: hook, lever arm, and what is left of them when they fail (``latch_failure``).

The arm lies above the nose along -z; the hook is at its front end.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from data_tools.rendering.hook_shapes import carve, widened
from data_tools.rendering.latch_failure import LatchFailure
from data_tools.rendering.noise import noise, smoothstep
from data_tools.rendering.sdf import Array, Grid, extrude, graded, rectangle, smooth_max, smooth_min, surface
from data_tools.rendering.spec import CouplerSpec, Mesh
from model.families import family


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
