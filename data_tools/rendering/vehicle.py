"""Parts of cars: painted body panels with gaps, wheels with nuts, lamps."""

from __future__ import annotations

import numpy as np

from data_tools.rendering.coats import Coat, Noise, any_colour, car_paint, cover, metal, rubber
from data_tools.rendering.contours import (
    Array,
    circle,
    fillet,
    regular_polygon,
    resample,
    rounded_rectangle,
    superellipse,
)
from data_tools.rendering.shapes import Solid, euler, join, lathe, plate
from data_tools.rendering.spec import Mesh
from data_tools.rendering.surfaces import moved


def bulged(solid: Solid, curve_x: float, curve_y: float) -> Solid:
    """Return a flat panel bent like bodywork: z falls off by x^2 and y^2 (1/mm)."""
    vertices = solid.vertices.copy()
    vertices[:, 2] -= curve_x * vertices[:, 0] ** 2 + curve_y * vertices[:, 1] ** 2
    return Solid(vertices, solid.faces)


def body_panels(
    rng: np.random.Generator, width: float, height: float, noise: Noise, holes: tuple[Array, ...] = ()
) -> list[Mesh]:
    """Return painted panels facing +z, ``holes`` cut in the middle one, dark gaps between."""
    paint = car_paint(rng)
    spacing = max(width, height) / 55
    gap, split = rng.uniform(4, 8), rng.uniform(0.28, 0.45) * width * rng.choice([-1, 1])
    bend = (rng.uniform(0, 1.5e-4), rng.uniform(0, 4e-4))
    pieces = []
    edges = sorted([-width / 2, width / 2, split])
    reach = max([float(np.abs(h).max()) for h in holes], default=0.0) + 6
    if abs(split) < reach:
        edges = [-width / 2, width / 2]
    for left, right in zip(edges[:-1], edges[1:], strict=True):
        outline = rounded_rectangle(right - left - gap, height, 8, ((left + right) / 2, 0.0))
        inside = [h for h in holes if left < h[:, 0].mean() < right]
        pieces.append(plate(outline, inside, top=0.0, bottom=-14.0, bevel=2.0, spacing=spacing))
    meshes = [cover("panel", bulged(join(pieces), *bend), paint.but(mottle_mm=300.0, grime_mm=200.0), noise)]
    if not holes:
        behind = plate(rounded_rectangle(width, height, 8), top=-14.0, bottom=-16.0, spacing=spacing * 3)
        meshes.append(cover("gap", bulged(behind, *bend), Coat((0.01, 0.01, 0.01), 0.9), noise))
    return meshes


def wheel(rng: np.random.Generator, noise: Noise, radius: float = 310.0) -> list[Mesh]:
    """Return a wheel facing +z: tyre, spoked or closed rim, hub and nuts; ``radius`` of the tyre, mm."""
    rim = radius * rng.uniform(0.64, 0.76)
    profile = [
        (rim - 8, -5),
        (rim + 6, 6),
        (0.5 * (rim + radius), 14),
        (radius - 10, 0),
        (radius, -30),
        (radius, -160),
    ]
    tyre = cover(
        "tyre", lathe(fillet(profile, 25, 5), 72), rubber(rng).but(albedo=(0.025, 0.025, 0.027)), noise
    )
    coat = metal(rng) if rng.random() < 0.7 else car_paint(rng)
    spokes = int(rng.integers(4, 11))
    holes = _spoke_gaps(rng, rim, spokes)
    face = plate(circle(rim - 4, 110), holes, top=-18.0, bottom=-34.0, bevel=4.0, spacing=rim / 16)
    dish = face.vertices.copy()
    dish[:, 2] += rng.uniform(-30, 25) * (1 - np.linalg.norm(dish[:, :2], axis=1) / rim) ** 2
    well = lathe([(rim - 4, -10), (rim - 14, -140), (0, -141)][::-1], 60)
    dark = coat.but(albedo=(0.05, 0.05, 0.05), roughness=0.6)
    well = Solid(well.vertices, well.faces)
    meshes = [tyre, cover("rim", Solid(dish, face.faces), coat, noise), cover("rim", well, dark, noise)]
    disc = lathe(fillet([(0, -60), (rim * 0.62, -60), (rim * 0.62, -80)], 3), 48)
    meshes.append(cover("disc", disc, metal(rng), noise))
    return meshes + hub_nuts(rng, noise, rim * rng.uniform(0.2, 0.27), float(dish[:, 2].max()) - 6)


def hub_nuts(rng: np.random.Generator, noise: Noise, reach: float, z: float) -> list[Mesh]:
    """Return four to six nuts on a circle of ``reach`` mm round a centre cap, standing at ``z``."""
    count, size = int(rng.integers(4, 7)), reach * rng.uniform(0.16, 0.24)
    centre = lathe(fillet([(0, 8), (reach * 0.55, 5), (reach * 0.62, -12)], 4), 48)
    coat, nut_coat = metal(rng), metal(rng)
    turn = rng.uniform(0, 360)
    parts = []
    for k in range(count):
        nut = plate(
            regular_polygon(6, size, 0.1 * size), top=size, bottom=-12.0, bevel=0.1 * size, spacing=size / 2
        )
        dome = lathe(fillet([(0, size * 1.5), (size * 0.7, size * 1.2), (size * 0.7, 0)], size * 0.4), 20)
        at = euler(z=turn + 360 * k / count).apply([reach, 0.0, 0.0])
        parts.append(join([nut, dome]).moved(at, euler(z=rng.uniform(0, 360))))
        seat = lathe(fillet([(size * 1.25, 1.0), (size * 1.45, 1.0), (size * 1.5, -8)], 0.6), 24)
        parts.append(seat.moved(at))
    meshes = [cover("hub", centre, coat, noise), cover("nuts", join(parts), nut_coat, noise)]
    return moved(meshes, np.array([0.0, 0.0, z]))


def lamp(rng: np.random.Generator, noise: Noise, width: float, height: float) -> list[Mesh]:
    """Return a vehicle lamp facing +z: glossy coloured lens with facets, reflector bowls behind a rim."""
    outline = superellipse(width, height, rng.uniform(2, 6))
    colour = rng.choice([0.0, 0.07, 0.12])
    lens = Coat(
        any_colour(rng) if rng.random() < 0.2 else (0.45, 0.02 + float(colour), 0.02), 0.08, 0.0, 0.02
    )
    solid = plate(outline, top=6.0, bottom=-8.0, bevel=5.0, spacing=width / 40)
    wave = rng.uniform(5, 20)
    vertices = solid.vertices.copy()
    vertices[:, 2] += 0.6 * np.sin(vertices[:, 0] * 6.28 / wave) * np.sin(vertices[:, 1] * 6.28 / wave)
    meshes = [cover("lens", Solid(vertices, solid.faces), lens, noise)]
    for _ in range(rng.integers(1, 4)):
        bowl = lathe(fillet([(0, 2), (height * 0.3, 8), (height * 0.36, 4)], 2), 40)
        at = (rng.uniform(-0.3, 0.3) * width, 0.0, 2.0)
        meshes.append(cover("lens", bowl.moved(at), lens.but(albedo=any_colour(rng)), noise))
    return meshes


def _spoke_gaps(rng: np.random.Generator, rim: float, spokes: int) -> list[Array]:
    inner, outer = rim * rng.uniform(0.34, 0.5), rim * rng.uniform(0.84, 0.92)
    share = rng.uniform(0.3, 0.75)
    gaps = []
    for k in range(spokes):
        start, half = 2 * np.pi * k / spokes, np.pi / spokes * share
        angles = np.linspace(-half, half, 12) + start
        narrow = (angles - start) * rng.uniform(0.5, 1.0) + start
        near = inner * np.column_stack([np.cos(narrow), np.sin(narrow)])
        far = outer * np.column_stack([np.cos(angles), np.sin(angles)])
        gaps.append(resample(np.concatenate([far, near[::-1]]), 4.0))
    return gaps
