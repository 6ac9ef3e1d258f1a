"""Smooth random fields in millimetre space, the same for the same seed on every machine.

One fixed random lattice is shared by all fields; a seed turns and shifts it. That makes a field a pure
function of position, so a coupler and its damaged twin carry the same dirt wherever their surfaces agree.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
_BITS = 5
_LATTICE = 1 << _BITS
_CHUNK = 1 << 14
"""Points worked on at once: few enough to stay in the processor's cache."""


@lru_cache(maxsize=1)
def _lattice() -> Array:
    """Return at each lattice point its value, the step to the next one along z, and the same two of the next
    point along y: four float32 that are fetched as one number of 16 bytes."""
    values = np.random.default_rng(20260101).uniform(-1.0, 1.0, (_LATTICE,) * 3).astype(np.float32)
    pair = np.stack([values, np.roll(values, -1, axis=2) - values], axis=-1)
    four = np.concatenate([pair, np.roll(pair, -1, axis=1)], axis=-1)
    return np.ascontiguousarray(four).view(np.complex128).ravel()


@lru_cache(maxsize=4096)
def _placement(seed: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    rng = np.random.default_rng(seed)
    rotation, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    return rotation, rng.uniform(0, _LATTICE, 3)


def _one_octave(x: Array, y: Array, z: Array, wavelength: float, seed: int) -> Array:
    found = np.empty(x.size, np.float32)
    for start in range(0, x.size, _CHUNK):
        part = slice(start, start + _CHUNK)
        found[part] = _chunk(x[part], y[part], z[part], wavelength, seed)
    return found


def _chunk(x: Array, y: Array, z: Array, wavelength: float, seed: int) -> Array:
    """Interpolate between the eight lattice values around each point, smoothly."""
    rotation, shift = _placement(seed)
    turn = (rotation / wavelength).astype(np.float32)
    cells, share = [], []
    for axis in range(3):
        part = turn[axis, 0] * x
        part += turn[axis, 1] * y
        part += turn[axis, 2] * z
        part += np.float32(shift[axis])
        base = np.floor(part)
        part -= base
        cell = base.astype(np.int32)
        cells.append(cell)
        bent = np.float32(-2.0) * part
        bent += np.float32(3.0)
        part *= part
        share.append(np.multiply(part, bent, out=bent))
    across = ((cells[1] & (_LATTICE - 1)) << _BITS) + (cells[2] & (_LATTICE - 1))
    sides = []
    for first in (cells[0], cells[0] + 1):
        corner = ((first & (_LATTICE - 1)) << (2 * _BITS)) + across
        four = _lattice().take(corner).view(np.float32).reshape(-1, 4)
        near, far = share[2] * four[:, 1], share[2] * four[:, 3]
        near += four[:, 0]
        far += four[:, 2]
        far -= near
        far *= share[1]
        near += far
        sides.append(near)
    sides[1] -= sides[0]
    sides[1] *= share[0]
    result: Array = np.add(sides[0], sides[1], out=sides[0])
    return result


def noise(x: Array, y: Array, z: Array, wavelength: float, seed: int, octaves: int = 1) -> Array:
    """Return value noise, about -1..1, at broadcastable positions in mm; ``wavelength`` is the cell in mm.

    Each further octave halves the wavelength and the amplitude.
    """
    full = np.broadcast_arrays(x, y, z)
    shape = full[0].shape
    flat = [np.ascontiguousarray(axis, np.float32).ravel() for axis in full]
    total = np.zeros(flat[0].size, np.float32)
    weight, gain = 0.0, 1.0
    for octave in range(octaves):
        total += gain * _one_octave(flat[0], flat[1], flat[2], wavelength / 2**octave, seed + 7919 * octave)
        weight += gain
        gain *= 0.5
    return (total / np.float32(weight)).reshape(shape)


def smoothstep(low: float, high: float, value: Array) -> Array:
    """Return 0 below ``low``, 1 above ``high`` and a smooth ramp between; works with ``low > high`` too."""
    t = np.clip((value - np.float32(low)) / np.float32(high - low), 0.0, 1.0)
    result: Array = (t * t * (3.0 - 2.0 * t)).astype(np.float32)
    return result
