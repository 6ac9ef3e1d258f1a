"""Hands and gloves: fingers as chains of capsules fused in a distance field, forearms as tubes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.alder.fields import Grid, away, capsule, smooth_min, surface
from data_tools.studios.alder.mesh import IN_FRONT, Array, Mesh, Rgb, merged, plain, tube
from data_tools.studios.alder.noise import noise, rough_noise

SKINS: tuple[Rgb, ...] = (
    (0.62, 0.36, 0.26),
    (0.55, 0.31, 0.21),
    (0.43, 0.23, 0.15),
    (0.28, 0.14, 0.085),
    (0.12, 0.06, 0.04),
)
GLOVES: tuple[Rgb, ...] = (
    (0.015, 0.015, 0.017),
    (0.03, 0.12, 0.4),
    (0.25, 0.25, 0.24),
    (0.6, 0.4, 0.12),
    (0.7, 0.16, 0.02),
    (0.35, 0.5, 0.03),
    (0.62, 0.6, 0.56),
    (0.1, 0.14, 0.1),
)
CLOTH: tuple[Rgb, ...] = ((0.02, 0.03, 0.07), (0.65, 0.5, 0.02), (0.15, 0.15, 0.16), (0.7, 0.15, 0.02))


@dataclass(frozen=True)
class Hand:
    """The look of a hand: ``thick`` scales the fingers; ``bare`` or gloved."""

    bare: bool
    colour: Rgb
    cloth: Rgb
    thick: float
    knit: float
    seed: int


def draw_hand(rng: np.random.Generator) -> Hand:
    """Draw a bare hand or a glove."""
    bare = bool(rng.random() < 0.5)
    shades = SKINS if bare else GLOVES
    return Hand(
        bare=bare,
        colour=shades[int(rng.integers(len(shades)))],
        cloth=CLOTH[int(rng.integers(len(CLOTH)))],
        thick=float(rng.uniform(0.85, 1.12)) * (1.0 if bare else 1.14),
        knit=0.0 if bare else float(rng.choice([0.0, 0.05, 0.1])),
        seed=int(rng.integers(1 << 30)),
    )


def finger(hand: Hand, joints: Array, radii: Array, back: Array) -> Mesh:
    """Return one finger through Kx3 ``joints`` (root to tip, mm); ``back`` is where the nail faces."""
    radii = np.asarray(radii, float) * hand.thick
    reach = radii.max() + 3
    grid = Grid.over(joints.min(0) - reach, joints.max(0) + reach, 1.25)
    field = None
    for a, b, ra, rb in zip(joints[:-1], joints[1:], radii[:-1], radii[1:], strict=True):
        bone = capsule(grid.points, a, b, float(ra), float(rb))
        field = bone if field is None else smooth_min(field, bone, 3.0)
    assert field is not None
    field = field + 0.18 * noise(grid.points, 7.0, hand.seed)
    for joint in joints[1:-1]:  # creases over the joints
        near = np.exp(-(away(grid.points, joint + back * radii.mean()) ** 2) / 18)
        field = field + near * 0.3 * np.sin(away(grid.points, joints[0]) * 2.6)
    if hand.knit:
        field = field + hand.knit * rough_noise(grid.points, 2.2, hand.seed + 2, 2)
    points, faces = surface(grid, field)
    return _skin(plain(points, faces, hand.colour, 0.5, place=IN_FRONT), hand, joints, radii, back)


def _skin(mesh: Mesh, hand: Hand, joints: Array, radii: Array, back: Array) -> Mesh:
    p = mesh.points
    blotch = rough_noise(p, 9.0, hand.seed + 5)[:, None]
    colour = mesh.colour * (1 + 0.08 * blotch)
    rough = np.full(len(p), 0.48 if hand.bare else (0.75 if hand.knit else 0.35))
    if not hand.bare:
        return mesh.painted(colour, rough)
    heading = joints[-1] - joints[-2]
    heading = heading / np.linalg.norm(heading)
    nail = joints[-1] + back * radii[-1] * 0.9 + heading * radii[-1] * 0.25
    side = np.cross(heading, back)
    local = p - nail
    inside = np.maximum(np.abs(local @ heading) / 6.0, np.abs(local @ side) / (radii[-1] * 0.72))
    on = (inside < 1) & (np.abs(local @ back) < 4.0)
    pale = np.array(hand.colour) * 0.75 + np.array([0.22, 0.14, 0.12])
    colour = np.where(on[:, None], pale, colour)
    colour = np.where(
        ((inside >= 1) & (inside < 1.18) & (np.abs(local @ back) < 4))[:, None], colour * 0.6, colour
    )
    tip = np.exp(-(np.linalg.norm(p - joints[-1], axis=1) ** 2) / 120)[:, None]
    colour = colour * (1 + tip * np.array([0.12, -0.05, -0.06]))
    return mesh.painted(colour, np.where(on, 0.22, rough))


def forearm(hand: Hand, start: Array, heading: Array) -> Mesh:
    """Return the back of the hand, the wrist and a cuff from ``start`` (mm) along ``heading``."""
    t = np.linspace(0, 1, 40)
    path = start + np.outer(t * 230, heading / np.linalg.norm(heading))
    radius = 30 - 9 * np.exp(-((t - 0.35) ** 2) / 0.02) + 8 * t
    radius = radius * np.sqrt(np.clip(t * 12, 0.02, 1))
    points, faces = tube(path, radius, 40)
    mesh = plain(points, faces, hand.colour, 0.55, place=IN_FRONT)
    along = np.repeat(t, 40)[:, None]
    grain = 1 + 0.1 * rough_noise(points, 8, hand.seed)[:, None]
    return mesh.painted(np.where(along > 0.42, np.array(hand.cloth), mesh.colour) * grain)


def gripping(hand: Hand, rng: np.random.Generator, half: float, z: float, centre_y: float) -> Mesh:
    """Return a hand around the body whose half width is ``half`` mm at ``z`` mm."""
    start = float(rng.uniform(-0.6, 0.6)) + float(rng.choice([0, np.pi]))
    sense = 1.0 if rng.random() < 0.5 else -1.0
    sweep = sense * float(rng.uniform(1.6, 2.4))
    parts = []
    for k in range(4):
        turn = start + np.linspace(0, sweep * (1 - 0.07 * abs(k - 1)), 5)
        away = half + 8.5 * hand.thick - np.array([0, 0, 0.5, 1, 2.0])
        joints = np.stack([away * np.cos(turn), centre_y + away * np.sin(turn), np.full(5, z - 18.0 * k)], 1)
        back = joints[-1] - [0, centre_y, joints[-1][2]]
        parts.append(finger(hand, joints, np.array([9.5, 9.2, 8.8, 8.2, 7.4]), back / np.linalg.norm(back)))
    root = np.array([(half + 14) * np.cos(start), centre_y + (half + 14) * np.sin(start), z - 30])
    heading = np.array([np.cos(start) * 0.8, -0.7, -0.6])
    return merged([*parts, forearm(hand, root - heading * 8, heading)])


def pinching(hand: Hand, rng: np.random.Generator, half: float, rim: float, centre_y: float) -> Mesh:
    """Return finger tips laid along the outside of the nose from behind, a thumb opposite."""
    side = float(rng.choice([0.0, np.pi])) + float(rng.uniform(-0.5, 0.5))
    turns = [side + 0.42 * k for k in range(-1, int(rng.integers(1, 3)))] + [side + np.pi]
    parts = []
    for k, turn in enumerate(turns):
        out = np.array([np.cos(turn), np.sin(turn), 0.0])
        size = 9.6 if k == len(turns) - 1 else 7.8
        centre = np.array([0, centre_y, 0])
        tip = centre + out * (half + size * hand.thick * 0.9) + [0, 0, rim - float(rng.uniform(3, 14))]
        joints = np.stack(
            [
                tip + out * 30 - [0, 0, 75],
                tip + out * 14 - [0, 0, 42],
                tip + out * 3 - [0, 0, 20],
                tip,
            ]
        )
        parts.append(finger(hand, joints, np.array([1.25, 1.15, 1.08, 0.92]) * size, out))
    return merged(parts)


def covering(hand: Hand, rng: np.random.Generator, half: float, centre: tuple[float, float]) -> Mesh:
    """Return one or two fingers that reach over a part of the face from outside."""
    turn = float(rng.uniform(-np.pi, np.pi))
    out = np.array([np.cos(turn), np.sin(turn), 0.0])
    side = np.array([-out[1], out[0], 0.0])
    middle = np.array([*centre, 0.0])
    parts = []
    for k in range(int(rng.integers(1, 3))):
        depth = half - float(rng.uniform(2, 22)) + 3 * k
        tip = middle + out * depth + side * (k * 17.5 + float(rng.normal(0, 4))) + [0, 0, 14.0]
        joints = np.stack(
            [
                tip + out * 85 + [0, 0, 2],
                tip + out * 48 + [0, 0, 14],
                tip + out * 22 + [0, 0, 8],
                tip,
            ]
        )
        parts.append(finger(hand, joints, np.array([10.0, 9.2, 8.4, 7.3]), np.array([0, 0, 1.0])))
    return merged(parts)
