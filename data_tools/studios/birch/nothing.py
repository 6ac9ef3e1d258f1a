"""Subjects without a coupler face: inlet, wall socket, plug, pipes, a coupler's back, a hand, tools."""

from __future__ import annotations

import numpy as np

from data_tools.studios.birch.backdrops import box
from data_tools.studios.birch.hands import draw_hand_look, pointing
from data_tools.studios.birch.looks import darker, draw_dirts, metal, plastic, soil
from data_tools.studios.birch.meshes import SURROUNDINGS, Look, Mesh, ball, bezier, grid, loft, merge, turned

KINDS = ("inlet", "socket", "plug", "pipes", "hand", "tool", "back", "side", "empty", "cap")


def _lathe(profile: list[tuple[float, float]], x: float, y: float, look: Look) -> Mesh:
    """Return a surface of revolution around the z axis through (x, y) from (radius, z) pairs."""
    pairs = np.repeat(np.array(profile), 2, axis=0)
    turn = np.linspace(0, 2 * np.pi, 72, endpoint=False)[:, None]
    points = [x + pairs[:, 0] * np.cos(turn), y + pairs[:, 0] * np.sin(turn), pairs[:, 1] + 0 * turn]
    return grid(np.stack(points, -1), look, SURROUNDINGS, closed=True)


def _tube(radius: float, wall: float, top: float, deep: float, x: float, y: float, look: Look) -> Mesh:
    inner = max(radius - wall, 0.05)
    return _lathe(
        [(radius, top - deep), (radius, top), (inner, top), (inner, top - deep), (0, top - deep)], x, y, look
    )


def _inlet(rng: np.random.Generator, look: Look) -> list[Mesh]:
    """A car's inlet: a deep ring with pins standing bare in holes of a solid block."""
    parts = [
        _tube(rng.uniform(24, 32), 3, 2, 30, 0, 0, look),
        box(np.array([0, 0, -24.0]), np.array([70, 60, 8.0]), look),
    ]
    count, ring = int(rng.integers(2, 8)), rng.uniform(8, 16)
    for k in range(count):
        turn = 2 * np.pi * k / count + rng.uniform(0, 0.3)
        x, y = ring * np.cos(turn), ring * np.sin(turn)
        parts.append(ball(np.array([x, y, -8]), np.diag([2.2, 2.2, 9.0]), metal(rng), SURROUNDINGS))
    return parts


def _socket(rng: np.random.Generator, look: Look) -> list[Mesh]:
    """A household wall socket: a plate, a round recess, two holes."""
    plate = box(np.array([0, 0, -9.0]), np.array([42, 42, 6.0]), look, 10)
    hole = Look((0.005, 0.005, 0.005), (0.01, 0.01, 0.01), 0.6)
    cup = _lathe([(22, -3.2), (21, -2), (20, -2.5), (19.5, -2.9), (0, -2.9)], 0, 0, darker(look, 0.85))
    pits = [_lathe([(2.6, -2.7), (0, -2.7)], x, 0, hole) for x in (-9.5, 9.5)]
    return [
        plate,
        cup,
        *pits,
        *(ball(np.array([0, y, -2.5]), np.diag([3.0, 1, 2]), metal(rng), SURROUNDINGS) for y in (-19, 19)),
    ]


def _plug(rng: np.random.Generator, look: Look) -> list[Mesh]:
    """A household plug seen from its pins."""
    parts = [_lathe([(12, -60), (19, -30), (19, -2), (17, 0), (0, 0)], 0, 0, look)]
    for x in (-9.5, 9.5):
        spine = np.linspace([x, 0, -1], [x, 0, 19], 20)
        parts.append(loft(spine, np.full((20, 2), 2.4), metal(rng), SURROUNDINGS, around=24))
    return parts


def _pipes(rng: np.random.Generator, look: Look) -> list[Mesh]:
    parts = []
    for _ in range(int(rng.integers(1, 7))):
        x, y = rng.normal(0, 22, 2)
        own = look if rng.uniform() < 0.5 else plastic(rng)[1] if rng.uniform() < 0.5 else metal(rng)
        parts.append(_tube(rng.uniform(6, 22), rng.uniform(1, 4), rng.uniform(-10, 5), 80, x, y, own))
    return parts


def _tool(rng: np.random.Generator, look: Look) -> list[Mesh]:
    """A screwdriver or a torch: handle and shaft."""
    handle = np.linspace([-60, 0, -5], [0, 0, -5], 30)
    wave = 11 + 2 * np.sin(np.linspace(0, 9, 30))
    shaft = np.linspace([0, 0, -5], [90, 0, -5], 20)
    parts = [
        loft(handle, np.stack([wave, wave], -1), look, SURROUNDINGS),
        loft(shaft, np.full((20, 2), 3.2), metal(rng), SURROUNDINGS),
    ]
    turn = rng.uniform(0, 6.28)
    return [p.moved(turned(p.points, np.array([0, 0, 1.0]), turn, np.zeros(3))) for p in parts]


def _back(rng: np.random.Generator, look: Look, side: bool) -> list[Mesh]:
    """A coupler's grip and cable from behind or from the side: no contacts to be seen."""
    spine = bezier(np.array([[0, 0, 0.0], [0, -5, -30], [0, -40, -60], [0, -110, -70]]), 60)
    share = np.linspace(0, 1, 60)
    half = np.stack([24 - 8 * share, 24 - 9 * share], -1)
    parts = [loft(spine, half, look, SURROUNDINGS, rng.uniform(2, 3), around=60)]
    nose = np.linspace([0, 0, 0], [0, 0, 32], 12)
    parts.append(loft(nose, np.full((12, 2), 21.0), darker(look, 0.8), SURROUNDINGS, around=60))
    cable = bezier(np.array([spine[-1], spine[-1] + [0, -60, 0], [60, -200, 0], [160, -190, 20.0]]), 40)
    parts.append(loft(cable, np.full((40, 2), 8.0), plastic(rng, "black")[1], SURROUNDINGS))
    lean = rng.uniform(1.3, 1.8) * rng.choice([-1, 1]) if side else np.pi + rng.normal(0, 0.4)
    return [p.moved(turned(p.points, np.array([0.1, 1.0, 0]), lean, np.zeros(3))) for p in parts]


def draw_nothing(rng: np.random.Generator) -> tuple[str, float, Mesh]:
    """Draw what is in the picture instead: its name, extent in mm and mesh."""
    kind = str(rng.choice(KINDS))
    look = plastic(rng)[1]
    if kind == "socket":
        look = plastic(rng, str(rng.choice(["white", "white", "light grey", "black"])))[1]
    if kind == "hand":
        skin, cloth, glove = draw_hand_look(rng)
        tip = np.array([-25.0, 0, 0])
        parts = pointing(rng, tip, skin, glove, cloth, rng.uniform(0, 6.28))
    elif kind in ("back", "side"):
        parts = _back(rng, look, kind == "side")
    elif kind == "empty":
        parts = [ball(np.array([0, 0, -9000.0]), np.eye(3), look, SURROUNDINGS)]
    elif kind == "cap":
        parts = [_lathe([(23, -25), (23, -1), (22, 0), (12, 0), (11, -0.8), (0, -0.8)], 0, 0, look)]
    else:
        build = {"inlet": _inlet, "socket": _socket, "plug": _plug, "pipes": _pipes, "tool": _tool}[kind]
        parts = build(rng, look)
    return kind, float(rng.uniform(55, 110)), soil(merge(parts), draw_dirts(rng, 30))
