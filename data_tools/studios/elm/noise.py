"""Random numbers with names, and noise: fields in space for surfaces, pictures for backdrops."""

from __future__ import annotations

from functools import lru_cache
from typing import Any
from zlib import crc32

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

Array = NDArray[Any]
Rng = np.random.Generator
_CELLS = 64


def stream(seed: int, number: int, name: str) -> Rng:
    """Return the random numbers of one matter of one subject.

    Each matter has its own stream, so that a damaged coupler and its intact twin agree in everything else.
    """
    return np.random.default_rng([seed, number, crc32(name.encode())])


@lru_cache(maxsize=2)
def _volume(octaves: tuple[float, ...]) -> Array:
    """A tile of noise, 64 cells a side, that repeats seamlessly: one look-up gives all octaves at once."""
    rng, total = np.random.default_rng(5), np.zeros((_CELLS,) * 3)
    for sigma in octaves:
        layer = ndimage.gaussian_filter(rng.standard_normal(total.shape), sigma, mode="wrap")
        total += layer / layer.std() * sigma**0.5
    return np.asarray(total / total.std(), dtype=np.float32)


def field(points: Array, size: float, rng: Rng, *, soft: bool = False) -> Array:
    """Return noise of about unit deviation at ``points`` (..., 3 mm); ``size`` is that of its grain, mm.

    ``soft`` leaves a single octave: bulges instead of clouds.
    """
    octaves = (2.0,) if soft else (1.0, 2.0, 4.0)
    places = np.moveaxis(points, -1, 0) * (3.0 / size) + rng.uniform(0, _CELLS, 3).reshape(
        3, *[1] * (points.ndim - 1)
    )
    return np.asarray(
        ndimage.map_coordinates(_volume(octaves), places, order=1, mode="grid-wrap", prefilter=False)
    )


def clouds(rng: Rng, shape: tuple[int, int], roughness: float = 1.0, stretch: float = 1.0) -> Array:
    """Return a seamless picture of noise, mean 0 and deviation 1, with a power-law spectrum."""
    rows = np.fft.fftfreq(shape[0])[:, None] * stretch
    columns = np.fft.rfftfreq(shape[1])[None, :]
    spectrum = (
        np.fft.rfft2(rng.standard_normal(shape)) / (np.hypot(rows, columns) + 2 / max(shape)) ** roughness
    )
    spectrum[0, 0] = 0
    picture = np.fft.irfft2(spectrum, shape)
    return np.asarray(picture / picture.std(), dtype=np.float32)


def mix(old: ArrayLike, new: ArrayLike, amount: Array | float) -> Array:
    """Blend colours (..., 3) towards ``new`` by ``amount`` (...), 0 to 1."""
    share = np.clip(np.asarray(amount), 0, 1)[..., None]
    return np.asarray(np.asarray(old) * (1 - share) + np.asarray(new) * share)


def ramp(value: Array, low: float, high: float) -> Array:
    """Return 0 below ``low``, 1 above ``high`` and a smooth step between."""
    t = np.clip((value - low) / (high - low), 0, 1)
    return np.asarray(t * t * (3 - 2 * t))
