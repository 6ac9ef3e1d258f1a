"""A coupler ready to be photographed: its meshes, maps and what has come near it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.gorse.body import build_body, build_latch
from data_tools.studios.gorse.company import cable_tie, finger_in_front, hanging_cap, holding_hand
from data_tools.studios.gorse.head import build_contacts, build_head, outline
from data_tools.studios.gorse.make import Damage, Make, dice
from data_tools.studios.gorse.paint import paint_face
from data_tools.studios.gorse.solids import Mesh
from data_tools.studios.gorse.stage import Maps

FINE_STEP, COARSE_STEP = 0.47, 0.8
"""Sides of a cell of the face's grid, mm, for full pictures and for small ones."""


@dataclass(frozen=True)
class Subject:
    """The coupler with its damages."""

    make: Make
    damages: tuple[Damage, ...]
    meshes: list[Mesh]
    maps: Maps
    dirt: tuple[str, ...]


def build_subject(make: Make, damages: tuple[Damage, ...], fine: bool) -> Subject:
    """Build a coupler; without damages it is the intact twin of the same make."""
    step = FINE_STEP if fine else COARSE_STEP
    canvas, maps, dirt = paint_face(make, damages)
    head, latch = build_head(make, damages, step), build_latch(make, damages, step)
    outside = outline(make.family, head.vertices[:, 0], head.vertices[:, 1]) > -0.5 * make.wall
    head.uv = canvas.uv(head.vertices, head.normals, np.where(outside, 30.0, 11.0))
    meshes = [head, *build_contacts(make, damages), *build_body(make)]
    if latch is not None:
        canvas.dress(latch, make.shell)
        meshes.append(latch)
    return Subject(make, damages, meshes, maps, dirt)


def draw_company(rng: np.random.Generator, make: Make) -> tuple[list[Mesh], tuple[str, ...]]:
    """Draw what touches the coupler or hangs about it, with words for it."""
    meshes: list[Mesh] = []
    words: list[str] = []
    if rng.uniform() < 0.45:
        meshes.append(holding_hand(rng, make))
        words.append("hand")
    draw = rng.uniform()
    if draw < 0.07:
        meshes.append(finger_in_front(rng, make))
        words.append("finger")
    elif draw < 0.2:
        covering = draw < 0.12
        meshes += hanging_cap(rng, make, covering)
        words.append("cap in front" if covering else "cap")
    if rng.uniform() < 0.06:
        meshes.append(cable_tie(dice(make.seed, 41), make))
        words.append("tie")
    return meshes, tuple(words)
