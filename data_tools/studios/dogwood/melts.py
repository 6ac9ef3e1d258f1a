"""How heat changes a face: rims slump, mouths close, walls lean, skin blisters; with colour or without."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from data_tools.studios.dogwood.breaks import jagged, turn
from data_tools.studios.dogwood.build import Build, Sleeve
from data_tools.studios.dogwood.mesh import BODY, FIRST_PLACE, Floats, Noise, Part, smoothstep

Grid = NDArray[np.floating]


@dataclass(frozen=True)
class Melt:
    """One melted sleeve: number of its contact, severity 0 to 1, strengths of what happened, 0 to about 1."""

    contact: int
    severity: float
    seed: int
    slump: float
    close: float
    lean: float
    warp: float
    blisters: int
    craters: int
    drips: int
    web: float
    gloss: float
    brown: float
    char: float


def draw_melts(rng: Generator, contacts: list[int], severity: float) -> tuple[Melt, ...]:
    """Draw one fire over ``contacts``, worst at the first: what happens is alike, how much is not."""
    main = rng.permutation(4) < rng.integers(2, 5)  # which of slump, close, lean and warp happen
    strong = np.where(main, rng.uniform(0.65, 1.0, 4), rng.uniform(0.0, 0.2, 4))
    bubbly = rng.random() < 0.45
    coloured = rng.random() < 0.55
    brown, char = (
        (rng.uniform(0.3, 1.0), rng.choice([0.0, rng.uniform(0.3, 1.0)])) if coloured else (0.0, 0.0)
    )
    gloss = rng.choice([0.0, rng.uniform(0.4, 1.0)])
    web = rng.choice([0.0, rng.uniform(0.4, 1.0)])
    melts = []
    for rank, contact in enumerate(contacts):
        here = severity * (0.75**rank)
        few = rng.integers(3, 14, 2) * here
        melts.append(
            Melt(
                contact=contact,
                severity=float(here),
                seed=int(rng.integers(1 << 31)),
                slump=float(strong[0]),
                close=float(strong[1]),
                lean=float(strong[2]),
                warp=float(strong[3]),
                blisters=int(2 + 2 * few[0]) if bubbly else 0,
                craters=int(1 + few[1] / 2) if bubbly else 0,
                drips=int(rng.integers(0, 5)) if here > 0.35 else 0,
                web=float(web * here),
                gloss=float(gloss),
                brown=float(brown * (0.4 + 0.6 * here)),
                char=float(char * here),
            )
        )
    return tuple(melts)


def slumped(melt: Melt, sleeve: Sleeve, angle: Grid, across: Grid, heights: Grid) -> Grid:
    """Heights of a softened rim; ``across`` is 0 at the outer and 1 at the inner edge."""
    rng = np.random.default_rng(melt.seed)
    side = rng.uniform(0, 2 * np.pi)
    hot = 0.35 + 0.65 * smoothstep(2.6, 0.2, np.abs(turn(angle, side)))
    rounding = (0.7 + 1.8 * melt.severity) * (0.4 + melt.slump)
    sag = (1.1 + 4.5 * melt.severity) * melt.slump * hot * rng.uniform(0.6, 1.1)
    ripple = jagged(rng, angle, (0.06 + 0.22 * melt.severity) * (0.4 + melt.warp), finest=5)
    room = max(sleeve.top - sleeve.root - 1.0, 0.5)
    return np.asarray(
        heights - np.clip(rounding * np.abs(2 * across - 0.9) ** 2.2 * hot + sag + ripple, -0.5, room)
    )


def flowed(melt: Melt, sleeve: Sleeve, angle: Grid, across: Grid, z: Grid) -> Grid:
    """How far (mm, outwards) a softened wall has moved: bulged outside, closing inside, with drips."""
    rng = np.random.default_rng(melt.seed + 1)
    side = rng.uniform(0, 2 * np.pi)
    near_top = smoothstep(sleeve.top - (2.5 + 4 * melt.severity), sleeve.top - 0.4, z)
    lobes = np.clip(0.55 + 0.5 * np.cos(turn(angle, side)) + jagged(rng, angle, 0.14, finest=5), 0, 1.5)
    strength = 0.5 + 0.8 * melt.severity
    close = np.minimum(sleeve.inner * 0.62 * melt.close * strength * lobes, sleeve.inner * 0.9)
    bulge = (0.5 + 1.3 * melt.severity) * (0.3 * melt.close + 0.7 * melt.slump) * (1.3 - 0.6 * lobes)
    push = near_top * (bulge * (1 - across) - close * across)
    for _ in range(melt.drips):
        width, centre, long = rng.uniform(0.1, 0.28), rng.uniform(0, 2 * np.pi), rng.uniform(2, 6)
        tongue = np.exp(-((turn(angle, centre) / width) ** 2)) * smoothstep(
            sleeve.top - long, sleeve.top - 1, z
        )
        push = push + tongue * rng.uniform(0.4, 1.1) * np.where(across > 0.5, -1.0, 1.0)
    return np.asarray(push)


def reach(build: Build, melt: Melt) -> float:
    """How far (mm) from the sleeve's axis a melt is felt."""
    return build.sleeves[melt.contact].outer + 1.0 + 3.5 * melt.severity


def soften(part: Part, build: Build, melts: tuple[Melt, ...], metal: float = 0.5) -> None:
    """Warp, blister, web, polish and scorch all plastic near the melts; other sleeves keep their shape."""
    for melt in melts:
        sleeve = build.sleeves[melt.contact]
        away = np.hypot(part.points[:, 0] - sleeve.x, part.points[:, 1] - sleeve.y)
        near = np.flatnonzero(
            (away < reach(build, melt) + 6)
            & (part.points[:, 2] > sleeve.root - 1)
            & (part.metallic < metal)
            & ((part.owner == BODY) | (part.owner == FIRST_PLACE + melt.contact))
        )
        _soften_near(part, build, melt, near, away[near])


def _soften_near(part: Part, build: Build, melt: Melt, near: NDArray[np.intp], away: Floats) -> None:
    rng = np.random.default_rng(melt.seed + 2)
    sleeve, limit = build.sleeves[melt.contact], reach(build, melt)
    own = part.owner[near] == FIRST_PLACE + melt.contact
    points, normals = part.points[near], part.normals[near]
    height = np.clip((points[:, 2] - sleeve.root) / (sleeve.top - sleeve.root), 0, 1.2)
    weight = np.where(own, 1.0, smoothstep(limit, sleeve.outer, away) * 0.8)
    noise = Noise(melt.seed)
    warp = np.stack([noise(points + 31 * k, 6.5) for k in range(3)], axis=1)
    stir = 0.9 * melt.warp * (0.45 + 0.9 * melt.severity)
    moved = points + warp * (weight * (0.25 + height) * stir)[:, None]
    way = rng.uniform(0, 2 * np.pi)
    lean = melt.lean * (0.7 + 2.3 * melt.severity) * own * height**1.6
    moved[:, 0] += lean * np.cos(way)
    moved[:, 1] += lean * np.sin(way)
    if melt.web:
        web = melt.web * 4.0 * smoothstep(limit, sleeve.outer, away) * smoothstep(0.35, 0.0, height)
        moved[:, 2] += web * (1 + 0.35 * noise(points, 2.5)) * ~own
    swell = np.zeros(len(points), np.float32)
    for k in range(melt.blisters + melt.craters):
        swell += _bubble(rng, points, sleeve, melt, crater=k >= melt.blisters)
    moved += normals * (swell * np.where(normals[:, 2:3].T[0] < -0.2, 0, 1))[:, None]
    whole = part.points.copy()
    whole[near] = moved
    part.move(whole)
    _scorch(part, melt, near, weight, swell, noise, points)


def _bubble(rng: Generator, points: Floats, sleeve: Sleeve, melt: Melt, *, crater: bool) -> Floats:
    """One blister, or a burst one: a pit with a raised lip. Height (N,) mm along the normal."""
    size = rng.uniform(0.5, 1.0) * (0.7 + 1.2 * melt.severity)
    angle, ring = rng.uniform(0, 2 * np.pi), rng.uniform(sleeve.inner, sleeve.outer * 1.15)
    centre = (
        sleeve.x + ring * np.cos(angle),
        sleeve.y + ring * np.sin(angle),
        sleeve.top - rng.exponential(1.2),
    )
    far = np.linalg.norm(points - np.asarray(centre, np.float32), axis=1) / size
    if crater:
        return np.asarray(
            0.5 * size * (np.exp(-(((far - 1) / 0.3) ** 2)) - 1.6 * np.exp(-((far / 0.65) ** 4)))
        )
    return np.asarray(0.75 * size * np.sqrt(np.maximum(1 - far**2, 0)))


def _scorch(
    part: Part,
    melt: Melt,
    near: NDArray[np.intp],
    weight: Floats,
    swell: Floats,
    noise: Noise,
    points: Floats,
) -> None:
    """Gloss, browning and charring of the softened plastic."""
    where = np.zeros(len(part.points), np.float32)
    patches = smoothstep(-0.3, 0.5, noise(points + 50, 6.0, 2))
    where[near] = weight * patches * melt.gloss
    part.polish(where, 0.13)
    pale = float(part.albedo[near].mean())
    # on black plastic heat shows as a dull brown-grey bloom, on pale plastic as yellow to brown
    tint = (0.2, 0.105, 0.045) if pale > 0.12 else (0.085, 0.06, 0.042)
    where[near] = weight * np.clip(0.75 + 0.3 * noise(points + 90, 4.0, 2), 0, 1) * melt.brown
    part.paint(where, tint)
    charred = smoothstep(0.9 - melt.char, 1.5 - melt.char, weight + 0.35 * noise(points + 120, 2.2, 3))
    where[near] = charred * (melt.char > 0) * weight
    part.paint(where, 0.012)
    part.polish(where, 0.85)
    where[near] = smoothstep(0.05, 0.3, swell) * melt.char * 0.6
    part.paint(where, (0.16, 0.15, 0.14))  # ash on what has bubbled
