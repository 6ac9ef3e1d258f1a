"""Type 1 latches: lever and hook as one extruded section along a bent spine, and how they break."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.birch.looks import darker
from data_tools.studios.birch.meshes import (
    LATCH,
    SHELL,
    Floats,
    Look,
    Mesh,
    ball,
    end_cap,
    grid,
    merge,
    smooth,
    turned,
    waves,
)

HOW = ("flush", "empty", "halfway", "hook_gone", "split", "twisted", "pushed")
_ODDS = (0.17, 0.20, 0.22, 0.13, 0.09, 0.10, 0.09)
SEVERITY = {
    "flush": 1.0,
    "empty": 1.0,
    "halfway": 0.7,
    "hook_gone": 0.4,
    "split": 0.45,
    "twisted": 0.75,
    "pushed": 0.6,
}
RINGS = 110


@dataclass(frozen=True)
class Latch:
    """One latch: spine (R x 3 mm) from the hood to the tip, half width and half thickness along it (R x 2),
    section exponent, where the hook begins (share of the rings), hood as (half width, bottom, top, front z),
    opening (half width, half height) mm."""

    kind: str
    spine: Floats
    half: Floats
    square: float
    hook: float
    hood: tuple[float, float, float, float]
    opening: tuple[float, float]
    button: bool
    seed: int


@dataclass(frozen=True)
class LatchBreak:
    """One broken latch: how, where along it (0..1), how ragged (mm) and the seed of the tear."""

    how: str
    at: float
    ragged: float
    seed: int


def draw_latch(rng: np.random.Generator, depth: float) -> Latch:
    """Draw a latch above a nose of ``depth`` mm."""
    kind = str(rng.choice(["down", "up", "barb", "tee", "round", "slant", "short"]))
    width, thick = rng.uniform(6, 18), rng.uniform(2.4, 5.0)
    arm = rng.uniform(25.5, 31)
    front = rng.uniform(-5, 3) if kind != "short" else rng.uniform(-9, -4)
    root = np.array([arm + rng.uniform(-1, 3), -depth - 14])
    drop = {
        "down": -rng.uniform(2.0, 5),
        "up": rng.uniform(3, 7),
        "slant": rng.choice([-1, 1]) * rng.uniform(1.5, 3.5),
    }.get(kind, 0.0)
    drop = max(drop, 23.0 + thick / 2 - arm)
    line = np.array([root, [arm, -depth * 0.55], [arm, front], [arm + drop, front + rng.uniform(-0.5, 0.8)]])
    if kind in ("barb", "tee", "round", "short"):
        line = line[:3]
    spine = _rounded(line, float(rng.normal(0, 0.5)))
    share = np.linspace(0, 1, RINGS)
    hook = float(rng.uniform(0.82, 0.9))
    wide = np.full(RINGS, width / 2) * (1 + rng.uniform(-0.15, 0.25) * (1 - share))
    high = np.full(RINGS, thick / 2) * (1 + rng.uniform(0, 0.4) * (1 - share))
    wide, high = _headed(rng, kind, hook, wide, high)
    hood = (width / 2 + rng.uniform(2.5, 7), 17.0, arm + rng.uniform(4, 9), -depth + rng.uniform(-3, 9))
    opening = (width / 2 + rng.uniform(0.8, 1.8), thick / 2 + rng.uniform(0.9, 2.5))
    if rng.uniform() < 0.25:
        opening = (width * 0.42, thick * 0.4)
    half = np.minimum(np.stack([wide, high], -1), [9.4, 6.0])
    square = float(rng.uniform(2.6, 7))
    return Latch(
        kind,
        spine,
        half,
        square,
        hook,
        hood,
        opening,
        bool(rng.uniform() < 0.6),
        int(rng.integers(2**31)),
    )


def _headed(
    rng: np.random.Generator, kind: str, hook: float, wide: Floats, high: Floats
) -> tuple[Floats, Floats]:
    """Return half width and half thickness along the lever with its head and ribs shaped."""
    share = np.linspace(0, 1, RINGS)
    head = smooth(share, hook - 0.03, hook + 0.03)
    if kind == "barb":
        ramp = head * (1 - 0.6 * np.clip((share - hook) / (1 - hook), 0, 1))
        high = high + ramp * rng.uniform(1.2, 2.8)
    if kind == "tee" or rng.uniform() < 0.12:
        wide = wide + head * rng.uniform(1.5, 4)
        high = high + head * rng.uniform(0, 1.2)
    if kind == "round":
        close = np.sqrt(np.clip(1 - ((share - hook) / (1 - hook)).clip(0) ** 2, 0.02, 1))
        wide = wide * close
    if rng.uniform() < 0.35:
        high = high + 0.35 * smooth(np.sin(share * rng.uniform(60, 160)), 0.2, 0.7) * (share < hook)
    return wide, high


def _rounded(line: Floats, x: float) -> Floats:
    from scipy.ndimage import gaussian_filter1d

    along = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    at = np.linspace(0, along[-1], RINGS)
    yz = np.stack([np.interp(at, along, line[:, k]) for k in range(2)], -1)
    yz = gaussian_filter1d(yz, 2.2, axis=0, mode="nearest")
    return np.column_stack([np.full(RINGS, x), yz])


def draw_latch_break(rng: np.random.Generator, latch: Latch) -> LatchBreak:
    """Draw how a latch breaks."""
    how = str(rng.choice(HOW, p=_ODDS))
    mouth = np.interp(
        latch.hood[3], latch.spine[: int(RINGS * 0.9), 2], np.linspace(0, 0.9, int(RINGS * 0.9))
    )
    hood_front = float(np.clip(mouth, 0.05, 0.62))
    at = {
        "flush": hood_front + rng.uniform(-0.1, 0.02),
        "halfway": rng.uniform(hood_front + 0.08, latch.hook - 0.1),
        "hook_gone": latch.hook - rng.uniform(0.0, 0.05),
        "split": latch.hook - rng.uniform(0.02, 0.3),
        "twisted": rng.uniform(hood_front + 0.15, latch.hook),
    }.get(how, 1.0)
    ragged = float(rng.choice([rng.uniform(0.05, 0.25), rng.uniform(0.4, 1.2), rng.uniform(1.2, 3.0)]))
    return LatchBreak(how, float(np.clip(at, 0.05, 1)), ragged, int(rng.integers(2**31)))


def _sections(latch: Latch, twist: Floats) -> Floats:
    """Return the rings R x A x 3 of the arm."""
    angle = np.linspace(0, 2 * np.pi, 44, endpoint=False)[None, :]
    power = 2 / latch.square
    c, s = np.cos(angle), np.sin(angle)
    x = latch.half[:, :1] * np.sign(c) * np.abs(c) ** power
    y = latch.half[:, 1:] * np.sign(s) * np.abs(s) ** power
    turn = twist[:, None]
    x, y = x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn)
    tangent = np.gradient(latch.spine, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    across = np.cross(tangent, [1.0, 0, 0])
    return np.asarray(
        latch.spine[:, None] + x[..., None] * np.array([1.0, 0, 0]) + y[..., None] * across[:, None]
    )


def _cut(rings: Floats, at: Floats) -> Floats:
    """Return rings whose columns end at ring number ``at`` (A)."""
    row = np.minimum(np.arange(len(rings))[:, None], at[None, :])
    low = np.clip(row.astype(int), 0, len(rings) - 2)
    part = (row - low)[..., None]
    column = np.arange(rings.shape[1])[None, :]
    return np.asarray(rings[low, column] * (1 - part) + rings[low + 1, column] * part)


def _tear(latch: Latch, crack: LatchBreak, around: int) -> Floats:
    """Return the ring number (around) at which each column of the arm ends."""
    rng = np.random.default_rng([crack.seed, 0])
    turn = np.linspace(0, 2 * np.pi, around, endpoint=False)
    spot = np.stack([5 * np.cos(turn), 3 * np.sin(turn), 0 * turn], -1)
    step = float(np.linalg.norm(np.diff(latch.spine, axis=0), axis=1).mean())
    rough = waves(rng, 5.0)(spot) + 0.5 * waves(rng, 1.5, facets=True)(spot)
    slant = rng.normal(0, 0.5) * np.cos(turn) + rng.normal(0, 0.5) * np.sin(turn)
    return np.asarray(np.clip(crack.at * (RINGS - 1) + crack.ragged * (rough + slant) / step, 2, RINGS - 1))


def _arm(latch: Latch, crack: LatchBreak | None, look: Look, fresh: Look) -> Mesh:
    along = np.linspace(0, 1, RINGS)
    twist = np.zeros(RINGS)
    rng = np.random.default_rng(latch.seed if crack is None else crack.seed)
    if crack is not None and crack.how == "twisted":
        twist = rng.choice([-1, 1]) * rng.uniform(0.5, 1.3) * smooth(along, crack.at - 0.3, crack.at)
    rings = _sections(latch, twist)
    torn = crack is not None and crack.at < 1
    if crack is not None and crack.how == "split":
        side = rng.choice([-1, 1])
        limit = rng.normal(0, 0.15) * latch.half.max() + 0.3 * waves(rng, 3)(latch.spine)
        off = (rings[..., 0] - latch.spine[:, None, 0]) * side
        kept = np.where(along[:, None] > crack.at, np.minimum(off, limit[:, None]), off)
        rings[..., 0] = latch.spine[:, None, 0] + kept * side
    elif crack is not None and torn:
        rings = _cut(rings, _tear(latch, crack, rings.shape[1]))
    tube = grid(rings.transpose(1, 0, 2), look, LATCH, closed=True)
    end = rings[-1]
    middle = end.mean(0)
    bulge = np.zeros((len(end), 6, 3))
    if torn and crack is not None:
        share_in = np.linspace(0, 1, 6)[None, :, None]
        inner = end[:, None] * (1 - share_in) + middle * share_in
        lump = waves(rng, 1.6, facets=True)(inner.reshape(-1, 3)).reshape(inner.shape[:2])
        bulge[..., 2] = 0.5 * min(crack.ragged, 1.2) * lump * np.sin(np.linspace(0, np.pi, 6))
    cap = end_cap(end, middle, fresh if torn and crack and crack.how != "split" else look, LATCH, bulge)
    return merge([tube, cap])


def lever(latch: Latch, crack: LatchBreak | None, look: Look, fresh: Look) -> Mesh | None:
    """Return lever and hook, whole or broken; ``None`` where nothing of them is left."""
    if crack is not None and crack.how == "empty":
        return None
    whole = _arm(latch, crack, look, fresh)
    if crack is None or crack.how not in ("pushed", "twisted"):
        return whole
    rng = np.random.default_rng(crack.seed + 1)
    gain = 1.0 if crack.how == "pushed" else 0.4
    pivot = np.array([latch.spine[0, 0], latch.hood[2] - 4, latch.hood[3]])
    sideways = rng.choice([-1, 1]) * rng.uniform(0.5, 1.0) * gain
    bend = smooth(whole.points[:, 2], latch.hood[3] - 2, latch.hood[3] + 12)[:, None]
    points = turned(whole.points, np.array([0, 1.0, 0]), sideways, pivot)
    points = turned(points, np.array([1.0, 0, 0]), -rng.uniform(-0.1, 0.6) * gain, pivot)
    return whole.moved(whole.points * (1 - bend) + points * bend)


def hood(latch: Latch, look: Look, crack: LatchBreak | None) -> list[Mesh]:
    """Return the part of the body that holds the lever, with its opening, and the thumb button."""
    wide, bottom, top, front = latch.hood
    middle = np.array([latch.spine[0, 0], (bottom + top) / 2])
    at = np.interp(front, latch.spine[:60, 2], latch.spine[:60, 1])
    open_middle = np.array([latch.spine[0, 0], at])
    outer, inner = np.array([wide, (top - bottom) / 2]), np.array(latch.opening)
    steps = [(outer, front - 26), (outer, front - 1.2), (outer - 0.4, front - 0.3), (outer - 1.2, front)]
    steps += [(inner + 0.5, front), (inner + 0.1, front - 0.3), (inner, front - 0.8), (inner, front - 13)]
    steps += [(inner * 0.02, front - 13)]
    angle = np.linspace(0, 2 * np.pi, 64, endpoint=False)
    c, s = np.cos(angle), np.sin(angle)
    power = np.random.default_rng([latch.seed, 8]).uniform(0.25, 0.85, 2)
    unit = [np.stack([np.sign(c) * np.abs(c) ** p, np.sign(s) * np.abs(s) ** p], -1) for p in power]
    rings = []
    for number, (half, z) in enumerate(steps):
        centre = middle if number < 4 else open_middle
        rings.append(np.column_stack([centre + unit[int(number > 3)] * half, np.full(64, z)]))
    block = grid(np.stack(rings, 1), look, SHELL, closed=True)
    parts = [block]
    if latch.button:
        axes = np.diag([wide * 0.6, 3.0, 8.0])
        spot = np.array([middle[0], top + 0.5, front - 18])
        parts.append(ball(spot, axes, darker(look, 1.3), SHELL))
    if crack is not None and crack.how == "empty" and crack.seed % 2:
        axes = np.array([[inner[0], 0, 0], [0, 0.9, 0], [0, 0, 0.9]])
        pin = Look((0.5, 0.5, 0.5), (0.3, 0.3, 0.3), 0.35, 1.0)
        parts.append(ball(np.array([*open_middle, front - 4]), axes, pin, SHELL))
    return parts
