"""Fingers, hands, cuffs and stray cables: what holds the coupler or hides a part of its face."""

from __future__ import annotations

import numpy as np

from data_tools.studios.birch.meshes import OCCLUDER, Floats, Look, Mesh, ball, bezier, loft, merge, waves

_SKINS = (
    (0.62, 0.40, 0.30),
    (0.55, 0.33, 0.23),
    (0.42, 0.24, 0.15),
    (0.28, 0.14, 0.08),
    (0.15, 0.075, 0.045),
    (0.08, 0.042, 0.028),
)
_CLOTHS = (
    (0.02, 0.025, 0.05),
    (0.012, 0.012, 0.013),
    (0.35, 0.05, 0.03),
    (0.8, 0.35, 0.02),
    (0.55, 0.75, 0.05),
    (0.25, 0.26, 0.27),
    (0.04, 0.09, 0.04),
    (0.3, 0.2, 0.1),
    (0.6, 0.58, 0.52),
)


def draw_hand_look(rng: np.random.Generator) -> tuple[Look, Look, bool]:
    """Draw the looks of hand and sleeve, and whether the hand wears a glove."""
    cloth = _cloth(rng)
    if rng.uniform() < 0.22:
        return _cloth(rng), cloth, True
    tone = np.array(_SKINS[rng.integers(len(_SKINS))]) * rng.uniform(0.85, 1.12)
    red = tone * [1.05, 0.8, 0.75]
    rgb = float(tone[0]), float(tone[1]), float(tone[2])
    return (
        Look(rgb, (float(red[0]), float(red[1]), float(red[2])), float(rng.uniform(0.4, 0.6))),
        cloth,
        False,
    )


def _cloth(rng: np.random.Generator) -> Look:
    tone = np.array(_CLOTHS[rng.integers(len(_CLOTHS))]) * rng.uniform(0.7, 1.2)
    rgb = float(tone[0]), float(tone[1]), float(tone[2])
    return Look(rgb, (rgb[0] * 1.2, rgb[1] * 1.2, rgb[2] * 1.2), 0.9)


def finger(
    rng: np.random.Generator, path: Floats, thick: float, look: Look, nail_up: Floats, glove: bool
) -> Mesh:
    """Return a finger along ``path`` (K x 3 Bezier knots, base to tip); ``thick`` is its radius in mm and
    ``nail_up`` the direction its nail looks."""
    spine = bezier(path, 64)
    share = np.linspace(0, 1, 64)
    radius = thick * (1.08 - 0.2 * share)
    for joint in (0.42, 0.72):
        radius += thick * 0.09 * np.exp(-(((share - joint) / 0.07) ** 2))
    radius *= np.sqrt(np.clip(1 - (np.clip(share - 0.9, 0, 1) / 0.1005) ** 2, 0.001, 1))
    if glove:
        radius *= 1.18 + 0.05 * np.sin(share * rng.uniform(30, 60))
    half = np.stack([radius, radius * 0.92], -1)
    side = np.cross(spine[-1] - spine[0], nail_up)
    mesh = loft(spine, half, look, OCCLUDER, around=28, side=(float(side[0]), float(side[1]), float(side[2])))
    noise = waves(rng, 6.0)(mesh.points) * 0.08 + waves(rng, 1.2)(mesh.points) * 0.05
    tint = mesh.colour * (1 + noise[:, None])
    along = np.clip(
        ((mesh.points - spine[0]) @ (spine[-1] - spine[0])) / np.sum((spine[-1] - spine[0]) ** 2), 0, 1
    )
    if not glove:
        crease = sum(np.exp(-(((along - j) / 0.012) ** 2)) for j in (0.40, 0.43, 0.71, 0.735))
        tint = tint * (1 - 0.25 * np.asarray(crease)[:, None])
        tint = tint * (1 + (along > 0.85)[:, None] * np.array([0.06, -0.08, -0.08]))
    mesh = mesh.painted(np.clip(tint, 0.004, 0.9))
    if glove:
        return mesh
    return merge([mesh, _nail(spine, thick, look, nail_up)])


def _nail(spine: Floats, thick: float, look: Look, up: Floats) -> Mesh:
    ahead = spine[-1] - spine[-12]
    ahead = ahead / np.linalg.norm(ahead)
    normal = up - ahead * (up @ ahead)
    normal = normal / (np.linalg.norm(normal) + 1e-9)
    across = np.cross(ahead, normal)
    tone = np.clip(np.array(look.colour) * [1.05, 1.0, 1.0] + [0.1, 0.05, 0.05], 0, 0.8)
    rgb = (float(tone[0]), float(tone[1]), float(tone[2]))
    spot = spine[-9] + normal * thick * 0.62
    return ball(
        spot,
        np.array([ahead * thick * 0.78, across * thick * 0.6, normal * thick * 0.22]),
        Look(rgb, rgb, 0.25),
        OCCLUDER,
    )


def pointing(
    rng: np.random.Generator, tip: Floats, look: Look, glove: bool, cloth: Look, come_from: float
) -> list[Mesh]:
    """Return a finger (or two) with its tip at ``tip``, coming in from the direction ``come_from`` (rad)."""
    out = np.array([np.cos(come_from), np.sin(come_from), 0.0])
    parts = []
    for number in range(int(rng.choice([1, 1, 2]))):
        beside = np.array([-out[1], out[0], 0.0]) * number * 17
        end = tip + beside + out * number * rng.uniform(-6, 14)
        lift = np.array([0, 0, rng.uniform(8, 24)])
        base = end + out * rng.uniform(70, 95) + lift * rng.uniform(-0.4, 1)
        path = np.array([base, end + out * 45 + lift * 1.2, end + out * 18 + lift * 0.7, end])
        up = np.array([0, 0, 1.0]) + 0.4 * rng.normal(size=3)
        parts.append(finger(rng, path, rng.uniform(6.8, 9), look, up, glove))
    palm = tip + out * 112 + np.array([0, 0, 4.0])
    parts.append(
        ball(palm, np.array([out * 36, [-out[1] * 34, out[0] * 34, 0], [0, 0, 15.0]]), look, OCCLUDER)
    )
    parts.append(_cuff(rng, palm + out * 30, out, cloth))
    return parts


def _cuff(rng: np.random.Generator, start: Floats, way: Floats, cloth: Look) -> Mesh:
    share = np.linspace(0, 1, 50)[:, None]
    spine = start + way * share * 260 + np.array([0, 0, -30.0]) * share**2
    fold = 1 + 0.05 * np.sin(share[:, 0] * rng.uniform(40, 90)) + 0.03 * np.sin(share[:, 0] * 171)
    half = np.stack([(33 + 14 * share[:, 0]) * fold, (26 + 14 * share[:, 0]) * fold], -1)
    return loft(spine, half, cloth, OCCLUDER, around=36)


def holding(
    rng: np.random.Generator, radius: float, centre: Floats, look: Look, glove: bool, cloth: Look
) -> list[Mesh]:
    """Return a hand round the body behind the nose: four fingers, thumb, palm, cuff. ``radius`` and
    ``centre`` (mm) are the body's."""
    start = (
        rng.uniform(0, 2 * np.pi)
        if rng.uniform() < 0.3
        else rng.choice([-0.5, np.pi + 0.5]) + rng.normal(0, 0.4)
    )
    turn = rng.choice([-1, 1])
    first = -rng.uniform(20, 60)
    parts = []
    for number in range(4):
        reach = rng.uniform(2.3, 3.0)
        angle = start + turn * np.array([0.4, reach * 0.45, reach * 0.8, reach])
        out = radius + np.array([9.0, 16, 14, 5]) + rng.uniform(-1, 2)
        z = first - number * 17 + np.array([-6.0, 0, 2, 3]) + rng.normal(0, 2)
        path = np.column_stack([centre[0] + out * np.cos(angle), centre[1] + out * np.sin(angle), z])
        tip = angle[2]
        up = np.array([np.cos(tip), np.sin(tip), 0.2])
        parts.append(finger(rng, path, 8.6 - 0.5 * number, look, up, glove))
    angle = start - turn * np.array([-0.2, 0.4, 0.9, 1.25])
    out = radius + np.array([12.0, 16, 14, 7])
    z = first - np.array([35.0, 18, 4, -4])
    path = np.column_stack([centre[0] + out * np.cos(angle), centre[1] + out * np.sin(angle), z])
    up = np.array([np.cos(angle[-1]), np.sin(angle[-1]), 0.4])
    parts.append(finger(rng, path, 9.8, look, up, glove))
    away = np.array([np.cos(start), np.sin(start), -0.25])
    side = np.array([-np.sin(start), np.cos(start), 0])
    palm = np.array([*centre[:2], first - 32]) + away * (radius + 12)
    parts.append(ball(palm, np.array([away * 22, side * 30, [0, 0, 40.0]]), look, OCCLUDER))
    parts.append(_cuff(rng, palm + away * 55 + [0, 0, -15], away, cloth))
    parts.append(loft(np.linspace(palm, palm + away * 90, 12), np.full((12, 2), 25.0), look, OCCLUDER))
    return parts


def stray_cable(rng: np.random.Generator, extent: float, look: Look) -> Mesh:
    """Return a cable that hangs across a corner of the view in front of the face."""
    turn = rng.uniform(0, 2 * np.pi)
    out = np.array([np.cos(turn), np.sin(turn), 0.0])
    side = np.array([-out[1], out[0], 0.0])
    off = out * extent * rng.uniform(0.3, 0.6) + np.array([0, 0, rng.uniform(10, 35)])
    knots = np.array(
        [off - side * 250, off - side * 60 - out * 8, off + side * 60 + out * 12, off + side * 250]
    )
    return loft(bezier(knots, 60), np.full((60, 2), rng.uniform(4, 10)), look, OCCLUDER, around=20)
