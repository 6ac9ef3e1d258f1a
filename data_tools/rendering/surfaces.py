"""Walls and grounds as coloured sheets: brick, concrete, metal, boards, asphalt, paving, gravel, grass.

Every surface is made in its own plane, facing +z, centred on the origin, at real size in mm. Grid lines
follow the joints, so that joints stay crisp with few triangles.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.spatial.transform import Rotation

from data_tools.rendering.coats import Colour, Noise, any_colour, linear, muted_colour, painted
from data_tools.rendering.contours import Array
from data_tools.rendering.domains import Domain, choice
from data_tools.rendering.shapes import Solid, lathe, sheet
from data_tools.rendering.spec import Mesh

_MOST_LINES = 110


def wall(rng: np.random.Generator, width: float, height: float, noise: Noise) -> list[Mesh]:
    """Return one wall of a random kind, about ``width`` x ``height`` mm."""
    makers = choice(_WALLS)
    return makers[rng.integers(len(makers))](rng, width, height, noise)


def ground(rng: np.random.Generator, width: float, height: float, noise: Noise) -> list[Mesh]:
    """Return one patch of ground of a random kind, facing +z."""
    makers = choice(_GROUNDS)
    return makers[rng.integers(len(makers))](rng, width, height, noise)


def _grid(x: Array, y: Array) -> Array:
    columns, rows = np.meshgrid(x, y)
    return np.stack([columns, rows, np.zeros_like(columns)], axis=-1)


def _even(extent: float, pitch: float = 0.0, most: int = _MOST_LINES) -> Array:
    count = most if pitch <= 0 else int(np.clip(extent / pitch, 8, most))
    return np.linspace(-extent / 2, extent / 2, count)


def _joint_lines(extent: float, period: float, gap: float) -> Array:
    """Return grid lines just inside and outside every joint of width ``gap``."""
    cells = int(np.clip(extent / period, 2, _MOST_LINES // 4))
    steps = np.array([gap / 2, gap / 2 + 2.5, period - gap / 2 - 2.5, period - gap / 2])
    lines = (np.arange(cells)[:, None] * period + steps[None]).ravel()
    return np.unique(np.round(lines, 3)) - (cells // 2) * period + 1e-3


def _coursed(
    rng: np.random.Generator,
    extent: tuple[float, float],
    unit: tuple[float, float],
    joint: float,
    colours: tuple[Colour, Colour],
    noise: Noise,
    *,
    bond: float = 0.5,
    relief: float = 5.0,
    spread: float = 0.25,
) -> list[Mesh]:
    """Return units (bricks, slabs, tiles, boards) laid in courses with joints between."""
    bond_period = unit[0] * (bond if 0 < bond < 1 else 1.0)
    points = _grid(_joint_lines(extent[0], bond_period, joint), _joint_lines(extent[1], unit[1], joint))
    flat = points.reshape(-1, 3)
    course = np.floor(flat[:, 1] / unit[1]).astype(np.int64)
    along = flat[:, 0] / unit[0] + bond * course
    column = np.floor(along).astype(np.int64)
    to_side = np.minimum(along - column, column + 1 - along) * unit[0]
    level = flat[:, 1] / unit[1] - course
    in_joint = np.minimum(to_side, np.minimum(level, 1 - level) * unit[1]) < joint / 2 + 0.6
    table = rng.normal(0, 1, (64, 64))
    shade = np.exp(spread * table[course % 64, column % 64])
    albedo = np.asarray(colours[0]) * shade[:, None] * (1 + 0.15 * noise(flat, 40.0, 4))[:, None]
    joint_albedo = np.asarray(colours[1]) * (1 + 0.15 * noise(flat + 99, 60.0))[:, None]
    albedo = np.where(in_joint[:, None], joint_albedo, albedo)
    albedo *= (1 + 0.25 * noise(flat, 700.0, 2))[:, None]
    flat[:, 2] = np.where(in_joint, -relief, 0.8 * table[course % 64, (column + 9) % 64])
    return [painted("background", "masonry", sheet(points), albedo, rng.uniform(0.7, 0.95), smooth=False)]


def _brick(rng: np.random.Generator, width: float, height: float, noise: Noise) -> list[Mesh]:
    brick = linear(rng.uniform(0.0, 0.11), rng.uniform(0.15, 0.7), rng.uniform(0.35, 0.85))
    mortar = linear(0.1, 0.1, rng.uniform(0.35, 0.85))
    return _coursed(rng, (width, height), (225.0, 75.0), 10.0, (brick, mortar), noise)


def _blocks(rng: np.random.Generator, width: float, height: float, noise: Noise) -> list[Mesh]:
    block = linear(0.1, rng.uniform(0, 0.15), rng.uniform(0.45, 0.8))
    size = (rng.uniform(300, 450), rng.uniform(150, 220))
    return _coursed(
        rng, (width, height), size, rng.uniform(3, 10), (block, linear(0.1, 0.05, 0.5)), noise, spread=0.08
    )


def _tiles(rng: np.random.Generator, width: float, height: float, noise: Noise) -> list[Mesh]:
    side = rng.uniform(100, 320)
    pair = (muted_colour(rng), linear(0, 0, rng.uniform(0.3, 0.85)))
    return _coursed(rng, (width, height), (side, side), 5.0, pair, noise, bond=1.0, relief=2.0, spread=0.05)


def _boards(rng: np.random.Generator, width: float, height: float, noise: Noise) -> list[Mesh]:
    wood = linear(rng.uniform(0.05, 0.1), rng.uniform(0.15, 0.6), rng.uniform(0.3, 0.8))
    size = (2400.0, rng.uniform(70, 180))
    meshes = _coursed(rng, (width, height), size, 6.0, (wood, linear(0, 0, 0.12)), noise, relief=12.0)
    return _turned(meshes, 90.0) if rng.random() < 0.5 else meshes


def _corrugated(rng: np.random.Generator, width: float, height: float, noise: Noise) -> list[Mesh]:
    period, depth = rng.uniform(30, 150), rng.uniform(6, 30)
    points = _grid(_even(width, period / 8, 200), _even(height, 0, 45))
    flat = points.reshape(-1, 3)
    wave = np.sin(2 * np.pi * flat[:, 0] / period)
    flat[:, 2] = depth * np.tanh(rng.uniform(0.5, 3.0) * wave)
    albedo = np.asarray(muted_colour(rng)) * (1 + 0.06 * noise(flat, 200.0))[:, None]
    rust = np.clip(noise(flat * np.array([1, 0.3, 1]), 180.0, 4) - rng.uniform(0.1, 1.2), 0, 1)
    albedo = albedo * (1 - rust)[:, None] + np.array([0.16, 0.06, 0.025]) * rust[:, None]
    mesh = painted(
        "background", "metal", sheet(points), albedo, rng.uniform(0.25, 0.6), rng.choice([0.0, 0.6])
    )
    return _turned([mesh], 90.0) if rng.random() < 0.3 else [mesh]


def _plain(
    rng: np.random.Generator, width: float, height: float, noise: Noise, lines: int = _MOST_LINES
) -> list[Mesh]:
    """Concrete, rough render or paint, with stains and panel joints."""
    concrete = rng.random() < 0.5
    base = linear(0.1, rng.uniform(0, 0.12), rng.uniform(0.35, 0.85)) if concrete else muted_colour(rng)
    points = _grid(_even(width, most=lines), _even(height, most=lines))
    flat = points.reshape(-1, 3)
    fine = noise(flat, rng.uniform(15, 50), 2)
    stain = np.clip(
        noise(flat * np.array([1.0, 0.25, 1.0]), rng.uniform(120, 400), 4) - rng.uniform(-0.2, 0.8), 0, 1
    )
    albedo = np.asarray(base) * (1 + rng.uniform(0.02, 0.2) * fine + 0.1 * noise(flat, 500.0, 3))[:, None]
    albedo *= (1 - rng.uniform(0.1, 0.6) * stain)[:, None]
    flat[:, 2] = rng.uniform(0, 5) * fine
    if rng.random() < 0.4:  # two-tone paint
        albedo[flat[:, 1] < rng.uniform(-0.4, 0.4) * height] *= np.asarray(any_colour(rng))
    return [painted("background", "wall", sheet(points), albedo, rng.uniform(0.4, 0.95))]


def _asphalt(rng: np.random.Generator, width: float, height: float, noise: Noise) -> list[Mesh]:
    points = _grid(_even(width, most=130), _even(height, most=130))
    flat = points.reshape(-1, 3)
    grain = 1 + 0.25 * rng.normal(0, 1, len(flat)) + 0.2 * noise(flat, 300.0)
    albedo = np.asarray(linear(0.6, 0.05, rng.uniform(0.2, 0.5))) * grain[:, None]
    for _ in range(rng.integers(0, 4)):
        angle, where, half = rng.uniform(0, np.pi), rng.normal(0, width / 4), rng.uniform(25, 120)
        across = flat[:, 0] * np.cos(angle) + flat[:, 1] * np.sin(angle) - where
        worn = noise(flat, 60.0) < rng.uniform(0.1, 0.9)
        paint = [linear(0, 0, 0.92), linear(0.13, 0.8, 0.95), linear(0.36, 0.7, 0.6), linear(0.58, 0.7, 0.75)]
        albedo[(np.abs(across) < half) & worn] = paint[rng.integers(4)]
    wet = np.clip(noise(flat, 400.0) - rng.uniform(0.0, 1.5), 0, 0.3) * 3
    return [
        painted("background", "ground", sheet(points), albedo * (1 - 0.5 * wet)[:, None], 0.9 - 0.75 * wet)
    ]


def _paving(rng: np.random.Generator, width: float, height: float, noise: Noise) -> list[Mesh]:
    slab = linear(rng.uniform(0, 0.12), rng.uniform(0, 0.35), rng.uniform(0.35, 0.8))
    size = (200.0, 100.0) if rng.random() < 0.5 else (rng.uniform(300, 600), rng.uniform(300, 600))
    joint = linear(rng.uniform(0.08, 0.3), rng.uniform(0.1, 0.5), rng.uniform(0.15, 0.5))
    meshes = _coursed(
        rng,
        (width, height),
        size,
        rng.uniform(4, 12),
        (slab, joint),
        noise,
        bond=rng.choice([0.5, 1.0]),
        spread=0.1,
    )
    return _turned(meshes, rng.uniform(0, 360))


def _gravel(rng: np.random.Generator, width: float, height: float, noise: Noise) -> list[Mesh]:
    reach, count = max(width, height), 1400
    bed = _plain(rng, width, height, noise, 60)[0]
    stone = lathe([(0, 0.8), (0.9, 0.45), (1.0, 0.0)], 5)
    each = len(stone.vertices)
    size = reach / 38 * rng.uniform(0.5, 1.2, count)
    turns = Rotation.random(count, rng=rng).as_matrix()
    squash = rng.uniform(0.6, 1.0, (count, 1, 3)) * size[:, None, None]
    corners = np.einsum("nij,nvj->nvi", turns, np.broadcast_to(stone.vertices, (count, each, 3))) * squash
    corners += rng.uniform(-0.5, 0.5, (count, 1, 3)) * np.array([width, height, 0.0])
    faces = (stone.faces[None] + (np.arange(count) * each)[:, None, None]).reshape(-1, 3)
    tones = np.exp(rng.normal(0, 0.35, (count, 1))) * linear(0.09, rng.uniform(0, 0.3), rng.uniform(0.4, 0.8))
    solid = Solid(corners.reshape(-1, 3), faces)
    return [bed, painted("background", "ground", solid, np.repeat(tones, each, axis=0), 0.85, smooth=False)]


def _grass(rng: np.random.Generator, width: float, height: float, noise: Noise) -> list[Mesh]:
    bed = _plain(rng, width, height, noise, 60)[0]
    green = linear(rng.uniform(0.16, 0.33), rng.uniform(0.3, 0.75), rng.uniform(0.3, 0.65))
    bed.attributes["albedo"] = (bed.attributes["albedo"] * 0.3 + 0.5 * np.asarray(green)).astype(np.float32)
    blades = leaves(rng, 4500, max(width, height) / 14, green)
    vertices = blades.vertices.reshape(-1, 4, 3)
    vertices *= np.array([1.0, 1.0, 0.5], dtype=np.float32)
    spots = rng.uniform(-0.5, 0.5, (len(vertices), 1, 3)) * np.array([width, height, 0.0])
    blades.vertices = (vertices + spots + [0, 0, 6.0]).reshape(-1, 3).astype(np.float32)
    return [bed, blades]


def leaves(rng: np.random.Generator, count: int, length: float, colour: Colour) -> Mesh:
    """Return ``count`` separate leaves (4 vertices each) about the origin, to be spread by the caller."""
    direction = rng.normal(size=(count, 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    across = np.cross(direction, rng.normal(size=(count, 3)))
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    long = length * rng.uniform(0.4, 1.0, (count, 1))
    wide = long * rng.uniform(0.12, 0.5, (count, 1))
    tip = direction * long
    corners = np.stack([tip, 0.45 * tip + across * wide, -0.1 * tip, 0.45 * tip - across * wide], axis=1)
    away = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])[:, 2] < 0
    corners[away] = corners[away][:, ::-1]
    quad = np.array([[0, 1, 2], [0, 2, 3]])
    tones = (
        np.asarray(colour) * np.exp(rng.normal(0, 0.35, (count, 1))) * np.exp(rng.normal(0, 0.12, (count, 3)))
    )
    faces = (quad[None] + 4 * np.arange(count)[:, None, None]).reshape(-1, 3)
    solid = Solid(corners.reshape(-1, 3), faces)
    return painted("background", "leaf", solid, np.repeat(tones, 4, axis=0), 0.6, smooth=False)


def _turned(meshes: list[Mesh], degrees: float) -> list[Mesh]:
    turn = Rotation.from_euler("z", degrees, degrees=True)
    for mesh in meshes:
        mesh.vertices = turn.apply(mesh.vertices).astype(np.float32)
    return meshes


_Maker = Callable[[np.random.Generator, float, float, Noise], list[Mesh]]
_WALLS: dict[Domain, tuple[_Maker, ...]] = {
    Domain.TRAIN: (_brick, _brick, _boards, _plain, _plain, _plain),
    Domain.STRESS: (_tiles, _corrugated),
    Domain.LOCAL: (_blocks,),
}
_GROUNDS: dict[Domain, tuple[_Maker, ...]] = {
    Domain.TRAIN: (_asphalt, _asphalt, _paving, _paving, _plain),
    Domain.STRESS: (_grass,),
    Domain.LOCAL: (_gravel,),
}


def moved(meshes: list[Mesh], offset: Array, turn: Rotation | None = None) -> list[Mesh]:
    """Turn and shift finished meshes in place and return them."""
    for mesh in meshes:
        vertices = mesh.vertices.astype(np.float64)
        if turn is not None:
            vertices = turn.apply(vertices)
        mesh.vertices = (vertices + offset).astype(np.float32)
    return meshes


def fitting(have: list[Mesh], more: list[Mesh], budget: int) -> list[Mesh]:
    """Return ``more`` if it fits the triangle budget beside ``have``, else nothing."""
    total = sum(len(m.faces) for m in have) + sum(len(m.faces) for m in more)
    return more if total <= budget else []


def kept_behind(meshes: list[Mesh], z: float = -150.0) -> list[Mesh]:
    """Push a group straight back, if need be, until all of it lies behind height ``z``."""
    front = max((float(m.vertices[:, 2].max()) for m in meshes), default=z)
    return moved(meshes, np.array([0.0, 0.0, min(0.0, z - front)]))
