"""Paint on the mesh: how plastic was moulded, worn, soiled, broken and scorched."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from data_tools.studios.elm.damage import Melt
from data_tools.studios.elm.noise import Array, Rng, mix, ramp
from data_tools.studios.elm.noise import field as noise
from data_tools.studios.elm.solids import Kind, Mesh

SOILS: dict[str, tuple[tuple[float, float, float], float]] = {
    "soot": ((0.008, 0.008, 0.008), 0.85),
    "brown stain": ((0.11, 0.055, 0.022), 0.55),
    "rust": ((0.26, 0.085, 0.025), 0.85),
    "mud": ((0.17, 0.115, 0.07), 0.92),
    "dust": ((0.36, 0.33, 0.28), 0.95),
    "grease": ((0.03, 0.025, 0.018), 0.14),
}
"""Colour (linear RGB) and roughness of what lies on a coupler and is no damage."""


@dataclass(frozen=True)
class Grime:
    """Wear, dust and scratches (0..1 each), and soils with their amounts (0..1)."""

    wear: float
    dust: float
    scratches: float
    soils: dict[str, float] = field(default_factory=dict)
    chalk: float = 0.0


def draw_grime(rng: Rng, hard: tuple[str, ...]) -> Grime:
    """Return the state of a surface; ``hard`` names what there is much of."""
    soils = {name: float(rng.uniform(0.45, 1.0)) for name in hard if name in SOILS}
    if rng.random() < 0.3:
        soils.setdefault(str(rng.choice(list(SOILS))), float(rng.uniform(0.05, 0.3)))
    wear, dust, scratches = rng.uniform(0, 0.55, 3) ** 1.3
    if "worn" in hard:
        wear, scratches = rng.uniform(0.6, 1.0, 2)
    return Grime(float(wear), float(dust), float(scratches), soils, float(rng.uniform(0, 0.35) ** 2))


def paint(mesh: Mesh, grime: Grime, melt: Melt | None, rng: Rng) -> None:
    """Colour ``mesh`` in place and give its normals the grain of a spark-eroded mould."""
    face = mesh.points[:, 2] > -26
    plastic = (mesh.metal < 0.5) & (mesh.kind != Kind.HAND) & (mesh.kind != Kind.WATER)
    wide, fine = noise(mesh.points, 16, rng), noise(mesh.points, 2.6, rng)
    speck = noise(mesh.points, 0.8, rng)
    mesh.colour = mesh.colour * (1 + 0.05 * wide + 0.03 * fine)[:, None]
    mesh.rough = np.clip(mesh.rough * (1 + 0.08 * fine + 0.08 * wide), 0.08, 1)
    fade = grime.chalk * ramp(wide, -1, 1.5) * plastic
    mesh.colour = mix(mesh.colour, mesh.colour * 0.6 + 0.16, fade)
    _wear(mesh, grime, plastic, fine, speck, rng)
    _soil(mesh, grime, plastic & face, wide, fine, rng)
    _fresh(mesh, fine, speck)
    if melt is not None:
        _scorch(mesh, melt, fine, speck)
    mesh.colour = np.clip(mesh.colour, 0.004, 0.9).astype(np.float32)


def grain(mesh: Mesh, amount: float, seed: int) -> None:
    """Tilt the normals of plastic a little at random; what broke is grainier, what melted smoother."""
    jitter = np.random.default_rng(seed).normal(size=mesh.normals.shape)
    much = amount * (mesh.metal < 0.5) * (1 - np.clip(2 * mesh.heat, 0, 1))
    much = np.where(mesh.kind == Kind.WATER, 0, much + 0.12 * mesh.fresh)
    normals = mesh.normals + jitter * much[:, None]
    mesh.normals = normals / np.linalg.norm(normals, axis=1, keepdims=True)


def _wear(mesh: Mesh, grime: Grime, plastic: Array, fine: Array, speck: Array, rng: Rng) -> None:
    scuffed = np.clip(mesh.edge * 1.6, 0, 1) * ramp(
        fine + 0.6 * speck, 1.2 - 2.2 * grime.wear, 2.2 - 1.6 * grime.wear
    )
    pale = mesh.colour * 0.65 + 0.13
    mesh.colour = mix(mesh.colour, pale, scuffed * plastic * 0.85)
    mesh.rough = np.where(plastic, mesh.rough + 0.25 * scuffed, mesh.rough)
    x, y = mesh.points[:, 0], mesh.points[:, 1]
    exposed = plastic & (mesh.points[:, 2] > -5)
    for _ in range(int(16 * grime.scratches)):
        turn, middle = rng.uniform(0, np.pi), rng.uniform(-26, 26, 2)
        along = (x - middle[0]) * np.cos(turn) + (y - middle[1]) * np.sin(turn)
        bend = rng.uniform(-0.01, 0.01) * along**2
        across = np.abs(-(x - middle[0]) * np.sin(turn) + (y - middle[1]) * np.cos(turn) - bend)
        line = (across < rng.uniform(0.1, 0.24)) & (np.abs(along) < rng.uniform(3, 14)) & exposed
        mesh.colour[line] = mesh.colour[line] * 0.7 + 0.11


def _soil(mesh: Mesh, grime: Grime, face: Array, wide: Array, fine: Array, rng: Rng) -> None:
    """Lay dust into corners, then each soil in a patch of its own."""
    corner = (mesh.kind == Kind.FLOOR) | ((mesh.kind == Kind.SLEEVE) & (mesh.points[:, 2] < -2.5))
    dusty = grime.dust * (0.25 + 0.75 * corner) * ramp(wide + 0.5 * fine, -1.2, 1.4) * face * 0.6
    mesh.colour, mesh.rough = mix(mesh.colour, (0.30, 0.28, 0.24), dusty), mesh.rough * (1 + 0.5 * dusty)
    for name, amount in grime.soils.items():
        colour, rough = SOILS[name]
        middle, reach = rng.uniform(-18, 18, 2), rng.uniform(9, 30)
        far = np.hypot(mesh.points[:, 0] - middle[0], mesh.points[:, 1] - middle[1]) / reach
        cover = ramp(
            noise(mesh.points, rng.uniform(4, 12), rng) + 0.5 * fine + 3 * amount - 2.2 * far, 0.4, 1.9
        )
        share = cover * face * np.clip(0.45 + 0.55 * amount, 0, 0.95)
        mesh.colour = mix(mesh.colour, np.asarray(colour) * rng.uniform(0.8, 1.25), share)
        mesh.rough = mesh.rough + (rough - mesh.rough) * share
        mesh.metal = mesh.metal * (1 - 0.9 * share)


def _fresh(mesh: Mesh, fine: Array, speck: Array) -> None:
    """Show what broke: clean plastic, rough, palest where it was stretched."""
    stress = np.clip(0.62 + 0.28 * fine + 0.2 * speck, 0.15, 1.2)[:, None]
    whitened = mesh.colour * 0.72 + 0.24 * stress * (1 - 0.6 * mesh.colour)
    # White plastic cannot whiten: there the rough inside is duller and yellower than the skin.
    dull = mesh.colour * np.array([0.62, 0.55, 0.44]) * (0.55 + 0.6 * stress)
    pale = mix(whitened, dull, ramp(mesh.colour.mean(1), 0.2, 0.4))
    mesh.colour = mix(mesh.colour, pale, mesh.fresh)
    mesh.rough = mesh.rough + (0.85 - mesh.rough) * np.clip(mesh.fresh, 0, 1)


def _scorch(mesh: Mesh, melt: Melt, fine: Array, speck: Array) -> None:
    """Discolour by heat: light plastic turns tan, brown, black; dark plastic hazy, then char with ash."""
    bare = mesh.colour.mean(1, keepdims=True)
    done = np.clip(mesh.heat * (0.3 + 1.5 * melt.burn) * (1 + 0.3 * fine) * (melt.burn > 0.08), 0, 1)
    steps = np.array([0, 0.3, 0.6, 1.0])
    tan = np.array([[0.0, 0.0, 0.0], [0.50, 0.32, 0.14], [0.16, 0.07, 0.028], [0.012, 0.011, 0.01]])
    haze = np.array([[0.0, 0.0, 0.0], [0.085, 0.07, 0.055], [0.05, 0.032, 0.02], [0.009, 0.009, 0.009]])
    light = np.stack([np.interp(done, steps, tan[:, c]) for c in range(3)], 1)
    dark = np.stack([np.interp(done, steps, haze[:, c]) for c in range(3)], 1)
    burnt = np.where(bare > 0.12, light * np.clip(bare + 0.35, 0, 1), dark)
    mesh.colour = mix(mesh.colour, burnt, ramp(done, 0.02, 0.3) * 0.95)
    ash = ramp(speck + 0.5 * fine, 1.2, 1.8) * ramp(done, 0.6, 0.9) * 0.5
    mesh.colour = mix(mesh.colour, (0.25, 0.24, 0.23), ash)
    melted = np.clip(mesh.heat * 2.5, 0, 1) * (mesh.metal < 0.5)
    mesh.rough = mesh.rough + (melt.gloss - mesh.rough) * melted
