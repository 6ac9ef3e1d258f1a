"""The grid of directions every picture of the surroundings is painted on, and small painting helpers.

Rows run from the zenith down, columns round the horizon; y is up. The layout is the latitude-longitude one
of environment maps.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

HEIGHT, WIDTH = 512, 1024
Floats = NDArray[np.float32]


@dataclass(frozen=True)
class Directions:
    """Unit vectors (height x width x 3), azimuth and elevation in radians, solid angle of each pixel."""

    vectors: Floats
    azimuth: Floats
    elevation: Floats
    solid_angle: Floats


@cache
def grid(height: int = HEIGHT, width: int = WIDTH) -> Directions:
    """Return the direction grid of the given size."""
    theta = (np.arange(height) + 0.5) / height * np.pi
    phi = (np.arange(width) + 0.5) / width * 2 * np.pi
    azimuth, polar = np.meshgrid(phi, theta)
    vectors = np.stack(
        [np.sin(azimuth) * np.sin(polar), np.cos(polar), -np.cos(azimuth) * np.sin(polar)], axis=2
    )
    solid = np.sin(polar) * (np.pi / height) * (2 * np.pi / width)
    return Directions(
        vectors.astype(np.float32),
        azimuth.astype(np.float32),
        (np.pi / 2 - polar).astype(np.float32),
        solid.astype(np.float32),
    )


def noise(rng: np.random.Generator, height: int, width: int, cells: int, octaves: int = 4) -> Floats:
    """Return smooth noise in 0..1, height x width, periodic in x, with ``cells`` features across at first."""
    total = np.zeros((height, width), np.float32)
    weight = 0.0
    for octave in range(octaves):
        across = cells * 2**octave
        down = max(2, across * height // width)
        lattice = rng.random((down + 1, across)).astype(np.float32)
        wrapped = np.concatenate([lattice, lattice[:, :1]], axis=1)
        total += 0.6**octave * cv2.resize(wrapped, (width, height), interpolation=cv2.INTER_CUBIC)
        weight += 0.6**octave
    total = total / weight
    low, high = np.percentile(total[::4, ::4], [1, 99])
    return np.asarray(np.clip((total - low) / max(high - low, 1e-6), 0, 1), np.float32)


def lookup(texture: Floats, u: NDArray[Any], v: NDArray[Any]) -> Floats:
    """Sample a square texture at u, v (periods of 1), nearest neighbour."""
    size = texture.shape[0]
    column = np.floor(u * size).astype(np.int32) % size
    row = np.floor(v * size).astype(np.int32) % size
    return np.asarray(texture[row, column])


def tint(rng: np.random.Generator, spread: float) -> Floats:
    """Return an RGB factor around 1 with the given spread."""
    return np.asarray(np.exp(rng.normal(0, spread, 3)), np.float32)


def smooth_edge(value: Floats, width: float) -> Floats:
    """Return 0..1 across an edge at value 0 of the given width."""
    return np.asarray(np.clip(0.5 + value / width, 0, 1), np.float32)
