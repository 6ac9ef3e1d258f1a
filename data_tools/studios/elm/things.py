"""What else is in a photo: fingers, drops, a bar that throws a shadow, and things that are no coupler."""

from __future__ import annotations

import numpy as np

from data_tools.studios.elm.build import METALS, PLASTICS
from data_tools.studios.elm.noise import Array, Rng
from data_tools.studios.elm.solids import Kind, Part, Skin, blunt, circle, rounded, stretch, sweep, tube

_GLOVES = ((0.05, 0.05, 0.055), (0.55, 0.22, 0.03), (0.5, 0.48, 0.4), (0.08, 0.2, 0.4))
OTHERS = ("ground", "gloves", "socket", "cable", "inlet")


def hand_skin(rng: Rng) -> Skin:
    """Return a skin of any tone, or a glove."""
    if rng.random() < 0.35:
        return Skin(_GLOVES[int(rng.integers(len(_GLOVES)))], 0.8)
    tone = rng.uniform(0.06, 0.55)
    return Skin((tone, tone * rng.uniform(0.55, 0.68), tone * rng.uniform(0.38, 0.52)), 0.5)


def _finger(path: list[Array], skin: Skin, rng: Rng) -> Part:
    line = stretch(path, 60, 0.08)
    bumps = 1 + 0.03 * np.sin(np.linspace(0, 9, 60) + rng.uniform(0, 6))
    thick = rng.uniform(6.5, 8.5) * bumps
    return Part(tube(line, thick, thick * 0.9, around=36, cap=7), skin, Kind.HAND, 98)


def fingers(rng: Rng, reach: float, over: bool) -> list[Part]:
    """Return fingers that hold the coupler from one side; ``reach`` mm is how far out its body is. One of
    them lies ``over`` the rim."""
    skin, side, parts = hand_skin(rng), rng.uniform(0, 2 * np.pi), []
    for number in range(int(rng.integers(2, 5))):
        turn = side + 0.42 * number
        out = np.array([np.cos(turn), np.sin(turn), 0.0])
        lies_over = over and number == 0
        depth = 9.0 if lies_over else rng.uniform(-34, -20)
        inner = reach * rng.uniform(0.25, 0.6) if lies_over else reach + rng.uniform(2, 5)
        knuckle = out * (reach + 16) + [0, 0, depth - 12]
        parts.append(
            _finger([out * inner + [0, 0, depth], knuckle, knuckle * [1.5, 1.5, 1] - [0, 0, 90]], skin, rng)
        )
    return parts


def drops(rng: Rng, spots: Array, under: list[Skin]) -> list[Part]:
    """Return beads of water on ``spots`` (n x 3 mm): they darken the skin ``under`` each, and glint."""
    parts = []
    for (x, y, z), skin in zip(spots, under, strict=True):
        size = 0.3 + 0.9 * rng.uniform() ** 2
        dome, _ = rounded([(size, 0.0), (size * 0.8, 0.28 * size), (0.02, 0.42 * size)], 0.2 * size, 8)
        points = sweep(circle(x, y), dome, 18)
        points[..., 2] += z - 0.05
        parts.append(Part(points, Skin(tuple(0.8 * c for c in skin.colour), 0.06), Kind.WATER, 97))
    return parts


def shadow_bar(rng: Rng, towards: Array) -> Part:
    """Return a bar between the face and a light in direction ``towards`` (unit), out of the way of a lens."""
    across = np.cross(towards, rng.normal(size=3))
    across /= np.linalg.norm(across)
    middle = towards * 260 + rng.uniform(-14, 14, 3)
    line = stretch([middle - across * 200, middle + across * 200], 20)
    return Part(tube(line, *[rng.uniform(5, 13)] * 2, around=20, cap=2), Skin((0.05,) * 3), Kind.BODY)


def other(kind: str, rng: Rng) -> list[Part]:
    """Return something that is no coupler face, about the origin and facing +z."""
    if kind == "gloves":
        return _gloves(rng)
    if kind == "socket":
        return _holes(rng, rng.choice(["white", "grey", "slate"]), float(rng.uniform(18, 26)), 0.6)
    if kind == "inlet":
        colour = rng.uniform(0.02, 0.7) * rng.uniform(0.7, 1.3, 3)
        lid = sweep(blunt((95, 0), (42, 48), 5), rounded([(-40, 0), (0, 0), (0, -5)], 1.5, 20)[0], 120)
        arm = tube(stretch([(30, 0, -8), (60, 0, 10), (90, 0, -3)], 30, 0.1), 4, 7, around=24, cap=2)
        paint, black = Skin(tuple(np.clip(colour, 0, 0.8)), 0.12), Skin(PLASTICS["black"], 0.5)
        return [
            *_holes(rng, "black", 27.0, 0.25, paint),
            Part(lid, paint, Kind.BODY),
            Part(arm, black, Kind.BODY),
        ]
    if kind == "cable":
        turn = np.linspace(0, 2 * np.pi * rng.uniform(1.5, 3.5), 260)
        radius = rng.uniform(60, 100) * (1 + 0.15 * np.sin(turn * 0.61))
        path = np.stack([radius * np.cos(turn), radius * np.sin(turn), 5 * turn], 1)
        sheath = PLASTICS[str(rng.choice(["black", "orange", "soot"]))]
        return [Part(tube(path, 8, 8, around=32, cap=2), Skin(sheath, 0.5), Kind.BODY)]
    pebbles = []
    for _ in range(12):
        x, y = rng.uniform(-120, 120, 2)
        stone, _ = rounded([(rng.uniform(1, 6), 0.0), (0.01, 4.0)], 1.5, 8)
        points = sweep(circle(x, y), stone, 14) - [0, 0, 60]
        pebbles.append(Part(points, Skin(tuple(rng.uniform(0.05, 0.35, 3)), 0.8), Kind.BODY))
    return pebbles


def _gloves(rng: Rng) -> list[Part]:
    skin, parts = hand_skin(rng), []
    for side in (-1, 1):
        palm = np.array([side * rng.uniform(40, 60), -20.0, -10.0])
        parts.append(
            Part(
                tube(
                    stretch([palm - [0, 80, 0], palm + [0, 40, 0]], 50), 38, 13, around=48, power=2.6, cap=20
                ),
                skin,
                Kind.HAND,
            )
        )
        for number in range(4):
            root = palm + [(number - 1.5) * 18, 30, 2]
            tip = root + [(number - 1.5) * rng.uniform(3, 9), rng.uniform(45, 70), rng.uniform(-8, 18)]
            parts.append(_finger([tip, (root + tip) / 2 + [0, 0, 6], root], skin, rng))
    return parts


def _holes(rng: Rng, colour: str, radius: float, edge: float, around: Skin | None = None) -> list[Part]:
    """Return a panel with a round recess in which holes or pins stand: a wall socket, or a car's inlet."""
    skin = Skin(PLASTICS[colour], 0.45)
    plate, bend = rounded([(80, 0.0), (radius + 12, 0.0), (radius + 10, -6)], 1 + edge, 40)
    parts = [Part(sweep(blunt((0, 0), (2, 2), 4), plate, 160), around or skin, Kind.BODY, edge=bend[None, :])]
    well, bend = rounded([(radius + 14, -5.0), (radius, -5.0), (radius - 1, -24), (0.02, -24)], 1, 48)
    parts.append(Part(sweep(circle(0, 0), well, 160), skin, Kind.BODY, edge=bend[None, :]))
    count, metal = int(rng.integers(2, 7)), Skin(METALS[0], 0.3, 1.0)
    for number in range(count):
        turn = 2 * np.pi * number / count + rng.uniform(-0.1, 0.1)
        x, y = 0.55 * radius * np.cos(turn), 0.55 * radius * np.sin(turn)
        if around is None:
            pin, _ = rounded([(3.0, -23.9), (2.9, -23.8), (0.02, -23.8)], 0.1, 8)
            parts.append(Part(sweep(circle(x, y), pin, 32), Skin((0.004,) * 3, 0.9), Kind.BODY))
        else:
            pin, _ = rounded([(2.6, -24), (2.6, -10), (0.02, -9)], 0.8, 20)
            parts.append(Part(sweep(circle(x, y), pin, 40), metal, Kind.METAL))
    return parts
