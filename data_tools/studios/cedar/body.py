"""Everything of a coupler that is not insert or latch: nose, body, grip, cable, contacts, screws."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.cedar.insert import Sleeve, Style
from data_tools.studios.cedar.meshes import (
    BODY,
    GROUND,
    INSERT,
    METAL,
    Array,
    Ints,
    Mesh,
    grid_faces,
    lathe,
    loft,
    merged,
    mesh,
    rotation,
    tube,
)
from model.families import Family

SIDES = 120


@dataclass(frozen=True)
class Body:
    """Shape of one housing, mm; colours are linear albedo."""

    wall: float
    rim: float  # z of the nose's rim
    rim_round: float
    nose: float
    flange: float
    square: float
    depth: float
    grip_down: float
    grip_width: float
    ribs: int
    button: bool
    screws: int
    contact_depth: float
    contact_wall: float
    solid_contacts: bool
    gasket: bool
    guards: bool


def draw_body(rng: np.random.Generator) -> Body:
    """Draw one housing."""
    return Body(
        wall=float(rng.uniform(1.8, 3.4)),
        rim=float(rng.uniform(-1, 5)),
        rim_round=float(rng.uniform(0.25, 1.0)),
        nose=float(rng.uniform(20, 35)),
        flange=float(rng.uniform(3, 11)),
        square=float(rng.uniform(2.0, 4.5)),
        depth=float(rng.uniform(45, 90)),
        grip_down=float(rng.choice([0.3, 0.8, 1.4]) + rng.uniform(-0.2, 0.2)),
        grip_width=float(rng.uniform(15, 20)),
        ribs=int(rng.choice([0, 0, 4, 7])),
        button=bool(rng.random() < 0.6),
        screws=int(rng.choice([0, 0, 2, 4])),
        contact_depth=float(rng.uniform(1.0, 9.0)),
        contact_wall=float(rng.uniform(0.45, 0.8)),
        solid_contacts=bool(rng.random() < 0.15),
        gasket=bool(rng.random() < 0.25),
        guards=bool(rng.random() < 0.35),
    )


def outline(family: Family, grow: float) -> Array:
    """Return the nose's outline as SIDES x 2 mm, grown outwards by ``grow`` mm."""
    angle = np.linspace(0, 2 * np.pi, SIDES, endpoint=False)
    if family.has_latch:
        ring = np.stack([np.cos(angle), np.sin(angle)], 1) * (family.nose_width / 2 + grow)
        return ring.astype(np.float32)
    radius, top = family.nose_width / 2, family.nose_centre[1] + family.nose_height / 2
    middle = family.nose_centre[1] - family.nose_height / 2 + radius
    # polar about the circle's centre: the flat cuts the circle, the corners are rounded (a soft minimum)
    flat = (top - middle + grow) / np.maximum(np.sin(angle), 1e-3)
    r = ((radius + grow) ** -22.0 + flat**-22.0) ** (-1 / 22.0)
    return np.stack([r * np.cos(angle), middle + r * np.sin(angle)], 1).astype(np.float32)


def _ring(outline_: Array, z: float) -> Array:
    return np.concatenate([outline_, np.full((len(outline_), 1), z, np.float32)], axis=1)


def nose(family: Family, body: Body, style: Style, colours: tuple[Array, Array, Array], rough: float) -> Mesh:
    """Return the nose: outer wall, rounded rim, inner wall down to the floor, the floor's edge.

    ``colours``: of the outside, of the inner wall, of the floor.
    """
    colour, inner, floor_colour = colours
    f, w = body.rim_round, body.wall
    steps = np.linspace(0, np.pi / 2, 4)
    outer = [(0.0, z) for z in np.linspace(-body.nose, body.rim - f - 0.5, 18)] + [
        (-f + f * np.cos(a), body.rim - f + f * np.sin(a)) for a in steps
    ]
    inside = [(-w + f - f * np.sin(a), body.rim - f + f * np.cos(a)) for a in steps]
    walls = np.stack([_ring(outline(family, g), z) for g, z in outer + inside])
    shell = loft(walls, colour, rough, BODY)
    shell.faces = shell.faces[: -2 * SIDES]  # no caps
    below = np.stack(
        [_ring(outline(family, -w), z) for z in np.linspace(body.rim - f, style.floor - 0.02, 24)]
    )
    lining = loft(below, inner, rough, INSERT)
    lining.faces = lining.faces[: -2 * SIDES]
    ring = _ring(outline(family, -w), style.floor - 0.02)
    middle = np.array([*family.nose_centre, style.floor - 0.02], np.float32)
    shares = np.linspace(1, 0.5, 8, dtype=np.float32)[:, None, None]
    rings = middle + shares * (ring - middle)
    bottom = mesh(rings.reshape(-1, 3), grid_faces(8, SIDES, True), floor_colour, rough, INSERT)
    return merged([shell, lining, bottom])


def _superellipse(width: float, height: float, power: float) -> Array:
    angle = np.linspace(0, 2 * np.pi, SIDES, endpoint=False)
    c, s = np.cos(angle), np.sin(angle)
    ring = np.stack(
        [np.sign(c) * np.abs(c) ** (2 / power) * width, np.sign(s) * np.abs(s) ** (2 / power) * height], 1
    )
    return ring.astype(np.float32)


def housing(family: Family, body: Body, colour: Array, rough: float) -> Mesh:
    """Return the body behind the nose: flange, taper, then the grip bending down."""
    cx, cy = family.nose_centre
    lift = 5.0 if family.has_latch else 0.0
    w, h = family.nose_width / 2 + body.flange, family.nose_height / 2 + body.flange + lift
    sections = [
        (0.5, 0.0),
        (0.9, 0.0),
        (0.94, 0.02),
        (0.99, 0.8),
        (1.0, 2.5),
        (1.0, body.depth * 0.35),
        (0.9, body.depth * 0.7),
        (0.75, body.depth),
    ]
    rings = []
    for share, back in sections:
        ring = _superellipse(w * share, h * share, body.square) + np.array([cx, cy + lift], np.float32)
        rings.append(_ring(ring, -body.nose - back))
    dense = np.stack(
        [
            np.array(rings)[i] * (1 - f) + np.array(rings)[i + 1] * f
            for i in range(len(rings) - 1)
            for f in np.linspace(0, 1, 6)
        ]
    )
    shell = loft(dense.astype(np.float32), colour, rough, BODY)
    t = np.linspace(0, 1, 10)[:, None]
    start = np.array([cx, cy, -body.nose - body.depth * 0.8])
    way = np.array([0, -np.sin(body.grip_down), -np.cos(body.grip_down)])
    path = start + t * 120 * (way * t + np.array([0, 0, -1.0]) * (1 - t))
    radius = np.interp(t[:, 0], [0, 0.3, 1], [body.grip_width * 1.3, body.grip_width, body.grip_width * 0.85])
    grip = tube(path.astype(np.float32), radius.astype(np.float32), 28, colour, rough, BODY)
    parts = [shell, grip]
    for i in range(body.ribs):
        z = -body.nose - body.depth * (0.15 + 0.6 * i / max(body.ribs, 1))
        ring = _superellipse(w * 1.012, h * 1.012, body.square) + np.array([cx, cy + lift], np.float32)
        band = np.stack([_ring(ring * g, z + d) for g, d in ((0.97, 1.2), (1, 0.8), (1, -0.8), (0.97, -1.2))])
        parts.append(loft(band.astype(np.float32), colour * 0.9, rough, BODY))
    return merged(parts)


def cable_path(body: Body, family: Family, droop: Array) -> Array:
    """Return the cable's middle line from the grip's end, falling along ``droop`` (unit, world down)."""
    cx, cy = family.nose_centre
    way = np.array([0, -np.sin(body.grip_down), -np.cos(body.grip_down)])
    start = np.array([cx, cy, -body.nose - body.depth * 0.8]) + 112 * way
    t = np.linspace(0, 1, 24)[:, None]
    return np.asarray(start + 260 * t * way * (1 - t) + 520 * t**2 * droop, np.float32)


def _tube_contact(sleeve: Sleeve, body: Body, floor: float) -> Mesh:
    """Return one slotted contact tube, or a solid pin end, recessed in its bore."""
    radius = sleeve.bore - (0.25 if sleeve.bore > 2.5 else 0.15)
    top = -body.contact_depth
    inner = max(radius - body.contact_wall, 0.35)
    if body.solid_contacts:
        profile = [(radius, floor - 9), (radius, top - 0.8), (radius - 0.8, top), (0.01, top + 0.2)]
    else:
        profile = [
            (radius, floor - 9),
            (radius, top - 0.5),
            (radius - 0.25, top),
            (inner + 0.1, top),
            (inner, top - 0.5),
            (inner, top - 9),
            (0.01, top - 9.5),
        ]
    part = lathe(np.array(profile, np.float32), 32, (0.75, 0.73, 0.70), 0.28, METAL)
    if not body.solid_contacts:
        part.faces = _slotted(part.faces, 32)
    return part.moved(np.eye(3), (sleeve.x, sleeve.y, 0.0))


def _slotted(faces: Ints, sides: int) -> Ints:
    """Leave out the faces of two slots at the tube's end (rows 1 to 5 of the profile)."""
    quad = np.arange(len(faces)) // 2
    row, column = quad // sides, quad % sides
    slot = np.isin(column, (0, sides // 4, sides // 2, 3 * sides // 4)) & (row >= 1) & (row <= 4)
    return np.asarray(faces[~slot], np.int32)


def contacts(sleeves: list[Sleeve], body: Body, style: Style) -> tuple[Mesh, Mesh]:
    """Return the metal contacts and the dark wells of the bores below the floor."""
    metal = merged([_tube_contact(s, body, style.floor) for s in sleeves])
    wells = []
    for s in sleeves:
        profile = np.array(
            [(s.bore, style.floor - 0.6), (s.bore, style.floor - 14), (0.01, style.floor - 14)]
        )
        wells.append(
            lathe(profile.astype(np.float32), 24, (0.01, 0.01, 0.01), 0.6, INSERT).moved(
                np.eye(3), (s.x, s.y, 0.0)
            )
        )
    return metal, merged(wells)


def extras(family: Family, body: Body, colour: Array, accent: Array, rng: np.random.Generator) -> list[Mesh]:
    """Return screws, a thumb button, a gasket ring, guards beside the lever."""
    parts: list[Mesh] = []
    cx, cy = family.nose_centre
    w, h = family.nose_width / 2 + body.flange * 0.55, family.nose_height / 2 + body.flange * 0.55
    for i in range(body.screws):
        a = np.pi / 4 + i * 2 * np.pi / body.screws
        head = np.array(
            [(2.0, -1.0), (2.0, 0.2), (1.6, 0.5), (0.9, 0.5), (0.8, -0.4), (0.01, -0.4)], np.float32
        )
        part = lathe(head, 16, (0.5, 0.5, 0.5), 0.4, METAL)
        parts.append(part.moved(np.eye(3), (cx + w * np.cos(a) * 1.15, cy + h * np.sin(a) * 1.1, -body.nose)))
    if body.gasket:
        ring = np.stack(
            [
                _ring(outline(family, g), z)
                for g, z in ((0.1, -6.0), (1.3, -6.3), (1.5, -7.2), (1.3, -8.2), (0.1, -8.5))
            ]
        ) - np.array([0, 0, rng.uniform(0, 9)], np.float32)
        parts.append(loft(ring.astype(np.float32), (0.02, 0.02, 0.02), 0.7, BODY))
    if body.button:
        knob = np.array([(5.5, 0), (5.5, 4.0), (4.5, 5.2), (0.01, 5.5)], np.float32)
        turn = rotation((1, 0, 0), -np.pi / 2)
        lift = 5.0 if family.has_latch else 0.0
        top = cy + lift + 0.96 * (family.nose_height / 2 + body.flange + lift) - 1.5
        knob_mesh = lathe(knob, 24, accent, 0.5, BODY)
        parts.append(knob_mesh.moved(turn, (cx, top, -body.nose - body.depth * 0.5)))
    if family.has_latch and body.guards:
        for side in (-1, 1):
            box = _superellipse(1.3, 4.0, 6) + np.array([side * 12.5, 25.5], np.float32)
            rings = np.stack([_ring(box, z) for z in (-body.nose - 2, -body.nose + rng.uniform(2, 8))])
            parts.append(loft(rings.astype(np.float32), colour, 0.5, BODY))
    return parts


def blank() -> Mesh:
    """Return a tiny triangle far away: keeps a slot of the scene filled."""
    far = np.array([[0, 0, -9e3], [0.1, 0, -9e3], [0, 0.1, -9e3]], np.float32)
    return mesh(far, np.array([[0, 1, 2]], np.int32), (0.1, 0.1, 0.1), 0.5, GROUND)
