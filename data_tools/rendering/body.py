"""What the nose grows out of: the head with the latch's slot, the handle, the release and the cable."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from data_tools.rendering.sdf import Array, Grid, extrude, graded, rectangle, smooth_max, smooth_min, surface
from data_tools.rendering.shell import plain_mesh
from data_tools.rendering.spec import CouplerSpec, Mesh
from data_tools.rendering.sweep import tube
from model.families import Family, family


def build_head(spec: CouplerSpec) -> Mesh:
    """Return the head: the collar behind the nose and, for a latch, its tower, hood and slot."""
    shape, build = family(spec.family), spec.build
    front = -float(build["nose_length"])
    reach_x, reach_up = float(build["collar_x"]) + 1.5, float(build["collar_y"]) + 1.5
    posts = build.get("posts") or {"length": 0.0, "top": 0.0, "thick": 0.0}
    hood = max(float(build["hood_length"]), posts["length"]) if shape.has_latch else 0.0
    top = max(float(build["tower_top"]), posts["top"]) if shape.has_latch else reach_up
    fine_x = float(build["tower_half"]) + posts["thick"] + 1.0 if shape.has_latch else 8.0
    fine_low = float(build["arm_base"]) - 3.0 if shape.has_latch else reach_up - 6.0
    cy = shape.nose_centre[1]
    grid = Grid(
        graded(-fine_x, fine_x, 0.6, -max(reach_x, fine_x + 1), max(reach_x, fine_x + 1), 1.2),
        graded(
            fine_low, max(top, reach_up + cy) + 1.5, 0.6, cy - reach_up, max(top, reach_up + cy) + 2.0, 1.2
        ),
        graded(front - 2.5, front + hood + 1.2, 0.6, front - 27.0, front + hood + 2.0, 1.15),
    )
    x, y, z = grid.coordinates()
    field = np.array(np.broadcast_to(_head_field(x, y, z, shape, build), grid.shape), np.float32)
    field[:, :, 0] = np.maximum(field[:, :, 0], 0.05)
    vertices, faces = surface(field, grid)
    return Mesh("shell", "plastic", vertices, faces, smooth=True)


def _head_field(x: Array, y: Array, z: Array, shape: Family, build: dict[str, Any]) -> Array:
    front = -float(build["nose_length"])
    cx, cy = shape.nose_centre
    power = float(build["collar_power"])
    across = np.abs((x - cx) / build["collar_x"]) ** power + np.abs((y - cy) / build["collar_y"]) ** power
    collar = ((across ** (1 / power)) - 1) * np.float32(min(build["collar_x"], build["collar_y"]))
    field = extrude(collar, z, -90.0, front, build["collar_round"])
    if not shape.has_latch:
        return field
    slot_half = float(build["arm_width"]) / 2 + float(build["slot_play"])
    base, thick, top = float(build["arm_base"]), float(build["arm_thick"]), float(build["tower_top"])
    tower = extrude(
        rectangle(x, y - top / 2, build["tower_half"], top / 2, build["tower_round"]),
        z,
        -90.0,
        front + float(build["tower_lead"]),
        1.2,
    )
    field = smooth_min(field, tower, build["tower_blend"])
    hood = float(build["hood_length"])
    if hood > 1.0:
        low = float(shape.nose_height / 2 + 0.8)
        middle, half = (low + top) / 2, (top - low) / 2
        block = extrude(
            rectangle(x, y - middle, build["tower_half"], half, build["tower_round"] * 0.6),
            z,
            front - 3.0,
            front + hood,
            0.8,
        )
        room = rectangle(
            x, y - (base + thick / 2), slot_half, thick / 2 + build["slot_play"] + build["hook_tooth"], 0.6
        )
        opened = np.maximum(room, z * 0 - 1.0)
        if build["hood_open"]:
            opened = np.minimum(opened, np.maximum(np.abs(x) - np.float32(slot_half), np.float32(base) - y))
        field = np.minimum(field, smooth_max(block, -np.maximum(opened, np.float32(front) - z), 0.4))
    if build.get("posts"):
        field = smooth_min(field, _posts(x, y, z, shape, build), 0.8)
    low, high = base - build["slot_play"], base + thick + build["slot_play"]
    if build["slot_open"]:
        high = top + 5.0
    void = rectangle(x, y - (low + high) / 2, slot_half, (high - low) / 2, 0.5)
    void = np.maximum(void, np.float32(front - build["slot_depth"]) - z)
    result: Array = smooth_max(field, -void, 0.5)
    return result


def _posts(x: Array, y: Array, z: Array, shape: Family, build: dict[str, Any]) -> Array:
    """Return the two cheeks that stand beside the lever in front of its slot."""
    posts, front = build["posts"], -float(build["nose_length"])
    low, high = shape.nose_height / 2 - 2.0, float(posts["top"])
    aside = build["arm_width"] / 2 + build["slot_play"] + posts["thick"] / 2
    outline = rectangle(
        np.abs(x) - np.float32(aside), y - (low + high) / 2, posts["thick"] / 2, (high - low) / 2, 0.5
    )
    return extrude(outline, z, front - 4.0, front + float(posts["length"]), 0.5)


def build_pivot(spec: CouplerSpec) -> list[Mesh]:
    """Return the steel pivot across the latch's slot; seen when the arm is gone."""
    if not family(spec.family).has_latch or not spec.build["pivot_seen"]:
        return []
    build = spec.build
    half = build["arm_width"] / 2 + build["slot_play"] + 0.5
    at = (build["arm_base"] + 0.5 * build["arm_thick"], -build["nose_length"] - build["slot_depth"] * 0.6)
    path = np.array([[x, at[0], at[1]] for x in np.linspace(-half, half, 4)])
    vertices, faces = tube(path + [0, 1e-4, 0], np.full(4, 1.2), np.full(4, 1.2), 12)
    return [plain_mesh("pivot", "metal", vertices, faces)]


def build_handle(spec: CouplerSpec) -> list[Mesh]:
    """Return ``body``, ``release`` and ``cable``: the head runs on into a handle that bends away."""
    build, shape = spec.build, family(spec.family)
    spine = _spine(build, shape)
    share = np.linspace(0, 1, len(spine))
    wide = np.interp(
        share,
        [0, 0.2, 0.45, 0.85, 1.0],
        [
            build["collar_x"] * 0.9,
            build["collar_x"] * 0.86,
            build["grip_wide"],
            build["grip_wide"] * 1.05,
            build["grip_wide"] * 0.85,
        ],
    )
    high = np.interp(
        share,
        [0, 0.2, 0.45, 0.85, 1.0],
        [
            build["collar_y"] * 0.9,
            build["collar_y"] * 0.88,
            build["grip_high"],
            build["grip_high"] * 1.05,
            build["grip_high"] * 0.85,
        ],
    )
    meshes = []
    vertices, faces = tube(spine, wide, high, 44, build["grip_square"])
    meshes.append(plain_mesh("body", "plastic", vertices, faces))
    meshes.append(_cable(spine, build))
    if shape.has_latch:
        top = float(build["tower_top"])
        back = -float(build["nose_length"]) - 24.0
        path = np.stack(
            [np.zeros(9), np.full(9, top - 1.5), np.linspace(back, back - build["release_length"], 9)], 1
        )
        path[:, 1] += build["release_rise"] * np.sin(np.linspace(0, np.pi, 9)) - np.linspace(0, 3, 9)
        ends = np.array([0.6, 0.9, 1, 1, 1, 1, 1, 0.9, 0.6])
        vertices, faces = tube(path, ends * build["release_half"], ends * 3.0, 24, 3.5)
        meshes.append(plain_mesh("release", "plastic", vertices, faces))
    return meshes


def _spine(build: dict[str, Any], shape: Family) -> NDArray[np.float64]:
    """Return the handle's middle line: back from the head, then bending down by ``bend`` radians."""
    start = np.array([0.0, shape.nose_centre[1], -float(build["nose_length"]) - 20.0])
    steps, length = 40, float(build["handle_length"])
    travelled = np.linspace(0, length, steps)
    turn = float(build["bend"]) * np.clip((travelled - build["straight"]) / max(length * 0.35, 1.0), 0, 1)
    direction = np.stack([np.zeros(steps), -np.sin(turn), -np.cos(turn)], 1)
    return start + np.cumsum(direction * (length / steps), axis=0)


def _cable(spine: NDArray[np.float64], build: dict[str, Any]) -> Mesh:
    """Return the strain relief and the first stretch of cable, curving down and to one side."""
    along = spine[-1] - spine[-2]
    along /= np.linalg.norm(along)
    steps, length = 70, float(build["cable_length"])
    travelled = np.linspace(0, length, steps)
    droop = np.stack(
        [
            build["cable_side"] * (travelled / length) ** 2 * length * 0.5,
            -0.45 * length * (travelled / length) ** 2,
            0 * travelled,
        ],
        1,
    )
    path = spine[-1] - along * 4.0 + along * travelled[:, None] * 0.9 + droop
    radius = np.full(steps, float(build["cable_radius"]))
    relief = np.clip(1 - travelled / build["relief_length"], 0, 1)
    radius += relief * build["relief_grow"] + (relief > 0) * build["relief_ribs"] * (
        np.arange(steps) % 3 == 0
    )
    vertices, faces = tube(path, radius, radius, 22)
    return plain_mesh("cable", "rubber", vertices, faces)
