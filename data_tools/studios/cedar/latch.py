"""The latch of a Type 1 coupler as a voxel solid: arm, hook, ribs, windows; and how it tears."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.cedar.meshes import Array, rotation
from data_tools.studios.cedar.voxels import Grid, Noise, rounded_box

WAYS = ("flush", "stub", "stub", "stub", "hook", "hook", "half", "twisted", "pulled", "bent", "pushed")


@dataclass(frozen=True)
class Latch:
    """Shape of one lever; mm, y up from the face centre, z towards the viewer."""

    width: float
    height: float
    thickness: float
    front: float
    rear: float
    slope: float
    hook_down: bool
    hook_drop: float
    hook_length: float
    hook_slant: float
    head: float
    windows: int
    ribs: int
    groove: bool
    round_tip: float
    radius: float
    offset: float


def draw_latch(rng: np.random.Generator) -> Latch:
    """Draw a lever within the latch zone."""
    thickness = float(rng.uniform(2.4, 5.5))
    height = float(rng.uniform(25.5, 31.0))
    room = height - thickness / 2 - 22.6
    down = bool(rng.random() < 0.65)
    return Latch(
        width=float(rng.uniform(6, 18)),
        height=height,
        thickness=thickness,
        front=float(rng.uniform(-5, 5)),
        rear=-float(rng.uniform(34, 46)),
        slope=float(rng.uniform(-0.08, 0.1)),
        hook_down=down,
        hook_drop=float(min(rng.uniform(1.2, 4.5), max(room, 0.8)) if down else rng.uniform(1.2, 4.0)),
        hook_length=float(rng.uniform(2.5, 8)),
        hook_slant=float(rng.uniform(0.0, 1.2)),
        head=float(rng.choice([0.0, 0.0, 1.5, 3.0])),
        windows=int(rng.choice([0, 0, 0, 1, 2])),
        ribs=int(rng.choice([0, 0, 2, 3, 5])),
        groove=bool(rng.random() < 0.25),
        round_tip=float(rng.choice([0.0, 0.0, 2.0, 4.0])),
        radius=float(rng.uniform(0.3, 1.1)),
        offset=float(rng.normal(0, 0.25)),
    )


def _solid(latch: Latch, points: Array) -> Array:
    """Return the distance to the whole lever."""
    p = points.copy()
    p[..., 0] -= latch.offset
    p[..., 1] -= latch.height + latch.slope * (p[..., 2] + 10)
    x, y, z = p[..., 0], p[..., 1], p[..., 2]
    length = latch.front - latch.rear
    middle = (latch.front + latch.rear) / 2
    half = (latch.width / 2, latch.thickness / 2, length / 2)
    arm = rounded_box(p, (0, 0, middle), half, latch.radius)
    if latch.round_tip:
        corner = (
            np.abs(x)
            - latch.width / 2
            + np.clip(z - latch.front + latch.round_tip, 0, None) ** 2 / (latch.round_tip * 1.4)
        )
        arm = np.maximum(arm, corner)
    sign = -1.0 if latch.hook_down else 1.0
    reach = latch.thickness / 2 + latch.hook_drop
    hook = rounded_box(
        p,
        (0, sign * reach / 2, latch.front - latch.hook_length / 2),
        (latch.width / 2 + latch.head, reach / 2, latch.hook_length / 2),
        latch.radius,
    )
    lean = sign * y - reach + latch.hook_slant * np.clip(z - latch.front + latch.hook_length * 0.6, 0, None)
    solid = np.minimum(arm, np.maximum(hook, lean * 0.7))
    for i in range(latch.windows):
        at = latch.front - latch.hook_length - 3 - 7 * i
        solid = np.maximum(solid, -rounded_box(p, (0, 0, at), (latch.width * 0.26, 9, 2.2), 0.5))
    for i in range(latch.ribs):
        at = latch.width * ((i + 0.5) / latch.ribs - 0.5)
        rib = rounded_box(
            np.stack([x - at, y, z], -1), (0, latch.thickness / 2, middle + 6), (0.55, 0.8, 16), 0.2
        )
        solid = np.minimum(solid, rib)
    if latch.groove:
        solid = np.maximum(
            solid, -rounded_box(p, (0, latch.thickness / 2, latch.front), (latch.width * 0.2, 1, 12), 0.3)
        )
    return np.asarray(solid, np.float32)


def _grid(latch: Latch) -> Grid:
    reach = max(latch.width / 2 + latch.head, 4) + 7
    return Grid((-reach, 21.3, latch.rear - 1), (reach, 41.0, latch.front + 2), (0.5, 0.42, 0.6))


def whole(latch: Latch) -> Grid:
    """Return the undamaged lever as voxels."""
    grid = _grid(latch)
    grid.value = _solid(latch, grid.points(grid.window((-99, -99, -99), (99, 99, 99))))
    return grid


def _warped(latch: Latch, points: Array, way: str, rng: np.random.Generator) -> Array:
    """Return where each point came from, for levers that are twisted, bent aside or pushed down."""
    p = points.copy()
    pivot = float(rng.uniform(-30, -16))
    beyond = np.clip(points[..., 2] - pivot, 0, None)
    if way == "twisted":
        angle = float(rng.choice([-1, 1]) * rng.uniform(0.5, 1.2))
        turn = rotation((0, 0, 1.0), angle)
        centre = np.array([latch.offset, latch.height, 0], np.float32)
        turned = (points - centre) @ turn + centre
        share = np.clip(beyond / 8, 0, 1)[..., None]
        p = (points * (1 - share) + turned * share).astype(np.float32)
    elif way == "bent":
        p[..., 0] -= rng.choice([-1, 1]) * rng.uniform(0.3, 0.55) * beyond**1.15 / 1.6
    else:
        p[..., 1] -= rng.uniform(0.3, 0.6) * beyond * rng.choice([1.0, 1.0, -0.35])
    return p


def torn(latch: Latch, way: str, root: float, rng: np.random.Generator) -> tuple[Grid, Array, float]:
    """Return the damaged lever, the distance to its torn face (grid shape, mm) and the severity.

    ``root``: z where the lever leaves the body (mm).
    """
    grid = _grid(latch)
    points = grid.points(grid.window((-99, -99, -99), (99, 99, 99)))
    noise = Noise(rng)
    source = _warped(latch, points, way, rng) if way in ("twisted", "bent", "pushed") else points
    solid = _solid(latch, source)
    rough = float(rng.choice([0.15, 0.8, 1.8]))
    z = (
        points[..., 2]
        + rough * noise.rough(points, 2.2)
        + rng.uniform(-0.5, 0.5) * points[..., 0]
        + rng.uniform(-0.6, 0.6) * (points[..., 1] - latch.height)
    )
    tip = latch.front - latch.hook_length
    severity = 0.7
    if way == "flush":
        cut, severity = z - (root + rng.uniform(-1, 2.0)), 1.0
    elif way == "stub":
        cut = z - rng.uniform(min(root + 3, tip - 4), tip - 3)
    elif way == "hook":
        cut, severity = z - rng.uniform(tip - 2.5, tip + 0.3), 0.4
    elif way == "half":
        side = float(rng.choice([-1, 1]))
        split = side * points[..., 0] + rough * 0.6 * noise.rough(points, 2.2) - rng.uniform(-1.0, 1.0)
        cut, severity = np.minimum(split, z - rng.uniform(tip - 14, tip - 3)), 0.5
    elif way == "twisted":
        cut = z - rng.uniform(-13, tip + 1)
    elif way == "pulled":
        cut, severity = np.full_like(z, 9.0), 1.0
    else:
        cut = z - (99.0 if rng.random() < 0.5 else rng.uniform(tip - 1, latch.front))
        severity = 0.8
    grid.value = np.maximum(solid, cut).astype(np.float32)
    return grid, np.abs(cut).astype(np.float32), severity
