"""Hands and gloves: fingers of capsules melted together on a coarse voxel grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.cedar.meshes import COVER, Array, Mesh, mesh, normals
from data_tools.studios.cedar.voxels import Grid, Noise, capsule, smooth_union

SKIN = ((0.55, 0.32, 0.22), (0.62, 0.39, 0.29), (0.42, 0.23, 0.14), (0.24, 0.12, 0.07), (0.10, 0.05, 0.03))
GLOVES = (
    (0.03, 0.03, 0.035),
    (0.55, 0.25, 0.05),
    (0.75, 0.62, 0.12),
    (0.30, 0.19, 0.09),
    (0.10, 0.16, 0.32),
    (0.45, 0.45, 0.43),
    (0.62, 0.05, 0.04),
    (0.06, 0.18, 0.08),
)


@dataclass(frozen=True)
class Finger:
    """A chain of joints (K x 3 mm) with radii (mm); ``front``: the way its nail looks, or None."""

    joints: Array
    radii: Array
    front: Array | None = None


@dataclass(frozen=True)
class Skin:
    """What the hand wears: colours, how much thicker, how wrinkled (mm)."""

    colour: tuple[float, float, float]
    palm: tuple[float, float, float]
    thicker: float
    wrinkle: float
    rough: float
    glove: bool


def draw_skin(rng: np.random.Generator) -> Skin:
    """Draw a bare hand or a glove."""
    if rng.random() < 0.5:
        tone = tuple(float(c * rng.uniform(0.85, 1.15)) for c in SKIN[int(rng.integers(len(SKIN)))])
        return Skin(tone, tone, 0.0, 0.25, 0.5, False)  # type: ignore[arg-type]
    outer, inner = (GLOVES[int(rng.integers(len(GLOVES)))] for _ in range(2))
    return Skin(
        outer,
        inner if rng.random() < 0.6 else outer,
        float(rng.uniform(1.0, 3.2)),
        float(rng.uniform(0.4, 1.1)),
        float(rng.uniform(0.45, 0.95)),
        True,
    )


def _body(fingers: list[Finger], skin: Skin, noise: Noise) -> Grid:
    everything = np.concatenate([f.joints for f in fingers])
    reach = max(float(f.radii.max()) for f in fingers) + skin.thicker + 3
    low, high = everything.min(0) - reach, everything.max(0) + reach
    step = float(max(1.15, (np.prod(high - low) / 420_000) ** (1 / 3)))
    grid = Grid(tuple(low), tuple(high), (step, step, step))
    for finger in fingers:
        chain = None
        lows, highs = finger.joints.min(0) - reach, finger.joints.max(0) + reach
        window = grid.window(tuple(lows), tuple(highs))
        points = grid.points(window)
        for i in range(len(finger.joints) - 1):
            part = capsule(
                points,
                finger.joints[i],
                finger.joints[i + 1],
                float(finger.radii[i]) + skin.thicker,
                float(finger.radii[i + 1]) + skin.thicker,
            )
            chain = part if chain is None else smooth_union(chain, part, 2.0)
        assert chain is not None
        chain += skin.wrinkle * noise.rough(points * [1, 1, 1], 5.0 if skin.glove else 7.0) * 0.7
        if skin.glove:
            chain += 0.3 * skin.wrinkle * noise.at(points, 2.4)
        grid.value[window] = smooth_union(grid.value[window], chain.astype(np.float32), 2.2)
    return grid


def _nails(part: Mesh, fingers: list[Finger], skin: Skin) -> None:
    """Paint finger tips and nails."""
    for finger in fingers:
        tip, before = finger.joints[-1], finger.joints[-2]
        way = (tip - before) / max(float(np.linalg.norm(tip - before)), 1e-6)
        local = part.vertices - tip
        near = np.exp(-((np.linalg.norm(local, axis=1) / 11.0) ** 2))[:, None]
        part.colour *= 1 - near * np.array([0.02, 0.14, 0.12], np.float32)
        if finger.front is None:
            continue
        radius = float(finger.radii[-1])
        out = local @ finger.front
        along = local @ way
        across = local @ np.cross(way, finger.front)
        nail = (out > radius * 0.55) & (
            np.hypot(across / (radius * 0.72), (along - radius * 0.2) / (radius * 0.85)) < 1
        )
        pale = np.array(skin.colour, np.float32) * 0.75 + np.array([0.28, 0.2, 0.18], np.float32)
        part.colour[nail] = np.where((along[nail] > radius * 0.8)[:, None], pale + 0.12, pale)
        part.rough[nail] = 0.22


def hand(fingers: list[Finger], skin: Skin, rng: np.random.Generator) -> Mesh:
    """Return one hand of these fingers (the palm is a fat finger)."""
    noise = Noise(rng)
    vertices, faces = _body(fingers, skin, noise).surface()
    part = mesh(vertices, faces, skin.colour, skin.rough, COVER)
    if skin.glove:
        inside = normals(vertices, faces)[:, 2] + 0.3 * noise.at(vertices, 9.0) > 0.25
        part.colour[inside] = skin.palm
        part.colour *= (1 + 0.35 * noise.rough(vertices, 6.0))[:, None].clip(0.4, 1.5)
    else:
        part.colour *= (1 + 0.13 * noise.rough(vertices, 5.0))[:, None]
        _nails(part, fingers, skin)
    part.colour = part.colour.clip(0.005, 0.9).astype(np.float32)
    return part


def _arc(centre: Array, half: Array, angles: Array, z: Array) -> Array:
    x = centre[0] + half[0] * np.cos(angles)
    y = centre[1] + half[1] * np.sin(angles)
    return np.stack([x, y, z], 1).astype(np.float32)


def holding(rng: np.random.Generator, centre: Array, half: Array, front: float) -> list[Finger]:
    """Return a hand closed round the body: ``half`` axes (mm) of the body, ``front`` z of its flange."""
    side = float(rng.choice([0, np.pi])) + float(rng.normal(-0.25, 0.4)) * 0.7
    handed = float(rng.choice([-1, 1]))
    thick = float(rng.uniform(7.6, 9.6))
    z0 = front - float(rng.uniform(2, 26))
    fingers = []
    for i in range(4):
        span = np.linspace(0, handed * rng.uniform(1.7, 2.5), 6)
        z = z0 - i * thick * 2.15 + np.linspace(0, rng.uniform(-4, 4), 6)
        radii = thick * np.linspace(1.0, 0.86, 6)
        joints = _arc(centre, half + thick, side + span, z)
        fingers.append(Finger(joints, radii.astype(np.float32)))
    thumb = side - handed * np.linspace(0.0, rng.uniform(0.9, 1.5), 5)
    z = z0 - 18 + np.linspace(-10, rng.uniform(4, 16), 5)
    fingers.append(
        Finger(
            _arc(centre, half + thick + 1, thumb, z), (thick * np.linspace(1.5, 1.05, 5)).astype(np.float32)
        )
    )
    palm = _arc(centre, half + 15, side + np.array([-0.2, 0.1]) * handed, np.array([z0 - 8, z0 - 62]))
    arm = palm[1] + np.array([np.cos(side) * 60, np.sin(side) * 60 - 60, -90])
    fingers.append(Finger(np.stack([*palm, arm]).astype(np.float32), np.array([15, 22, 32], np.float32)))
    return fingers


def pointing(rng: np.random.Generator, tip: Array, count: int) -> list[Finger]:
    """Return ``count`` fingers that reach from the side over the face and end at ``tip`` (mm)."""
    angle = float(rng.choice([rng.uniform(-2.6, -0.5), rng.uniform(0, 2 * np.pi)]))
    way = np.array([np.cos(angle), np.sin(angle), 0.0])
    across = np.array([-way[1], way[0], 0.0])
    fingers = []
    for i in range(count):
        thick = float(rng.uniform(6.6, 8.4))
        lift = thick + rng.uniform(-0.5, 2.5)
        reach = np.array([0.0, 24, 50, 92])
        rise = np.array([0.0, 7, 9, -4]) + rng.normal(0, 1.5, 4)
        start = (
            np.array([tip[0], tip[1], tip[2] + lift])
            + across * i * thick * 2.1
            + way * rng.uniform(-2, 6) * i
        )
        joints = start + reach[::-1, None] * way + rise[::-1, None] * np.array([0, 0, 1.0])
        fingers.append(
            Finger(
                joints.astype(np.float32),
                (thick * np.array([1.15, 1.1, 1.0, 0.9])).astype(np.float32),
                np.array([0, 0, 1.0], np.float32),
            )
        )
    return fingers
