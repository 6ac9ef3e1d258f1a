"""Colour for props: value noise, sampled paints, plastics, metals and skins, and grime in vertex colours."""

from __future__ import annotations

import colorsys
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from data_tools.rendering.contours import Array
from data_tools.rendering.domains import choice
from data_tools.rendering.palette import METALS, PLASTICS, draw
from data_tools.rendering.shapes import Solid
from data_tools.rendering.spec import Mesh

Colour = tuple[float, float, float]
_CELLS = 24
_STRIDES = np.array([[_CELLS * _CELLS], [_CELLS], [1]])


class Noise:
    """Smooth value noise in 3-D: one random periodic lattice, sampled at any scale, about -1..1."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._lattice = rng.uniform(-1, 1, (_CELLS, _CELLS, _CELLS)).astype(np.float32).ravel()

    def __call__(self, points: Array, scale: float, octaves: int = 3) -> NDArray[np.float64]:
        """Return noise (N,) at ``points`` (N x 3, mm) whose largest bumps are about ``scale`` mm across."""
        total = np.zeros(len(points))
        for octave in range(octaves):
            total += self._once(points * (2**octave / scale) + 7.3 * octave) * 0.55**octave
        return total

    def _once(self, at: Array) -> NDArray[np.float64]:
        rows = np.ascontiguousarray(at.T)
        cell = np.floor(rows)
        t = (rows - cell).astype(np.float32)
        x, y, z = t * t * (3 - 2 * t)
        here = cell.astype(np.int64) % _CELLS
        after = here + 1
        after[after == _CELLS] = 0
        (i, j, k), (i1, j1, k1) = here * _STRIDES, after * _STRIDES
        levels = []
        for depth in (k, k1):
            near, far = j + depth, j1 + depth
            low = _mix(self._lattice.take(i + near), self._lattice.take(i1 + near), x)
            high = _mix(self._lattice.take(i + far), self._lattice.take(i1 + far), x)
            levels.append(_mix(low, high, y))
        return np.asarray(_mix(levels[0], levels[1], z), dtype=np.float64)


@dataclass(frozen=True)
class Coat:
    """What a surface is painted with: base values, blotches (``mottle``), dirt or rust (``grime``)."""

    albedo: Colour
    roughness: float = 0.5
    metallic: float = 0.0
    mottle: float = 0.06
    mottle_mm: float = 12.0
    grime: float = 0.0
    grime_albedo: Colour = (0.16, 0.12, 0.085)
    grime_mm: float = 25.0
    material: str = "plastic"

    def but(self, **changes: object) -> Coat:
        """Return a copy with some values changed."""
        return replace(self, **changes)  # type: ignore[arg-type]


Overlay = Callable[[Array, Array, Array], tuple[Array, Array]]


def cover(part: str, solid: Solid, coat: Coat, noise: Noise, *, smooth: bool = True) -> Mesh:
    """Return ``solid`` as a mesh painted with ``coat``."""
    points = solid.vertices
    count = len(points)
    shade = 1 + coat.mottle * noise(points, coat.mottle_mm)
    albedo = np.asarray(coat.albedo) * shade[:, None]
    roughness = np.full(count, coat.roughness) * (1 + 0.5 * (shade - 1))
    metallic = np.full(count, coat.metallic)
    if coat.grime > 0:
        field = noise(points + 311.0, coat.grime_mm, 4)
        amount = np.clip(1.6 * coat.grime + 0.9 * field - 0.35, 0, 1) * min(1.0, 0.35 + coat.grime)
        albedo = albedo + (np.asarray(coat.grime_albedo) - albedo) * amount[:, None]
        roughness = roughness + (0.9 - roughness) * amount
        metallic = metallic * (1 - amount)
    return painted(part, coat.material, solid, albedo, roughness, metallic, smooth=smooth)


def painted(
    part: str,
    material: str,
    solid: Solid,
    albedo: ArrayLike,
    roughness: ArrayLike,
    metallic: ArrayLike = 0.0,
    *,
    smooth: bool = True,
) -> Mesh:
    """Return a mesh with given colours: albedo (N x 3 or 3), roughness and metallic (N or a number)."""
    count = len(solid.vertices)

    def column(values: ArrayLike, low: float) -> NDArray[np.float32]:
        wide = np.broadcast_to(np.asarray(values, dtype=np.float64), (count,))
        return np.clip(wide, low, 1.0).astype(np.float32)[:, None]

    return Mesh(
        part=part,
        material=material,
        vertices=solid.vertices.astype(np.float32),
        faces=solid.faces.astype(np.uint32),
        attributes={
            "albedo": np.clip(np.broadcast_to(np.asarray(albedo), (count, 3)), 0.003, 0.97).astype(
                np.float32
            ),
            "roughness": column(roughness, 0.05),
            "metallic": column(metallic, 0.0),
        },
        smooth=smooth,
    )


def linear(hue: float, saturation: float, value: float) -> Colour:
    """Return linear RGB for a display HSV colour (0..1 each)."""
    red, green, blue = colorsys.hsv_to_rgb(hue % 1.0, min(max(saturation, 0), 1), min(max(value, 0), 1))
    return (red**2.2, green**2.2, blue**2.2)


def any_colour(rng: np.random.Generator) -> Colour:
    """Return any colour at all, saturated or dull, light or dark."""
    return linear(rng.random(), rng.beta(1.0, 2.4), rng.uniform(0.12, 0.95))


def muted_colour(rng: np.random.Generator) -> Colour:
    """Return a colour as walls have it: mostly pale or grey, now and then strong."""
    return linear(rng.random(), rng.beta(0.9, 4.0), rng.uniform(0.25, 0.95))


def plastic(rng: np.random.Generator) -> Coat:
    """Return a moulded plastic: mostly black and greys, also white and colours; gloss and grime vary."""
    if rng.random() < 0.6:  # the couplers' own colours, so that colour alone tells nothing
        shells, sleeves = choice(PLASTICS)
        table = shells if rng.random() < 0.6 else sleeves
        red, green, blue = draw(rng, table)
        return Coat(
            (red, green, blue), rng.uniform(0.22, 0.75), mottle=rng.uniform(0.01, 0.14), grime=dirt(rng)
        )
    style = rng.choice(["black", "grey", "white", "colour"], p=[0.45, 0.25, 0.15, 0.15])
    if style == "colour":
        albedo = any_colour(rng)
    else:
        low, high = {"black": (0.1, 0.3), "grey": (0.3, 0.7), "white": (0.78, 0.96)}[str(style)]
        albedo = linear(rng.random(), rng.uniform(0, 0.08), rng.uniform(low, high))
    return Coat(albedo, rng.uniform(0.25, 0.75), mottle=rng.uniform(0.02, 0.15), grime=dirt(rng))


def rubber(rng: np.random.Generator) -> Coat:
    """Return rubber: black to grey, sometimes orange, red or blue."""
    if rng.random() < 0.75:
        albedo = linear(rng.random(), rng.uniform(0, 0.1), rng.uniform(0.1, 0.4))
    else:
        albedo = linear(rng.choice([0.02, 0.06, 0.6, 0.3]), rng.uniform(0.5, 0.95), rng.uniform(0.4, 0.9))
    return Coat(albedo, rng.uniform(0.5, 0.9), mottle=0.12, grime=dirt(rng), material="rubber")


def car_paint(rng: np.random.Generator) -> Coat:
    """Return car paint: the usual white, silver, grey and black, and every other hue; always glossy."""
    if rng.random() < 0.7:
        albedo = linear(rng.random(), rng.uniform(0, 0.08), rng.uniform(0.08, 0.95))
    else:
        hue = (
            rng.choice([0.0, 0.01, 0.6, 0.62, 0.58, 0.35, 0.08, 0.14]) if rng.random() < 0.7 else rng.random()
        )
        albedo = linear(hue + rng.normal(0, 0.02), rng.uniform(0.3, 0.9), rng.uniform(0.2, 0.8))
    return Coat(
        albedo, rng.uniform(0.08, 0.3), rng.choice([0.0, 0.25]), 0.02, 60.0, dirt(rng) * 0.7, material="paint"
    )


_METALS: tuple[Colour, ...] = (
    (0.56, 0.55, 0.54),  # steel
    (0.72, 0.71, 0.70),  # zinc, chrome
    (0.83, 0.83, 0.84),  # aluminium
    (0.78, 0.56, 0.24),  # brass
    (0.72, 0.38, 0.25),  # copper
    (0.20, 0.19, 0.19),  # blackened
)


def metal(rng: np.random.Generator) -> Coat:
    """Return bare or plated metal, bright to tarnished."""
    if rng.random() < 0.4:
        red, green, blue = draw(rng, METALS, 0.15)
    else:
        red, green, blue = np.asarray(
            _METALS[rng.choice(len(_METALS), p=[0.3, 0.25, 0.15, 0.15, 0.05, 0.1])]
        ) * rng.uniform(0.6, 1.05)
    rusty = linear(rng.uniform(0.03, 0.08), 0.75, rng.uniform(0.25, 0.5))
    return Coat(
        (red, green, blue),
        rng.uniform(0.12, 0.55),
        1.0,
        rng.uniform(0.02, 0.2),
        6.0,
        dirt(rng),
        rusty,
        12.0,
        "metal",
    )


def dirt(rng: np.random.Generator) -> float:
    """Return how dirty a thing is: usually little, sometimes a lot."""
    return float(rng.beta(0.8, 3.0))


def _mix(a: NDArray[np.float32], b: NDArray[np.float32], t: NDArray[np.float32]) -> NDArray[np.float32]:
    return a + (b - a) * t
