"""What stands behind a coupler, 150 to 3000 mm away: walls, ground, unit housings, cars, plants, fences.

Down is -y. Everything is large and mostly out of focus; sometimes there is nothing but the sky.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from data_tools.rendering.coats import Coat, Noise, any_colour, cover, linear, metal, painted, plastic
from data_tools.rendering.contours import circle, fillet, rounded_rectangle
from data_tools.rendering.fittings import screw_head
from data_tools.rendering.shapes import Solid, euler, join, lathe, plate, tube
from data_tools.rendering.spec import Mesh
from data_tools.rendering.surfaces import fitting, ground, kept_behind, leaves, moved, wall
from data_tools.rendering.vehicle import body_panels, lamp, wheel

_NEAR, _FAR = -150.0, -3000.0
_EMPTY_SHARE = 0.08


def sample_background(rng: np.random.Generator) -> list[Mesh]:
    """Return large things behind the coupler, at most 40,000 triangles; sometimes an empty list."""
    if rng.random() < _EMPTY_SHARE:
        return []
    noise = Noise(rng)
    scene = str(rng.choice(list(_SCENES), p=[0.08, 0.3, 0.2, 0.22, 0.2]))
    meshes = _SCENES[scene](rng, noise)
    objects = list(_OBJECTS)
    for _ in range(rng.choice([0, 1, 2, 3], p=[0.35, 0.35, 0.2, 0.1])):
        maker = objects[rng.integers(len(objects))]
        meshes += fitting(meshes, maker(rng, noise), 40_000)
    return meshes


def _depth(rng: np.random.Generator, near: float = _NEAR, far: float = _FAR) -> float:
    """Return a z between ``near`` and ``far``, nearer ones more often."""
    return -float(np.exp(rng.uniform(np.log(-near), np.log(-far))))


def _extent(rng: np.random.Generator, z: float) -> tuple[float, float]:
    """Return a width and height that fill the view at depth ``z`` about one to three times."""
    view = 1.2 * (200.0 - z)
    return view * rng.uniform(1.0, 3.4), view * rng.uniform(1.0, 3.0)


def _aside(rng: np.random.Generator, z: float, reach: float = 0.45) -> np.ndarray:
    view = 1.2 * (200.0 - z)
    return np.array([rng.uniform(-reach, reach) * view, rng.uniform(-reach, reach) * view, z])


def _empty(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    return []


def _wall_scene(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    z = _depth(rng)
    meshes = wall(rng, *_extent(rng, z), noise)
    return kept_behind(
        moved(meshes, _aside(rng, z, 0.25), euler(rng.normal(0, 8), rng.normal(0, 22), rng.normal(0, 4)))
    )


def _wall_and_ground(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    z = _depth(rng, -400.0)
    width, height = _extent(rng, z)
    floor = -rng.uniform(0.1, 0.45) * height
    back = moved(
        wall(rng, width, height, noise), np.array([0.0, floor + height / 2, z]), euler(y=rng.normal(0, 8))
    )
    reach = -z + _NEAR
    front = moved(ground(rng, width, max(reach, 300.0), noise), np.zeros(3), euler(x=-90.0))
    front = moved(front, np.array([0.0, floor, 0.5 * (z + _NEAR)]))
    return kept_behind(back + fitting(back, front, 36_000))


def _ground_below(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """The phone looks down: the ground fills the view, more or less face on."""
    z = _depth(rng, -250.0, -1500.0)
    meshes = ground(rng, *_extent(rng, z), noise)
    if rng.random() < 0.3:
        meshes += fitting(meshes, moved(_shoes(rng, noise), _aside(rng, z, 0.3) * [1, 1, 0]), 36_000)
    return kept_behind(moved(meshes, np.array([0.0, 0.0, z]), euler(rng.uniform(-50, 5), rng.normal(0, 10))))


def _shoes(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """Return a pair of shoes with trouser legs standing on the plane z = 0, as the photographer sees them."""
    leather, sole, cloth = plastic(rng), plastic(rng), Coat(any_colour(rng), 0.9, mottle=0.15)
    shoe = lathe(fillet([(0, 0.75), (0.8, 0.55), (1.0, 0.1), (1.0, 0.0)], 0.2), 36)
    meshes = []
    for side in (-1.0, 1.0):
        turn, place = (
            euler(z=side * rng.uniform(-18, 8)),
            np.array([side * rng.uniform(70, 130), rng.normal(0, 40), 0.0]),
        )
        upper = Solid(shoe.vertices * np.array([48.0, 140.0, 95.0]) + [0, 0, 22.0], shoe.faces)
        rim = Solid(shoe.vertices * np.array([52.0, 146.0, 30.0]), shoe.faces)
        path = np.array([[0.0, -85, 60], [0, -90, 200], [side * 20, -120, 420]])
        leg = tube(path, [58, 64, 85], 28)
        for name, solid, coat in (("shoe", upper, leather), ("sole", rim, sole), ("trousers", leg, cloth)):
            meshes.append(cover(name, solid.moved(place, turn), coat, noise))
    return meshes


def _car_scene(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    z = _depth(rng, -250.0, -2000.0)
    width, height = rng.uniform(900, 2200), rng.uniform(500, 1100)
    meshes = body_panels(rng, width, height, noise)
    if rng.random() < 0.6:
        turned = moved(wheel(rng, noise), np.array([rng.uniform(-0.6, 0.6) * width, -0.5 * height, 60.0]))
        meshes += fitting(meshes, turned, 32_000)
    if rng.random() < 0.4:
        lit = lamp(rng, noise, rng.uniform(150, 420), rng.uniform(60, 180))
        meshes += moved(lit, np.array([rng.uniform(-0.4, 0.4) * width, rng.uniform(0, 0.4) * height, 3.0]))
    meshes = moved(meshes, _aside(rng, z, 0.35), euler(rng.normal(0, 6), rng.normal(0, 20)))
    return kept_behind(meshes)


def unit_housing(
    rng: np.random.Generator, noise: Noise, width: float = 260.0, height: float = 420.0
) -> list[Mesh]:
    """Return a charging unit's front facing +z at about z = 0: housing, dark screen, lamp, screws, seams."""
    coat = plastic(rng) if rng.random() < 0.7 else metal(rng)
    body = plate(
        rounded_rectangle(width, height, rng.uniform(5, 60)),
        top=0.0,
        bottom=-120.0,
        bevel=rng.uniform(3, 14),
        spacing=9,
    )
    meshes = [cover("housing", body, coat.but(mottle=0.03), noise)]
    if rng.random() < 0.7:
        screen = rounded_rectangle(width * rng.uniform(0.3, 0.8), height * rng.uniform(0.12, 0.35), 5)
        glass = plate(screen, top=1.2, bottom=-2.0, bevel=0.8, spacing=8)
        lit = Coat((0.01, 0.01, 0.012) if rng.random() < 0.6 else any_colour(rng), 0.08)
        meshes += moved(
            [cover("screen", glass, lit, noise)], np.array([0, height * rng.uniform(0.1, 0.3), 0.0])
        )
    if rng.random() < 0.7:
        lens = lathe(fillet([(0, 4), (rng.uniform(6, 20), 3), (20, -2)], 2), 36)
        bright = Coat(linear(rng.choice([0.33, 0.58, 0.0, 0.12]), 0.8, 0.95), 0.15)
        meshes += moved(
            [cover("lamp", lens, bright, noise)], np.array([0, -height * rng.uniform(0.0, 0.2), 0.0])
        )
    for x in (-1, 1):
        for y in (-1, 1):
            if rng.random() < 0.5:
                screw = screw_head(rng, rng.uniform(3, 6), noise)
                meshes += moved(screw, np.array([x * (width / 2 - 22), y * (height / 2 - 22), 0.0]))
    return meshes


def _housing(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    z = _depth(rng, _NEAR, -1200.0)
    meshes = unit_housing(rng, noise, rng.uniform(150, 500), rng.uniform(250, 1200))
    return kept_behind(moved(meshes, _aside(rng, z), euler(0, rng.normal(0, 25), rng.normal(0, 3))))


def _post(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    radius, height, z = rng.uniform(25, 120), rng.uniform(500, 1400), _depth(rng, -350.0)
    heights = np.linspace(height / 2, -height / 2, 50)
    profile = np.vstack(
        [fillet([(0.0, height / 2 + 8), (radius, height / 2 + 8), (radius, height / 2)], 6.0)]
    )
    solid = lathe(np.vstack([profile, np.column_stack([np.full(50, radius), heights])]), 40).moved(
        turn=euler(x=-90.0)
    )
    coat = plastic(rng) if rng.random() < 0.5 else metal(rng)
    mesh = cover("post", solid, coat.but(albedo=any_colour(rng), mottle_mm=80.0), noise)
    bands = np.sin(solid.vertices[:, 1] * 6.28 / rng.uniform(150, 400)) > rng.uniform(-0.5, 0.95)
    mesh.attributes["albedo"][bands] = any_colour(rng)
    return kept_behind(moved([mesh], _aside(rng, z)))


def _fence(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    z, pitch, thick = _depth(rng, -300.0), rng.uniform(30, 130), rng.uniform(1.5, 9.0)
    width, height = (min(v, 24 * pitch) for v in _extent(rng, z))
    bars = []
    for x in np.arange(-width / 2, width / 2, pitch):
        bars.append(tube([[x, -height / 2, 0], [x, 0, 0], [x, height / 2, 0]], thick, 7))
    rows = pitch * rng.choice([1.0, 4.0, 8.0])
    for y in np.arange(-height / 2, height / 2, rows):
        bars.append(tube([[-width / 2, y, thick], [0, y, thick], [width / 2, y, thick]], thick, 7))
    turn = euler(0, rng.normal(0, 20), rng.choice([0.0, 45.0]))
    return kept_behind(moved([cover("fence", join(bars), metal(rng), noise)], _aside(rng, z, 0.2), turn))


def _shrub(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    z, count = _depth(rng, -400.0), 5500
    reach = 0.35 * (200.0 - z) * rng.uniform(0.6, 1.8)
    green = linear(rng.uniform(0.12, 0.4), rng.uniform(0.2, 0.8), rng.uniform(0.2, 0.6))
    mesh = leaves(rng, count, reach * rng.uniform(0.04, 0.11), green)
    spots = rng.normal(size=(count, 3))
    spots *= (reach * rng.uniform(0.55, 1.0, (count, 1))) / np.linalg.norm(spots, axis=1, keepdims=True)
    spots *= (1 + 0.4 * noise(spots, reach))[:, None]
    mesh.vertices += np.repeat(spots, 4, axis=0).astype(np.float32)
    core = lathe(fillet([(0, 0.6), (0.6, 0.0), (0, -0.6)], 0.5), 20).moved(scale=reach)
    inner = painted("background", "leaf", core, np.asarray(green) * 0.3, 0.9)
    return kept_behind(moved([mesh, inner], _aside(rng, z, 0.6)))


def _pipes(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    z, meshes = _depth(rng, -200.0, -1500.0), []
    for _ in range(rng.integers(1, 5)):
        x = rng.uniform(-0.5, 0.5) * 1.2 * (200 - z)
        path = [[x, -900.0, 0.0], [x, -300, 0.0], [x, 300, 0.0], [x, 900, 0.0]]
        coat = metal(rng) if rng.random() < 0.5 else plastic(rng)
        meshes.append(cover("pipe", tube(path, rng.uniform(8, 55), 24), coat, noise))
    return kept_behind(
        moved(meshes, np.array([0.0, 0.0, z]), euler(z=rng.choice([0.0, 90.0]) + rng.normal(0, 3)))
    )


def _plate_on_wall(rng: np.random.Generator, noise: Noise) -> list[Mesh]:
    """A coloured plate without writing."""
    z = _depth(rng, _NEAR, -2000.0)
    size = 0.2 * (200.0 - z) * rng.uniform(0.5, 2.0)
    outline = (
        rounded_rectangle(size, size * rng.uniform(0.5, 1.8), size * 0.08)
        if rng.random() < 0.6
        else circle(size / 2)
    )
    solid = plate(outline, top=0.0, bottom=-4.0, bevel=1.0, spacing=size / 20)
    mesh = cover("plate", solid, Coat(any_colour(rng), rng.uniform(0.15, 0.6)), noise)
    inner = Solid(solid.vertices * np.array([0.8, 0.8, 1.0]) + [0, 0, 1.0], solid.faces)
    second = cover("plate", inner, Coat(any_colour(rng), rng.uniform(0.15, 0.6)), noise)
    return kept_behind(moved([mesh, second], _aside(rng, z), euler(0, rng.normal(0, 20))))


_Maker = Callable[[np.random.Generator, Noise], list[Mesh]]
_SCENES: dict[str, _Maker] = {
    "empty": _empty,
    "wall": _wall_scene,
    "wall_and_ground": _wall_and_ground,
    "ground": _ground_below,
    "car": _car_scene,
}
_OBJECTS: tuple[_Maker, ...] = (_housing, _post, _fence, _shrub, _pipes, _plate_on_wall)
