"""Sockets of other trades, holsters and hose couplings: round things with holes that are no coupler face."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from data_tools.rendering.coats import Coat, Noise, any_colour, cover, linear, metal, plastic, rubber
from data_tools.rendering.contours import (
    Array,
    circle,
    fillet,
    inset,
    rectangle_bar,
    resample,
    rounded_rectangle,
    superellipse,
)
from data_tools.rendering.fittings import nose_outline, screw_head, smooth_path
from data_tools.rendering.others.inserts import Hole, collar, insert, jittered, ring_of, sleeved
from data_tools.rendering.shapes import cup, euler, join, lathe, plate, tube
from data_tools.rendering.spec import Mesh
from data_tools.rendering.surfaces import moved, wall
from data_tools.rendering.vehicle import bulged
from model.families import FAMILIES


def wall_socket(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return a domestic socket, single or in a row: a plate, a well or flat face, round or slotted holes."""
    coat, side = plastic(rng), rng.uniform(70, 90)
    if rng.random() < 0.5:
        coat = coat.but(albedo=linear(0.1, rng.uniform(0, 0.12), rng.uniform(0.75, 0.97)))
    count, well = int(rng.choice([1, 1, 2, 3])), rng.uniform(17, 22)
    sunk = rng.uniform(8, 17)
    sunken, kind = rng.random() < 0.55, str(rng.choice(["round", "slots", "three_slots", "five"]))
    turn, offset = euler(z=rng.choice([0.0, 90.0])), (count - 1) / 2
    meshes: list[Mesh] = []
    for k in range(count):
        holes = _outlet_holes(kind)
        outline = rounded_rectangle(side, side, rng.uniform(2, 12))
        face = circle(well, 60)
        if sunken:
            frame = plate(outline, [face], top=0.0, bottom=-sunk - 2, bevel=1.5, spacing=4)
            parts, z = [frame, cup(face, -1.0, -sunk, holes=holes, spacing=2.5)], -sunk
        else:
            parts, z = [plate(outline, holes, top=0.0, bottom=-sunk - 2, bevel=1.0, spacing=2.5)], -1.0
        meshes.append(
            cover("socket", join(parts).moved((side * 0.96 * (k - offset), 0, 0), turn), coat, noise)
        )
        cups = join([cup(hole, z, z - 14) for hole in holes]).moved((side * 0.96 * (k - offset), 0, 0), turn)
        meshes.append(cover("bores", cups, coat.but(albedo=(0.02, 0.02, 0.02)), noise))
    for mesh in meshes:
        mesh.vertices = turn.apply(mesh.vertices).astype(np.float32)
    return meshes + mounted(rng, noise, -sunk - 2)


def _outlet_holes(kind: str) -> list[Array]:
    if kind == "round":
        return [circle(2.6, 24, (x, 0)) for x in (-9.5, 9.5)]
    if kind == "five":
        return [circle(2.4, 20, (h.x, h.y)) for h in ring_of(5, 11.0, 2.4, 1, 0.3)]
    slot = resample(rectangle_bar(2.4, 8.5), 0.8)
    if kind == "slots":
        return [slot + [-6.3, 3.0], slot + [6.3, 3.0], circle(2.8, 24, (0, -7.5))]
    bar = resample(rectangle_bar(8.0, 3.4), 0.8)
    return [resample(rectangle_bar(3.8, 9.0), 0.8) + [0, 9.0], bar + [-10.5, -5.0], bar + [10.5, -5.0]]


def mounted(rng: np.random.Generator, noise: Noise, z: float) -> list[Mesh]:
    """Return a wall close behind, sometimes nothing."""
    if rng.random() < 0.25:
        return []
    meshes = wall(rng, rng.uniform(400, 1200), rng.uniform(400, 900), noise)
    front = max(float(m.vertices[:, 2].max()) for m in meshes)
    return moved(meshes, np.array([0.0, 0.0, z - front]))


def industrial_socket(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return a round industrial socket or appliance inlet with three to five contacts, often with a lid."""
    coat = plastic(rng).but(
        albedo=linear(
            *[(0.0, 0.85, 0.75), (0.6, 0.85, 0.6), (0.14, 0.85, 0.9), (0.0, 0.0, 0.2)][rng.integers(4)]
        )
    )
    count, reach = int(rng.integers(3, 6)), rng.uniform(13, 22)
    holes = jittered(
        rng, ring_of(count, reach, rng.uniform(4.0, 6.0), rng.uniform(2.0, 3.4), rng.uniform(0, 6.3))
    )
    bore = circle(reach + 9, 80)
    if rng.random() < 0.5:
        meshes = sleeved(rng, bore, holes, 0.0, coat if rng.random() < 0.5 else plastic(rng), noise)
    else:
        meshes = insert(rng, bore, holes, 0.0, coat if rng.random() < 0.5 else plastic(rng), noise)
    thick = rng.uniform(3, 7)
    meshes += collar(bore, thick, rng.uniform(2, 30), -40.0, coat, noise)
    if rng.random() < 0.6:
        lid = lathe(
            fillet([(0, 4), (reach + 13, 3), (reach + 15, -9), (reach + 12, -9), (reach + 11, 0), (0, 0)], 2),
            60,
        )
        tilt = euler(x=-rng.uniform(60, 110))
        hinge = np.array([0.0, reach + 16, rng.uniform(5, 15)])
        meshes.append(cover("lid", lid.moved((0, reach + 17, 0)).moved(hinge, tilt), coat, noise))
    if rng.random() < 0.7:
        flange = plate(
            rounded_rectangle(110, 110, 8), [circle(reach + 8, 60)], top=-25, bottom=-33, spacing=5
        )
        meshes.append(cover("flange", flange, plastic(rng) if rng.random() < 0.5 else coat, noise))
        meshes += _corner_screws(rng, noise, 44.0, -25.0)
        return meshes + mounted(rng, noise, -33.0)
    return meshes


def trailer_socket(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return a towing or instrument socket: a shell with 4 to 13 sleeves or pins, and a lid."""
    coat, count = plastic(rng), int(rng.choice([4, 6, 7, 7, 12, 13]))
    outer_count = count - 1 if count in (7, 13) else count
    radius = 2.6 if count > 7 else 3.6
    reach = max(11.0, outer_count * radius * 2.6 / (2 * np.pi))
    holes = ring_of(outer_count, reach, radius, 0.55 * radius, rng.uniform(0, 6.3))
    if outer_count < count:
        holes.append(Hole(0.0, 0.0, radius, 0.55 * radius))
    bore = circle(reach + radius + rng.uniform(2, 5), 70)
    maker = sleeved if rng.random() < 0.5 else insert
    meshes = maker(rng, bore, jittered(rng, holes), 0.0, coat, noise)
    shell = metal(rng) if rng.random() < 0.5 else coat
    meshes += collar(bore, rng.uniform(1.5, 4), rng.uniform(2, 14), -35.0, shell, noise)
    side = 2 * float(bore.max()) + rng.uniform(12, 30)
    if rng.random() < 0.8:
        flange = plate(rounded_rectangle(side, side, 6), [inset(bore, -1.0)], top=-8, bottom=-12, spacing=4)
        meshes.append(cover("flange", flange, shell, noise))
        meshes += _corner_screws(rng, noise, 0.4 * side, -8.0)
    if rng.random() < 0.6:
        lid = plate(circle(float(bore.max()) + 4, 60), top=3, bottom=0, bevel=1.0, back=True)
        placed = lid.moved((0, float(bore.max()) + 5, 0)).moved(
            (0, float(bore.max()) + 4, 4), euler(x=-rng.uniform(50, 120))
        )
        meshes.append(cover("lid", placed, shell, noise))
    return meshes


def holster(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return an empty coupler holster: a keyed hole without contacts in a moulded front or a housing."""
    coat, row = plastic(rng), FAMILIES[str(rng.choice(["type1", "type2"]))]
    bore = nose_outline(row, rng.uniform(1.0, 3.0))
    depth = rng.uniform(20, 55)
    well = cup(bore, 0.0, -depth, 3.0)
    size = row.nose_width + rng.uniform(20, 90)
    outline = superellipse(size, size * rng.uniform(0.9, 1.6), rng.uniform(2, 6), 120)
    front = plate(
        resample(outline, 3.0), [bore], top=1.0, bottom=-depth - 1, bevel=rng.uniform(1, 5), spacing=4
    )
    meshes = [cover("holster", join([front, well]), coat, noise)]
    if rng.random() < 0.6:
        meshes += collar(bore, rng.uniform(3, 8), rng.uniform(4, 30), -4.0, coat, noise)
    if rng.random() < 0.5:
        meshes.append(
            cover("drain", lathe([(0, -depth + 0.3), (4, -depth + 0.3)], 24), Coat((0.01, 0.01, 0.01)), noise)
        )
    if row.has_latch:
        notch = plate(rounded_rectangle(12, 6, 1), top=1.5, bottom=-5, spacing=3)
        meshes.append(
            cover(
                "notch", notch.moved((0, 0.5 * row.nose_height + 8, 0)), coat.but(albedo=(0.01,) * 3), noise
            )
        )
    for _ in range(rng.integers(0, 4)):
        meshes += moved(screw_head(rng, 3.5, noise), np.array([*(rng.choice([-0.4, 0.4], 2) * size), 1.0]))
    return meshes + mounted(rng, noise, -depth - 1)


def hose_coupling(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return a hose end or hydrant coupling: rings, lugs, an empty bore, sometimes a hose behind."""
    coat, reach = metal(rng), rng.uniform(12, 45)
    bore = reach * rng.uniform(0.45, 0.75)
    profile = [
        (0, -40),
        (bore, -40),
        (bore, -2),
        (bore + 2, 0),
        (reach * 0.85, 0),
        (reach * 0.9, -8),
        (reach, -9),
    ]
    profile += [(reach, -24), (reach * 0.85, -26), (reach * 0.8, -60)]
    body = lathe(fillet(profile, 1.2, 3), 64)
    seal = tube(np.column_stack([circle(bore + 1.5, 60), np.full(60, -1.0)]), 1.8, 10, closed=True)
    lugs = []
    count = int(rng.choice([2, 2, 3, 6]))
    for k in range(count):
        lug = plate(
            rounded_rectangle(reach * 0.45, reach * 0.5, 2),
            top=4.0,
            bottom=-12.0,
            bevel=1.5,
            spacing=3,
            back=True,
        )
        lugs.append(lug.moved((reach * 0.98, 0, -6)).moved(turn=euler(z=360 * k / count)))
    meshes = [cover("coupling", join([body, *lugs]), coat, noise), cover("seal", seal, rubber(rng), noise)]
    if rng.random() < 0.5:
        spokes = lathe(fillet([(0, -8), (bore * 0.4, -9), (bore * 0.45, -30)], 1), 32)
        meshes.append(cover("valve", spokes, metal(rng), noise))
    knots = np.array([[0, 0, -50], [0, -10, -150], [rng.normal(0, 80), -160, -250], [0, -420, -300]])
    hose = tube(smooth_path(knots), reach * 0.8, 24)
    return [*meshes, cover("hose", hose, rubber(rng).but(albedo=any_colour(rng)), noise)]


def pipe_ends(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return a bundle of open pipe or duct ends, or holes in a drilled block."""
    count, coat = int(rng.integers(2, 9)), metal(rng) if rng.random() < 0.5 else plastic(rng)
    parts = []
    for k in range(count):
        radius = rng.uniform(4, 16)
        place = np.array([*(rng.normal(0, 18, 2) if k else (0, 0)), -3.0 * k])
        wall_part = rng.uniform(0.6, 0.9)
        profile = [(0, -60), (radius * wall_part, -60), (radius * wall_part, 0), (radius, 0), (radius, -160)]
        parts.append(lathe(fillet(profile, 0.6), 40).moved(place))
    return [cover("pipe", join(parts), coat, noise), *mounted(rng, noise, -140.0)]


def _corner_screws(rng: np.random.Generator, noise: Noise, reach: float, z: float) -> list[Mesh]:
    meshes: list[Mesh] = []
    size, kind = rng.uniform(2.5, 5), str(rng.choice(["slot", "cross", "hexagon", "star"]))
    for x in (-reach, reach):
        for y in (-reach, reach):
            meshes += moved(screw_head(rng, size, noise, kind), np.array([x, y, z]))
    return meshes


def curved_cover(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return a bulged plate with a pattern of holes: vents, shower heads, sensor covers."""
    reach, rings = rng.uniform(18, 60), int(rng.integers(1, 5))
    radius = reach / (2.6 * (rings + 1))
    holes = [circle(radius, 20)]
    for ring in range(1, rings + 1):
        spots = ring_of(6 * ring, reach * ring / (rings + 0.7), radius, 1.0, rng.uniform(0, 1))
        holes += [circle(radius, 20, (h.x, h.y)) for h in spots]
    coat = metal(rng) if rng.random() < 0.5 else plastic(rng)
    face = bulged(
        plate(circle(reach, 90), holes, top=0.0, bottom=-4.0, bevel=0.6, spacing=radius), *[2e-3] * 2
    )
    back = lathe([(0, -8 - 4e-3 * reach**2), (reach, -8 - 4e-3 * reach**2)], 40)
    return [cover("cover", face, coat, noise), cover("cover", back, Coat((0.01, 0.01, 0.01), 0.9), noise)]


MAKERS: dict[str, Callable[[np.random.Generator, Noise], list[Mesh]]] = {
    "wall_socket": wall_socket,
    "industrial_socket": industrial_socket,
    "trailer_socket": trailer_socket,
    "holster": holster,
    "hose_coupling": hose_coupling,
    "pipe_ends": pipe_ends,
    "perforated_cover": curved_cover,
}
