"""Street and workshop clutter: covers, buttons, padlocks, wheels, grilles, unit fronts, keys, screws."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from data_tools.rendering.backgrounds import unit_housing
from data_tools.rendering.coats import (
    Coat,
    Noise,
    any_colour,
    cover,
    linear,
    metal,
    muted_colour,
    plastic,
    rubber,
)
from data_tools.rendering.contours import circle, fillet, inset, rectangle_bar, resample, rounded_rectangle
from data_tools.rendering.fittings import cable_loops, screw_head
from data_tools.rendering.others.inserts import ring_of
from data_tools.rendering.others.sockets import mounted
from data_tools.rendering.shapes import Solid, cup, euler, join, lathe, plate, tube
from data_tools.rendering.spec import Mesh
from data_tools.rendering.surfaces import ground, leaves, moved
from data_tools.rendering.vehicle import hub_nuts, lamp, wheel


def drain_cover(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return a cast drain or manhole cover with slots, holes and a raised pattern, set in the ground."""
    reach = rng.uniform(60, 300)
    coat = metal(rng).but(mottle=0.25, grime=rng.uniform(0.0, 0.6), grime_mm=reach)
    if rng.random() < 0.5:
        count = int(rng.integers(4, 12))
        bar = resample(rectangle_bar(reach * 0.45, reach * 0.09), reach / 40)
        holes = []
        for k in range(count):
            angle = 2 * np.pi * k / count
            turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
            holes.append((bar + [reach * 0.58, 0]) @ turn)
    else:
        rows = int(rng.integers(4, 9))
        bar = resample(rectangle_bar(reach * 1.1, reach * 0.9 / rows), reach / 30)
        holes = [bar + [0, (k - (rows - 1) / 2) * reach * 1.5 / rows] for k in range(rows)]
    round_one = rng.random() < 0.6
    outline = circle(reach, 120) if round_one else rounded_rectangle(2 * reach, 2 * reach, reach * 0.06)
    cover_plate = plate(outline, holes, top=0, bottom=-14, bevel=1.5, spacing=reach / 30)
    studs = [
        lathe(fillet([(0, 2.5), (reach * 0.03, 2.5), (reach * 0.035, 0)], 0.8), 10).moved((h.x, h.y, 0))
        for h in ring_of(int(rng.integers(10, 28)), reach * 0.9, 1, 1, 0)
    ]
    dark = lathe([(0, -30), (reach * 1.4, -30)], 40)
    bed = plate(
        rounded_rectangle(reach * 5, reach * 5, 10),
        [inset(resample(outline, reach / 30), -4)],
        top=-1,
        bottom=-20,
        spacing=reach / 14,
    )
    stone = Coat(muted_colour(rng), 0.9, mottle=0.3, mottle_mm=reach / 10)
    return [
        cover("cover", join([cover_plate, *studs]), coat, noise),
        cover("dark", dark, Coat((0.01, 0.01, 0.01), 0.9), noise),
        cover("ground", bed, stone, noise),
    ]


def button_panel(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return push buttons, lamps, key switches and rotary knobs on a panel; no writing."""
    columns, rows, pitch = int(rng.integers(1, 4)), int(rng.integers(1, 5)), rng.uniform(28, 45)
    outline = rounded_rectangle(columns * pitch + 20, rows * pitch + 20, 5)
    meshes = [cover("panel", plate(outline, top=0, bottom=-30, bevel=1.5, spacing=4), plastic(rng), noise)]
    for x in range(columns):
        for y in range(rows):
            at = np.array([(x - (columns - 1) / 2) * pitch, (y - (rows - 1) / 2) * pitch, 0.0])
            meshes += moved(_button(rng, noise, pitch * rng.uniform(0.28, 0.42)), at)
    return meshes + mounted(rng, noise, -30.0)


def _button(rng: np.random.Generator, noise: Noise, radius: float) -> list[Mesh]:
    bezel = lathe(fillet([(radius * 0.8, 3), (radius * 0.8, 5), (radius, 4), (radius * 1.05, 0)], 0.8), 40)
    meshes = [cover("bezel", bezel, metal(rng) if rng.random() < 0.6 else plastic(rng), noise)]
    kind, coat = rng.random(), Coat(any_colour(rng), rng.uniform(0.1, 0.5))
    if kind < 0.4:
        top = rng.uniform(3, 12)
        solid = lathe(fillet([(0, top), (radius * 0.78, top - 1), (radius * 0.78, 0)], 2), 40)
    elif kind < 0.6:  # mushroom
        solid = lathe(
            fillet(
                [(0, 22), (radius * 1.3, 19), (radius * 1.3, 14), (radius * 0.5, 10), (radius * 0.5, 0)], 5
            ),
            48,
        )
        coat = coat.but(albedo=linear(0.0, 0.9, 0.75))
    elif kind < 0.8:  # rotary knob
        base = lathe(fillet([(0, 8), (radius * 0.75, 8), (radius * 0.78, 0)], 1), 40)
        grip = plate(rectangle_bar(radius * 1.4, radius * 0.4), top=18, bottom=6, bevel=1, spacing=3)
        solid = join([base, grip.moved(turn=euler(z=rng.uniform(0, 180)))])
    else:  # key switch
        slot = resample(rectangle_bar(1.6, radius * 0.8), 0.6)
        solid = join(
            [
                plate(circle(radius * 0.78, 40), [slot], top=6, bottom=0, bevel=0.5, spacing=2),
                cup(slot, 5, -6),
            ]
        )
        coat = metal(rng)
    meshes.append(cover("button", solid, coat, noise))
    return meshes


def padlock(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return a padlock, its keyhole side or front to the viewer, on a hasp."""
    width = rng.uniform(28, 60)
    if rng.random() < 0.6:
        body = plate(
            rounded_rectangle(width, width * rng.uniform(0.7, 1.1), 5),
            top=0,
            bottom=-width * 0.45,
            bevel=3,
            back=True,
        )
    else:
        body = lathe(fillet([(0, 0), (width * 0.5, 0), (width * 0.5, -18), (0, -18)], 4), 60)
    half = width * 0.3
    arch = np.linspace(0, np.pi, 24)
    top = width * rng.uniform(0.4, 0.55)
    path = np.column_stack([half * np.cos(arch), top + half * np.sin(arch), np.full(24, -width * 0.2)])
    path = np.vstack([[half, 0, -width * 0.2], path, [-half, 0, -width * 0.2]])
    hole = lathe(fillet([(0, 0.2), (width * 0.16, 0.8), (width * 0.18, -1)], 0.4), 36)
    slot = plate(rectangle_bar(1.6, width * 0.2), top=1.2, bottom=0, bevel=0.2, spacing=2)
    coat = metal(rng) if rng.random() < 0.7 else plastic(rng).but(albedo=any_colour(rng))
    meshes = [
        cover("lock", body, coat, noise),
        cover("shackle", tube(path, width * rng.uniform(0.06, 0.11), 20), metal(rng), noise),
        cover("cylinder", hole, metal(rng), noise),
        cover("slot", slot, Coat((0.01, 0.01, 0.01), 0.8), noise),
    ]
    return meshes + mounted(rng, noise, -width * 0.5 - 2)


def wheel_with_nuts(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return a whole wheel, or only its hub and nuts close up."""
    if rng.random() < 0.4:
        reach = rng.uniform(30, 60)
        disc = lathe(fillet([(0, 0), (reach * 2.2, -2), (reach * 2.4, -30)], 6), 72)
        return [cover("rim", disc, metal(rng), noise), *hub_nuts(rng, noise, reach, 0.0)]
    return wheel(rng, noise, rng.uniform(120, 330))


def speaker_grille(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return a grille: round holes in a hexagonal pattern or slots, in a panel."""
    pitch, reach = rng.uniform(4, 9), rng.uniform(18, 42)
    spots = [
        (x * pitch + (y % 2) * pitch / 2, y * pitch * 0.866)
        for x in range(-12, 13)
        for y in range(-12, 13)
        if np.hypot(x * pitch + (y % 2) * pitch / 2, y * pitch * 0.866) < reach
    ]
    if rng.random() < 0.3:
        bar = resample(rectangle_bar(1.6 * reach, pitch * 0.5), 1.5)
        holes = [bar + [0, k * pitch] for k in range(-int(reach / pitch), int(reach / pitch) + 1)]
    else:
        holes = [circle(pitch * rng.uniform(0.25, 0.27), 12, spot) for spot in spots]
    outline = rounded_rectangle(2.6 * reach, 2.6 * reach, rng.uniform(3, reach))
    face = plate(outline, holes, top=0.0, bottom=-3.0, bevel=0.4, spacing=3.0)
    coat = plastic(rng) if rng.random() < 0.6 else metal(rng)
    back = lathe([(0, -6), (reach * 1.3, -6)], 30)
    return [cover("grille", face, coat, noise), cover("dark", back, Coat((0.015, 0.015, 0.015), 0.9), noise)]


def unit_front(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return a charging unit's front, near enough to fill the view, with or without cable loops."""
    meshes = unit_housing(rng, noise, rng.uniform(120, 320), rng.uniform(160, 480))
    meshes += mounted(rng, noise, -121.0)
    return meshes + (cable_loops(rng, [0.0, -150.0, -40.0], noise) if rng.random() < 0.5 else [])


def key_field(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return a field of blank keys: keypads and keyboards without writing."""
    columns, rows, pitch = int(rng.integers(3, 13)), int(rng.integers(3, 6)), rng.uniform(14, 22)
    coat, case = plastic(rng), plastic(rng)
    rounding = rng.uniform(1, 0.45 * pitch)
    key = plate(
        rounded_rectangle(pitch * 0.84, pitch * 0.84, rounding, steps=4),
        top=5,
        bottom=0,
        bevel=1.4,
        spacing=5,
    )
    keys = []
    for x in range(columns):
        for y in range(rows):
            keys.append(
                key.moved(
                    ((x - (columns - 1) / 2) * pitch, (y - (rows - 1) / 2) * pitch, rng.uniform(-0.3, 0.3))
                )
            )
    tray = plate(rounded_rectangle(columns * pitch + 14, rows * pitch + 14, 5), top=0, bottom=-12, spacing=8)
    return [cover("keys", join(keys), coat, noise), cover("case", tray, case, noise)]


def screw_field(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return one large screw face or several on a plate."""
    count = int(rng.choice([1, 1, 2, 4, 5]))
    size = rng.uniform(8, 26) if count == 1 else rng.uniform(5, 10)
    spots = ring_of(count, 0.0 if count == 1 else rng.uniform(14, 30), 1, 1, rng.uniform(0, 6))
    sheet = plate(rounded_rectangle(180, 150, 6), top=0, bottom=-4, bevel=1, spacing=4)
    meshes = [cover("plate", sheet, metal(rng) if rng.random() < 0.5 else plastic(rng), noise)]
    for spot in spots:
        meshes += moved(screw_head(rng, size, noise), np.array([spot.x, spot.y, 0.0]))
        washer = lathe(fillet([(size * 0.7, 0.8), (size * 1.5, 0.8), (size * 1.55, 0)], 0.3), 32).moved(
            (spot.x, spot.y, 0)
        )
        meshes.append(cover("washer", washer, metal(rng), noise))
    return meshes


def lamps(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return a vehicle lamp or a round reflector or camera lens close up."""
    if rng.random() < 0.5:
        return lamp(rng, noise, rng.uniform(60, 160), rng.uniform(40, 110))
    reach = rng.uniform(10, 40)
    rings = np.sort(rng.uniform(0.25, 0.95, rng.integers(2, 6)))[::-1] * reach
    parts = [
        cover(
            "ring",
            lathe(fillet([(reach * 0.9, 2), (reach, 3), (reach * 1.1, -20)], 1), 60),
            plastic(rng),
            noise,
        )
    ]
    for k, r in enumerate(rings):
        solid = lathe(fillet([(0, -2.0 - k), (r, -1.0 - k), (r, -4.0 - k)], 1), 48)
        solid = Solid(solid.vertices + [0, 0, 0.8 * k * (1 if rng.random() < 0.5 else 2)], solid.faces)
        coat = Coat(any_colour(rng), rng.uniform(0.05, 0.3), rng.choice([0.0, 0.9]))
        parts.append(cover("lens", solid, coat, noise))
    return parts


def litter(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return leaves, rings, tape rolls and lids lying on the ground."""
    meshes = ground(rng, rng.uniform(300, 700), rng.uniform(300, 700), noise)
    fallen = leaves(rng, 120, 30.0, linear(rng.uniform(0.05, 0.3), 0.6, 0.6))
    spread = np.repeat(rng.normal(0, 90, (120, 3)) * [1, 1, 0], 4, axis=0)
    fallen.vertices = (fallen.vertices * np.array([1, 1, 0.2]) + spread + [0, 0, 8]).astype(np.float32)
    meshes.append(fallen)
    for _ in range(rng.integers(1, 5)):
        reach = rng.uniform(10, 38)
        ring = [(reach * rng.uniform(0.3, 0.8), 0), (reach * 0.85, 14), (reach, 14), (reach, 0)]
        solid = lathe(fillet(ring, 2), 48).moved((*rng.normal(0, 35, 2), 3), euler(rng.normal(0, 15)))
        meshes.append(cover("ring", solid, rubber(rng) if rng.random() < 0.5 else plastic(rng), noise))
    return meshes


MAKERS: dict[str, Callable[[np.random.Generator, Noise], list[Mesh]]] = {
    "drain_cover": drain_cover,
    "button_panel": button_panel,
    "padlock": padlock,
    "wheel": wheel_with_nuts,
    "speaker_grille": speaker_grille,
    "unit_front": unit_front,
    "key_field": key_field,
    "screw_field": screw_field,
    "lamps": lamps,
    "litter": litter,
}
