"""What a hand wears: bare skin of any tone with nails and creases, or a glove; and the sleeve above it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.rendering.coats import Coat, Colour, Noise, any_colour, cover, linear, painted
from data_tools.rendering.contours import Array
from data_tools.rendering.domains import Domain, choice
from data_tools.rendering.hands import PALM, THUMB, Hand, flesh
from data_tools.rendering.shapes import Solid, aim, lathe, tube
from data_tools.rendering.spec import Mesh

# From very light to very deep skin, linear RGB, set by eye (no source).
_SKIN_TONES = np.array(
    [
        [0.78, 0.56, 0.46],
        [0.66, 0.43, 0.32],
        [0.53, 0.32, 0.21],
        [0.38, 0.21, 0.125],
        [0.22, 0.11, 0.062],
        [0.105, 0.052, 0.031],
        [0.048, 0.026, 0.018],
    ]
)
GLOVES = ("nitrile", "leather", "knit", "high_visibility")
SKIN_BANDS: dict[Domain, tuple[tuple[float, float], ...]] = {
    Domain.TRAIN: ((0.0, 0.7), (1.0, 1.8), (2.05, 2.7), (3.0, 3.7), (4.0, 4.7), (5.0, 5.999)),
    Domain.STRESS: ((0.75, 0.95), (2.75, 2.95), (3.75, 3.95), (4.75, 4.95)),
    Domain.LOCAL: ((1.85, 2.0),),
}
"""Skin tones of each domain, as positions in the table of tones: tones of all depths in each large one."""
WORN_GLOVES: dict[Domain, tuple[str, ...]] = {
    Domain.TRAIN: ("nitrile", "leather", "high_visibility"),
    Domain.STRESS: ("knit",),
    Domain.LOCAL: (),
}


@dataclass(frozen=True)
class Wear:
    """What one person's hands wear: ``glove`` is a name of ``GLOVES`` or None for bare skin."""

    glove: str | None
    tone: Array
    colour: Colour
    second: Colour
    fatness: float


@dataclass(frozen=True)
class _Anatomy:
    """Per vertex: nearest bone's finger and segment, mm along it from its end, dorsality and side -1..1."""

    finger: Array
    segment: Array
    from_start: Array
    from_end: Array
    dorsal: Array
    side: Array
    normal: Array


def sample_wear(rng: np.random.Generator) -> Wear:
    """Return bare hands (two in three) or one of the gloves."""
    bands = choice(SKIN_BANDS)
    at = rng.uniform(*bands[int(rng.integers(len(bands)))])
    low = int(at)
    tone = _SKIN_TONES[low] ** (1 - at % 1) * _SKIN_TONES[low + 1] ** (at % 1) * rng.uniform(0.92, 1.08, 3)
    gloves = choice(WORN_GLOVES)
    glove = str(rng.choice(gloves)) if rng.random() < 0.38 and gloves else None
    palettes: dict[str | None, list[Colour]] = {
        None: [(0.5, 0.3, 0.2)],
        "nitrile": [
            linear(0, 0, 0.16),
            linear(0.6, 0.75, 0.65),
            linear(0.45, 0.5, 0.5),
            linear(0.75, 0.35, 0.6),
        ],
        "leather": [
            linear(0.12, 0.6, 0.8),
            linear(0.09, 0.45, 0.75),
            linear(0.08, 0.6, 0.35),
            linear(0, 0, 0.2),
        ],
        "knit": [linear(0.6, 0.05, 0.5), linear(0, 0, 0.8), linear(0, 0, 0.22), linear(0.6, 0.5, 0.4)],
        "high_visibility": [linear(0.06, 0.92, 0.92), linear(0.18, 0.75, 0.8), linear(0.03, 0.85, 0.85)],
    }
    choices = palettes[glove]
    thickness = {None: 1.0, "nitrile": 1.03, "leather": 1.2, "knit": 1.1, "high_visibility": 1.17}[glove]
    second = linear(0, 0, 0.15) if rng.random() < 0.6 else any_colour(rng)
    return Wear(glove, tone, choices[rng.integers(len(choices))], second, thickness * rng.uniform(0.88, 1.14))


def dressed(rng: np.random.Generator, hand: Hand, wear: Wear, *, step: float = 2.5) -> list[Mesh]:
    """Return the meshes of a hand: skin or glove, and usually a sleeve."""
    noise = Noise(rng)
    solid = flesh(hand, step)
    anatomy = _anatomy(hand, solid)
    if wear.glove is None:
        meshes = [_bare(rng, solid, anatomy, wear, noise)]
    else:
        meshes = [_gloved(rng, solid, anatomy, wear, noise)]
    if wear.glove in ("leather", "high_visibility") or rng.random() < 0.75:
        meshes.append(_sleeve(rng, hand, wear, noise))
    elif wear.glove is None and rng.random() < 0.3:
        meshes.append(_band(rng, hand, noise))
    return meshes


def _anatomy(hand: Hand, solid: Solid) -> _Anatomy:
    points = np.ascontiguousarray(solid.vertices.astype(np.float32).T)
    best = np.full(len(solid.vertices), np.inf, dtype=np.float32)
    nearest = np.zeros(len(solid.vertices), dtype=np.int64)
    for k, bone in enumerate(hand.bones):
        along = (bone.end - bone.start).astype(np.float32)
        apart = points - bone.start.astype(np.float32)[:, None]
        t = np.clip(along @ apart / (along @ along), 0, 1)
        apart -= t * along[:, None]
        gap = np.sqrt(apart[0] * apart[0] + apart[1] * apart[1] + apart[2] * apart[2])
        gap -= bone.start_radius + t * (bone.end_radius - bone.start_radius)
        nearest[gap < best] = k
        np.minimum(best, gap, out=best)
    start = np.array([b.start for b in hand.bones])[nearest]
    along = np.array([b.end - b.start for b in hand.bones])[nearest]
    length = np.linalg.norm(along, axis=1)
    along /= length[:, None]
    dorsal = np.array([b.dorsal for b in hand.bones])[nearest]
    offset = solid.vertices - start
    forward = np.einsum("ij,ij->i", offset, along)
    out = offset - np.clip(forward, 0, length)[:, None] * along
    out /= np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-9)
    return _Anatomy(
        finger=np.array([b.finger for b in hand.bones])[nearest],
        segment=np.array([b.segment for b in hand.bones])[nearest],
        from_start=forward,
        from_end=length - forward,
        dorsal=np.einsum("ij,ij->i", out, dorsal),
        side=np.einsum("ij,ij->i", out, np.cross(along, dorsal)),
        normal=out,
    )


def _bare(rng: np.random.Generator, solid: Solid, a: _Anatomy, wear: Wear, noise: Noise) -> Mesh:
    points = solid.vertices
    depth = 1 - float(np.clip(np.mean(wear.tone) / 0.5, 0, 1))  # 0 light .. 1 deep
    lines = noise(points, 2.2, 2)
    back, front = np.clip(a.dorsal, 0, 1), np.clip(-a.dorsal, 0, 1)
    on_finger = a.finger != PALM
    joint = np.minimum(np.abs(a.from_start), np.where(a.segment < 2, np.abs(a.from_end), 99.0))
    folds = np.exp(-((joint / 5.0) ** 2)) * back * on_finger
    wrinkle = folds * (0.55 + 0.45 * np.sin(joint * 3.4 + 1.5 * lines))
    crease = np.exp(-((joint / 1.2) ** 2)) * front * on_finger
    palm_line = np.exp(-((noise(points, 45.0, 1) / 0.06) ** 2)) * front * ~on_finger
    red = np.exp(-((joint / 8.0) ** 2)) * on_finger + on_finger * (a.segment == 2) * front
    albedo = wear.tone * (1 + 0.09 * noise(points, 14.0, 3) + 0.05 * lines)[:, None]
    paler = np.array([1.05, 1.0, 0.98]) + depth * np.array([0.95, 0.85, 0.75])
    albedo = albedo * (1 + (paler - 1) * np.clip(front * 1.4, 0, 1)[:, None])
    albedo = albedo * (1 + red[:, None] * (np.array([0.08, -0.08, -0.07]) * (1 - 0.5 * depth)))
    dark = rng.uniform(0.16, 0.4)
    albedo = albedo * (1 - dark * np.clip(wrinkle + 0.8 * crease + 0.5 * palm_line, 0, 1))[:, None]
    roughness = rng.uniform(0.38, 0.6) + 0.08 * lines
    if rng.random() < 0.25:  # working hands
        dirt = np.clip(noise(points, 18.0, 4) - rng.uniform(0.0, 0.5), 0, 1) + 0.5 * wrinkle
        albedo = albedo * (1 - 0.7 * np.clip(dirt, 0, 1))[:, None]
    albedo, roughness = _nails(rng, albedo, roughness, a, wear)
    moved = points + a.normal * (0.2 * noise(points, 9.0, 2) - 0.3 * wrinkle - 0.25 * crease)[:, None]
    return painted("hand", "skin", Solid(moved, solid.faces), albedo, roughness)


def _nails(
    rng: np.random.Generator, albedo: Array, roughness: Array, a: _Anatomy, wear: Wear
) -> tuple[Array, Array]:
    thumb = a.finger == THUMB
    last = (a.finger != PALM) & (a.segment == 2)
    half_length = np.where(thumb, 7.5, 5.8)
    forward = (a.from_end - 0.4 * half_length + 1.5) / half_length
    radial = (np.abs(forward) ** 3 + np.abs(a.side / 0.78) ** 3) ** (1 / 3)
    inside = last & (a.dorsal > 0.1) & (radial < 1.0)
    border = last & (a.dorsal > 0.1) & (radial >= 1.0) & (radial < 1.25)
    if rng.random() < 0.12:
        bed = np.asarray(any_colour(rng))  # polish
    else:
        bed = np.clip(wear.tone * 0.75 + np.array([0.17, 0.09, 0.08]), 0, 0.8)
    edge = inside & (forward < -0.55)
    albedo = np.where(border[:, None], albedo * 0.72, albedo)
    albedo = np.where(inside[:, None], bed, albedo)
    albedo = np.where(edge[:, None], 0.4 * bed + 0.6 * np.array([0.68, 0.62, 0.54]), albedo)
    return albedo, np.where(inside, 0.22, roughness)


def _gloved(rng: np.random.Generator, solid: Solid, a: _Anatomy, wear: Wear, noise: Noise) -> Mesh:
    points = solid.vertices
    front = np.clip(-a.dorsal * 1.5, 0, 1)
    if wear.glove == "nitrile":
        rough, depth = rng.uniform(0.25, 0.5), 0.5 * noise(points, 7.0, 3)
        shade = 1 + 0.05 * noise(points, 20.0)
    elif wear.glove == "leather":
        rough, depth = rng.uniform(0.6, 0.85), 1.1 * noise(points, 13.0, 3)
        seam = np.exp(-((a.side - 0.95) ** 2) / 0.004)
        shade = 1 + 0.16 * noise(points, 24.0, 4) - 0.4 * seam
    else:
        pitch = rng.uniform(1.8, 2.6)
        ribs = np.sin(a.from_start * 2 * np.pi / (2 * pitch)) * np.sin(np.arctan2(a.side, a.dorsal) * 14)
        rough, depth = 0.9, 0.35 * ribs + 0.8 * noise(points, 16.0, 2)
        shade = 1 + 0.14 * ribs + 0.1 * noise(points, 30.0)
    albedo = np.asarray(wear.colour) * shade[:, None]
    roughness = np.full(len(points), rough)
    if wear.glove in ("knit", "high_visibility") and rng.random() < 0.75:  # dipped or patched palm
        dipped = np.clip((front + 0.25 * noise(points, 20.0) - 0.35) * 6, 0, 1)
        albedo = albedo + (np.asarray(wear.second) - albedo) * dipped[:, None]
        roughness = roughness + (rng.uniform(0.3, 0.8) - roughness) * dipped
    dirty = np.clip(noise(points, 30.0, 4) + front - rng.uniform(0.4, 1.4), 0, 1) * 0.7
    albedo = albedo * (1 - dirty)[:, None] + np.array([0.05, 0.04, 0.03]) * dirty[:, None]
    moved = points + a.normal * depth[:, None]
    return painted("hand", "glove", Solid(moved, solid.faces), albedo, roughness)


def _sleeve(rng: np.random.Generator, hand: Hand, wear: Wear, noise: Noise) -> Mesh:
    start, length = rng.uniform(-12, 30), rng.uniform(90, 220)
    wide = rng.uniform(37, 43) * max(1.0, wear.fatness)
    at = np.linspace(0, length, 40)
    profile = [
        (wide - 4, -6.0),
        (wide - 1, 0.0),
        *((wide + 0.09 * z + 0.8 * np.sin(z / 6), z) for z in at[1:]),
    ]
    solid = lathe(np.array(profile)[::-1], 48)
    points = solid.vertices.copy()
    folds = noise(points * np.array([1.0, 1.0, 2.2]), 38.0, 3)
    radial = points * np.array([1.0, 1.0, 0.0])
    points += radial / np.maximum(np.linalg.norm(radial, axis=1, keepdims=True), 1e-9) * 5.0 * folds[:, None]
    colour = np.asarray(_cloth_colour(rng))
    albedo = colour * (1 + 0.12 * noise(points, 5.0, 2) + 0.1 * folds)[:, None]
    if rng.random() < 0.3:
        low = rng.uniform(25, 70)
        band = (points[:, 2] > low) & (points[:, 2] < low + 45)
        albedo[band] = np.array([0.62, 0.63, 0.62])
    placed = Solid(points, solid.faces).moved(hand.wrist + hand.forearm * start, aim(hand.forearm))
    return painted("sleeve_cuff", "cloth", placed, albedo, rng.uniform(0.6, 0.95))


def _band(rng: np.random.Generator, hand: Hand, noise: Noise) -> Mesh:
    angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    ring = np.column_stack([25 * np.cos(angle), 25 * np.sin(angle), np.zeros(48)])
    solid = tube(ring, rng.uniform(2.0, 6.0), 8, closed=True)
    placed = solid.moved(hand.wrist + hand.forearm * rng.uniform(18, 40), aim(hand.forearm))
    return cover("band", placed, Coat(any_colour(rng), rng.uniform(0.2, 0.8), rng.choice([0.0, 1.0])), noise)


def _cloth_colour(rng: np.random.Generator) -> Colour:
    high_visibility = (linear(0.06, 0.95, 1.0), linear(0.19, 0.85, 0.95))
    usual = (linear(0.62, 0.6, 0.25), linear(0.6, 0.45, 0.5), linear(0, 0, 0.15), linear(0, 0, 0.55))
    group = rng.random()
    if group < 0.3:
        return high_visibility[rng.integers(2)]
    return usual[rng.integers(4)] if group < 0.7 else any_colour(rng)
