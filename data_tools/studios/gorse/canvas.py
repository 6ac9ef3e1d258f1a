"""A painter's canvas over the face plane: colour and roughness by millimetre, laid on in coats."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from data_tools.studios.gorse.solids import Array, Mesh

PIXELS = 1024
SIDE = 78.0
"""Side of the square that the canvas covers, mm."""
PER_MM = PIXELS / SIDE
WALL_SHARE = 0.3
"""Millimetres of the map that a millimetre of wall takes."""


class Canvas:
    """Colour (linear RGB) and roughness over a square of the face plane around ``centre``; row 0 on top."""

    def __init__(self, centre: tuple[float, float], rng: np.random.Generator) -> None:
        self.centre, self.rng = centre, rng
        line = ((np.arange(PIXELS) + 0.5) / PER_MM - SIDE / 2).astype(np.float32)
        self.x, self.y = line[None, :] + np.float32(centre[0]), -line[:, None] + np.float32(centre[1])
        self.colour = np.zeros((PIXELS, PIXELS, 3), np.float32)
        self.rough = np.zeros((PIXELS, PIXELS), np.float32)

    def uv(self, vertices: Array, normals: Array, unfolded: Array) -> Array:
        """Return the map coordinates of vertices: seen along z, but walls are laid out flat a little way, or
        they would be streaked; ``unfolded`` (mm by vertex) is the depth to which that goes."""
        deep = np.clip(-vertices[:, 2], 0, unfolded)[:, None]
        flat = (vertices[:, :2] + WALL_SHARE * deep * normals[:, :2] - np.asarray(self.centre)) / SIDE + 0.5
        return np.asarray(flat, np.float32)

    def dress(self, mesh: Mesh, base: Array) -> None:
        """Colour a mesh's vertices by what lies on the canvas over them, where it covers ``base``."""
        column, row = (
            np.clip(self.pixel(mesh.vertices[:, 0], mesh.vertices[:, 1]), 0, PIXELS - 1).astype(int).T
        )
        mesh.colour = np.clip(mesh.colour + self.colour[row, column] - base, 0.004, 0.93)
        mesh.rough = np.clip(self.rough[row, column], 0.05, 0.9)

    def coat(self, alpha: Any, colour: Any, rough: float | None = None) -> None:
        """Lay a colour over what is there, ``alpha`` 0..1 by pixel, with its roughness if it has one."""
        used = np.asarray(alpha) > 0
        rows, columns = np.flatnonzero(used.any(1)), np.flatnonzero(used.any(0))
        if len(rows) == 0:
            return
        box = slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)
        thick = np.clip(alpha[box], 0, 1).astype(np.float32)
        tint = np.asarray(colour, np.float32)
        part = self.colour[box]
        part += thick[..., None] * ((tint[box] if tint.ndim == 3 else tint) - part)
        if rough is not None:
            self.rough[box] += thick * (np.float32(rough) - self.rough[box])

    def cloud(self, cell: float, octaves: int = 3) -> Array:
        """Return soft noise, about 0..1, whose largest spots are ``cell`` mm wide."""
        total, weight = np.zeros((PIXELS, PIXELS), np.float32), 0.0
        for octave in range(octaves):
            count = max(2, int(min(SIDE / cell * 2**octave, PIXELS)) + 2)
            spots = self.rng.uniform(0, 1, (count, count)).astype(np.float32)
            total += cv2.resize(spots, (PIXELS, PIXELS), interpolation=cv2.INTER_CUBIC) * 0.6**octave
            weight += 0.6**octave
        return np.asarray(np.clip((total / weight - 0.5) * 1.7 + 0.5, 0, 1))

    def pixel(self, x: Any, y: Any) -> Any:
        """Return the canvas pixels (column, row) of points in mm."""
        column = (np.asarray(x) - self.centre[0] + SIDE / 2) * PER_MM
        return np.stack([column, (self.centre[1] + SIDE / 2 - np.asarray(y)) * PER_MM], -1)

    def disc(self, x: float, y: float, radius: float, soft: float = 0.15) -> Array:
        """Return a round mask."""
        far = np.sqrt((self.x - x) ** 2 + (self.y - y) ** 2)
        return np.asarray(np.clip((radius - far) / soft + 0.5, 0, 1), np.float32)

    def blots(self, places: Any, sizes: Any, ragged: float = 0.35) -> Array:
        """Return the mask of irregular blots at N x 2 mm with radii in mm."""
        mask = np.zeros((PIXELS, PIXELS), np.uint8)
        turn = np.linspace(0, 2 * np.pi, 14, endpoint=False)
        for (x, y), size in zip(places, sizes, strict=True):
            r = size * (1 + ragged * self.rng.uniform(-1, 1, 14))
            points = self.pixel(x + r * np.cos(turn), y + r * np.sin(turn))
            cv2.fillPoly(mask, [np.round(points * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        return mask.astype(np.float32) / 255

    def strokes(self, lines: Any, width: float) -> Array:
        """Return the mask of thin lines (each N x 2 mm)."""
        mask = np.zeros((PIXELS, PIXELS), np.uint8)
        for line in lines:
            line = np.asarray(line)
            points = np.round(self.pixel(line[:, 0], line[:, 1]) * 16).astype(np.int32)
            cv2.polylines(mask, [points], False, 255, max(1, round(width * PER_MM)), cv2.LINE_AA, 4)
        return mask.astype(np.float32) / 255

    def somewhere(self, count: int, spread: float = 17.0) -> Any:
        """Return ``count`` random points about the middle, mm."""
        return np.asarray(self.centre) + self.rng.normal(0, spread, (count, 2))


def softened(mask: Array, millimetres: float) -> Array:
    """Return a mask blurred by so many mm."""
    return np.asarray(cv2.GaussianBlur(mask, (0, 0), max(0.3, millimetres * PER_MM)), np.float32)
