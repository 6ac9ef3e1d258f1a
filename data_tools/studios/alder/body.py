"""Nose, recess floor, contacts, body and cable: swept, turned and lofted meshes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.alder.mesh import Array, Mesh, Rgb, finer, lathe, merged, plain, strips, tube
from data_tools.studios.alder.noise import noise
from model.families import Contact, Family


@dataclass(frozen=True)
class NoseStyle:
    """The shell around the sleeves, mm: ``rim`` is the z of its edge, ``deep`` its length behind z = 0."""

    rim: float
    deep: float
    wall: float
    lip: float
    ledge: float
    corner: float
    flare: float
    ribs: int
    key: bool
    holes: tuple[tuple[float, float, float], ...]
    floor_bumps: float
    colour: Rgb
    floor_colour: Rgb
    rough: float


def draw_nose(rng: np.random.Generator, family: Family, colour: Rgb, insert: Rgb, rough: float) -> NoseStyle:
    """Draw a nose for the family; ``insert`` is the colour of the recess's floor."""
    holes = []
    for _ in range(int(rng.integers(0, 7))):
        angle, away = rng.uniform(0, 2 * np.pi), rng.uniform(0, 0.8) * family.nose_width * 0.42
        holes.append((float(away * np.cos(angle)), float(away * np.sin(angle)), float(rng.uniform(0.6, 1.6))))
    return NoseStyle(
        rim=float(rng.choice([rng.uniform(-0.8, 1.0), rng.uniform(0.5, 4.8)])),
        deep=float(rng.uniform(20, 35)),
        wall=float(rng.uniform(1.8, 3.4)),
        lip=float(rng.uniform(0.3, 1.3)),
        ledge=float(rng.uniform(0.5, 1.5)) if rng.random() < 0.3 else 0.0,
        corner=float(rng.uniform(2.5, 9.0)),
        flare=float(rng.uniform(0.0, 0.05)),
        ribs=int(rng.integers(4, 16)) if rng.random() < 0.25 else 0,
        key=bool(rng.random() < 0.35),
        holes=tuple(holes),
        floor_bumps=float(rng.uniform(0.5, 1.5)) if rng.random() < 0.3 else 0.0,
        colour=colour,
        floor_colour=insert,
        rough=rough,
    )


def outline(family: Family, corner: float, count: int = 300) -> tuple[Array, Array]:
    """Return the nose's outline (count x 2 mm, anticlockwise from +x) and its outward normals."""
    angle = np.arange(count) * 2 * np.pi / count
    radius = family.nose_width / 2
    centre = np.array(family.nose_centre, float)
    away = np.full(count, radius)
    flat = family.nose_height - radius
    if flat < radius - 0.1:  # flattened at the top: the circle's centre lies lower than the box's
        centre = centre + [0.0, radius - family.nose_height / 2]
        line = np.where(np.sin(angle) > 0.05, flat / np.maximum(np.sin(angle), 0.05), 9e3)
        h = np.maximum(corner - np.abs(away - line), 0) / corner
        away = np.minimum(away, line) - h * h * corner * 0.25 * (np.abs(np.cos(angle)) > 0.1)
    points = centre + away[:, None] * np.stack([np.cos(angle), np.sin(angle)], 1)
    tangent = np.roll(points, -1, 0) - np.roll(points, 1, 0)
    normal = np.stack([tangent[:, 1], -tangent[:, 0]], 1)
    return points, normal / np.linalg.norm(normal, axis=1, keepdims=True)


def nose(family: Family, style: NoseStyle, depth: float) -> Mesh:
    """Return shell and floor; ``depth`` is how far the floor lies below the mouths, mm."""
    line, normal = outline(family, style.corner)
    lip, wall, rim = style.lip, style.wall, style.rim
    lip = min(lip, wall * 0.45)
    bend = [(lip * (1 - np.sin(a)), rim - lip * (1 - np.cos(a))) for a in np.linspace(0, np.pi / 2, 5)[::-1]]
    profile = [(-style.flare * style.deep, -style.deep - 1), (0.0, rim - 6), (0.0, rim - lip - 0.3)]
    profile += bend
    profile += [(wall - b[0], b[1]) for b in reversed(bend)]
    if style.ledge:
        profile += [(wall, rim - 3.0), (wall + style.ledge, rim - 3.3)]
    profile += [(wall + style.ledge, -depth)]
    path = finer(profile, 0.8)
    points = line[None] - normal[None] * path[:, :1, None]
    height = np.broadcast_to(path[:, 1, None, None], (*points.shape[:2], 1))
    shell = plain(
        np.concatenate([points, height], -1), strips(len(path), len(line)), style.colour, style.rough
    )
    extras = [*_ribs(style, line, normal, depth)]
    return merged([shell, _floor(style, line - normal * (wall + style.ledge - 0.2), depth), *extras])


def _floor(style: NoseStyle, line: Array, depth: float) -> Mesh:
    rings = np.linspace(1.0, 0.01, 50)[:, None, None]
    middle = line.mean(axis=0)
    flat = (middle + (line - middle)[None] * rings).reshape(-1, 2)
    z = np.full(len(flat), -depth)
    dark = np.zeros(len(flat))
    for x, y, radius in style.holes:
        inside = np.clip((radius - np.hypot(flat[:, 0] - x, flat[:, 1] - y)) / 0.4, 0, 1)
        z -= 4 * inside
        dark = np.maximum(dark, inside)
    spots = np.concatenate([flat, z[:, None]], 1)
    spots[:, 2] += style.floor_bumps * 0.15 * noise(spots, 3.0, 11)
    floor = plain(spots, strips(50, len(line)), style.floor_colour, style.rough)
    return floor.painted(floor.colour * (1 - 0.8 * dark[:, None]))


def _ribs(style: NoseStyle, line: Array, normal: Array, depth: float) -> list[Mesh]:
    """Return ribs along the inside of the shell, and a key in it."""
    at = [int(k * len(line) / style.ribs) for k in range(style.ribs)] if style.ribs else []
    sizes = [(0.5, 0.6, style.rim - 2.0)] * len(at)
    if style.key:
        at.append(len(line) * 3 // 4)
        sizes.append((1.6, 1.2, style.rim - 1.2))
    out = []
    for index, (half, high, top) in zip(at, sizes, strict=True):
        n = normal[index]
        side = np.array([-n[1], n[0]])
        base = line[index] - n * (style.wall - 0.2)
        ring = np.array(
            [
                base + side * half,
                base + side * half * 0.8 - n * high,
                base - side * half * 0.8 - n * high,
                base - side * half,
            ]
        )
        levels = np.array([top, top - 0.01, -depth])
        shrunk = np.stack([ring.mean(0) + (ring - ring.mean(0)) * s for s in (0.02, 1.0, 1.0)])
        points = np.concatenate([shrunk, np.broadcast_to(levels[:, None, None], (3, 4, 1))], -1)
        out.append(plain(points, strips(3, 4), style.colour, style.rough))
    return out


@dataclass(frozen=True)
class ContactStyle:
    """The metal in the bores: sockets (``hollow`` 0..1 of their radius) or pins, ``sunk`` mm below z = 0."""

    pin: bool
    sunk: float
    hollow: float
    slots: int
    colour: Rgb
    rough: float
    tarnish: float


def draw_contacts(rng: np.random.Generator) -> ContactStyle:
    """Draw a style of contacts."""
    metals: tuple[Rgb, ...] = ((0.78, 0.76, 0.72), (0.72, 0.42, 0.28), (0.75, 0.58, 0.3), (0.45, 0.42, 0.38))
    return ContactStyle(
        pin=bool(rng.random() < 0.15),
        sunk=float(rng.uniform(1.0, 6.5)),
        hollow=float(rng.uniform(0.6, 0.86)),
        slots=int(rng.choice([0, 2, 3, 4])),
        colour=metals[int(rng.choice(4, p=[0.55, 0.15, 0.15, 0.15]))],
        rough=float(rng.uniform(0.15, 0.5)),
        tarnish=float(rng.choice([0.0, rng.uniform(0, 1)])),
    )


def contact(style: ContactStyle, spot: Contact, depth: float) -> Mesh:
    """Return the socket or pin in one bore."""
    radius, top = spot.bore_diameter / 2 * 0.94, -min(style.sunk, depth - 2)
    if style.pin:
        core = radius * 0.62
        profile = [
            (0.01, top),
            (core * 0.5, top - 0.1),
            (core * 0.9, top - 0.6),
            (core, top - 1.2),
            (core, -depth - 2),
        ]
    else:
        hole = radius * style.hollow
        profile = [
            (radius, -depth - 1),
            (radius, top - 0.3),
            (radius - 0.2, top),
            (hole + 0.25, top),
            (hole, top - 0.4),
            (hole, top - 9),
            (0.05, top - 9.2),
        ]
    points, faces = lathe(finer(profile, 0.7), 40, (spot.x, spot.y))
    mesh = plain(points, faces, style.colour, style.rough, 1.0)
    shade = 1 - style.tarnish * np.clip(0.5 + 0.4 * noise(points, 2.5, 5), 0, 0.9)
    away = np.hypot(points[:, 0] - spot.x, points[:, 1] - spot.y)
    shade *= np.clip(1 - (top - 1 - points[:, 2]) / 8 * (away < radius * 0.95), 0.15, 1)
    if style.slots and not style.pin:
        turn = np.arctan2(points[:, 1] - spot.y, points[:, 0] - spot.x) * style.slots / 2
        shade = np.where(np.abs(np.sin(turn)) < 0.11 * style.slots, shade * 0.08, shade)
    return mesh.painted(mesh.colour * shade[:, None])


@dataclass(frozen=True)
class BodyStyle:
    """The body behind the nose, mm; ``bend`` radians downwards, ``swell`` how far it stands out."""

    swell: float
    long: float
    bend: float
    grip: float
    square: float
    step: float
    colour: Rgb
    rough: float
    cable_colour: Rgb
    cable: float
    curl: tuple[float, float]


def draw_body(rng: np.random.Generator, colour: Rgb, rough: float) -> BodyStyle:
    """Draw a body of the given colour (linear) and roughness."""
    cables: tuple[Rgb, ...] = ((0.02, 0.02, 0.02), (0.6, 0.25, 0.02), (0.12, 0.12, 0.12), (0.05, 0.1, 0.3))
    return BodyStyle(
        swell=float(rng.uniform(-2.0, 8.0)),
        long=float(rng.uniform(70, 130)),
        bend=float(rng.choice([rng.uniform(0, 0.5), rng.uniform(0.7, 1.5)])),
        grip=float(rng.uniform(15, 20)),
        square=float(rng.uniform(2.0, 4.0)),
        step=float(rng.uniform(1.0, 8.0)),
        colour=colour,
        rough=rough,
        cable_colour=cables[int(rng.choice(4, p=[0.7, 0.1, 0.15, 0.05]))],
        cable=float(rng.uniform(5.5, 10)),
        curl=(float(rng.normal(0, 60)), float(rng.uniform(40, 160))),
    )


def body(family: Family, nose_style: NoseStyle, style: BodyStyle) -> Mesh:
    """Return the body lofted from the nose to the grip, and the cable at its end."""
    count, around = 60, 96
    t = np.linspace(0, 1, count)
    ahead = np.concatenate([[0.0], np.cumsum(np.full(count - 1, style.long / (count - 1)))])
    angle = style.bend * np.clip((t - 0.15) / 0.6, 0, 1)
    step = np.gradient(ahead)
    back = np.stack([np.zeros(count), -np.sin(angle) * step, -np.cos(angle) * step], 1)
    spine = np.cumsum(back, 0) + [family.nose_centre[0], family.nose_centre[1], -nose_style.deep]
    wide = family.nose_width / 2 + style.swell * np.clip(ahead / style.step, 0, 1)
    ease = np.clip((t - 0.1) / 0.45, 0, 1)
    ease = ease * ease * (3 - 2 * ease)
    half = wide + (style.grip - wide) * ease
    half *= np.where(t > 0.96, 1 - (t - 0.96) * 8, 1)
    turn = np.arange(around) * 2 * np.pi / around
    power = 2 / (2 + (style.square - 2) * np.minimum(ease + 0.2, 1))[:, None]
    cx = np.sign(np.cos(turn)) * np.abs(np.cos(turn)) ** power * half[:, None]
    cy = np.sign(np.sin(turn)) * np.abs(np.sin(turn)) ** power * half[:, None]
    cy *= 1 - (1 - family.nose_height / family.nose_width) * (1 - ease[:, None])
    up = np.stack([np.zeros(count), np.cos(angle), -np.sin(angle)], 1)
    points = spine[:, None] + cx[..., None] * np.array([1.0, 0, 0]) + cy[..., None] * up[:, None]
    lid = np.broadcast_to(spine[:1, None], (1, around, 3))
    end = np.broadcast_to(spine[-1:, None], (1, around, 3))
    loft = plain(np.concatenate([lid, points, end]), strips(count + 2, around), style.colour, style.rough)
    return merged([loft, _cable(style, spine[-1], back[-1] / np.linalg.norm(back[-1]))])


def _cable(style: BodyStyle, start: Array, heading: Array) -> Mesh:
    t = np.linspace(0, 1, 60)[:, None]
    aside, down = style.curl
    path = start - heading * 4 + heading * t * 160 + t**2 * np.array([aside * 3, -down * 3, -20.0])
    radius = style.cable + 3.0 * (t[:, 0] < 0.12) * (1 + 0.2 * np.sign(np.sin(t[:, 0] * 700)))
    points, faces = tube(path, radius)
    return plain(points, faces, style.cable_colour, 0.5)
