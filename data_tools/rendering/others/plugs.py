"""Plugs and handheld couplers of other systems, in a hand or hanging: pins, blades, combined AC/DC faces."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.spatial import ConvexHull

from data_tools.rendering.coats import Coat, Noise, any_colour, cover, metal, plastic
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
from data_tools.rendering.fittings import cable, nose_outline
from data_tools.rendering.hand_finish import dressed, sample_wear
from data_tools.rendering.hands import gripping_hand, open_hand
from data_tools.rendering.others.inserts import Hole, collar, insert, jittered, ring_of, sleeved
from data_tools.rendering.shapes import euler, join, lathe, pin, plate, sheet
from data_tools.rendering.spec import Mesh
from model.families import FAMILIES, Family


def held(rng: np.random.Generator, radius: float, depth: float) -> list[Mesh]:
    """Return a hand round a handle of ``radius`` mm along z, index finger ``depth`` mm behind z = 0."""
    wear = sample_wear(rng)
    hand = gripping_hand(rng, radius, fatness=wear.fatness)
    placed = hand.moved(euler(z=rng.uniform(0, 360)), (0.0, 0.0, -depth), mirror=rng.random() < 0.5)
    return dressed(rng, placed, wear)


def handle(rng: np.random.Generator, outline: Array, coat: Coat, noise: Noise) -> list[Mesh]:
    """Return a body behind ``outline`` widening, then narrowing to a handle and a cable towards -z."""
    middle = 0.5 * (outline.min(axis=0) + outline.max(axis=0))
    bend, length = rng.uniform(0, 0.5), rng.uniform(110, 190)
    stations = np.linspace(0, 1, 26)
    shape = resample(outline - middle, points=80)
    round_off = circle(rng.uniform(15, 21), 80)
    start = int(np.argmin(np.linalg.norm(round_off - shape[0] / np.linalg.norm(shape[0]) * 18, axis=1)))
    round_off = np.roll(round_off, -start, axis=0)
    rows = []
    for t in stations[::-1]:
        swell = 1 + 0.25 * np.sin(np.pi * min(1.0, 2.5 * t)) if t < 0.4 else 1.0
        blend = float(np.clip((t - 0.15) / 0.45, 0, 1)) ** 2
        ring = (1 - blend) * shape * swell + blend * round_off
        drop = -bend * length * t**2
        rows.append(np.column_stack([ring + middle + [0, drop], np.full(80, -14.0 - length * t)]))
    body = sheet(np.array(rows), wrap=True)
    end = np.array([*middle, 0.0]) + [0, -bend * length, -14 - length]
    knots = [
        end + [0, 10, 25],
        end,
        end + [0, -60, -60],
        end + [rng.normal(0, 90), -380, rng.normal(-60, 60)],
    ]
    return [cover("handle", body, coat, noise), cable(rng, knots, noise, rng.uniform(6, 12))]


def combined_coupler(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return a handheld combined AC/DC coupler: a Type 1 or 2 part above two large DC sleeves."""
    row, coat = FAMILIES[str(rng.choice(["type1", "type2"]))], plastic(rng)
    nose = nose_outline(row)
    apart, below = rng.uniform(11.5, 14.5), -0.5 * row.nose_height + row.nose_centre[1] - rng.uniform(14, 19)
    meshes = sleeved(rng, inset(nose, 3.0), jittered(rng, _upper_contacts(rng, row)), 0.0, coat, noise)
    meshes += collar(inset(nose, 2.8), 2.8, rng.uniform(-1, 3), -34.0, coat, noise)
    pair = [Hole(s * apart, below, rng.uniform(8.0, 9.6), rng.uniform(4.0, 5.0)) for s in (-1.0, 1.0)]
    lower = rounded_rectangle(4 * apart, rng.uniform(27, 32), 13.5, (0.0, below))
    meshes += sleeved(rng, inset(lower, 2.6), jittered(rng, pair), 0.0, coat, noise)
    meshes += collar(inset(lower, 2.4), 2.4, rng.uniform(-1, 3), -34.0, coat, noise)
    if row.has_latch and rng.random() < 0.8:
        hook = plate(
            rounded_rectangle(rng.uniform(8, 12), rng.uniform(5, 9), 2), top=-6, bottom=-40, back=True
        )
        meshes.append(cover("hook", hook.moved((0, 0.5 * row.nose_height + 7, 0)), coat, noise))
    outline = _hull(np.concatenate([nose, lower]), rng.uniform(4, 9))
    shell = coat if rng.random() < 0.6 else plastic(rng)
    shoulder = plate(outline, top=-30.0, bottom=-48.0, bevel=3.0, spacing=4.0)
    meshes += [cover("shoulder", shoulder, shell, noise)]
    for mesh in handle(rng, outline, shell, noise):
        mesh.vertices[:, 2] -= 34.0
        meshes.append(mesh)
    return meshes + (held(rng, 42.0, 70.0) if rng.random() < 0.25 else [])


def _upper_contacts(rng: np.random.Generator, row: Family) -> list[Hole]:
    """Return all contacts, or only the signal and earth ones as DC-only versions have."""
    kept = row.contacts if rng.random() < 0.5 else tuple(c for c in row.contacts if c.sleeve_diameter < 10.0)
    return [Hole(c.x, c.y, 0.5 * c.sleeve_diameter, 0.5 * c.bore_diameter) for c in kept]


def _hull(points: Array, grow: float) -> Array:
    hull = points[ConvexHull(points).vertices]
    return inset(resample(hull, 2.0), -grow)


def male_plug(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return a mains or industrial plug with pins or blades towards the viewer, in a hand or on its cable."""
    coat, reach = plastic(rng), rng.uniform(17, 32)
    outline = superellipse(2 * reach, 2 * reach * rng.uniform(0.7, 1.0), rng.uniform(2, 5), 110)
    face = plate(outline, top=-18.0, bottom=-34.0, bevel=2.0, spacing=3.0)
    if rng.random() < 0.5:
        blade = plate(rectangle_bar(1.8, 6.4), top=2.0, bottom=-20.0, bevel=0.5, spacing=2)
        pins = [blade.moved((x, 3, 0)) for x in (-6.3, 6.3)] + [pin(2.4, 4, -20).moved((0, -8, 0))]
    else:
        count = int(rng.integers(2, 6))
        spots = ring_of(count, 0.52 * reach, 1, 1, rng.uniform(0, 6.3))
        size = rng.uniform(1.8, 3.6)
        pins = [pin(size, 2.0, -20.0).moved((h.x, h.y, 0)) for h in spots]
    meshes = [cover("plug", face, coat, noise), cover("pins", join(pins), metal(rng), noise)]
    if rng.random() < 0.4:
        meshes += collar(inset(resample(outline, 1.5), 3.0), 3.0, rng.uniform(0, 12), -20.0, coat, noise)
    for mesh in handle(rng, outline, coat, noise):
        mesh.vertices[:, 2] -= 16.0
        meshes.append(mesh)
    return meshes + (held(rng, reach * 0.95, 48.0) if rng.random() < 0.6 else [])


def foreign_coupler(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return a handheld coupler of no known family: other numbers of contacts in other arrangements."""
    coat, reach = plastic(rng), rng.uniform(17, 33)
    outline = superellipse(2 * reach, 2 * reach * rng.uniform(0.65, 1.1), rng.uniform(2, 4), 120)
    count = int(rng.choice([2, 3, 4, 6, 8, 9]))
    radius = min(0.8 * reach * np.sin(np.pi / max(count, 3)) * 0.62, 9.0)
    holes = ring_of(count, 0.55 * reach, radius, 0.55 * radius, rng.uniform(0, 6.3))
    if count >= 6 and rng.random() < 0.5:
        holes = [
            Hole(h.x, h.y, h.radius * (1.0 if k % 2 else 0.7), h.pin * (1.0 if k % 2 else 0.7))
            for k, h in enumerate(holes)
        ]
    style = sleeved if rng.random() < 0.6 else insert
    squash = np.ptp(outline[:, 1]) / np.ptp(outline[:, 0])
    holes = [Hole(h.x, h.y * squash, h.radius * min(1, squash), h.pin * min(1, squash)) for h in holes]
    meshes = style(rng, inset(outline, 3.0), jittered(rng, holes), 0.0, coat, noise)
    meshes += collar(inset(outline, 2.8), 2.8, rng.uniform(-1, 8), -30.0, coat, noise)
    meshes += handle(
        rng, inset(outline, -rng.uniform(1, 6)), coat if rng.random() < 0.6 else plastic(rng), noise
    )
    return meshes + (held(rng, reach + 4, 22.0) if rng.random() < 0.5 else [])


def fuel_nozzle(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return a spout or hose end with one bore, held or hanging."""
    reach = rng.uniform(9, 20)
    spout = lathe(
        fillet([(0, -30), (reach * 0.75, -30), (reach * 0.75, 0), (reach, 0), (reach, -80)], 1.0), 48
    )
    boot = lathe(fillet([(reach, -60), (reach + 14, -64), (reach + 18, -90), (reach + 10, -200)], 5), 48)
    coat = plastic(rng).but(albedo=any_colour(rng))
    meshes = [cover("spout", spout, metal(rng), noise), cover("boot", boot, coat, noise)]
    knots = np.array([[0.0, 0, -190], [0, -20, -240], [rng.normal(0, 80), -300, -320]])
    meshes.append(cable(rng, knots, noise, reach * 0.9))
    return meshes + (held(rng, reach + 14, 90.0) if rng.random() < 0.6 else [])


def empty_hand(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return a hand holding nothing: open, pointing or making a ring, any way round."""
    wear = sample_wear(rng)
    if rng.random() < 0.5:
        hand = gripping_hand(rng, rng.uniform(6, 30), fatness=wear.fatness).moved(euler(), (0.0, 0.0, 30.0))
    else:
        hand = open_hand(rng, rng.uniform(-0.05, 0.9, 4), thumb_out=rng.random(), fatness=wear.fatness)
        hand = hand.moved(euler(), (0.0, -70.0, 0.0))
    turn = euler(rng.normal(0, 35), rng.choice([0.0, 180.0]) + rng.normal(0, 30), rng.uniform(0, 360))
    return dressed(rng, hand.moved(turn, (0.0, 0.0, 0.0), mirror=rng.random() < 0.5), wear, step=2.5)


def cable_end(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return a cut cable end showing its cores, or a bundle of cables."""
    radius, count = rng.uniform(9, 22), int(rng.integers(3, 8))
    jacket = lathe(fillet([(0, -3), (radius * 0.85, -3), (radius, -1), (radius, -120)], 0.8), 40)
    cores, wires = [], []
    for h in ring_of(count, 0.5 * radius, 0.24 * radius, 0.15 * radius, rng.uniform(0, 6)):
        out = rng.uniform(2, 22)
        cores.append(
            lathe(fillet([(0, out - 1), (h.radius, out), (h.radius, -4)], 0.4), 20).moved((h.x, h.y, 0))
        )
        wires.append(pin(h.pin, out + rng.uniform(0, 9), -4).moved((h.x, h.y, 0)))
    meshes = [cover("cable", jacket, plastic(rng), noise), cover("wires", join(wires), metal(rng), noise)]
    meshes += [cover("cores", core, Coat(any_colour(rng), 0.5), noise) for core in cores]
    return meshes + (held(rng, radius + 2, 25.0) if rng.random() < 0.5 else [])


MAKERS: dict[str, Callable[[np.random.Generator, Noise], list[Mesh]]] = {
    "combined_coupler": combined_coupler,
    "male_plug": male_plug,
    "foreign_coupler": foreign_coupler,
    "fuel_nozzle": fuel_nozzle,
    "empty_hand": empty_hand,
    "cable_end": cable_end,
}
