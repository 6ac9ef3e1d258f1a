"""Small things that lie on or in a coupler: debris of a break, crumbs, insects, leaves, threads, drops."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from data_tools.rendering.breakage import Break
from data_tools.rendering.mouths import Mouth
from data_tools.rendering.shell import plain_mesh
from data_tools.rendering.spec import CouplerSpec, Mesh
from data_tools.rendering.sweep import lump, sheet_faces, tube
from model.families import family

Piece = tuple[Mesh, tuple[float, ...], float]
"""A loose mesh with its colour (linear RGB) and roughness."""


def build_loose(spec: CouplerSpec, breaks: Sequence[Break]) -> list[Piece]:
    """Return loose meshes, each with its colour (linear RGB) and roughness."""
    found: list[Piece] = []
    for hit in breaks:
        found += _debris(spec, hit)
    soiling = spec.soiling
    for x, y, size, seed in soiling["crumbs"]:
        rng = np.random.default_rng(int(seed))
        colour = [
            (0.03, 0.03, 0.03),
            (0.2, 0.13, 0.07),
            (0.4, 0.38, 0.33),
            tuple(spec.finish["shell"]),
            tuple(spec.finish["sleeve"]),
        ][int(rng.integers(5))]
        found.append((_lump(spec, rng, (x, y), size * 0.55, "crumb"), colour, 0.85))
    for x, y, size, seed in soiling["insects"]:
        found += _insect(spec, np.random.default_rng(int(seed)), (x, y), size)
    for x, y, size, seed in soiling["leaves"]:
        found.append(_leaf(spec, np.random.default_rng(int(seed)), (x, y), size))
    if soiling["threads"]:
        found.append((_threads(soiling["threads"]), (0.55, 0.54, 0.5), 0.7))
    return found


def resting_height(spec: CouplerSpec, x: float, y: float) -> float:
    """Return about where something lying on the face at x, y would rest, mm."""
    shape, build = family(spec.family), spec.build
    away = np.hypot(shape.contact_centres()[:, 0] - x, shape.contact_centres()[:, 1] - y)
    for index, (contact, distance) in enumerate(zip(shape.contacts, away, strict=True)):
        if contact.bore_diameter / 2 < distance < contact.sleeve_diameter / 2:
            at = np.array([x - contact.x], np.float32), np.array([y - contact.y], np.float32)
            return -float(Mouth(shape, build, index).lowered(*at)[0])
        if distance <= contact.bore_diameter / 2:
            return -8.0
    return float(build["body_top"]) if build["style"] == "body" else -float(build["floor_depth"])


def _lump(
    spec: CouplerSpec, rng: np.random.Generator, at: tuple[float, float], size: float, part: str
) -> Mesh:
    vertices, faces = lump(rng, (size, size * rng.uniform(0.5, 1.0), size * rng.uniform(0.25, 0.7)), 0.3)
    vertices = vertices + (at[0], at[1], resting_height(spec, *at) + 0.3 * size)
    return plain_mesh(part, "plastic", vertices, faces, smooth=False)


def _debris(spec: CouplerSpec, hit: Break) -> list[Piece]:
    """Return pieces of the broken sleeve lying about it; often there are none left."""
    rng = np.random.default_rng(hit.damage.seed + 77)
    if hit.damage.mode == "crack" or rng.random() < 0.5:
        return []
    own = np.array(spec.finish["sleeve"])
    pieces: list[Piece] = []
    for _ in range(1 + int(rng.integers(0, 2 + int(4 * hit.damage.severity)))):
        angle, away = rng.uniform(-np.pi, np.pi), rng.uniform(0.2, 2.0) * hit.radius
        at = (hit.centre[0] + away * np.cos(angle), hit.centre[1] + away * np.sin(angle))
        size = rng.uniform(0.4, 0.8 + 1.8 * hit.damage.severity)
        colour = own + hit.lighter * rng.uniform(0, 1) * (0.5 - own)
        pieces.append((_lump(spec, rng, at, size, "debris"), tuple(float(v) for v in colour), 0.75))
    return pieces


def _insect(spec: CouplerSpec, rng: np.random.Generator, at: tuple[float, float], size: float) -> list[Piece]:
    """Return a dead insect: three dark lumps in a row, some legs and perhaps wings."""
    height = resting_height(spec, *at) + 0.5 * size
    turn = rng.uniform(0, 6.28)
    along = np.array([np.cos(turn), np.sin(turn), 0.0])
    across = np.array([-np.sin(turn), np.cos(turn), 0.0])
    middle = np.array([at[0], at[1], height])
    colour = [(0.01, 0.009, 0.008), (0.05, 0.025, 0.012), (0.12, 0.09, 0.03)][int(rng.integers(3))]
    pieces: list[Piece] = []
    for step, scale in ((-0.9, 0.75), (0.0, 0.5), (0.65, 0.32)):
        vertices, faces = lump(rng, (0.8 * size * scale,) * 3, 0.08)
        pieces.append(
            (plain_mesh("insect", "plastic", vertices + middle + along * size * step, faces), colour, 0.4)
        )
    for side in (-1, 1):
        for step in (-0.3, 0.0, 0.3):
            foot = middle + along * size * step * 2.2 + across * side * size * 0.9 - [0, 0, 0.4 * size]
            path = np.linspace(middle + along * size * step, foot, 4)
            vertices, faces = tube(path, np.full(4, 0.06 * size), np.full(4, 0.06 * size), 5)
            pieces.append((plain_mesh("insect", "plastic", vertices, faces), colour, 0.5))
    return pieces


def _leaf(spec: CouplerSpec, rng: np.random.Generator, at: tuple[float, float], size: float) -> Piece:
    """Return a dry curled leaf or a scrap of paper."""
    u, v = np.meshgrid(np.linspace(-1, 1, 13), np.linspace(-1, 1, 7), indexing="ij")
    half = np.clip(1 - u**2, 0.02, 1) if rng.random() < 0.7 else np.ones_like(u)
    long, wide, curl = size * rng.uniform(1.5, 4.0), size * rng.uniform(0.6, 1.5), rng.uniform(-0.5, 0.8)
    flat = np.stack([u * long, v * half * wide, curl * size * (u**2 + (v * half) ** 2)], -1).reshape(-1, 3)
    turn = rng.uniform(0, 6.28)
    spin = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    vertices = flat @ spin.T + (at[0], at[1], resting_height(spec, *at) + 0.6 * size)
    colours = [(0.16, 0.09, 0.03), (0.10, 0.14, 0.03), (0.28, 0.17, 0.05), (0.6, 0.58, 0.52)]
    return (
        plain_mesh("leaf", "plastic", vertices, sheet_faces(13, 7, False, False)),
        colours[int(rng.integers(4))],
        0.7,
    )


def _threads(threads: list[list[float]]) -> Mesh:
    """Return cobweb threads hanging across the mouth as one mesh of thin tubes."""
    all_vertices: list[NDArray[Any]] = []
    all_faces: list[NDArray[Any]] = []
    used = 0
    for x0, y0, x1, y1, sag in threads:
        t = np.linspace(0, 1, 9)
        path = np.stack(
            [
                x0 + t * (x1 - x0),
                y0 + t * (y1 - y0) - sag * np.sin(np.pi * t),
                -0.4 - sag * np.sin(np.pi * t),
            ],
            1,
        )
        vertices, faces = tube(path, np.full(9, 0.07), np.full(9, 0.07), 4)
        all_vertices.append(vertices)
        all_faces.append(faces + used)
        used += len(vertices)
    return plain_mesh("thread", "plastic", np.concatenate(all_vertices), np.concatenate(all_faces))


def build_drops(spec: CouplerSpec) -> list[Mesh]:
    """Return water drops as glass domes on the sleeve mouths, the rim and the insulating body."""
    shape, build = family(spec.family), spec.build
    rows, columns = 6, 14
    polar = np.linspace(0, np.pi, rows)[:, None]
    around = np.linspace(0, 2 * np.pi, columns, endpoint=False)[None, :]
    unit = np.stack(
        [np.sin(polar) * np.cos(around), np.sin(polar) * np.sin(around), np.cos(polar) + 0 * around], -1
    ).reshape(-1, 3)
    pieces, used, faces = [], 0, []
    for x, y, radius in spec.soiling["drops"]:
        edge = np.hypot(x, y - shape.nose_centre[1]) - shape.nose_height / 2
        if -build["nose_wall"] + 0.3 < edge < -0.3:
            height = float(build["recess"])
        else:
            height = resting_height(spec, x, y)
        if height < -6.5 or edge > -0.3:
            continue
        pieces.append(unit * [radius, radius, 0.55 * radius] + [x, y, height])
        faces.append(sheet_faces(rows, columns, False, True) + used)
        used += len(unit)
    if not pieces:
        return []
    return [plain_mesh("drops", "glass", np.concatenate(pieces), np.concatenate(faces))]
