"""What soils and wears a coupler without harming it: soot, stains, mud, dust, drops, scratches, worn edges.

Every layer is a function of where a point is, so that a damaged coupler and its twin are soiled alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from data_tools.studios.dogwood.build import Build
from data_tools.studios.dogwood.mesh import FOREIGN, Floats, Noise, Part, smoothstep

KINDS = ("soot", "brown stain", "rust", "mud", "dust", "drops", "scratches", "worn")


@dataclass(frozen=True)
class Layer:
    """One kind of dirt or wear: how much (0 to 1), where it is centred (mm), how far it spreads, its seed."""

    kind: str
    amount: float
    x: float
    y: float
    spread: float
    seed: int


def draw_layers(rng: Generator, build: Build, hard: bool) -> tuple[Layer, ...]:
    """Draw what lies on a coupler: little, or, if ``hard``, one to three plain layers."""
    count = int(rng.integers(1, 4)) if hard else int(rng.integers(0, 3))
    layers = []
    for kind in rng.choice(KINDS, count, replace=False):
        sleeve = build.sleeves[rng.integers(len(build.sleeves))]
        amount = rng.uniform(0.5, 1.0) if hard else rng.uniform(0.1, 0.4)
        spread = rng.choice([rng.uniform(4, 9), rng.uniform(10, 40)])
        seed = int(rng.integers(1 << 31))
        layers.append(Layer(str(kind), float(amount), sleeve.x, sleeve.y, float(spread), seed))
    return tuple(layers)


def soil(mesh: Part, layers: tuple[Layer, ...]) -> None:
    """Lay the layers on a mesh, lowest first."""
    for layer in layers:
        near = np.flatnonzero((mesh.points[:, 2] > -45) & (mesh.owner != FOREIGN))
        points = mesh.points[near]
        away = np.hypot(points[:, 0] - layer.x, points[:, 1] - layer.y)
        spot = smoothstep(layer.spread * 1.3, layer.spread * 0.4, away)
        noise = Noise(layer.seed)
        if layer.kind in ("scratches", "worn"):
            _wear(mesh, layer, near, points)
        elif layer.kind == "drops":
            _drops(mesh, layer, near, points)
        else:
            _cover(mesh, layer, near, points, spot, noise)


def _cover(
    mesh: Part, layer: Layer, near: NDArray[np.intp], points: Floats, spot: Floats, noise: Noise
) -> None:
    """Soot, stains, rust, mud and dust: a colour in patches."""
    blotch = noise(points, 7.0, 3)
    fine = noise(points + 40, 1.2, 2)
    cover = np.zeros(len(mesh.points), np.float32)
    if layer.kind == "soot":
        cover[near] = layer.amount * spot * np.clip(0.75 + 0.35 * blotch, 0, 1)
        mesh.paint(cover, 0.01)
        mesh.polish(cover, 0.9)
    elif layer.kind == "brown stain":
        cover[near] = layer.amount * 0.85 * spot * smoothstep(-0.5, 0.5, blotch)
        mesh.paint(cover, (0.15, 0.075, 0.03))
    elif layer.kind == "rust":
        cover[near] = layer.amount * spot * smoothstep(0.2, 0.8, blotch + 0.5 * fine)
        mesh.paint(cover, (0.26, 0.085, 0.02))
        mesh.polish(cover, 0.9)
    elif layer.kind == "mud":
        thick = smoothstep(0.45, 0.75, blotch + 0.3 * fine + layer.amount - 0.55)
        cover[near] = thick * np.clip(spot + 0.3, 0, 1)
        mesh.paint(cover, np.array([0.17, 0.12, 0.075]) * (0.6 + 0.8 * (layer.seed % 97) / 97))
        mesh.polish(cover, 0.95)
    else:
        cover[near] = layer.amount * 0.6 * np.clip(0.55 + 0.3 * blotch + 0.2 * fine, 0, 1)
        mesh.paint(cover, (0.3, 0.28, 0.25))
        mesh.polish(cover, 0.95)


def _drops(mesh: Part, layer: Layer, near: NDArray[np.intp], points: Floats) -> None:
    """Water: low glossy caps on what faces the viewer, which also darken what they wet."""
    rng = np.random.default_rng(layer.seed)
    cap, facing = np.zeros(len(points), np.float32), mesh.normals[near][:, 2] > 0.5
    for _ in range(int(10 + 40 * layer.amount)):
        size = rng.uniform(0.4, 1.3)
        centre = np.array([layer.x, layer.y]) + rng.normal(0, 11, 2)
        far = np.hypot(points[:, 0] - centre[0], points[:, 1] - centre[1]) / size
        cap = np.maximum(cap, 0.28 * size * np.sqrt(np.maximum(1 - far**2, 0)) * facing)
    moved = mesh.points.copy()
    moved[near, 2] += cap
    mesh.move(moved)
    cover = np.zeros(len(mesh.points), np.float32)
    cover[near] = cap > 0
    mesh.paint(cover * 0.35, 0.01)
    mesh.polish(cover, 0.02)


def _wear(mesh: Part, layer: Layer, near: NDArray[np.intp], points: Floats) -> None:
    """Scratches: thin pale lines. Wear: the highest edges rubbed pale or shiny."""
    rng = np.random.default_rng(layer.seed)
    cover = np.zeros(len(mesh.points), np.float32)
    plastic = mesh.metallic[near] < 0.5
    if layer.kind == "worn":
        rubbed = smoothstep(-0.9, 0.2, points[:, 2]) * (mesh.normals[near][:, 2] > 0.1)
        cover[near] = rubbed * plastic * np.clip(0.5 + 0.5 * Noise(layer.seed)(points, 2.5, 2), 0, 1)
        cover *= 0.55 * layer.amount
        mesh.paint(cover, mesh.albedo.mean(axis=0) * 0.8 + 0.12)
        mesh.polish(cover, 0.25)
        return
    top = smoothstep(-1.5, -0.2, points[:, 2])
    for _ in range(int(4 + 14 * layer.amount)):
        start = np.array([layer.x, layer.y]) + rng.normal(0, 9, 2)
        way, long = rng.uniform(0, np.pi), rng.uniform(2, 14)
        along = (points[:, 0] - start[0]) * np.cos(way) + (points[:, 1] - start[1]) * np.sin(way)
        beside = (points[:, 1] - start[1]) * np.cos(way) - (points[:, 0] - start[0]) * np.sin(way)
        line = (np.abs(along) < long) & (np.abs(beside + 0.01 * along**2 * rng.uniform(-1, 1)) < 0.13)
        cover[near] = np.maximum(cover[near], line * top * plastic * rng.uniform(0.2, 0.7))
    mesh.paint(cover * layer.amount, 0.32)
