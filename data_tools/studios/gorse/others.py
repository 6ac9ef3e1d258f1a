"""Photos without a coupler's face: inlets, wall sockets, plugs, hands, backs, cables, tools, bare walls."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from data_tools.studios.gorse.body import build_body, plastic_cable
from data_tools.studios.gorse.company import holding_hand
from data_tools.studios.gorse.head import outline
from data_tools.studios.gorse.make import Make, draw_make, plastic, rgb
from data_tools.studios.gorse.places import unit
from data_tools.studios.gorse.solids import Mesh, box, even, join, meet, rod, skin, tube
from data_tools.studios.gorse.stage import Camera

Made = tuple[list[Mesh], Any]
"""Meshes, and the direction they are seen from."""


def _any_make(rng: np.random.Generator) -> Make:
    return draw_make(rng, "type1" if rng.uniform() < 0.5 else "type2")


def _frontal(rng: np.random.Generator) -> Any:
    return unit((rng.normal(0, 0.35), rng.normal(0.1, 0.35), 1))


def inlet(rng: np.random.Generator) -> Made:
    """A vehicle's inlet: a recess in painted panel with bare pins in round pits."""
    family = _any_make(rng).family
    grid = even((-62, -62, -32), (62, 62, 4), 1.0)
    x, y, z = grid.axes
    edge = outline(family, x, y)
    panel = meet(box(grid.axes, (0, 0, -14), (60, 58, 14), 6), -np.maximum(edge - 5, -12 - z), 2)
    island = meet(edge + rng.uniform(1.5, 3), z + 1, 1)
    solid = join(panel, np.maximum(island, -30 - z), 0.5)
    pins = []
    for contact in family.contacts:
        far = np.hypot(x - contact.x, y - contact.y)
        solid = meet(solid, -np.maximum(far - contact.sleeve_diameter / 2 - 0.4, -24 - z), 0.6)
        small = even((contact.x - 5, contact.y - 5, -28), (contact.x + 5, contact.y + 5, 0), 0.6)
        end = (contact.x, contact.y, -4)
        pin = rod(small.axes, (contact.x, contact.y, -30), end, contact.bore_diameter / 2 - 0.4)
        pins.append(skin(pin, small, rgb(0.1, 0.2, 0.8), 0.25, 1.0, "pin"))
    body = skin(solid, grid, plastic(rng), rng.uniform(0.2, 0.5), name="inlet")
    painted = np.abs(body.vertices[:, :2]).max(1) > 44
    body.colour[painted] = plastic(rng, 0.2)
    return [body, *pins], _frontal(rng)


def wall_socket(rng: np.random.Generator) -> Made:
    """A household socket: a plate with a round well and two or three holes."""
    grid = even((-46, -46, -26), (46, 46, 6), 1.0)
    x, y, z = grid.axes
    plate = box(grid.axes, (0, 0, -2), (40, 40, 5), rng.uniform(1, 6))
    holes = [(-9.5, 0), (9.5, 0)] if rng.uniform() < 0.6 else [(-8, -6), (8, -6), (0, 10)]
    if rng.uniform() < 0.7:
        plate = join(plate, np.maximum(np.hypot(x, y) - 24, np.abs(z + 10) - 12), 1)
        plate = meet(plate, -np.maximum(np.hypot(x, y) - 20, -15 - z), 0.8)
    for hx, hy in holes:
        plate = meet(plate, -np.maximum(np.hypot(x - hx, y - hy) - rng.uniform(2.2, 3.2), -22 - z), 0.3)
    return [skin(plate, grid, plastic(rng, 0.15), 0.3, name="socket")], _frontal(rng)


def plug(rng: np.random.Generator) -> Made:
    """A mains plug with round or flat pins, held by its cable."""
    grid = even((-30, -30, -60), (30, 30, 26), 1.1)
    x, y, z = grid.axes
    wide = rng.uniform(15, 24)
    body = join(
        meet(np.hypot(x, y * rng.uniform(1, 1.5)) - wide, np.abs(z + 18) - 18, 4),
        rod(grid.axes, (0, 0, -30), (0, 0, -58), 9, 6),
        8,
    )
    parts = [skin(body, grid, plastic(rng, 0.4), 0.4, name="plug")]
    flat = rng.uniform() < 0.4
    for hx, hy in [(-9, 0), (9, 0)] + ([(0, -9)] if rng.uniform() < 0.5 else []):
        half = (1.0, 3.2, 11) if flat else (2.3, 2.3, 11)
        pin = box(grid.axes, (hx, hy, 10), half, 0.9 if flat else 2.2)
        parts.append(skin(pin, grid, rgb(0.12, 0.3, 0.8), 0.3, 1.0, "pin"))
    t = np.linspace(0, 1, 20)[:, None]
    path = np.array([0, 0, -55]) + t * [0, 0, -90] + t**2 * [rng.normal(0, 60), -120, 0]
    return [*parts, tube(path, 4, plastic_cable(rng), 0.5, name="cable")], unit(
        (rng.normal(0, 0.8), 0.3, 0.8)
    )


def hand_alone(rng: np.random.Generator) -> Made:
    """A hand, bare or gloved, that holds nothing one could judge."""
    return [holding_hand(rng, _any_make(rng))], unit((rng.normal(0, 1), 0.3, rng.uniform(0.2, 1)))


def back(rng: np.random.Generator) -> Made:
    """A coupler from behind or from the side: grip and cable, no face."""
    make = _any_make(rng)
    meshes = [*build_body(make), *([holding_hand(rng, make)] if rng.uniform() < 0.5 else [])]
    return meshes, unit(
        (rng.choice([-1, 1]) * rng.uniform(0.3, 1), rng.normal(0.2, 0.3), -rng.uniform(0.25, 1))
    )


def cables(rng: np.random.Generator) -> Made:
    """A bundle of cables in loops."""
    turn = np.linspace(0, rng.uniform(4, 12) * np.pi, 160)[:, None]
    meshes = []
    for _ in range(int(rng.integers(1, 4))):
        wide = rng.uniform(45, 110) + rng.normal(0, 3) * np.sin(turn * 0.7)
        path = np.hstack([wide * np.cos(turn), wide * np.sin(turn) * rng.uniform(0.6, 1.1), turn * 2 - 60])
        meshes.append(
            tube(path + rng.normal(0, 8, 3), rng.uniform(4, 10), plastic_cable(rng), 0.5, name="cable")
        )
    return meshes, _frontal(rng)


def tool(rng: np.random.Generator) -> Made:
    """A hammer, a screwdriver or a spanner."""
    grid = even((-30, -90, -20), (30, 90, 20), 1.4)
    kind = rng.integers(3)
    grip = rod(grid.axes, (0, -80, 0), (0, 0, 0), 11, 9)
    if kind == 0:
        steel = box(grid.axes, (0, 66, 0), (28, 10, 10), 3)
    elif kind == 1:
        steel = rod(grid.axes, (0, 0, 0), (0, 84, 0), 3)
    else:
        grip = box(grid.axes, (0, -20, 0), (7, 64, 3.5), 2)
        ring = np.hypot(grid.axes[0], grid.axes[1] - 62)
        steel = np.maximum(np.maximum(ring - 20, 9 - ring), np.abs(grid.axes[2]) - 5)
        steel = np.maximum(steel, -np.maximum(np.abs(grid.axes[0]) - 9, 62 - grid.axes[1]))
    handle = skin(grip, grid, plastic(rng, 0.2), 0.5, name="tool")
    metal = skin(
        join(steel, rod(grid.axes, (0, 0, 0), (0, 60, 0), 4), 2), grid, rgb(0.6, 0.03, 0.6), 0.3, 1.0, "tool"
    )
    return [handle, metal], _frontal(rng)


def nothing(rng: np.random.Generator) -> Made:
    """Only the place: a wall, the ground, somebody's jacket."""
    return [], _frontal(rng)


KINDS: tuple[Callable[[np.random.Generator], Made], ...] = (
    inlet, wall_socket, plug, hand_alone, back, back, cables, tool, nothing,
)  # fmt: skip


def draw_other(rng: np.random.Generator, size: tuple[int, int]) -> tuple[str, list[Mesh], Camera]:
    """Draw something that is no coupler's face, with a camera that looks at its middle."""
    make = KINDS[int(rng.integers(len(KINDS)))]
    meshes, way = make(rng)
    points = (
        np.concatenate([mesh.vertices[::7] for mesh in meshes]) if meshes else np.zeros((1, 3), np.float32)
    )
    middle = np.median(points, 0)
    reach = float(np.quantile(np.linalg.norm(points - middle, axis=1), 0.8)) + 25
    shift = -middle
    for mesh in meshes:
        mesh.vertices = (mesh.vertices + shift).astype(np.float32)
    far = reach * rng.uniform(2.5, 5)
    roll = rng.normal(0, 0.3)
    right = unit(np.cross(-way, (np.sin(roll), np.cos(roll), 0.05)))
    focal = min(size) * far / reach * rng.uniform(0.35, 0.65)
    eye = (way * far).astype(np.float32)
    camera = Camera(eye, right, np.cross(right, -way), -way, focal, size, float(far / 250), float(far))
    return make.__name__, meshes, camera
