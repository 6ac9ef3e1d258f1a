"""The faces of mating devices: plates with holes, male pins or female sleeves in them, collars around."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from data_tools.rendering.coats import Coat, Noise, cover, metal, plastic
from data_tools.rendering.contours import Array, circle, inset, resample
from data_tools.rendering.shapes import cup, join, pin, plate, sleeve
from data_tools.rendering.spec import Mesh


@dataclass(frozen=True)
class Hole:
    """One contact position: a round hole of ``radius`` with a pin (or sleeve bore) of ``pin`` radius, mm."""

    x: float
    y: float
    radius: float
    pin: float


def insert(
    rng: np.random.Generator, outline: Array, holes: Sequence[Hole], z: float, coat: Coat, noise: Noise
) -> list[Mesh]:
    """Return an insulating face at height ``z`` with male pins standing in its holes."""
    depth, sink = rng.uniform(14, 28), rng.uniform(0.5, 9.0)
    rims = [circle(h.radius, 40, (h.x, h.y)) for h in holes]
    face = plate(outline, rims, top=z, bottom=z - 3.0, bevel=rng.uniform(0.3, 0.9), spacing=2.5)
    cups = [cup(rim, z - 2.0, z - depth) for rim in rims]
    pins = [
        pin(h.pin, z - sink, z - depth, rounding=rng.uniform(0.3, 0.9)).moved((h.x, h.y, 0)) for h in holes
    ]
    contact = metal(rng)
    if rng.random() < 0.4:
        coat = plastic(rng)
    dark = coat.but(albedo=tuple(0.7 * c for c in coat.albedo))
    meshes = [cover("insert", face, coat, noise), cover("insert", join(cups), dark, noise)]
    tipped = rng.random() < 0.35  # insulated tips
    meshes.append(cover("pins", join(pins), contact, noise))
    if tipped:
        tips = [pin(h.pin * 1.04, z - sink + 1.0, z - sink - 3.0).moved((h.x, h.y, 0)) for h in holes]
        meshes.append(cover("pins", join(tips), coat.but(mottle=0.0), noise))
    return meshes


def sleeved(
    rng: np.random.Generator, outline: Array, holes: Sequence[Hole], z: float, coat: Coat, noise: Noise
) -> list[Mesh]:
    """Return a recessed floor with female sleeves standing on it, mouths at ``z``, metal in their bores."""
    depth = rng.uniform(8, 22)
    inner = coat if rng.random() < 0.4 else plastic(rng)
    floor = cup(outline, z, z - depth)
    sleeves = [
        sleeve(h.radius, h.pin, z - rng.uniform(0, 1), z - depth, 12.0).moved((h.x, h.y, 0)) for h in holes
    ]
    sink = rng.uniform(2, 6)
    contacts = [sleeve(h.pin * 0.97, h.pin * 0.7, z - sink, z - 14, 9.0).moved((h.x, h.y, 0)) for h in holes]
    return [
        cover("insert", floor, coat, noise),
        cover("insert", join(sleeves), inner, noise),
        cover("contacts", join(contacts), metal(rng), noise),
    ]


def collar(
    outline: Array, thickness: float, top: float, bottom: float, coat: Coat, noise: Noise
) -> list[Mesh]:
    """Return a wall standing around ``outline`` (its inside), open at the top."""
    outer = inset(resample(outline, 1.5), -thickness)
    ring = plate(outer, [outline], top=top, bottom=bottom, bevel=0.35 * thickness, spacing=2.5)
    return [cover("collar", ring, coat, noise)]


def jittered(rng: np.random.Generator, holes: Sequence[Hole], scale: float = 1.0) -> list[Hole]:
    """Return the holes scaled, each a little off its nominal place and size."""
    spread = rng.uniform(0.95, 1.05)
    return [
        Hole(
            h.x * scale * spread + rng.normal(0, 0.15),
            h.y * scale * spread + rng.normal(0, 0.15),
            h.radius * scale * rng.uniform(0.97, 1.03),
            h.pin * scale * rng.uniform(0.95, 1.05),
        )
        for h in holes
    ]


def ring_of(count: int, reach: float, radius: float, pin_radius: float, turn: float) -> list[Hole]:
    """Return ``count`` holes on a circle of ``reach`` mm, the first at ``turn`` radians."""
    angles = turn + 2 * np.pi * np.arange(count) / count
    return [Hole(float(reach * np.cos(a)), float(reach * np.sin(a)), radius, pin_radius) for a in angles]
