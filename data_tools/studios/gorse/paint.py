"""The maps of a face: plastics, texture, wear, the colours of damage, then dirt."""

from __future__ import annotations

import numpy as np

from data_tools.studios.gorse.canvas import PER_MM, PIXELS, Canvas, softened
from data_tools.studios.gorse.dirt import soil
from data_tools.studios.gorse.head import outline
from data_tools.studios.gorse.make import Damage, Make, dice, rgb
from data_tools.studios.gorse.stage import Maps
from data_tools.studios.gorse.wounds import breaks, melts
from model.vocabulary import FindingKind


def paint_face(make: Make, damages: tuple[Damage, ...]) -> tuple[Canvas, Maps, tuple[str, ...]]:
    """Return the canvas, the maps and the names of the dirt; dirt and wear are the same without damages."""
    view = make.family.canonical_view
    canvas = Canvas(((view.left + view.right) / 2, (view.bottom + view.top) / 2), dice(make.seed, 31))
    _plastics(canvas, make)
    _texture(canvas, make)
    _wear(canvas, make)
    hurt = Canvas(canvas.centre, dice(make.seed, 32))
    hurt.colour, hurt.rough = canvas.colour, canvas.rough
    _burns(hurt, make, damages)
    _fractures(hurt, make, damages)
    names = soil(canvas)
    maps = Maps(np.clip(canvas.colour, 0.003, 0.93), np.clip(canvas.rough, 0.05, 0.9))
    return canvas, maps, names


def _plastics(c: Canvas, make: Make) -> None:
    edge = outline(make.family, c.x, c.y)
    c.colour[:] = make.shell
    c.rough[:] = make.rough
    inside = np.clip((-make.wall - 0.1 - edge) * PER_MM, 0, 1)
    c.coat(inside, make.insert)
    if make.gasket is not None:
        c.coat(np.clip(1.3 - np.abs(edge + 0.5 * make.wall) * 2.2, 0, 1), make.gasket, 0.7)
    for contact in make.contacts:
        c.coat(c.disc(contact.x, contact.y, contact.sleeve_diameter / 2 + 0.25), make.sleeve)


def _texture(c: Canvas, make: Make) -> None:
    fine = c.rng.normal(0, 1, (PIXELS, PIXELS)).astype(np.float32)
    pits = softened(fine, 0.07) * 2.2
    c.colour *= (1 + 0.13 * make.grain * pits)[..., None]
    c.rough += 0.1 * make.grain * pits + 0.08 * (c.cloud(12) - 0.5)
    if make.brushed:
        lines = c.rng.normal(0, 1, (1, PIXELS) if c.rng.uniform() < 0.5 else (PIXELS, 1)).astype(np.float32)
        c.colour *= (1 + 0.1 * make.brushed * np.broadcast_to(lines, fine.shape))[..., None]
    c.colour *= (0.9 + 0.2 * c.cloud(18))[..., None]
    if c.rng.uniform() < 0.5:  # flow lines of the moulding
        way = c.rng.normal(0, 1, 2)
        flow = np.sin((c.x * way[0] + c.y * way[1]) * 0.8 + 5 * c.cloud(12))
        c.rough += 0.05 * flow


def _wear(c: Canvas, make: Make) -> None:
    """Bright edges where the inlet rubs, scratches, and dust that gathers in corners."""
    worn = c.rng.uniform(0, 1) ** 2
    rings = np.zeros_like(c.rough)
    corners = np.zeros_like(c.rough)
    for contact in make.contacts:
        far = np.hypot(c.x - contact.x, c.y - contact.y) - contact.sleeve_diameter / 2
        rings = np.maximum(rings, np.exp(-(((far + 0.35) / 0.3) ** 2)))
        corners = np.maximum(corners, np.exp(-(((far - 0.7) / 0.8) ** 2)))
    edge = outline(make.family, c.x, c.y)
    rings = np.maximum(rings, np.exp(-(((edge + 0.5) / 0.5) ** 2)))
    corners = np.maximum(corners, np.exp(-(((edge + make.wall + 0.8) / 0.9) ** 2)))
    pale = c.colour * 1.5 + 0.06
    c.coat(rings * worn * np.clip(c.cloud(5) * 2 - 0.6, 0, 1) * 0.8, pale, 0.3)
    c.coat(
        corners * c.rng.uniform(0, 0.75) ** 1.3 * c.cloud(6), rgb(0.09, 0.25, c.rng.uniform(0.2, 0.7)), 0.8
    )
    count = int(c.rng.integers(0, 45) * worn) + int(c.rng.integers(0, 8))
    starts = c.somewhere(count, 17)
    lines = [
        s + np.cumsum(np.r_[[[0, 0]], c.rng.normal(0, 0.4, (5, 2)) + c.rng.normal(0, 1.2, 2)], 0)
        for s in starts
    ]
    c.coat(c.strokes(lines, 0.1) * c.rng.uniform(0.25, 0.7), pale, 0.4)


def _burns(c: Canvas, make: Make, damages: tuple[Damage, ...]) -> None:
    """Colour what heat changed: brown to black, chalky white, or only the gloss of a skin that set anew."""
    heated = [d for d in damages if d.kind is FindingKind.HEAT_MELTED_HOUSING]
    for damage, melt in zip(heated, melts(make, damages), strict=True):
        rng = dice(damage.seed, 5)
        soft = melt.weight(c.x, c.y) * np.clip(0.45 + c.cloud(5), 0, 1)
        c.rough += soft * np.float32(rng.choice([-0.35, 0.25, 0.0]))
        if damage.stain == 0:
            continue
        look = rng.choice(["brown", "char", "chalk", "yellow"], p=[0.4, 0.3, 0.15, 0.15])
        depth = damage.stain * (0.35 + 0.65 * damage.severity)
        tints = {"brown": rgb(0.07, 0.7, 0.3), "char": rgb(0.08, 0.2, 0.07), "chalk": rgb(0.1, 0.06, 0.8)}
        tint = tints.get(str(look), rgb(0.12, 0.6, 0.6))
        c.coat(soft * depth * 1.2, tint, 0.75 if look in ("char", "chalk") else None)
        if look in ("brown", "char"):
            core = c.disc(
                melt.contact.x + melt.lean[0], melt.contact.y + melt.lean[1], 4 + 2 * damage.severity, 5
            )
            c.coat(core * depth * c.cloud(3), (0.012, 0.01, 0.008), 0.7)
        if rng.uniform() < 0.3:
            plume = np.clip(1 - np.abs(c.x - melt.contact.x) / 6, 0, 1) * np.clip(
                1 - np.abs(c.y - melt.contact.y - 7) / 10, 0, 1
            )
            c.coat(plume * c.cloud(4) * depth, (0.015, 0.013, 0.012), 0.8)


def _fractures(c: Canvas, make: Make, damages: tuple[Damage, ...]) -> None:
    """Colour fresh break faces: pale and dull where new, dirty where old, with hairlines that run on."""
    seeds = {damage.place: damage for damage in damages}
    for place, broken in breaks(make, damages).items():
        contact = next(k for k in make.contacts if k.place is place)
        rng, radius = dice(seeds[place].seed, 6), contact.sleeve_diameter / 2
        u, v = c.x - contact.x, c.y - contact.y
        far, angle = np.hypot(u, v), np.arctan2(v, u)
        lost = np.clip(-broken.top(angle, far, radius) - 0.2, 0, 1)
        wall = lost * np.clip((radius + 0.1 - far) * 5, 0, 1)
        fresh = rng.uniform(0, 1)
        pale = make.sleeve * 1.3 + rng.uniform(0.02, 0.16)
        c.coat(wall * fresh * (0.5 + 0.5 * c.cloud(1.2)), pale, 0.75)
        if rng.uniform() < 0.5:
            t = np.linspace(0, rng.uniform(2, 7), 12)
            aside = np.cumsum(rng.normal(0, 0.25, 12))
            turn = broken.angle + rng.normal(0, 0.3)
            way, side = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
            start = np.array([contact.x, contact.y]) + way * (radius - 1.5)
            c.coat(
                c.strokes([start + t[:, None] * way + aside[:, None] * side], 0.14) * 0.8,
                (0.02, 0.02, 0.02),
                0.8,
            )
