"""Small mesh kit: sheets of points with a colour at each point, and smooth noise to vary them with.

All lengths are face-plane millimetres, z towards the viewer; colours are linear RGB, 0 to 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float32]
Ints = NDArray[np.int32]

BODY, FOREIGN, FIRST_PLACE = 0, 1, 2
"""Owners of a point: the coupler at large, something that is not the coupler, then the family's places."""


@dataclass
class Finish:
    """How a fresh surface looks: linear RGB, roughness and metallic 0 to 1."""

    colour: tuple[float, float, float]
    roughness: float = 0.5
    metallic: float = 0.0


@dataclass
class Part:
    """A triangle mesh: points (N, 3) mm, faces (M, 3), albedo (N, 3), roughness, metallic, owner (N,).

    ``fresh`` (N,) is 1 on a fracture, else 0.
    """

    points: Floats
    faces: Ints
    albedo: Floats
    roughness: Floats
    metallic: Floats
    owner: Ints
    fresh: Floats

    @cached_property
    def normals(self) -> Floats:
        """Unit normals (N, 3), faces weighted by area; a sheet's rows and columns say which way."""
        a, b, c = (self.points[self.faces[:, k]] for k in range(3))
        across = np.cross(b - a, c - a)
        total = np.stack(
            [
                sum(np.bincount(self.faces[:, k], across[:, axis], len(self.points)) for k in range(3))
                for axis in range(3)
            ],
            axis=1,
        )
        length = np.linalg.norm(total, axis=1, keepdims=True)
        total[length[:, 0] < 1e-9] = (0, 0, 1e-9)  # a point of faces without area still needs a normal
        return np.asarray(total / np.maximum(length, 1e-9), np.float32)

    def paint(self, where: Floats, colour: NDArray[np.floating] | tuple[float, ...] | float) -> None:
        """Mix ``colour`` into the albedo by ``where`` (N,), 0 to 1."""
        cover = np.clip(where, 0, 1)[:, None]
        self.albedo = (self.albedo * (1 - cover) + np.asarray(colour, np.float32) * cover).astype(np.float32)

    def polish(self, where: Floats, roughness: float) -> None:
        """Mix ``roughness`` in by ``where`` (N,), 0 to 1."""
        cover = np.clip(where, 0, 1)
        self.roughness = (self.roughness * (1 - cover) + roughness * cover).astype(np.float32)

    def move(self, points: NDArray[np.floating]) -> None:
        """Put the points (N, 3) elsewhere."""
        self.points = points.astype(np.float32)
        self.__dict__.pop("normals", None)


def part(points: NDArray[np.floating], faces: NDArray[np.integer], finish: Finish, owner: int = BODY) -> Part:
    """A mesh in one finish: points (N, 3) mm, faces (M, 3)."""
    count = len(points)
    return Part(
        points.astype(np.float32),
        faces.astype(np.int32),
        np.tile(np.asarray(finish.colour, np.float32), (count, 1)),
        np.full(count, finish.roughness, np.float32),
        np.full(count, finish.metallic, np.float32),
        np.full(count, owner, np.int32),
        np.zeros(count, np.float32),
    )


def sheet(grid: NDArray[np.floating], finish: Finish, owner: int = BODY, *, closed: bool = True) -> Part:
    """A mesh over a grid of points (rows, columns, 3); ``closed`` joins the last column to the first."""
    rows, columns = grid.shape[:2]
    number = np.arange(rows * columns).reshape(rows, columns)
    if closed:
        number = np.concatenate([number, number[:, :1]], axis=1)
    a, b, c, d = number[:-1, :-1], number[:-1, 1:], number[1:, 1:], number[1:, :-1]
    faces = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
    return part(grid.reshape(-1, 3), faces, finish, owner)


def tube(path: NDArray[np.floating], radii: NDArray[np.floating], finish: Finish, owner: int = BODY) -> Part:
    """A round rod along ``path`` (N, 3) with ``radii`` (N,) mm, its ends closed."""
    along = np.gradient(path, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    side = np.cross(along, [0.13, 0.37, 1.0])
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    other = np.cross(along, side)
    angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    ring = (
        side[:, None] * (np.cos(angle)[None, :, None] * radii[:, None, None])
        + other[:, None] * (np.sin(angle)[None, :, None] * radii[:, None, None])
        + path[:, None]
    )
    ends = [np.repeat(path[k][None, None], len(angle), axis=1) for k in (0, -1)]
    return sheet(np.concatenate([ends[0], ring, ends[1]]), finish, owner)


def block(
    low: tuple[float, float, float],
    high: tuple[float, float, float],
    rounding: float,
    finish: Finish,
    owner: int = BODY,
    cells: int = 14,
) -> Part:
    """A box from ``low`` to ``high`` mm with rounded edges; each side has ``cells`` x ``cells`` squares."""
    centre, half = (np.add(low, high) / 2), (np.subtract(high, low) / 2)
    rounding = min(rounding, float(half.min()) * 0.98)
    # more points near the edges, where the rounding is
    line = np.sin(np.linspace(-np.pi / 2, np.pi / 2, cells + 1))
    u, v = np.meshgrid(line, line, indexing="ij")
    parts = []
    for axis in range(3):
        for sign in (-1.0, 1.0):
            cube = np.empty((cells + 1, cells + 1, 3))
            cube[..., axis], cube[..., (axis + 1) % 3], cube[..., (axis + 2) % 3] = sign, u * sign, v
            cube *= half
            core = np.clip(cube, -(half - rounding), half - rounding)
            out = cube - core
            out *= rounding / np.maximum(np.linalg.norm(out, axis=-1, keepdims=True), 1e-9)
            parts.append(sheet(core + out + centre, finish, owner, closed=False))
    return join(parts)


def join(parts: list[Part]) -> Part:
    """One mesh of several."""
    starts = np.cumsum([0, *(len(p.points) for p in parts[:-1])])
    return Part(
        np.concatenate([p.points for p in parts]),
        np.concatenate([p.faces + start for p, start in zip(parts, starts, strict=True)]).astype(np.int32),
        np.concatenate([p.albedo for p in parts]),
        np.concatenate([p.roughness for p in parts]),
        np.concatenate([p.metallic for p in parts]),
        np.concatenate([p.owner for p in parts]),
        np.concatenate([p.fresh for p in parts]),
    )


class Noise:
    """Smooth noise over space with about unit spread; the same ``seed`` gives the same noise."""

    def __init__(self, seed: int) -> None:
        self._lattice = np.random.default_rng(seed).standard_normal((20, 20, 20)).astype(np.float32)

    def __call__(self, points: NDArray[np.floating], size: float, octaves: int = 1) -> Floats:
        """Noise (N,) at ``points`` (N, 3) mm, its features about ``size`` mm wide."""
        total = np.zeros(len(points), np.float32)
        for octave in range(octaves):
            at = points.T / size * 2**octave + 7.3 * octave
            whole = np.floor(at)
            part_way = at - whole
            at = whole + part_way**2 * (3 - 2 * part_way)  # smooth, so that lattice cells leave no creases
            total += ndimage.map_coordinates(self._lattice, at, order=1, mode="grid-wrap") / 1.7**octave
        return total * 1.3


def smoothstep(low: float, high: float, value: NDArray[np.floating]) -> Floats:
    """0 below ``low``, 1 above ``high``, smooth between (either order)."""
    t = np.clip((value - low) / (high - low), 0, 1)
    return np.asarray(t * t * (3 - 2 * t), np.float32)
