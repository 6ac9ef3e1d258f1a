"""Plastics, metals, and what soils them: colours are linear, 0..1."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.birch.meshes import Floats, Look, Mesh, smooth, waves

_PLASTICS: dict[str, tuple[float, tuple[float, float, float]]] = {
    "black": (0.34, (0.012, 0.012, 0.013)),
    "dark grey": (0.15, (0.045, 0.047, 0.05)),
    "grey": (0.11, (0.17, 0.175, 0.18)),
    "light grey": (0.12, (0.42, 0.43, 0.43)),
    "white": (0.10, (0.72, 0.72, 0.70)),
    "blue": (0.06, (0.02, 0.09, 0.36)),
    "green": (0.05, (0.04, 0.28, 0.09)),
    "orange": (0.04, (0.62, 0.16, 0.02)),
    "red": (0.02, (0.42, 0.025, 0.02)),
    "yellow": (0.01, (0.65, 0.42, 0.03)),
}
_METALS = {
    "copper": (0.55, 0.26, 0.15),
    "brass": (0.6, 0.45, 0.2),
    "silver": (0.72, 0.71, 0.68),
    "gold": (0.7, 0.5, 0.2),
    "tarnished": (0.2, 0.16, 0.12),
    "rusty": (0.25, 0.09, 0.04),
    "heat blue": (0.14, 0.13, 0.25),
}
_DIRTS = {
    "dust": ((0.32, 0.29, 0.25), 0.9),
    "mud": ((0.12, 0.075, 0.04), 0.85),
    "dry mud": ((0.30, 0.22, 0.14), 0.95),
    "grease": ((0.015, 0.012, 0.01), 0.18),
    "soot": ((0.008, 0.008, 0.008), 0.9),
    "brown stain": ((0.10, 0.045, 0.015), 0.5),
    "rust": ((0.22, 0.07, 0.02), 0.85),
    "salt": ((0.6, 0.6, 0.58), 0.9),
    "pollen": ((0.5, 0.42, 0.08), 0.9),
}


@dataclass(frozen=True)
class Dirt:
    """Dirt on the whole coupler: kind, amount 0..1, middle on the face plane (mm), reach (mm), the noise's
    grain (mm) and its seed."""

    kind: str
    amount: float
    middle: tuple[float, float]
    reach: float
    grain: float
    seed: int


def plastic(rng: np.random.Generator, name: str | None = None) -> tuple[str, Look]:
    """Draw a plastic's name and look: bleached more or less, matte to glossy."""
    names, odds = list(_PLASTICS), np.array([p for p, _ in _PLASTICS.values()])
    name = name or str(rng.choice(names, p=odds / odds.sum()))
    base = np.array(_PLASTICS[name][1]) * rng.uniform(0.7, 1.35) * rng.uniform(0.94, 1.06, 3)
    bleach = rng.uniform(0, 0.3) ** 2 if rng.uniform() < 0.7 else rng.uniform(0.05, 0.25)
    base = np.clip(base * (1 - bleach) + 0.35 * bleach, 0.006, 0.85)
    worn = base + (rng.choice([0.45, 0.3, 0.7]) - base) * rng.uniform(0.05, 0.35)
    rough = float(rng.choice([rng.uniform(0.16, 0.3), rng.uniform(0.3, 0.5), rng.uniform(0.5, 0.75)]))
    return name, Look(_rgb(base), _rgb(worn), rough)


def _rgb(values: Floats) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])


def darker(look: Look, factor: float, rough: float | None = None) -> Look:
    """Return the look with colours times ``factor``."""
    colour, worn = np.array(look.colour) * factor, np.array(look.worn) * factor
    top = np.clip(colour, 0, 0.9), np.clip(worn, 0, 0.9)
    return Look(_rgb(top[0]), _rgb(top[1]), look.rough if rough is None else rough, look.metal)


def metal(rng: np.random.Generator) -> Look:
    """Draw a contact's metal, bright to tarnished."""
    name = str(rng.choice(list(_METALS), p=[0.18, 0.17, 0.3, 0.08, 0.17, 0.05, 0.05]))
    colour = np.array(_METALS[name]) * rng.uniform(0.7, 1.1)
    rough = rng.uniform(0.5, 0.8) if name in ("tarnished", "rusty") else rng.uniform(0.15, 0.45)
    return Look(_rgb(np.clip(colour, 0, 0.9)), _rgb(colour * 0.5), float(rough), 1.0)


def draw_dirts(rng: np.random.Generator, reach: float) -> list[Dirt]:
    """Draw none to three kinds of dirt; the same draw serves intact and damaged couplers alike."""
    count = int(rng.choice([0, 1, 2, 3], p=[0.27, 0.38, 0.25, 0.10]))
    kinds = rng.choice(
        list(_DIRTS), count, replace=False, p=[0.25, 0.12, 0.12, 0.11, 0.12, 0.1, 0.06, 0.06, 0.06]
    )
    return [
        Dirt(
            str(kind),
            float(rng.uniform(0.15, 0.95)),
            (float(rng.normal(0, reach / 2.2)), float(rng.normal(0, reach / 2.2))),
            float(rng.uniform(0.25, 2.0) * reach),
            float(rng.choice([rng.uniform(0.8, 2), rng.uniform(2, 6), rng.uniform(6, 14)])),
            int(rng.integers(2**31)),
        )
        for kind in kinds
    ]


def soil(mesh: Mesh, dirts: list[Dirt]) -> Mesh:
    """Return the mesh with dirt painted on: thicker in corners below and where its noise is high."""
    colour, worn, rough = mesh.colour, mesh.worn, mesh.rough
    shine = mesh.metal
    for dirt in dirts:
        rng = np.random.default_rng(dirt.seed)
        grains = (0.7, 3.0), (0.45, 1.0), (0.35, 0.35), (0.12, 0.12)
        noise = sum((gain * waves(rng, dirt.grain * size, 8)(mesh.points) for gain, size in grains), 0.0)
        edge = 0.12 + 0.5 * rng.uniform()
        off = np.linalg.norm(mesh.points[:, :2] - np.array(dirt.middle), axis=1)
        near = np.exp(-((off / dirt.reach) ** 2))
        deep = 0.3 * smooth(-mesh.points[:, 2], 2, 12) * (dirt.kind != "soot")
        cover = smooth(
            noise * 0.5 + near * (0.2 + 0.95 * dirt.amount) + deep, 0.95 - edge, 0.95 + edge
        ) * min(1.0, 0.4 + dirt.amount)
        tone, matt = _DIRTS[dirt.kind]
        share = cover[:, None]
        colour = colour * (1 - share) + np.array(tone) * share
        worn = worn * (1 - share) + np.array(tone) * 1.2 * share
        rough = rough * (1 - cover) + matt * cover
        shine = shine * (1 - cover)
    return Mesh(
        mesh.points,
        mesh.faces,
        colour,
        np.clip(worn, 0, 0.9),
        np.clip(rough, 0.08, 1),
        shine,
        mesh.uv,
        mesh.part,
    )


def edge_wear(mesh: Mesh, rim: float, amount: float, seed: int) -> Mesh:
    """Return the mesh rubbed pale within 1.2 mm of the height ``rim``, in patches, ``amount`` 0..1."""
    noise = waves(np.random.default_rng(seed), 4.0)(mesh.points)
    share = (smooth(mesh.points[:, 2], rim - 1.2, rim) * smooth(noise, -0.6, 0.5) * amount)[:, None]
    return mesh.painted(mesh.colour * (1 - share) + (0.25 + 0.6 * mesh.colour) * share)


def scorch(mesh: Mesh, warm: Floats, colour: str, seed: int) -> Mesh:
    """Return the mesh coloured by heat ``warm`` (N, 0..1): none, brown, char, gloss or pale."""
    if colour == "none":
        return mesh
    noise = waves(np.random.default_rng(seed), 3.5)(mesh.points)
    share = np.clip(smooth(warm + 0.22 * noise, 0.2, 0.8), 0, 1)
    if colour == "gloss":
        return mesh.painted(mesh.colour * (1 - 0.3 * share[:, None]), mesh.rough * (1 - share) + 0.12 * share)
    tone = {"brown": (0.09, 0.04, 0.015), "char": (0.01, 0.009, 0.008), "pale": (0.32, 0.29, 0.24)}[colour]
    keep = (1 - share * 0.92)[:, None]
    rough = mesh.rough * keep[:, 0] + (0.85 if colour == "char" else 0.4) * (1 - keep[:, 0])
    return mesh.painted(mesh.colour * keep + np.array(tone) * (1 - keep), rough)


def wear_picture(rng: np.random.Generator, side: int = 512) -> Floats:
    """Return the tiling picture (side x side, 0..1) that blends each surface towards its worn look:
    specks, scratches, smears."""
    import cv2

    picture = np.zeros((side, side), np.float32)
    level = rng.uniform(0, 1) ** 1.5
    for _ in range(int(rng.integers(5, 20 + int(140 * level)))):
        start = rng.uniform(0, side, 2)
        turn, long = rng.uniform(0, np.pi), rng.uniform(8, 160)
        end = start + long * np.array([np.cos(turn), np.sin(turn)])
        shade = float(rng.uniform(0.1, 0.9))
        points = tuple(int(v) for v in start), tuple(int(v) for v in end)
        cv2.line(picture, points[0], points[1], shade, int(rng.choice([1, 1, 2])), cv2.LINE_AA)
    specks = (rng.uniform(size=(side, side)) < 0.004 * level).astype(np.float32)
    picture += cv2.GaussianBlur(specks, (0, 0), rng.uniform(0.6, 1.4)) * 3
    for cells, gain in ((8, 0.25), (32, 0.2), (128, 0.15)):
        coarse = rng.normal(size=(cells, cells)).astype(np.float32)
        coarse = np.pad(coarse, ((0, 1), (0, 1)), mode="wrap")
        picture += (
            gain * level * np.maximum(cv2.resize(coarse, (side, side), interpolation=cv2.INTER_CUBIC), 0)
        )
    return np.asarray(np.clip(picture, 0, 1), dtype=np.float64)
