"""Hands, caps, cables and cloths around or in front of a coupler face, and what stands behind it.

``sample_props`` and ``sample_background`` are what the scene calls; everything is in face-plane mm.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import Rotation

from data_tools.rendering.backgrounds import sample_background
from data_tools.rendering.coats import Noise, any_colour, cover, painted, plastic
from data_tools.rendering.contours import Array, rounded_rectangle
from data_tools.rendering.fittings import (
    cable,
    cable_loops,
    cloth,
    nose_outline,
    rubber_cap,
    strap,
)
from data_tools.rendering.hand_finish import dressed, sample_wear
from data_tools.rendering.hands import THUMB, Hand, gripping_hand, open_hand
from data_tools.rendering.shapes import aim, euler, plate
from data_tools.rendering.spec import Mesh
from data_tools.rendering.surfaces import fitting, kept_behind
from model.families import Family, family

__all__ = ["COVERS", "Cover", "sample_background", "sample_props"]

Cover = Literal["none", "beside", "partly", "hidden"]
COVERS: tuple[Cover, ...] = ("none", "beside", "partly", "hidden")
"""How much the props hide of the face; only ``partly`` and ``hidden`` put anything in front of it."""

_MOST_TRIANGLES = 60_000
_Maker = Callable[[np.random.Generator, Family, Noise], list[Mesh]]


def sample_props(rng: np.random.Generator, family_key: str, *, cover: str) -> list[Mesh]:
    """Return props for one photo of a ``family_key`` coupler, at most 60,000 triangles.

    ``cover`` says where they are: ``none`` only behind; ``beside`` a hand, cap or cable next to the face;
    ``partly`` something over one or two sleeves or the rim; ``hidden`` most of the face covered.

    Raises:
        ValueError: unknown ``cover``.
        UnknownFamilyError: unknown ``family_key``.
    """
    row = family(family_key)
    if cover not in _MAKERS:
        message = f"cover must be one of {', '.join(COVERS)}; came {cover!r}"
        raise ValueError(message)
    makers, chances = zip(*_MAKERS[cover], strict=True)
    chosen: _Maker = makers[int(rng.choice(len(makers), p=np.array(chances) / sum(chances)))]
    noise = Noise(rng)
    meshes = chosen(rng, row, noise)
    if cover != "none" and rng.random() < 0.3:
        loops = kept_behind(cable_loops(rng, _behind(rng), noise), -60.0)
        meshes += fitting(meshes, loops, _MOST_TRIANGLES)
    return meshes


def pointing_hand(
    rng: np.random.Generator, target: ArrayLike, finger: int, *, step: float = 2.5
) -> list[Mesh]:
    """Return a hand whose ``finger`` (0..3, or 4 for the thumb) touches ``target`` (mm) from some side."""
    wear = sample_wear(rng)
    curl = rng.uniform(0.55, 0.95, 4)
    if finger != THUMB:
        curl[finger] = rng.uniform(0.0, 0.25)
        if rng.random() < 0.25:
            curl[(finger + 1) % 3] = rng.uniform(0.1, 0.4)
    hand = open_hand(rng, curl, thumb_out=rng.uniform(0.0, 1.0), fatness=wear.fatness)
    side = np.radians(rng.uniform(0, 360))
    reach = np.array([-np.cos(side), -np.sin(side), -rng.uniform(0.05, 0.75)])
    placed = _pointed(rng, hand, finger, reach, mirror=rng.random() < 0.4)
    return dressed(
        rng, placed.moved(Rotation.identity(), np.asarray(target) - placed.tip(finger)), wear, step=step
    )


def grip(rng: np.random.Generator, row: Family, *, step: float = 2.5) -> list[Mesh]:
    """Return a hand round the nose's collar or the handle behind it, never in front of the face."""
    wear = sample_wear(rng)
    radius = 0.25 * (row.nose_width + row.nose_height) + rng.uniform(1.0, 9.0)
    hand = gripping_hand(rng, radius, fatness=wear.fatness)
    depth = rng.uniform(-14, -11) if rng.random() < 0.4 else rng.uniform(-45, -14)
    centre = np.array([*row.nose_centre, depth])
    turn = euler(z=rng.uniform(0, 360))
    if rng.random() < 0.3:  # little finger to the front
        turn = turn * euler(x=180.0)
        centre[2] -= 55.0
    return dressed(rng, hand.moved(turn, centre, mirror=rng.random() < 0.5), wear, step=step)


def _pointed(rng: np.random.Generator, hand: Hand, finger: int, reach: Array, *, mirror: bool) -> Hand:
    last = [b for b in hand.bones if b.finger == finger][-1]
    flip = np.array([-1.0 if mirror else 1.0, 1.0, 1.0])
    along, dorsal = (last.end - last.start) * flip, last.dorsal * flip
    roll = Rotation.from_rotvec(reach / np.linalg.norm(reach) * np.radians(rng.normal(0, 35)))
    towards_viewer = roll.apply([0.0, 0.0, 1.0])
    turn, _ = Rotation.align_vectors(
        [reach / np.linalg.norm(reach), towards_viewer], [along, dorsal], [100.0, 1.0]
    )
    return hand.moved(turn, (0.0, 0.0, 0.0), mirror=mirror)


def _behind(rng: np.random.Generator) -> Array:
    angle, reach = rng.uniform(0, 2 * np.pi), rng.uniform(60, 240)
    return np.array([reach * np.cos(angle), reach * np.sin(angle), rng.uniform(-320, -130)])


def _targets(rng: np.random.Generator, row: Family) -> Array:
    """Return a point on a sleeve, between two, on the rim or at the latch."""
    centres = row.contact_centres()
    first = centres[rng.integers(len(centres))]
    kind = rng.random()
    if kind < 0.45:
        return np.asarray(first + rng.normal(0, 2.0, 2))
    if kind < 0.7:
        order = np.argsort(np.linalg.norm(centres - first, axis=1))
        return np.asarray(0.5 * (first + centres[order[1]]) + rng.normal(0, 1.5, 2))
    if kind < 0.85 and row.latch_zone is not None:
        return np.array([rng.uniform(-6, 6), rng.uniform(22, 32)])
    angle = rng.uniform(0, 2 * np.pi)
    half = 0.5 * np.array([row.nose_width, row.nose_height])
    out = half * np.array([np.cos(angle), np.sin(angle)]) * rng.uniform(0.8, 1.0)
    return np.asarray(np.asarray(row.nose_centre) + out)


def _nothing(rng: np.random.Generator, row: Family, noise: Noise) -> list[Mesh]:
    return []


def _loops_behind(rng: np.random.Generator, row: Family, noise: Noise) -> list[Mesh]:
    loops = [m for _ in range(rng.integers(1, 3)) for m in cable_loops(rng, _behind(rng), noise)]
    return kept_behind(loops, -60.0)


def _hand_behind(rng: np.random.Generator, row: Family, noise: Noise) -> list[Mesh]:
    wear = sample_wear(rng)
    hand = open_hand(rng, rng.uniform(0.0, 0.9, 4), fatness=wear.fatness)
    meshes = dressed(rng, hand.moved(Rotation.random(rng=rng), _behind(rng), mirror=rng.random() < 0.5), wear)
    return kept_behind(meshes, -70.0)


def _box_behind(rng: np.random.Generator, row: Family, noise: Noise) -> list[Mesh]:
    meshes = []
    for _ in range(rng.integers(1, 4)):
        outline = rounded_rectangle(rng.uniform(30, 220), rng.uniform(30, 300), rng.uniform(2, 15))
        solid = plate(outline, top=0, bottom=-rng.uniform(10, 80), bevel=2, spacing=10)
        place = _behind(rng)
        meshes.append(
            cover(
                "clutter",
                solid.moved(place, euler(rng.normal(0, 12), rng.normal(0, 25))),
                plastic(rng),
                noise,
            )
        )
    return meshes


def _cap_hanging(rng: np.random.Generator, row: Family, noise: Noise) -> list[Mesh]:
    outline = nose_outline(row, rng.uniform(1.5, 3.0)) - np.asarray(row.nose_centre)
    solid, coat = rubber_cap(rng, outline, noise)
    angle = np.radians(rng.normal(-90, 60))
    beside = np.array([np.cos(angle), np.sin(angle)]) * (row.nose_width + rng.uniform(6, 45))
    place = np.array([*(beside + np.asarray(row.nose_centre)), rng.uniform(-60, -12)])
    face = np.array([rng.normal(0, 0.6), rng.normal(0, 0.6), rng.choice([-1.0, 1.0, 0.25])])
    tether = strap(rng, place, [*(0.35 * beside), rng.uniform(-70, -35)])
    return [
        cover("loose_cap", solid.moved(place, aim(face) * euler(z=rng.uniform(0, 360))), coat, noise),
        cover("strap", tether, coat.but(mottle=0.1), noise),
    ]


def _cable_beside(rng: np.random.Generator, row: Family, noise: Noise) -> list[Mesh]:
    side, thick = rng.choice([-1.0, 1.0]), rng.uniform(4, 9)
    x = side * (row.nose_width / 2 + thick + rng.uniform(12, 60))
    y = np.array([-260.0, -90.0, 30.0, 240.0])
    knots = np.column_stack([x * (1 + rng.uniform(0, 0.6, 4)), y, rng.uniform(-70, -18, 4)])
    return [cable(rng, euler(z=rng.normal(0, 50)).apply(knots), noise, thick)]


def _grip(rng: np.random.Generator, row: Family, noise: Noise) -> list[Mesh]:
    return grip(rng, row)


def _thumb_on_lever(rng: np.random.Generator, row: Family, noise: Noise) -> list[Mesh]:
    """Return a hand whose thumb rests on the lever behind the hook, as one holds a coupler to open it."""
    if row.latch_zone is None:
        return grip(rng, row)
    target = np.array([rng.uniform(-7, 7), rng.uniform(30, 38), rng.uniform(-34, -14)])
    finger = THUMB if rng.random() < 0.75 else 0
    return kept_behind(pointing_hand(rng, target, finger), -1.0)


def _grip_and_cap(rng: np.random.Generator, row: Family, noise: Noise) -> list[Mesh]:
    return grip(rng, row, step=2.6) + _cap_hanging(rng, row, noise)


def _finger_over(rng: np.random.Generator, row: Family, noise: Noise) -> list[Mesh]:
    target = np.array([*_targets(rng, row), rng.uniform(8, 13)])
    return pointing_hand(rng, target, int(rng.choice([0, 0, 0, 1, THUMB])))


def _cap_edge(rng: np.random.Generator, row: Family, noise: Noise) -> list[Mesh]:
    outline = nose_outline(row, rng.uniform(1.5, 3.0)) - np.asarray(row.nose_centre)
    solid, coat = rubber_cap(rng, outline, noise)
    angle, half = rng.uniform(0, 2 * np.pi), 0.5 * row.nose_width
    out = np.array([np.cos(angle), np.sin(angle), 0.0])
    place = out * half * rng.uniform(1.0, 1.45) + np.array([*row.nose_centre, rng.uniform(10, 22)])
    tilt = aim(np.array([0.0, 0.0, 1.0]) - out * rng.uniform(-0.6, 0.8))
    tether = strap(rng, place, [*(out[:2] * half * 1.3), rng.uniform(-70, -40)])
    return [cover("loose_cap", solid.moved(place, tilt), coat, noise), cover("strap", tether, coat, noise)]


def _cable_across(rng: np.random.Generator, row: Family, noise: Noise) -> list[Mesh]:
    target, turn, thick = _targets(rng, row), euler(z=rng.uniform(0, 360)), rng.uniform(2.0, 7.0)
    knots = np.array([[-260.0, 0, 0], [-70, 0, 0], [0, 0, 0], [70, 0, 0], [260, 0, 0]])
    knots[:, 1] = rng.normal(0, 14, 5) * [3, 1, 0.1, 1, 3]
    knots[:, 2] = rng.uniform(-25, 10, 5) * [2, 0.6, 0, 0.6, 2]
    return [cable(rng, turn.apply(knots) + np.array([*target, thick + rng.uniform(2, 14)]), noise, thick)]


def _cap_on(rng: np.random.Generator, row: Family, noise: Noise) -> list[Mesh]:
    solid, coat = rubber_cap(
        rng, nose_outline(row, rng.uniform(1.2, 3.0)) - np.asarray(row.nose_centre), noise
    )
    lift, tilt = rng.uniform(4, 9), euler(rng.normal(0, 5), rng.normal(0, 5), rng.normal(0, 8))
    slip = np.clip(rng.normal(0, 2.5, 2), -5, 5)
    place = np.array([*(np.asarray(row.nose_centre) + slip), lift])
    meshes = [cover("loose_cap", solid.moved(place, tilt), coat, noise)]
    end = np.array([*(place[:2] + rng.normal(0, 45, 2)), -60.0])
    return [*meshes, cover("strap", strap(rng, place - [0, 0, 8], end), coat, noise)]


def _palm_over(rng: np.random.Generator, row: Family, noise: Noise) -> list[Mesh]:
    wear = sample_wear(rng)
    hand = open_hand(rng, rng.uniform(0.0, 0.35), thumb_out=rng.random(), fatness=wear.fatness)
    turn = euler(z=rng.uniform(0, 360)) * euler(rng.normal(0, 12), rng.normal(0, 12))
    if rng.random() < 0.35:
        turn = turn * euler(y=180.0)
    middle = np.array(
        [
            *(np.asarray(row.nose_centre) + np.clip(rng.normal(0, 12, 2), -18, 18)),
            rng.uniform(17, 32) * wear.fatness,
        ]
    )
    placed = hand.moved(turn, (0.0, 0.0, 0.0), mirror=rng.random() < 0.5)
    centre = np.mean(
        [b.start for b in placed.bones if b.segment == 0 and b.finger >= 0 and b.finger < 4], axis=0
    )
    return dressed(rng, placed.moved(Rotation.identity(), middle - 0.8 * centre), wear)


def _cloth_over(rng: np.random.Generator, row: Family, noise: Noise) -> list[Mesh]:
    size = row.nose_width * rng.uniform(1.9, 3.8)
    solid, folds = cloth(rng, size, size * rng.uniform(0.8, 1.3), noise, drape=rng.uniform(4, 10), cells=110)
    albedo = np.asarray(any_colour(rng)) * (1 + 0.12 * folds + 0.05 * noise(solid.vertices, 3.0, 2))[:, None]
    if rng.random() < 0.3:  # checks or stripes
        period = rng.uniform(6, 30)
        stripe = (
            np.sin(solid.vertices[:, 0] * 6.28 / period)
            * (np.sin(solid.vertices[:, 1] * 6.28 / period) + 0.5)
            > 0.3
        )
        albedo[stripe] = np.asarray(any_colour(rng))
    place = np.array([*(np.asarray(row.nose_centre) + rng.normal(0, 5, 2)), rng.uniform(14, 24)])
    placed = solid.moved(place, euler(rng.normal(0, 10), rng.normal(0, 10), rng.uniform(0, 360)))
    return [painted("cloth", "cloth", placed, albedo, rng.choice([0.2, 0.85]) + 0.05 * folds)]


_MAKERS: dict[str, tuple[tuple[_Maker, float], ...]] = {
    "none": ((_nothing, 0.3), (_loops_behind, 0.3), (_hand_behind, 0.15), (_box_behind, 0.25)),
    "beside": (
        (_grip, 0.38),
        (_thumb_on_lever, 0.2),
        (_grip_and_cap, 0.12),
        (_cap_hanging, 0.16),
        (_cable_beside, 0.14),
    ),
    "partly": ((_finger_over, 0.6), (_cap_edge, 0.2), (_cable_across, 0.2)),
    "hidden": ((_palm_over, 0.4), (_cap_on, 0.35), (_cloth_over, 0.25)),
}
