"""Vehicle inlets: Type 1, Type 2, combined and compact oval, with male pins, in a pocket of a car panel.

Contact positions of Type 1 and Type 2 come from the family table, mirrored as inlets are. The pair of large
direct-current pins and the compact inlet are drawn from memory, sizes varied (no source).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from data_tools.rendering.coats import Coat, Noise, any_colour, cover, linear, plastic
from data_tools.rendering.contours import (
    Array,
    circle,
    fillet,
    inset,
    resample,
    rounded_rectangle,
    superellipse,
)
from data_tools.rendering.fittings import nose_outline, rubber_cap, screw_head, strap
from data_tools.rendering.others.inserts import Hole, collar, insert, jittered
from data_tools.rendering.shapes import Solid, cap, euler, join, lathe, plate, walls
from data_tools.rendering.spec import Mesh
from data_tools.rendering.surfaces import moved
from data_tools.rendering.vehicle import body_panels
from model.families import FAMILIES, Family


def ac_holes(row: Family) -> list[Hole]:
    """Return the inlet's holes for a family: mirrored contacts, slightly wider than the sleeves."""
    return [Hole(-c.x, c.y, 0.5 * c.sleeve_diameter + 0.3, 0.3 * c.bore_diameter) for c in row.contacts]


def _ac_face(rng: np.random.Generator, row: Family, noise: Noise, coat: Coat) -> tuple[list[Mesh], Array]:
    """Return the round part of an inlet and the outline of its collar's outside."""
    bore = nose_outline(row, rng.uniform(0.6, 1.4))
    thickness, stand = rng.uniform(2.0, 4.5), rng.uniform(4, 26)
    meshes = insert(rng, bore, jittered(rng, ac_holes(row)), 0.0, coat, noise)
    meshes += collar(bore, thickness, stand, -12.0, coat, noise)
    if row.has_latch:
        ledge = plate(rounded_rectangle(rng.uniform(9, 15), 7, 1.5), top=stand - 1, bottom=-10, back=True)
        meshes.append(cover("ledge", ledge.moved((0, 0.5 * row.nose_height + 6.5, 0)), coat, noise))
    return meshes, inset(bore, -thickness)


def _dc_face(rng: np.random.Generator, row: Family, noise: Noise, coat: Coat) -> tuple[list[Mesh], Array]:
    apart, below = rng.uniform(11.5, 14.5), -0.5 * row.nose_height + row.nose_centre[1] - rng.uniform(15, 19)
    bore = rounded_rectangle(4 * apart, rng.uniform(28, 33), 14, (0.0, below))
    large = Hole(0, 0, rng.uniform(8.2, 10.0), rng.uniform(3.6, 4.4))
    pair = [Hole(side * apart, below, large.radius, large.pin) for side in (-1.0, 1.0)]
    thickness = rng.uniform(2.0, 4.0)
    stand = rng.uniform(2, 20)
    meshes = insert(rng, bore, jittered(rng, pair), 0.0, coat, noise)
    return meshes + collar(bore, thickness, stand, -12.0, coat, noise), inset(bore, -thickness)


def _pocket(
    rng: np.random.Generator, noise: Noise, taken: list[Array], coat: Coat, centre: tuple[float, float]
) -> list[Mesh]:
    """Return the recess around the inlet, the car panel, the flap, and what hangs or shines in the pocket."""
    reach = np.concatenate(taken)
    size = 2 * np.abs(reach - np.asarray(centre)).max(axis=0) + rng.uniform(14, 70, 2)
    if rng.random() < 0.5:
        hole = superellipse(size[0] * 1.1, size[1] * 1.1, rng.uniform(2.2, 5.0), 120, centre)
    else:
        hole = rounded_rectangle(float(size[0]), float(size[1]), rng.uniform(8, 0.5 * min(size)), centre)
    hole = resample(hole, 3.0)
    depth, floor, taper = rng.uniform(8, 55), -rng.uniform(4, 8), rng.uniform(0.0, 4.0)
    inside = coat if rng.random() < 0.7 else plastic(rng)
    floor_cap = cap(inset(hole, taper), _unoverlapped(taken), floor, 3.5)
    wall = walls(hole[::-1], [(5.0, depth - 6.0), (0.0, depth - 3.0), (-taper, floor)])
    meshes = [cover("pocket", floor_cap, inside, noise), cover("pocket", wall, inside, noise)]
    if rng.random() < 0.85:
        width = rng.uniform(400, 1100)
        panels = body_panels(rng, width, width * rng.uniform(0.6, 1.0), noise, (inset(hole, -1.0),))
        meshes += moved(panels, np.array([0.0, 0.0, depth]))
        if rng.random() < 0.75:
            meshes += _flap(rng, noise, hole, depth, panels[0])
    else:
        ring = plate(inset(hole, -rng.uniform(6, 25)), [hole], top=depth, bottom=depth - 8, bevel=2.0)
        meshes.append(cover("bezel", ring, plastic(rng), noise))
    return meshes + _ornaments(rng, noise, hole, floor, reach)


def _unoverlapped(taken: list[Array]) -> list[Array]:
    """Return the outlines whose inside is cut out of the pocket's floor (a little smaller, so none gapes)."""
    return [resample(inset(outline, 1.5), 1.5) for outline in taken]


def _flap(rng: np.random.Generator, noise: Noise, hole: Array, depth: float, panel: Mesh) -> list[Mesh]:
    """Return the open flap, hinged at one side of the hole, inner side lined with plastic."""
    low, high = hole.min(axis=0), hole.max(axis=0)
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    outline = hole - middle
    outer = plate(outline, top=1.5, bottom=0.0, bevel=1.0, spacing=8, back=True)
    lining = plate(inset(outline, 4.0), top=4.0, bottom=1.0, bevel=1.0, spacing=6)
    paint = panel.attributes["albedo"].mean(axis=0)
    shift = np.array([half[0] + 2, 0.0, 0.0])
    side, opened = rng.uniform(0, 360), rng.uniform(75, 165)
    if rng.random() < 0.8:
        side = float(rng.choice([0.0, 90.0, 180.0]))
        shift[0] = half[1 if side == 90.0 else 0] + 2
        if side == 90.0:
            outer, lining = outer.moved(turn=euler(z=-90)), lining.moved(turn=euler(z=-90))
    # Seen shut, the flap lies over the hole with its lining down; it swings about the far edge.
    shut, swing = euler(x=180.0), euler(y=opened)
    hinge = np.array([shift[0], 0.0, depth + 2.0])
    meshes = []
    for name, solid, coat in (
        ("flap", outer, Coat((float(paint[0]), float(paint[1]), float(paint[2])), 0.15, mottle=0.02)),
        ("flap_lining", lining, plastic(rng)),
    ):
        placed = solid.moved(turn=shut).moved(-shift).moved(turn=swing).moved(hinge)
        meshes.append(cover(name, placed.moved(turn=euler(z=side)).moved((*middle, 0.0)), coat, noise))
    return meshes


def _ornaments(rng: np.random.Generator, noise: Noise, hole: Array, floor: float, reach: Array) -> list[Mesh]:
    meshes: list[Mesh] = []
    half = np.abs(hole).max(axis=0)
    for _ in range(rng.integers(0, 4)):
        screw = screw_head(rng, rng.uniform(2.5, 5), noise)
        meshes += moved(
            screw, np.array([rng.choice([-1, 1]) * 0.85 * half[0], rng.uniform(-0.6, 0.6) * half[1], floor])
        )
    if rng.random() < 0.5:
        lens = lathe(fillet([(0, 2.5), (rng.uniform(2, 6), 2.0), (6, -1)], 1), 24)
        lit = Coat(linear(rng.choice([0.33, 0.58, 0.0, 0.12]), 0.7, 0.95), 0.2)
        meshes.append(
            cover("lamp", lens.moved((rng.uniform(-0.6, 0.6) * half[0], 0.88 * half[1], floor)), lit, noise)
        )
    if rng.random() < 0.3:
        label = plate(
            rounded_rectangle(rng.uniform(10, 24), rng.uniform(7, 16), 1.5), top=0.6, bottom=0.0, bevel=0.2
        )
        at = (rng.choice([-1, 1]) * 0.8 * half[0], rng.uniform(-0.5, 0.7) * half[1], floor)
        meshes.append(cover("sticker", label.moved(at), Coat(any_colour(rng), 0.4), noise))
    return meshes


def _hanging_cap(rng: np.random.Generator, noise: Noise, outline: Array, from_side: float) -> list[Mesh]:
    middle = 0.5 * (outline.min(axis=0) + outline.max(axis=0))
    solid, coat = rubber_cap(rng, outline - middle, noise)
    start = np.array([middle[0] + from_side * np.ptp(outline[:, 0]) * 0.55, middle[1], 2.0])
    place = start + np.array([from_side * rng.uniform(12, 40), -rng.uniform(5, 60), rng.uniform(12, 35)])
    turn = euler(rng.normal(0, 35), rng.choice([0.0, 180.0]) + rng.normal(0, 40), rng.uniform(0, 360))
    return [
        cover("loose_cap", solid.moved(place, turn), coat, noise),
        cover("strap", strap(rng, start, place, 6.0), coat, noise),
    ]


def _inlet(rng: np.random.Generator, noise: Noise, family_key: str, *, combined: bool) -> list[Mesh]:
    row, coat = FAMILIES[family_key], plastic(rng)
    meshes, outline = _ac_face(rng, row, noise, coat)
    taken = [outline]
    if combined:
        lower, dc_outline = _dc_face(rng, row, noise, coat)
        meshes += lower
        taken.append(dc_outline)
    if rng.random() < 0.45:
        meshes += _hanging_cap(
            rng, noise, taken[-1] if rng.random() < 0.6 else outline, rng.choice([-1.0, 1.0])
        )
    low, high = np.concatenate(taken).min(axis=0), np.concatenate(taken).max(axis=0)
    centre = 0.5 * (low + high)
    return meshes + _pocket(rng, noise, taken, coat, (float(centre[0]), float(centre[1])))


def _type1(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    return _inlet(rng, noise, "type1", combined=False)


def _type2(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    return _inlet(rng, noise, "type2", combined=False)


def _combined(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    return _inlet(rng, noise, str(rng.choice(["type1", "type2"])), combined=True)


def _oval(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """A compact inlet: two large pins above, three small ones below, in an egg-shaped recess."""
    coat = plastic(rng)
    width, height = rng.uniform(34, 44), rng.uniform(29, 37)
    bore = superellipse(width, height, rng.uniform(2.2, 3.2), 110)
    bore[:, 0] *= 1 + 0.006 * bore[:, 1]
    apart, low = 0.23 * width, -0.22 * height
    holes = [Hole(s * apart, 0.13 * height, 5.4, 3.0) for s in (-1.0, 1.0)]
    holes += [Hole(s * 0.3 * width, low, 2.2, 1.2) for s in (-1.0, 1.0)] + [Hole(0.0, low - 2.0, 3.6, 2.0)]
    meshes = insert(rng, bore, jittered(rng, holes), 0.0, coat, noise)
    thickness = rng.uniform(1.5, 4.0)
    meshes += collar(bore, thickness, rng.uniform(3, 18), -12.0, coat, noise)
    return meshes + _pocket(rng, noise, [inset(bore, -thickness)], coat, (0.0, 0.0))


def _shut_flap(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """A closed flap: a panel, a thin dark gap, a panel."""
    hole = superellipse(rng.uniform(110, 190), rng.uniform(110, 190), rng.uniform(2.0, 6.0), 140)
    panels = body_panels(rng, rng.uniform(450, 900), rng.uniform(400, 700), noise, (hole,))
    flap = plate(
        inset(hole, rng.uniform(0.8, 2.0)), top=rng.uniform(-1, 1), bottom=-8.0, bevel=1.5, spacing=8
    )
    paint = panels[0].attributes["albedo"].mean(axis=0)
    coat = Coat(
        (float(paint[0]), float(paint[1]), float(paint[2])), 0.15, mottle=0.02, grime=rng.beta(0.8, 4)
    )
    back = Solid(*_disc(float(np.abs(hole).max()) + 3, -9.0))
    return [
        *panels,
        cover("flap", flap, coat, noise),
        cover("gap", back, Coat((0.01, 0.01, 0.01), 0.9), noise),
    ]


def _disc(radius: float, z: float) -> tuple[Array, np.ndarray]:
    flat = join([cap(circle(radius, 48), (), z, radius / 4)])
    return flat.vertices, flat.faces


MAKERS: dict[str, Callable[[np.random.Generator, Noise], list[Mesh]]] = {
    "type1_inlet": _type1,
    "type2_inlet": _type2,
    "combined_inlet": _combined,
    "oval_inlet": _oval,
    "shut_flap": _shut_flap,
}
