"""What lies on a coupler, intact or not: each kind of dirt is one function that coats the canvas."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from data_tools.studios.gorse.canvas import Canvas, softened
from data_tools.studios.gorse.make import rgb


def _many(c: Canvas, low: int, high: int) -> int:
    return int(c.rng.integers(low, high))


def dust(c: Canvas) -> None:
    """Grey or earthen dust in soft clouds."""
    c.coat(c.cloud(14) ** 2 * c.rng.uniform(0.3, 0.9), rgb(c.rng.uniform(0.07, 0.13), 0.25, 0.62), 0.8)


def pollen(c: Canvas) -> None:
    """Yellow pollen as fine specks and a film."""
    specks = c.rng.uniform(0, 1, c.rough.shape) < 0.05 * c.cloud(9)
    c.coat(
        softened(specks.astype(np.float32), 0.09) * 2.5 + 0.25 * c.cloud(20) ** 2, rgb(0.15, 0.8, 0.85), 0.8
    )


def mud(c: Canvas) -> None:
    """Splashes of mud, big and small."""
    n = _many(c, 8, 60)
    mask = c.blots(c.somewhere(n, 22), 0.3 + c.rng.exponential(0.8, n))
    if c.rng.uniform() < 0.4:
        mask = np.maximum(mask, softened(c.blots(c.somewhere(3, 20), c.rng.uniform(3, 9, 3)), 0.3))
    brown = rgb(0.08, 0.45, c.rng.uniform(0.25, 0.55))
    c.coat(mask * (0.6 + 0.4 * c.cloud(3)), brown, 0.75)


def droppings(c: Canvas) -> None:
    """A bird's: chalk white with a dark middle and runs."""
    where, size = c.somewhere(1, 17), c.rng.uniform(2, 6)
    near = where + c.rng.normal(0, size, (12, 2))
    white = np.maximum(c.blots(where, [size], 0.5), c.blots(near, c.rng.uniform(0.2, 1.2, 12)))
    c.coat(white * 0.95, rgb(0.13, 0.06, 0.92), 0.7)
    c.coat(softened(c.blots(where + 0.3 * size, [size * 0.4], 0.5), 0.3), rgb(0.2, 0.3, 0.3), 0.6)


def salt(c: Canvas) -> None:
    """A crust of dried salt with bright edges."""
    field = c.cloud(7, 4)
    edge = np.exp(-(((field - 0.55) / 0.03) ** 2))
    c.coat(
        np.maximum(0.3 * np.clip((field - 0.5) * 3, 0, 1), 0.35 * edge) * c.cloud(1.5),
        rgb(0.6, 0.03, 0.88),
        0.8,
    )


def ice(c: Canvas) -> None:
    """Frost and ice: white film and glossy patches."""
    field = c.cloud(10, 4)
    c.coat(np.clip((field - 0.4) * 1.6, 0, 0.6), rgb(0.56, 0.06, 0.93), 0.35)
    c.rough -= (field > 0.6) * np.float32(0.2)


def web(c: Canvas) -> None:
    """A spider's web between the sleeves."""
    middle = c.somewhere(1, 10)[0]
    turns = np.sort(c.rng.uniform(0, 2 * np.pi, 9))
    spokes = [np.array([middle, middle + 26 * np.array([np.cos(t), np.sin(t)])]) for t in turns]
    rings = [middle + r * np.stack([np.cos(turns), np.sin(turns)], 1) for r in c.rng.uniform(2, 18, 9)]
    c.coat(c.strokes(spokes + rings, 0.1) * 0.55, (0.7, 0.7, 0.7), 0.5)


def sticker(c: Canvas) -> None:
    """What stays of a sticker or tape: a torn sheet with a grey edge of glue."""
    x, y = c.somewhere(1, 20)[0]
    t = c.rng.uniform(0, np.pi)
    u, v = (c.x - x) * np.cos(t) + (c.y - y) * np.sin(t), (c.y - y) * np.cos(t) - (c.x - x) * np.sin(t)
    sheet = (np.abs(u) < c.rng.uniform(4, 14)) & (np.abs(v) < c.rng.uniform(2.5, 6))
    torn = sheet & (c.cloud(6) > c.rng.uniform(0.15, 0.5))
    c.coat(softened(sheet.astype(np.float32), 0.3) * 0.35, (0.25, 0.23, 0.2), 0.6)
    hue, full = c.rng.uniform(), c.rng.choice([0.05, 0.85])
    c.coat(softened(torn.astype(np.float32), 0.06) * 0.92, rgb(hue, full, c.rng.uniform(0.5, 0.95)), 0.4)


def overspray(c: Canvas) -> None:
    """A mist of somebody's paint from one side."""
    way = c.rng.uniform(0, 2 * np.pi)
    slope = (c.x - c.centre[0]) * np.cos(way) + (c.y - c.centre[1]) * np.sin(way)
    chance = np.clip((slope + 8) / 50, 0, 0.5) * c.cloud(25)
    specks = softened((c.rng.uniform(0, 1, c.rough.shape) < chance).astype(np.float32), 0.08)
    c.coat(specks * 1.2, rgb(c.rng.uniform(), c.rng.choice([0, 0.8]), c.rng.uniform(0.1, 0.95)), 0.4)


def grease(c: Canvas) -> None:
    """Dark grease with dust in it, smeared."""
    mask = np.clip((c.cloud(9) - 0.5) * 4, 0, 1)
    c.coat(mask * c.rng.uniform(0.5, 0.9), rgb(0.09, 0.4, 0.1), 0.2)
    c.coat(mask * np.clip(c.cloud(0.7, 3) * 2 - 1, 0, 0.4), (0.25, 0.22, 0.18), 0.8)


def insects(c: Canvas) -> None:
    """Small dead insects: a body, six legs, wings."""
    for x, y in c.somewhere(_many(c, 1, 5), 14):
        size, t = c.rng.uniform(0.6, 1.8), c.rng.uniform(0, 2 * np.pi)
        way = np.array([np.cos(t), np.sin(t)])
        body = [(x, y) + way * k * size * 0.7 for k in (-1.0, -0.4, 0.3, 0.9)]
        turns = t + np.pi / 2 + c.rng.normal(0, 0.5, 6) + np.repeat([0, np.pi], 3)
        legs = [np.array([(x, y), (x + 2 * size * np.cos(a), y + 2 * size * np.sin(a))]) for a in turns]
        c.coat(c.blots([(x, y) - way * size], [size * 1.1], 0.3) * 0.35, (0.5, 0.5, 0.45), 0.3)
        black = np.maximum(
            c.blots(body, [size * 0.55, size * 0.4, size * 0.5, size * 0.3]), c.strokes(legs, 0.12)
        )
        c.coat(black, (0.02, 0.015, 0.01), 0.4)


def soot(c: Canvas) -> None:
    """Black soot or smeared carbon, soft at its edges."""
    mask = softened(c.blots(c.somewhere(2, 12), c.rng.uniform(3, 10, 2), 0.5), 1.5) * (0.5 + 0.5 * c.cloud(4))
    c.coat(mask * c.rng.uniform(0.5, 1.1), (0.012, 0.011, 0.01), 0.75)


def brown(c: Canvas) -> None:
    """A brown stain: rust water, coffee or oil, with darker rims."""
    mask = softened(c.blots(c.somewhere(3, 13), c.rng.uniform(2, 7, 3), 0.5), 0.5)
    rim = np.clip(1 - np.abs(mask - 0.5) * 3, 0, 1)
    hue = rgb(c.rng.uniform(0.05, 0.09), 0.75, c.rng.uniform(0.25, 0.5))
    c.coat(mask * 0.5 + rim * 0.4, hue, None)


def drops(c: Canvas) -> None:
    """Drops of water: darker and glossy, each with a bright crescent."""
    n = _many(c, 15, 120)
    where, sizes = c.somewhere(n, 20), c.rng.uniform(0.3, 1.5, n)
    c.coat(c.blots(where, sizes, 0.15) * 0.4, c.colour * 0.4, 0.05)
    c.coat(
        c.blots(where + np.array([-0.3, 0.35]) * sizes[:, None], sizes * 0.25, 0.3) * 0.7, (0.9, 0.92, 0.95)
    )


def glue(c: Canvas) -> None:
    """Beads of glue from somebody's repair, clear or amber, glossy."""
    where = c.somewhere(1, 13)
    run = where + np.cumsum(c.rng.normal(0, 0.9, (8, 2)), 0)
    hue = rgb(0.1, c.rng.uniform(0.05, 0.6), c.rng.uniform(0.6, 0.9))
    c.coat(softened(c.blots(run, c.rng.uniform(0.6, 1.6, 8), 0.2), 0.1) * 0.6, hue, 0.06)


def chalk(c: Canvas) -> None:
    """Plastic that sun and weather turned chalky all over."""
    c.coat(0.15 + 0.4 * c.cloud(16), (0.55, 0.55, 0.55), 0.8)


KINDS: tuple[Callable[[Canvas], Any], ...] = (
    dust, pollen, mud, droppings, salt, ice, web, sticker,
    overspray, grease, insects, soot, brown, drops, glue, chalk,
)  # fmt: skip
WEIGHTS = np.array([6, 2, 4, 1.2, 2, 1.2, 1.5, 1.5, 1, 2.5, 1.5, 2.5, 3, 2, 1, 1.2])


def soil(c: Canvas) -> tuple[str, ...]:
    """Coat a canvas with none to four kinds of dirt and return their names."""
    count = int(c.rng.choice([0, 1, 2, 3, 4], p=[0.2, 0.3, 0.27, 0.15, 0.08]))
    chosen = c.rng.choice(len(KINDS), count, replace=False, p=WEIGHTS / WEIGHTS.sum())
    for number in chosen:
        KINDS[number](c)
    return tuple(KINDS[number].__name__ for number in chosen)
