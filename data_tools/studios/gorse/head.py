"""The face of a coupler: shell, floor and sleeves as one moulding, and the metal contacts in it."""

from __future__ import annotations

from typing import Any

import numpy as np

from data_tools.studios.gorse.make import Damage, Make, dice, rgb
from data_tools.studios.gorse.solids import Array, Axes, Grid, Mesh, join, lattice, meet, part, shaped, skin
from data_tools.studios.gorse.wounds import Break, Melt, breaks, melts
from model.families import Contact, Family

FLAT_TOP = 22.5
"""Where the shell of Type 2 is cut flat, mm above the protective-earth contact."""
FOOT, BORE_END = -37.0, -27.0
MARGIN = 2.6
BROWNED = 0.06
"""Share of contacts with colours of heat though the plastic around them is sound."""


def outline(family: Family, x: Any, y: Any) -> Any:
    """Return the signed distance to the outer edge of the shell on the face plane."""
    radius = family.nose_width / 2
    if family.has_latch:
        return np.hypot(x, y) - radius
    low = family.nose_centre[1] - family.nose_height / 2
    return meet(np.hypot(x, y - (low + radius)) - radius, y - FLAT_TOP, 5.0)


def head_grid(family: Family, step: float) -> Grid:
    """Return a grid that is finest about the mouths (``step`` mm) and coarse at the foot."""
    half = np.array([family.nose_width, family.nose_height]) / 2 + MARGIN
    low, high = family.nose_centre - half, family.nose_centre + half
    x, y = (np.arange(low[k], high[k] + step, step).astype(np.float32) for k in (0, 1))
    fine = np.arange(4.2, -5.5, -step)
    middle = np.arange(fine[-1] - 1.4 * step, -14, -1.4 * step)
    coarse = np.linspace(middle[-1] - 3 * step, FOOT, 9)
    return Grid(x, y, np.concatenate([fine, middle, coarse])[::-1].astype(np.float32))


def floor_height(make: Make, x: Any, y: Any) -> Any:
    """Return the height of the floor between the sleeves, z in mm."""
    return -make.floor + make.dome * (1 - (x * x + y * y) / 600.0)


def build_head(make: Make, damages: tuple[Damage, ...], step: float) -> Mesh:
    """Return the moulding of the face with its damages."""
    grid = head_grid(make.family, step)
    axes: Axes = grid.axes
    cured = melts(make, damages)
    for soft in cured:
        axes = soft.warped(axes)
    x, y, z = axes
    edge = outline(make.family, x, y)
    shell = meet(edge + 0.006 * (z + 37), z - make.rim, 2 * make.edge)
    cavity = meet(edge + make.wall, floor_height(make, x, y) - z, 2 * make.fillet)
    solid = np.broadcast_to(
        meet(shell, -cavity, make.edge), [a.size for a in (grid.x, grid.y, grid.z)]
    ).copy()
    broken = breaks(make, damages)
    bores = []
    for contact in make.contacts:
        window = grid.window(contact.x, contact.y, contact.sleeve_diameter / 2 + 5)
        melt = next((m for m in cured if m.contact == contact), None)
        body, bore = sleeve(make, contact, part(axes, window), broken.get(contact.place), melt)
        blend = make.fillet + (2.6 * melt.strength if melt and melt.mode == "fuse" else 0)
        solid[window] = join(solid[window], body, blend)
        bores.append((window, bore, melt))
    for window, bore, melt in bores:
        solid[window] = meet(solid[window], -bore, 0.35 + (1.5 * melt.strength if melt else 0))
    for soft in cured:
        solid = soft.grown(solid, grid)
    return skin(solid, grid, make.shell, make.rough, name="face")


def sleeve(
    make: Make, contact: Contact, axes: Axes, broken: Break | None, melt: Melt | None
) -> tuple[Array, Array]:
    """Return a sleeve and the bore through it, as fields inside a window."""
    x, y, z = axes
    radius, bore_radius = contact.sleeve_diameter / 2, contact.bore_diameter / 2
    u, v = x - contact.x, y - contact.y
    if melt is not None:
        u, v = melt.squeezed(u, v)
    far = np.hypot(u, v)
    flare = make.flare * np.maximum(0, 1 + z / 4)
    top = 0.0 if broken is None else broken.top(np.arctan2(v, u), far, radius)
    if make.slots:
        turn = np.abs(np.mod(np.arctan2(v, u) * make.slots / (2 * np.pi), 1) - 0.5)
        gap = turn * (2 * np.pi / make.slots) * far - 0.7
        top = np.minimum(top, np.where(gap < 0, -make.slot_depth, 0.0))
    body = meet(
        far - (radius + 0.35 * flare - 0.008 * z), 0.8 * (z - top), make.edge if broken is None else 0.4
    )
    if broken is not None:
        body = np.maximum(body, -broken.carved(u, v, z, radius))
    body = np.maximum(body, FOOT + 2 - z)
    opening = bore_radius + 0.5 * flare + np.maximum(0, make.chamfer + z * 0.9) * 0.8
    if melt is not None:
        opening = opening * melt.narrowed(z)
    bore = np.maximum(far - opening, BORE_END - z)
    return body, bore


def build_contacts(make: Make, damages: tuple[Damage, ...]) -> list[Mesh]:
    """Return the metal sockets, each a turned tube with slots, at the bottom of its bore."""
    rng = dice(make.seed, 11)
    heat = {d.place: max(d.stain, 0.35 * (d.seed % 3)) * d.severity for d in damages if "heat" in d.kind}
    browned = np.where(rng.uniform(size=len(make.contacts)) < BROWNED, rng.uniform(0.3, 0.9), 0)
    return [
        _socket(make, contact, max(heat.get(contact.place, 0.0), float(brown)), rng)
        for contact, brown in zip(make.contacts, browned, strict=True)
    ]


def _socket(make: Make, contact: Contact, heat: float, rng: np.random.Generator) -> Mesh:
    outer = contact.bore_diameter / 2 - 0.08
    inner = outer * rng.uniform(0.58, 0.7)
    top = -make.contact_depth + rng.normal(0, 0.12)
    bevel = 0.12 * outer
    profile = [(outer, BORE_END - 3), (outer, top - 4), (outer, top - bevel), (outer - bevel, top)]
    profile += [
        (inner + bevel, top),
        (inner, top - bevel),
        (inner, top - 5),
        (inner, top - 12),
        (0.05, top - 12),
    ]
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    r, z = np.array(profile).T
    r, z = np.repeat(r[:, None], 48, 1), np.repeat(z[:, None], 48, 1)
    slot = np.abs(np.mod(turn / np.pi * 2 + rng.uniform(), 1) - 0.5) < 0.06
    points = np.stack([contact.x + r * np.cos(turn), contact.y + r * np.sin(turn), z], -1).reshape(-1, 3)
    silver, brass = rgb(0.1, 0.06, 0.86), rgb(0.11, 0.45, 0.8)
    copper, dull = rgb(0.05, 0.55, 0.7), rgb(0.08, 0.3, 0.28)
    bright = silver if make.copper == 0 else brass if make.copper < 1 else copper
    worn = np.clip(make.tarnish + rng.normal(0, 0.15), 0, 1)
    metal = shaped(points, lattice(len(profile), 48, True), bright, 0.22 + 0.3 * worn, 1.0, "contact")
    shade = (np.sin(points[:, 0] * 2.1 + 4) * np.cos(points[:, 1] * 1.7) * 0.4 + 0.6)[:, None] * worn
    tint = bright * (1 - shade) + dull * shade
    if heat > 0:
        rainbow = np.array(
            [rgb(0.1 + 0.5 * h, 0.5, 0.5) for h in np.mod(points[:, 2] * 0.3 + points[:, 0] * 0.1, 1)]
        )
        tint = tint * (1 - min(0.8, heat)) + rainbow * min(0.8, heat)
    dark = np.tile(slot, len(profile)) | (points[:, 2] < top - 11)
    metal.colour = np.where(dark[:, None], 0.02, tint).astype(np.float32)
    return metal
