"""What use and weather leave on every coupler alike: dust, mud, soot, stains, wear, snow, drops, stickers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.cedar.insert import Sleeve, Style
from data_tools.studios.cedar.meshes import (
    BODY,
    COVER,
    INSERT,
    METAL,
    Array,
    Mesh,
    lathe,
    loft,
    mesh,
    normals,
    tube,
)
from data_tools.studios.cedar.voxels import Noise


@dataclass(frozen=True)
class Stain:
    """A stain round one sleeve: albedo multiplied towards ``colour``; strength 0..1, reach in mm."""

    x: float
    y: float
    reach: float
    strength: float
    colour: tuple[float, float, float]
    rough: float


@dataclass(frozen=True)
class Dirt:
    """Amounts 0..1 of each kind of dirt; ``up`` is the unit vector on which dust and snow settle."""

    dust: float
    dust_colour: tuple[float, float, float]
    mud: float
    frost: float
    wear: float
    bleach: float
    scratches: float
    stains: tuple[Stain, ...]
    up: np.ndarray


SOOT, BROWN, RUST, GREASE = (
    (0.008, 0.008, 0.008),
    (0.11, 0.055, 0.02),
    (0.28, 0.1, 0.025),
    (0.015, 0.013, 0.01),
)


def draw_dirt(
    rng: np.random.Generator, sleeves: list[Sleeve], up: np.ndarray, snow: bool, stain_at: list[Sleeve]
) -> Dirt:
    """Draw the dirt of one coupler; ``stain_at``: sleeves that get soot, brown, rust or grease."""
    stains = []
    for sleeve in stain_at:
        colour = (SOOT, BROWN, RUST, GREASE)[int(rng.choice(4, p=[0.4, 0.3, 0.15, 0.15]))]
        dx, dy = rng.normal(0, sleeve.radius * 0.5, 2)
        stains.append(
            Stain(
                sleeve.x + dx,
                sleeve.y + dy,
                float(rng.uniform(2.5, 9)),
                float(rng.uniform(0.3, 1.0)),
                colour,
                0.25 if colour is GREASE else 0.85,
            )
        )
    tone = ((0.42, 0.37, 0.3), (0.5, 0.5, 0.5), (0.25, 0.19, 0.13))[int(rng.integers(3))]
    return Dirt(
        dust=float(rng.choice([0.0, 0.15, 0.4, 0.8]) * rng.uniform(0.4, 1.0)),
        dust_colour=tone,
        mud=float(rng.choice([0, 0, 0, 0.3, 0.8])),
        frost=float(rng.uniform(0.2, 0.9)) if snow and rng.random() < 0.4 else 0.0,
        wear=float(rng.choice([0.0, 0.2, 0.7]) * rng.uniform(0.5, 1)),
        bleach=float(rng.choice([0, 0, 0.3, 0.7])),
        scratches=float(rng.choice([0, 0.3, 0.8])),
        stains=tuple(stains),
        up=up,
    )


def _towards(part: Mesh, share: Array, colour: tuple[float, float, float] | Array, rough: float) -> None:
    share = np.clip(share, 0, 1).astype(np.float32)
    part.colour += (np.asarray(colour, np.float32) - part.colour) * share[:, None]
    part.rough += (rough - part.rough) * share


def _edges(part: Mesh, dirt: Dirt, noise: Noise, rim: float) -> None:
    """Pale wear where things rub: the nose's rim and the sleeves' mouths; scratches along them."""
    v = part.vertices
    at_rim = np.exp(-(((v[:, 2] - rim) / 0.8) ** 2)) * (part.part == BODY)
    at_mouth = np.exp(-((np.clip(-v[:, 2], 0, None) / 0.45) ** 2)) * (part.part == INSERT)
    patchy = np.clip(noise.rough(v, 3.0) + 0.4, 0, 1)
    _towards(part, dirt.wear * patchy * np.maximum(at_rim, at_mouth * 0.8), part.colour * 0.4 + 0.28, 0.7)
    lines = noise.at(v * np.array([3.3, 0.25, 0.6]), 2.0) + noise.at(v * np.array([0.3, 2.9, 0.7]) + 50, 2.0)
    _towards(part, dirt.scratches * 0.5 * (np.abs(lines) < 0.05), part.colour * 0.5 + 0.2, 0.75)


def paint(part: Mesh, dirt: Dirt, noise: Noise, rim: float) -> None:
    """Put ``dirt`` on the mesh's vertices in place; the same noise gives the same dirt on a twin."""
    v, facing = part.vertices, normals(part.vertices, part.faces)
    plastic = (part.part != METAL).astype(np.float32)
    coarse, fine = noise.rough(v, 11.0), noise.rough(v + 90, 2.6)
    part.colour *= (1 + 0.06 * coarse + 0.05 * fine)[:, None]
    if dirt.bleach:
        open_air = np.clip(facing @ dirt.up * 0.6 + 0.6, 0, 1) * (part.part == BODY)
        _towards(
            part, dirt.bleach * open_air * np.clip(0.7 + 0.4 * coarse, 0, 1), part.colour * 0.65 + 0.2, 0.8
        )
    _edges(part, dirt, noise, rim)
    for stain in dirt.stains:
        r = np.hypot(v[:, 0] - stain.x, v[:, 1] - stain.y) + 1.5 * coarse
        share = (
            stain.strength * np.exp(-((r / stain.reach) ** 2)) * np.clip(0.75 + 0.5 * fine, 0, 1) * plastic
        )
        _towards(part, share, np.array(stain.colour) * np.clip(1 + 0.5 * fine, 0.3, 2)[:, None], stain.rough)
    settled = np.clip(facing @ dirt.up + 0.25 + 0.3 * coarse, 0, 1) * np.clip(0.6 + 0.6 * fine, 0, 1)
    _towards(part, dirt.dust * 0.75 * settled, dirt.dust_colour, 0.95)
    if dirt.mud:
        _towards(part, 6 * (coarse * 0.8 + 0.3 * fine - 1.05 + 0.55 * dirt.mud), (0.14, 0.1, 0.06), 0.9)
    if dirt.frost:
        lying = 5 * (facing @ dirt.up - 0.55 + 0.3 * coarse + 0.2 * fine) * dirt.frost
        _towards(part, lying, (0.86, 0.9, 0.95), 0.7)
    part.colour = part.colour.clip(0.003, 0.95).astype(np.float32)
    part.rough = part.rough.clip(0.08, 1).astype(np.float32)


def clump(
    rng: np.random.Generator,
    centre: tuple[float, float, float],
    size: tuple[float, float, float],
    colour: tuple[float, float, float],
    rough: float,
    part: int,
) -> Mesh:
    """Return an uneven lump (semi-axes in mm): mud, snow, an insect, a drop."""
    a = np.linspace(0.02, np.pi - 0.02, 14)
    ball = lathe(np.stack([np.sin(a), np.cos(a)], 1).astype(np.float32), 20, colour, rough, part)
    swell = 1 + 0.28 * Noise(rng).rough(ball.vertices + 3, 0.9)[:, None]
    ball.vertices = (ball.vertices * swell * np.array(size) + np.array(centre)).astype(np.float32)
    ball.faces = ball.faces[:, ::-1].copy()
    return ball


def plug(rng: np.random.Generator, sleeve: Sleeve) -> Mesh:
    """Return a coloured dust plug in one bore."""
    colour = ((0.5, 0.03, 0.02), (0.6, 0.45, 0.03), (0.02, 0.02, 0.02), (0.5, 0.5, 0.5))[int(rng.integers(4))]
    wide = sleeve.bore + 0.6
    profile = [
        (sleeve.bore - 0.1, -5.0),
        (sleeve.bore - 0.1, 0.1),
        (wide, 0.15),
        (wide, 0.9),
        (wide - 0.4, 1.3),
        (0.01, 1.4),
    ]
    return lathe(np.array(profile, np.float32), 28, colour, 0.5, INSERT).moved(
        np.eye(3), (sleeve.x, sleeve.y, 0.0)
    )


def cobweb(rng: np.random.Generator, sleeves: list[Sleeve]) -> list[Mesh]:
    """Return a few threads between sleeves and rim."""
    threads = []
    for _ in range(int(rng.integers(3, 9))):
        a, b = rng.choice(len(sleeves), 2, replace=False)
        t = np.linspace(0, 1, 8)[:, None]
        start = np.array([sleeves[a].x, sleeves[a].y, -0.2]) + rng.normal(0, 3, 3) * [1, 1, 0.1]
        end = np.array([sleeves[b].x, sleeves[b].y, -0.2]) + rng.normal(0, 9, 3) * [1, 1, 0.1]
        path = start * (1 - t) + end * t - np.array([0, 1.5, 0.6]) * t * (1 - t)
        threads.append(
            tube(path.astype(np.float32), np.full(8, 0.07, np.float32), 5, (0.6, 0.6, 0.6), 0.6, INSERT)
        )
    return threads


def drops(rng: np.random.Generator, sleeves: list[Sleeve], style: Style, rim: float) -> list[Mesh]:
    """Return rain drops on mouths, rim and floor."""
    result = []
    for _ in range(int(rng.integers(4, 26))):
        s = sleeves[int(rng.integers(len(sleeves)))]
        angle, size = rng.uniform(0, 2 * np.pi), float(rng.uniform(0.5, 1.5))
        r = (s.radius + s.bore) / 2 if rng.random() < 0.6 else s.radius + rng.uniform(1, 5)
        z = s.top if r < s.radius else style.floor
        centre = (s.x + r * np.cos(angle), s.y + r * np.sin(angle), z + 0.1)
        result.append(
            clump(rng, centre, (size, size * rng.uniform(0.8, 1.3), size * 0.5), (0.5, 0.5, 0.5), 0.1, INSERT)
        )
    return result


def sticker(
    rng: np.random.Generator, centre: tuple[float, float], half: tuple[float, float], z: float, flange: float
) -> Mesh:
    """Return a sticker or a strip of tape on the flange, with plain stripes."""
    colour = ((0.8, 0.8, 0.78), (0.75, 0.55, 0.03), (0.6, 0.05, 0.04), (0.05, 0.25, 0.5), (0.03, 0.03, 0.03))[
        int(rng.integers(5))
    ]
    angle = rng.uniform(0.3, 2.8)
    place = np.array([centre[0] + half[0] * np.cos(angle), centre[1] + half[1] * np.sin(angle)])
    wide, tall = flange * rng.uniform(0.25, 0.6), flange * rng.uniform(0.2, 0.4)
    box = np.array([(wide, tall), (-wide, tall), (-wide, -tall), (wide, -tall)]) + place
    rings = np.stack([np.concatenate([box, np.full((4, 1), z + d)], 1) for d in (0.0, 0.25)])
    return loft(rings.astype(np.float32), colour, 0.4, BODY)


def lying_cable(rng: np.random.Generator, across: float, z: float) -> Mesh:
    """Return a cable that hangs or lies before the coupler, ``across`` mm off its middle."""
    t = np.linspace(-1, 1, 20)
    angle = rng.uniform(0, np.pi)
    along = np.stack([np.cos(angle) * t * 160, np.sin(angle) * t * 160, z + 10 * t], 1)
    bow = np.array([-np.sin(angle), np.cos(angle), 0.0]) * (across + rng.uniform(-12, 12) * t[:, None] ** 2)
    colour = ((0.02, 0.02, 0.02), (0.6, 0.28, 0.02), (0.35, 0.35, 0.35), (0.03, 0.12, 0.4))[
        int(rng.integers(4))
    ]
    return tube(
        (along + bow).astype(np.float32), np.full(20, rng.uniform(5, 10), np.float32), 20, colour, 0.6, COVER
    )


def no_drops() -> Mesh:
    """Return a hidden drop that keeps the drops' place in the scene."""
    far = np.array([[0, 0, -9e3], [0.1, 0, -9e3], [0, 0.1, -9e3]], np.float32)
    return mesh(far, np.array([[0, 1, 2]], np.int32), (0.5, 0.5, 0.5), 0.1, COVER)
