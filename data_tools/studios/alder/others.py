"""Photos without a coupler face: inlets, sockets, plugs, pipes, hands, tools, couplers from behind."""

from __future__ import annotations

import numpy as np

from data_tools.studios.alder import body, hands
from data_tools.studios.alder.camera import Camera, aimed
from data_tools.studios.alder.coupler import PLASTICS, build
from data_tools.studios.alder.mesh import Array, Mesh, Rgb, box, finer, lathe, merged, plain, tube
from data_tools.studios.alder.noise import rough_noise
from model.families import TYPE1, TYPE2

WHATS = ("inlet", "wall_socket", "plug", "pipes", "hand", "tool", "back", "side", "nothing", "cap")


def _shade(rng: np.random.Generator) -> Rgb:
    return PLASTICS[int(rng.integers(len(PLASTICS)))][0]


def _turned(
    profile: list[tuple[float, float]], x: float, y: float, colour: Rgb, rough: float, metal: float = 0.0
) -> Mesh:
    return plain(*lathe(finer(profile, 0.8), 48, (x, y)), colour, rough, metal)


def _inlet(rng: np.random.Generator) -> Mesh:
    """Return a car's inlet: a plate with a round recess, in it a block with holes and pins."""
    family = TYPE1 if rng.random() < 0.5 else TYPE2
    colour = _shade(rng)
    centre = family.nose_centre
    radius = family.nose_width / 2 + 1.5
    deep = float(rng.uniform(16, 28))
    plate = [(95.0, -18.0), (radius + 14, -4), (radius + 8, 0), (radius, 0), (radius, -deep), (0.1, -deep)]
    parts = [_turned(plate, *centre, colour, 0.5)]
    for spot in family.contacts:
        away = spot.sleeve_diameter / 2 + 0.6
        tall = -float(rng.uniform(1, 4))
        parts.append(
            _turned(
                [(away + 1.6, -deep), (away + 1.6, tall), (away, tall), (away, -deep + 1)],
                spot.x,
                spot.y,
                colour,
                0.5,
            )
        )
        pin = spot.bore_diameter * 0.45
        tip = tall - 3
        metal = [(0.05, tip), (pin * 0.8, tip - 0.5), (pin, tip - 1.6), (pin, -deep)]
        parts.append(_turned(metal, spot.x, spot.y, (0.75, 0.73, 0.7), 0.25, 1.0))
    return merged(parts)


def _wall_socket(rng: np.random.Generator) -> Mesh:
    colour = (0.7, 0.7, 0.67) if rng.random() < 0.7 else _shade(rng)
    parts = [plain(*box((-41, -41, -30), (41, 41, 0)), colour, 0.35)]
    if rng.random() < 0.6:
        parts.append(
            _turned([(22.0, 0.3), (20, 0.3), (19.5, -0.1), (19.5, 0.05), (0.1, 0.05)], 0, 0, colour, 0.3)
        )
        parts += [
            _turned([(2.6, 0.1), (2.4, 0.12), (0.05, 0.12)], x, 0, (0.004, 0.004, 0.004), 0.9)
            for x in (-9.5, 9.5)
        ]
        parts += [plain(*box((-2, y - 2, 0), (2, y + 2, 1)), (0.7, 0.68, 0.62), 0.3, 1.0) for y in (-19, 19)]
    else:
        for y in (-15, 15):
            for x, wide in ((-7, 1.2), (7, 1.5)):
                parts.append(
                    plain(*box((x - wide, y - 4, 0), (x + wide, y + 4, 0.1)), (0.004, 0.004, 0.004), 0.9)
                )
    return merged(parts)


def _plug(rng: np.random.Generator) -> Mesh:
    colour = _shade(rng)
    radius = float(rng.uniform(16, 21))
    parts = [
        _turned(
            [(radius * 0.5, -45), (radius, -30), (radius, -1), (radius - 1, 0), (0.1, 0)], 0, 0, colour, 0.45
        )
    ]
    for x in (-9.5, 9.5):
        parts.append(
            _turned([(2.4, 0), (2.4, 17), (1.4, 18.8), (0.05, 19)], x, 0, (0.75, 0.73, 0.7), 0.25, 1.0)
        )
    t = np.linspace(0, 1, 30)[:, None]
    parts.append(plain(*tube(np.array([0, 0, -40.0]) + t * np.array([20, -90, -90]), 4.0), colour, 0.5))
    return merged(parts)


def _pipes(rng: np.random.Generator) -> Mesh:
    """Return a bundle of pipe or conduit ends, which look like sleeves at first sight."""
    parts = []
    for _ in range(int(rng.integers(3, 9))):
        x, y, radius = *rng.uniform(-26, 26, 2), float(rng.uniform(5, 12))
        top, wall = float(rng.uniform(-12, 8)), float(rng.uniform(0.8, 2.5))
        metal = float(rng.random() < 0.3)
        profile = [(radius, -90), (radius, top), (radius - wall, top), (radius - wall, -60), (0.1, -60)]
        parts.append(
            _turned(profile, float(x), float(y), _shade(rng) if not metal else (0.5, 0.5, 0.52), 0.45, metal)
        )
    return merged(parts)


def _tool(rng: np.random.Generator) -> Mesh:
    """Return a screwdriver, or a spanner-like bar."""
    t = np.linspace(0, 1, 60)[:, None]
    long = float(rng.uniform(60, 110))
    grip = 9 + 3 * np.sin(t[:, 0] * 9) * (t[:, 0] > 0.1)
    handle = plain(*tube(np.array([-long, 0, 0]) + t * [long * 0.8, 10, 0], grip), _shade(rng), 0.35)
    shaft = plain(*tube(np.array([-long * 0.25, 9, 0]) + t * [long, 12, 0], 3.0), (0.6, 0.6, 0.62), 0.25, 1.0)
    return merged([handle, shaft])


def _hand(rng: np.random.Generator) -> Mesh:
    hand = hands.draw_hand(rng)
    return hands.gripping(hand, rng, float(rng.uniform(10, 24)), -5.0, 0.0)


def _lid(rng: np.random.Generator) -> Mesh:
    """Return a round cap over the whole face, on a body: a coupler with its dust cover on."""
    radius = float(rng.uniform(23, 31))
    colour = _shade(rng)
    lid = [
        (radius, -34),
        (radius, -1.5),
        (radius - 1.5, 0),
        (radius * 0.5, 0.4),
        (radius * 0.48, -0.4),
        (0.1, -0.4),
    ]
    parts = [_turned(lid, 0, 0, colour, 0.4)]
    style = body.draw_body(rng, _shade(rng), 0.5)
    parts.append(body.body(TYPE1, body.draw_nose(rng, TYPE1, colour, colour, 0.5), style))
    return merged(parts)


def draw_other(rng: np.random.Generator) -> tuple[Mesh, str, tuple[float, float], float]:
    """Return a mesh, a word for it, the tilt (radians) it is seen at and its size (mm)."""
    what = str(rng.choice(WHATS))
    way, size = float(rng.uniform(0, 6.3)), float(rng.uniform(0, 0.5))
    tilt = (float(size * np.cos(way)), float(size * np.sin(way)))
    if what in ("back", "side"):
        mesh = build(rng, TYPE1 if rng.random() < 0.5 else TYPE2).mesh
        turn = (
            float(rng.uniform(2.3, 4.0))
            if what == "back"
            else float(rng.choice([-1, 1]) * rng.uniform(1.75, 2.2))
        )
        return mesh.moved(_spun(mesh.points - [0, 0, -45.0], turn)), what, tilt, 90.0
    makers = {
        "inlet": _inlet,
        "wall_socket": _wall_socket,
        "plug": _plug,
        "pipes": _pipes,
        "hand": _hand,
        "tool": _tool,
        "cap": _lid,
    }
    if what == "nothing":
        mesh = plain(*box((400, -900, -600), (402, -898, -598)), (0.1, 0.1, 0.1))
    else:
        mesh = makers[what](rng)
    dirt = np.clip(1 + 0.15 * rough_noise(mesh.points, 9.0, int(rng.integers(1 << 30))), 0.3, 2)
    return mesh.painted(mesh.colour * dirt[:, None]), what, tilt, 60.0


def _spun(points: Array, turn: float) -> Array:
    """Return points turned about the vertical by ``turn`` radians."""
    cos, sin = np.cos(turn), np.sin(turn)
    return np.stack(
        [points[:, 0] * cos + points[:, 2] * sin, points[:, 1], points[:, 2] * cos - points[:, 0] * sin], 1
    )


def camera_at(
    rng: np.random.Generator, tilt: tuple[float, float], span: float, scale: float, pitch: float
) -> Camera:
    """Return a phone that looks at the thing at the origin."""
    roll, fill = float(rng.normal(0, 0.3)), float(rng.uniform(0.35, 0.85))
    return aimed(rng, np.zeros(3), span, tilt, roll, scale, pitch, fill)
