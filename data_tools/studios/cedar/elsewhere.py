"""Subjects that are no coupler face: inlets, sockets, plugs, pipes, tools, hands, backs of couplers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.cedar import hands
from data_tools.studios.cedar.meshes import BODY, METAL, Array, Mesh, lathe, merged, mesh, rotation, tube
from data_tools.studios.cedar.subject import Subject, draw_subject
from data_tools.studios.cedar.voxels import Grid, rounded_box
from model.families import TYPE1, TYPE2

KINDS = (
    "inlet",
    "inlet",
    "wall socket",
    "plug",
    "pipes",
    "tool",
    "hand",
    "back",
    "back",
    "side",
    "side",
    "nothing",
)


@dataclass(frozen=True)
class Thing:
    """A thing's plastic, metal and covering meshes."""

    plastic: list[Mesh]
    metal: list[Mesh]
    cover: list[Mesh]


def _colour(rng: np.random.Generator) -> Array:
    return np.asarray(rng.choice([0.02, 0.05, 0.3, 0.75]) * rng.uniform(0.8, 1.1, 3), np.float32)


def _bored(
    rng: np.random.Generator, holes: list[tuple[float, float, float]], half: tuple[float, float]
) -> Mesh:
    """Return a block with blind round holes (x, y, radius), in front of a flange."""
    grid = Grid((-half[0] - 2, -half[1] - 2, -14), (half[0] + 2, half[1] + 2, 2), (0.8, 0.8, 0.8))
    window = grid.window((-999, -999, -999), (999, 999, 999))
    points = grid.points(window)
    value = rounded_box(points, (0, 0, -14), (half[0], half[1], 14), float(rng.uniform(2, min(half) * 0.8)))
    for x, y, radius in holes:
        hole = np.hypot(points[..., 0] - x, points[..., 1] - y) - radius
        value = np.maximum(value, -np.maximum(hole, -12.5 - points[..., 2]))
    grid.value = value.astype(np.float32)
    vertices, faces = grid.surface()
    return mesh(vertices, faces, _colour(rng), 0.5, BODY)


def _pin(x: float, y: float, radius: float, low: float, high: float) -> Mesh:
    profile = np.array([(radius, low), (radius, high - 1), (radius * 0.6, high), (0.01, high)], np.float32)
    return lathe(profile, 20, (0.7, 0.68, 0.62), 0.3, METAL).moved(np.eye(3), (x, y, 0.0))


def _inlet(rng: np.random.Generator) -> Thing:
    family = TYPE1 if rng.random() < 0.5 else TYPE2
    holes = [(-c.x, c.y, c.sleeve_diameter / 2 + 0.3) for c in family.contacts]
    plate = _bored(rng, holes, (family.nose_width / 2 + 1, family.nose_height / 2 + 1))
    pins = [_pin(x, y, r * 0.45, -12, -4) for x, y, r in holes]
    ring = np.array([(38, -20), (38, -1), (36, 1), (34, 1), (33, -1), (33, -14), (20, -14)], np.float32)
    surround = lathe(ring, 60, tuple(_colour(rng)), 0.4, BODY)
    return Thing([plate, surround], pins, [])


def _socket(rng: np.random.Generator) -> Thing:
    plate = _bored(rng, [(0, 0, 19.5)], (40, 40))
    plate.colour[:] = rng.choice([0.75, 0.6, 0.1])
    well = _bored(rng, [(-9.5, 0, 2.6), (9.5, 0, 2.6)], (18, 18)).moved(np.eye(3), (0, 0, -11))
    return Thing([plate, well], [_pin(0, 17, 1.5, -12, -3), _pin(0, -17, 1.5, -12, -3)], [])


def _plug(rng: np.random.Generator) -> Thing:
    profile = np.array([(14, -60), (18, -40), (19, -4), (17, 0), (0.01, 0)], np.float32)
    body = lathe(profile, 40, tuple(_colour(rng)), 0.5, BODY)
    return Thing([body], [_pin(-9.5, 0, 2.4, 0, 19), _pin(9.5, 0, 2.4, 0, 19)], [])


def _pipes(rng: np.random.Generator) -> Thing:
    parts = []
    for _ in range(int(rng.integers(2, 8))):
        r, z = rng.uniform(5, 17), rng.uniform(-20, 6)
        profile = np.array([(r, -150), (r, z), (r - 1.8, z), (r - 1.8, z - 60), (0.01, z - 60)], np.float32)
        x, y = rng.uniform(-32, 32, 2)
        parts.append(lathe(profile, 36, tuple(_colour(rng)), 0.5, BODY).moved(np.eye(3), (x, y, 0)))
    return Thing(parts, [], [])


def _tool(rng: np.random.Generator) -> Thing:
    t = np.linspace(0, 1, 12)
    path = np.stack([t * 95 - 85, 0 * t, 0 * t], 1).astype(np.float32)
    handle = tube(path, (9 + 2 * np.sin(t * 7)).astype(np.float32), 14, tuple(_colour(rng)), 0.4, BODY)
    shaft = tube(
        (path + [95, 0, 0]).astype(np.float32), np.full(12, 3, np.float32), 14, (0.6, 0.6, 0.6), 0.3, METAL
    )
    turn = rotation((0, 0, 1.0), rng.uniform(0, 6.28)) @ rotation((0, 1.0, 0), rng.uniform(-0.7, 0.7))
    return Thing([handle.moved(turn, (0, 0, 0))], [shaft.moved(turn, (0, 0, 0))], [])


def _turned(rng: np.random.Generator, s: Subject, kind: str) -> Thing:
    """Return a coupler seen from behind or from the side: the face looks away."""
    low, high = (2.0, 4.2) if kind == "back" else (1.75, 2.3)
    angle = float(rng.uniform(low, high) * rng.choice([-1, 1]))
    turn = rotation((float(rng.normal(0, 0.4)), 1.0, 0.0), angle)
    shift = -turn @ np.array([0, 0, -40.0])
    return Thing([s.plastic.moved(turn, shift)], [s.metal.moved(turn, shift)], [])


def draw_thing(rng: np.random.Generator, up: np.ndarray, snow: bool) -> tuple[str, Thing]:
    """Draw one thing that is no coupler face, and its name."""
    kind = str(KINDS[int(rng.integers(len(KINDS)))])
    if kind in ("back", "side"):
        return kind, _turned(rng, draw_subject(rng, up, snow), kind)
    if kind == "hand":
        fingers = hands.holding(rng, np.zeros(2), np.array([24.0, 24.0]), 10.0)
        return kind, Thing([], [], [hands.hand(fingers, hands.draw_skin(rng), rng)])
    makers = {"inlet": _inlet, "wall socket": _socket, "plug": _plug, "pipes": _pipes, "tool": _tool}
    return kind, makers[kind](rng) if kind in makers else Thing([], [], [])


def spare() -> Mesh:
    """Return two specks at far corners: every scene gets the same bounds, and no mesh is empty."""
    speck = np.array([[0, 0, 0], [1.0, 0, 0], [0, 1.0, 0]], np.float32)
    corners = np.concatenate([speck - 6e4, speck + 6e4])
    return mesh(corners, np.array([[0, 1, 2], [3, 4, 5]], np.int32), (0.1, 0.1, 0.1), 0.5, METAL)


def joined(parts: list[Mesh]) -> Mesh:
    """Return ``parts`` as one mesh, never empty."""
    return merged([spare(), *parts])
