"""What the years leave on a coupler: dust, mud, bleaching, wear, soot, stains, tape, drops, webs, caps.

None of it depends on damage: the same marks fall on intact and damaged couplers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.alder.mesh import Array, Mesh, Rgb, finer, lathe, merged, plain, tube, vertex_normals
from data_tools.studios.alder.noise import noise, rough_noise
from model.families import Contact, Family

STAINS: dict[str, tuple[Rgb, float, float]] = {
    "soot": ((0.008, 0.008, 0.008), 0.9, 0.9),
    "brown": ((0.09, 0.045, 0.02), 0.75, 0.6),
    "rust": ((0.25, 0.09, 0.025), 0.8, 0.85),
    "grease": ((0.02, 0.016, 0.01), 0.7, 0.12),
    "lime": ((0.6, 0.6, 0.56), 0.6, 0.8),
}
"""Colour (linear), how much of it covers, and its roughness."""


@dataclass(frozen=True)
class Stain:
    """A soft-edged mark around ``x``, ``y`` on the face, ``size`` mm wide."""

    kind: str
    x: float
    y: float
    size: float
    strength: float
    seed: int


@dataclass(frozen=True)
class Weather:
    """How worn and dirty a coupler is, each 0..1."""

    dust: float
    dust_colour: Rgb
    mud: float
    grime: float
    bleach: float
    wear: float
    dabs: float
    tape: Rgb | None
    tape_z: tuple[float, float]
    stains: tuple[Stain, ...]
    seed: int

    def names(self) -> list[str]:
        """Return what is to be seen, in words for the label's attributes."""
        marks = {"dust": self.dust, "mud": self.mud, "bleach": self.bleach, "wear": self.wear}
        return [k for k, v in marks.items() if v > 0.25] + sorted({s.kind for s in self.stains})


def draw_weather(rng: np.random.Generator, family: Family) -> Weather:
    """Draw wear and dirt; a third of the couplers are nearly new."""
    used = float(rng.choice([0.1, 0.5, 1.0], p=[0.3, 0.4, 0.3]))
    stains = []
    for _ in range(int(rng.choice([0, 1, 2, 3], p=[0.5, 0.25, 0.15, 0.1]))):
        at = family.contacts[int(rng.integers(len(family.contacts)))]
        stains.append(
            Stain(
                str(rng.choice(list(STAINS), p=[0.3, 0.25, 0.15, 0.18, 0.12])),
                at.x + float(rng.normal(0, 4)),
                at.y + float(rng.normal(0, 4)),
                float(rng.uniform(4, 16)),
                float(rng.uniform(0.4, 1)),
                int(rng.integers(1 << 30)),
            )
        )
    dusts: tuple[Rgb, ...] = ((0.4, 0.34, 0.27), (0.5, 0.49, 0.46), (0.3, 0.2, 0.12))
    tapes: tuple[Rgb, ...] = ((0.7, 0.55, 0.03), (0.75, 0.75, 0.73), (0.5, 0.03, 0.02), (0.05, 0.2, 0.5))
    start = -float(rng.uniform(8, 16))
    return Weather(
        dust=used * float(rng.uniform(0, 1)) ** 1.5,
        dust_colour=dusts[int(rng.integers(len(dusts)))],
        mud=float(rng.uniform(0.3, 1)) if rng.random() < 0.14 * used else 0.0,
        grime=used * float(rng.uniform(0, 0.8)),
        bleach=used * float(rng.uniform(0, 0.9)) ** 2,
        wear=used * float(rng.uniform(0, 1)),
        dabs=float(rng.uniform(0.2, 1)) * used,
        tape=tapes[int(rng.integers(len(tapes)))] if rng.random() < 0.08 else None,
        tape_z=(start, start - float(rng.uniform(5, 12))),
        stains=tuple(stains),
        seed=int(rng.integers(1 << 30)),
    )


def _mixed(colour: Array, rough: Array, share: Array, other: Rgb, other_rough: float) -> tuple[Array, Array]:
    share = np.clip(share, 0, 1)
    return colour * (1 - share[:, None]) + np.asarray(other) * share[:, None], rough + (
        other_rough - rough
    ) * share


def texture(mesh: Mesh, weather: Weather) -> Array:
    """Return for each point what wear and dirt follow: coarse and fine noise, and the normal (Nx5)."""
    p = mesh.points.astype(float)
    coarse, fine = rough_noise(p, 14.0, weather.seed, 2), rough_noise(p, 2.4, weather.seed + 1, 2)
    return np.column_stack([coarse, fine, vertex_normals(p, mesh.faces)])


def worn(mesh: Mesh, given: Array, weather: Weather, family: Family, rim: float) -> Mesh:
    """Return the coupler's mesh with wear and dirt; ``rim`` is the z of the shell's edge, mm; ``given``: see
    ``texture``."""
    p = mesh.points.astype(float)
    colour, rough = mesh.colour.astype(float), mesh.rough.astype(float)
    coarse, fine, normal = given[:, 0], given[:, 1], given[:, 2:]
    colour = colour * (1 + 0.05 * fine[:, None])
    rough = np.clip(rough + 0.06 * coarse, 0.08, 1)
    away = np.hypot(p[:, 0] - family.nose_centre[0], p[:, 1] - family.nose_centre[1])
    outside = np.clip((away - family.nose_height * 0.42) / 3, 0, 1)
    bleached = weather.bleach * outside * np.clip(0.7 + 0.3 * coarse, 0, 1) * (1 - mesh.metal)
    colour, rough = _mixed(colour, rough, bleached * 0.5, (0.3, 0.3, 0.29), 0.8)
    if weather.tape is not None:
        on = (p[:, 2] < weather.tape_z[0]) & (p[:, 2] > weather.tape_z[1]) & (outside > 0.6)
        colour, rough = _mixed(colour, rough, on * 0.95, weather.tape, 0.35)
    edge = (
        np.exp(-((p[:, 2] - rim) ** 2) / 0.3) * outside + np.exp(-(p[:, 2] ** 2) / 0.1) * (1 - outside) * 0.6
    )
    rubbed = weather.wear * edge * np.clip(0.4 + 0.9 * fine, 0, 1)
    colour, rough = _mixed(colour, rough, rubbed * 0.5, tuple(np.mean(colour, 0) * 0.6 + 0.14), 0.6)
    deep = np.clip(-p[:, 2] / 6, 0, 1) * (1 - outside)
    colour = colour * (1 - weather.grime * 0.6 * deep * np.clip(0.6 + 0.4 * coarse, 0, 1))[:, None]
    settled = np.clip(0.05 + 0.4 * coarse + 0.35 * fine + 0.5 * normal[:, 1], 0, 1) * weather.dust
    colour, rough = _mixed(colour, rough, settled * 0.6 * (1 - 0.7 * mesh.metal), weather.dust_colour, 0.92)
    spots = np.clip((fine - 1.5 + weather.dabs * 0.5) * 2.5, 0, 1) * weather.dabs
    colour, rough = _mixed(colour, rough, spots * 0.5, weather.dust_colour, 0.9)
    if weather.mud:
        muddy = np.clip((coarse + 0.4 * fine - 1.5 + weather.mud) * 3, 0, 1)
        colour, rough = _mixed(colour, rough, muddy * 0.95, (0.16, 0.1, 0.055), 0.85)
    for stain in weather.stains:
        gone = np.hypot(p[:, 0] - stain.x, p[:, 1] - stain.y) / stain.size
        share = np.clip(np.exp(-(gone**2)) * (1 + 0.5 * noise(p, 4.0, stain.seed)), 0, 1)
        share = share * stain.strength * (p[:, 2] > -25)
        tint, cover, sheen = STAINS[stain.kind]
        colour, rough = _mixed(colour, rough, share * cover, tint, sheen)
    return mesh.painted(colour.astype(np.float32), rough.astype(np.float32))


def drops(mesh: Mesh, rng: np.random.Generator, count: int) -> Mesh:
    """Return water drops sitting on the front of the coupler: darker, very smooth caps."""
    normal = vertex_normals(mesh.points, mesh.faces)
    able = np.flatnonzero((normal[:, 2] > 0.3) & (mesh.points[:, 2] > -20) & (mesh.metal < 0.5))
    out = []
    for index in rng.choice(able, min(count, len(able)), replace=False) if len(able) else []:
        size = float(rng.gamma(3.0, 0.28)) + 0.25
        n = normal[index]
        side = np.cross(n, [0.3, 0.8, 0.5])
        side = side / np.linalg.norm(side)
        other = np.cross(n, side)
        cap, faces = lathe(
            np.array([(size * np.sin(a), size * 0.55 * np.cos(a)) for a in np.linspace(0.02, 1.6, 7)]), 12
        )
        points = mesh.points[index] + cap[:, :1] * side + cap[:, 1:2] * other * 1.15 + cap[:, 2:] * n
        tint = mesh.colour[index] * 0.75
        out.append(plain(points, faces, (float(tint[0]), float(tint[1]), float(tint[2])), 0.03))
    return merged(out) if out else plain(np.zeros((0, 3)), np.zeros((0, 3)), (0.1, 0.1, 0.1))


def web(rng: np.random.Generator, half: float, rim: float) -> Mesh:
    """Return a few threads of a cobweb across the rim, whose half width is ``half`` mm."""
    start, parts = float(rng.uniform(0, 6.3)), []
    for _ in range(int(rng.integers(4, 10))):
        a, b = start + rng.uniform(-0.7, 0.7, 2) + [0, rng.uniform(0.6, 2.2)]
        t = np.linspace(0, 1, 12)[:, None]
        ends = [np.array([np.cos(v) * half, np.sin(v) * half, rim - rng.uniform(0.3, 5)]) for v in (a, b)]
        path = ends[0] * (1 - t) + ends[1] * t - np.array([0, 1.5, 0]) * 4 * t * (1 - t)
        parts.append(plain(*tube(path, 0.06, 5), (0.6, 0.6, 0.58), 0.6))
    return merged(parts)


def plug(rng: np.random.Generator, spot: Contact, kind: str) -> Mesh:
    """Return mud or a dust cap that fills one bore."""
    radius = spot.bore_diameter / 2 + 0.3
    if kind == "mud":
        profile = [(0.02, float(rng.uniform(-3, -0.3))), (radius * 0.6, -1.0), (radius, -1.6), (radius, -6)]
        points, faces = lathe(finer(profile, 0.4), 36, (spot.x, spot.y))
        points[:, 2] += 0.35 * noise(points, 1.8, int(rng.integers(1 << 30)))
        tint = rng.uniform(0.6, 1.3)
        mesh = plain(points, faces, (0.15 * tint, 0.1 * tint, 0.06 * tint), 0.9)
        return mesh.painted(mesh.colour * (1 + 0.25 * noise(points, 0.8, 3)[:, None]))
    lid = float(rng.uniform(0.3, 1.0))
    reach = spot.sleeve_diameter / 2 * float(rng.uniform(0.75, 1.0))
    profile = [
        (0.02, lid + 0.2),
        (reach - 0.5, lid),
        (reach, lid - 0.4),
        (reach, 0.02),
        (radius, -0.2),
        (radius, -4),
    ]
    shades: tuple[Rgb, ...] = ((0.5, 0.02, 0.02), (0.65, 0.5, 0.03), (0.02, 0.02, 0.02), (0.6, 0.6, 0.6))
    return plain(*lathe(finer(profile, 0.5), 40, (spot.x, spot.y)), shades[int(rng.integers(4))], 0.4)
