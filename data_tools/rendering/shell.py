"""The nose (round shell the sleeves stand in) and the metal sockets inside the sleeves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from data_tools.rendering.melting import Melt
from data_tools.rendering.outline import nose_outline
from data_tools.rendering.spec import CouplerSpec, Mesh
from data_tools.rendering.sweep import level_radius, rounded_lip, sheet_faces
from model.families import family

_AROUND = 288


def plain_mesh(
    part: str, material: str, vertices: NDArray[Any], faces: NDArray[Any], smooth: bool = True
) -> Mesh:
    """Return an unpainted mesh with the contract's array types."""
    return Mesh(
        part,
        material,
        np.ascontiguousarray(vertices, np.float32),
        np.ascontiguousarray(faces, np.uint32),
        smooth=smooth,
    )


def build_nose(spec: CouplerSpec, melts: Sequence[Melt]) -> Mesh:
    """Return the nose: outer wall, rounded rim and inner wall with its keying ridges and grooves."""
    shape, build = family(spec.family), spec.build
    outline = nose_outline(shape, build)
    angles = np.linspace(-np.pi, np.pi, _AROUND, endpoint=False)
    wall, top = float(build["nose_wall"]), float(build["recess"])
    offset, height = rounded_lip(
        0.0,
        -wall,
        top,
        -float(build["nose_length"]) - 6.0,
        -float(build["floor_depth"]) - 2.0,
        float(build["lip_round"]),
        1.1,
    )
    offsets = np.broadcast_to(offset, (_AROUND, offset.size)).copy()
    inner = (offset < -wall * 0.55)[None, :]
    for angle, half, rise, start in build["ridges"]:
        bump = _bump(angles, angle, half)[:, None] * np.clip((top - start - height) / 0.8, 0, 1)[None, :]
        offsets -= np.where(inner, bump * rise, 0.0)
    for angle, half, sink, start in build["grooves"]:
        dent = _bump(angles, angle, half)[:, None] * np.clip((top - start - height) / 0.8, 0, 1)[None, :]
        offsets -= np.where(inner, 0.0, dent * sink)
    offsets += 0.012 * (top - height)[None, :] * np.where(inner, 0.0, 1.0)
    radius = level_radius(outline, angles, offsets, shape.nose_height / 2)
    vertices = (
        np.stack(
            [
                radius * np.cos(angles)[:, None],
                radius * np.sin(angles)[:, None],
                np.broadcast_to(height, radius.shape),
            ],
            axis=-1,
        )
        .reshape(-1, 3)
        .astype(np.float32)
    )
    for melt in melts:
        if melt.on_rim:
            vertices = melt.carry(vertices, 0.8)
    return plain_mesh("rim", "plastic", vertices, sheet_faces(_AROUND, offset.size, True, False))


def _bump(angles: NDArray[Any], angle: float, half: float) -> NDArray[Any]:
    turn = np.abs(np.mod(angles - angle + np.pi, 2 * np.pi) - np.pi)
    return np.clip((half + 0.03 - turn) / 0.03, 0.0, 1.0)


def build_contact(spec: CouplerSpec, index: int, melts: Sequence[Melt]) -> Mesh:
    """Return one slotted socket, centred on its contact position and recessed in its bore."""
    shape, build = family(spec.family), spec.build
    contact, (dx, dy) = shape.contacts[index], build["offsets"][index]
    bore = contact.bore_diameter / 2 + float(build["bore_grow"][index])
    outer = bore - float(build["contact_play"])
    wall = float(build["contact_wall"]) * (1.0 if outer > 2.4 else 0.7)
    inner = max(outer - wall, 0.35 * outer)
    top = -float(build["contact_recess"][index])
    profile = _socket_profile(inner, outer, top, float(build["contact_taper"]), float(build["contact_lip"]))
    slots, turn = int(build["slots"][index]), float(build["slot_turn"][index])
    vertices, faces = _segments(profile, slots, turn, float(build["slot_width"]))
    disc, disc_faces = _disc(inner + 0.2, top - float(build["socket_depth"]))
    faces = np.concatenate([faces, disc_faces + len(vertices)])
    vertices = np.concatenate([vertices, disc]) + (contact.x + float(dx), contact.y + float(dy), 0.0)
    for melt in melts:
        if melt.damage.place == contact.place:
            vertices = melt.carry(vertices.astype(np.float32), 0.3 + 0.4 * melt.damage.severity)
    return plain_mesh(f"contact:{contact.place.value}", "metal", vertices, faces)


def _socket_profile(inner: float, outer: float, top: float, taper: float, lip: float) -> NDArray[np.float64]:
    """Return the closed (radius, z) loop of the tube wall, running up outside and down inside."""
    low = top - 9.0
    r = min(0.45 * (outer - inner), 0.3)
    turn = np.linspace(0, np.pi / 2, 4)
    outside = np.stack([outer - r + r * np.cos(turn), top - r + r * np.sin(turn)], 1)
    inside = np.stack(
        [
            inner + lip * (1 - np.sin(turn)[::-1]) * 0 + inner * 0 + (r - r * np.sin(turn)),
            top - r + r * np.cos(turn),
        ],
        1,
    )
    inside[:, 0] += lip * np.clip((inside[:, 1] - (top - r)) / r, 0, 1)
    loop = np.concatenate(
        [[[outer, low], [outer, top - 4.0]], outside, inside, [[inner, top - 4.0], [inner, low]]]
    )
    loop[:, 0] -= taper * np.clip((loop[:, 1] - (top - 4.0)) / 4.0, 0, 1)
    return loop


def _segments(
    profile: NDArray[Any], slots: int, turn: float, width: float
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return the wall split into spring fingers by ``slots`` slits ``width`` mm wide; 0 slots is a ring."""
    columns = len(profile)
    vertices, faces, used = [], [], 0
    gap = width / float(profile[:, 0].mean()) if slots else 0.0
    for piece in range(max(slots, 1)):
        start = turn + 2 * np.pi * piece / max(slots, 1) + gap / 2
        stop = turn + 2 * np.pi * (piece + 1) / max(slots, 1) - gap / 2
        rows = max(int(48 / max(slots, 1)), 7)
        angle = np.linspace(start, stop, rows)[:, None]
        sheet = np.stack(
            [profile[:, 0] * np.cos(angle), profile[:, 0] * np.sin(angle), profile[:, 1] + 0 * angle], -1
        ).reshape(-1, 3)
        fan = np.stack([np.zeros(columns - 2, int), np.arange(1, columns - 1), np.arange(2, columns)], 1)
        ends = np.concatenate([fan[:, ::-1], fan + (rows - 1) * columns]) if slots else np.zeros((0, 3), int)
        vertices.append(sheet)
        faces.append(np.concatenate([sheet_faces(rows, columns, False, True), ends]) + used)
        used += len(sheet)
    return np.concatenate(vertices), np.concatenate(faces)


def _disc(radius: float, height: float) -> tuple[NDArray[Any], NDArray[Any]]:
    angle = np.linspace(0, 2 * np.pi, 20, endpoint=False)
    ring = np.stack([radius * np.cos(angle), radius * np.sin(angle), np.full(20, height)], 1)
    hub = np.array([[0.0, 0.0, height]])
    order = np.arange(20)
    return np.concatenate([ring, hub]), np.stack([np.full(20, 20), order, (order + 1) % 20], 1)
