"""Draw what lies on a coupler, damaged or not, from the same odds: no dirt may ever tell a label."""

from __future__ import annotations

from typing import Any

import numpy as np

from model.families import Family

# Marks that heat leaves and that rust, grease, smoke or limescale leave as well: linear RGB.
MARKS: dict[str, tuple[float, float, float]] = {
    "brown": (0.13, 0.06, 0.02),
    "rust": (0.24, 0.085, 0.025),
    "yellow": (0.42, 0.27, 0.07),
    "white": (0.62, 0.61, 0.58),
    "soot": (0.006, 0.006, 0.006),
    "grey": (0.16, 0.15, 0.14),
    "green": (0.10, 0.32, 0.24),
    "sheen": (0.0, 0.0, 0.0),
}
"""``sheen`` changes the gloss alone, as grease, polish or heat do."""


def sample_soiling(
    rng: np.random.Generator, shape: Family, build: dict[str, Any], finish: dict[str, Any]
) -> dict[str, Any]:
    """Return dust, mud, marks, splashes, insects, water, frost, overspray, stickers, threads and leaves."""
    return {
        "dust": float(rng.uniform(0, 1) ** 2.6),
        "dust_rgb": _dust_colour(rng),
        "dust_up": float(rng.uniform(0, 1)),
        "dirt_in_corners": float(rng.uniform(0, 1) ** 1.6),
        "scorched": _scorched(rng, shape),
        "marks": _marks(rng, shape, build),
        "mud": _mud(rng),
        "plugged": _plugged(rng, shape),
        "splashes": _splashes(rng),
        "insects": _spots(rng, (0, 0, 0, 0, 1, 2), 17.0),
        "leaves": _spots(rng, (0, 0, 0, 0, 0, 0, 1, 2), 19.0),
        "threads": _threads(rng),
        "drops": _drops(rng),
        "frost": float(rng.uniform(0.2, 1.0)) if rng.random() < 0.05 else 0.0,
        "overspray": _overspray(rng),
        "stickers": _stickers(rng),
        "wet": float(rng.random() < 0.08),
        "crumbs": _spots(rng, (0, 0, 0, 0, 2, 4, 8), 17.0),
    }


def _dust_colour(rng: np.random.Generator) -> list[float]:
    base = np.array(
        [(0.30, 0.27, 0.22), (0.42, 0.41, 0.39), (0.30, 0.19, 0.11), (0.16, 0.15, 0.14)][int(rng.integers(4))]
    )
    return [float(v) for v in base * np.exp(rng.normal(0, 0.2))]


def _marks(rng: np.random.Generator, shape: Family, build: dict[str, Any]) -> list[list[Any]]:
    """Draw marks [name, x, y, reach, strength, roughness change, drip, seed], most of them about a sleeve."""
    marks = []
    for _ in range(int(rng.choice([0, 0, 1, 1, 2, 3]))):
        contact = shape.contacts[int(rng.integers(len(shape.contacts)))]
        at_sleeve = rng.random() < 0.75
        x, y = (contact.x, contact.y) if at_sleeve else rng.normal(0, 12, 2)
        spread = contact.sleeve_diameter * 0.3
        name = str(rng.choice(list(MARKS), p=[0.24, 0.14, 0.09, 0.13, 0.18, 0.06, 0.06, 0.10]))
        marks.append(
            [
                name,
                float(x + rng.normal(0, spread)),
                float(y + rng.normal(0, spread)),
                float(rng.uniform(2.0, 13.0)),
                float(rng.uniform(0.3, 1.0)),
                float(rng.uniform(-0.3, 0.4)),
                float(rng.uniform(0, 12)) if rng.random() < 0.3 else 0.0,
                int(rng.integers(1 << 30)),
            ]
        )
    return marks


def _scorched(rng: np.random.Generator, shape: Family) -> list[list[Any]]:
    """Draw sockets dark or blue from arcing or age with the plastic unharmed: [place, amount, seed]."""
    found = []
    for contact in shape.contacts:
        if rng.random() < 0.06:
            found.append([contact.place.value, float(rng.uniform(0.3, 1.0)), int(rng.integers(1 << 30))])
    return found


def _plugged(rng: np.random.Generator, shape: Family) -> list[list[Any]]:
    """Draw bores with dirt in them, one or two of them: [place, colour, depth of the dirt (mm), seed]."""
    if rng.random() > 0.12:
        return []
    chosen = rng.choice(len(shape.contacts), int(rng.choice([1, 1, 2])), replace=False)
    colours = [(0.14, 0.085, 0.045), (0.03, 0.028, 0.025), (0.3, 0.27, 0.22), (0.24, 0.085, 0.025)]
    return [
        [
            shape.contacts[int(index)].place.value,
            list(colours[int(rng.integers(len(colours)))]),
            float(rng.uniform(-0.5, 4.0)),
            int(rng.integers(1 << 30)),
        ]
        for index in chosen
    ]


def _mud(rng: np.random.Generator) -> list[list[float]]:
    """Draw mud patches [x, y, reach, strength, seed]."""
    if rng.random() > 0.16:
        return []
    return [
        [
            float(rng.normal(0, 14)),
            float(rng.normal(-4, 14)),
            float(rng.uniform(2, 14)),
            float(rng.uniform(0.6, 1.0)),
            int(rng.integers(1 << 30)),
        ]
        for _ in range(int(rng.integers(1, 7)))
    ]


def _splashes(rng: np.random.Generator) -> dict[str, Any]:
    on = rng.random() < 0.09
    return {
        "amount": float(rng.uniform(0.2, 0.8)) if on else 0.0,
        "light": bool(rng.random() < 0.6),
        "size": float(rng.uniform(1.2, 3.5)),
    }


def _spots(rng: np.random.Generator, counts: tuple[int, ...], reach: float) -> list[list[float]]:
    """Draw small loose things [x, y, size mm, seed]."""
    return [
        [float(v) for v in np.clip(rng.normal(0, reach * 0.6, 2), -reach, reach)]
        + [float(rng.uniform(0.6, 2.2)), int(rng.integers(1 << 30))]
        for _ in range(int(rng.choice(counts)))
    ]


def _threads(rng: np.random.Generator) -> list[list[float]]:
    """Draw cobweb threads [x0, y0, x1, y1, sag]."""
    if rng.random() > 0.045:
        return []
    found = []
    for _ in range(int(rng.integers(3, 16))):
        a, b = rng.uniform(0, 6.28, 2)
        found.append(
            [
                float(17 * np.cos(a)),
                float(17 * np.sin(a)),
                float(15 * np.cos(b)),
                float(15 * np.sin(b)),
                float(rng.uniform(0, 3)),
            ]
        )
    return found


def _drops(rng: np.random.Generator) -> list[list[float]]:
    """Draw water drops [x, y, radius]."""
    if rng.random() > 0.12:
        return []
    return [
        [float(rng.uniform(-24, 24)), float(rng.uniform(-24, 24)), float(rng.uniform(0.25, 1.3))]
        for _ in range(int(rng.integers(5, 60)))
    ]


def _overspray(rng: np.random.Generator) -> dict[str, Any]:
    on = rng.random() < 0.045
    colour = [(0.7, 0.7, 0.68), (0.5, 0.3, 0.02), (0.02, 0.02, 0.02), (0.05, 0.12, 0.3)][int(rng.integers(4))]
    return {
        "amount": float(rng.uniform(0.3, 1.0)) if on else 0.0,
        "rgb": list(colour),
        "turn": float(rng.uniform(0, 6.28)),
    }


def _stickers(rng: np.random.Generator) -> list[list[Any]]:
    """Draw stickers on nose or head [angle, z share, half width, half height, r, g, b, seed]."""
    found = []
    for _ in range(int(rng.choice([0, 0, 0, 1, 2]))):
        colour = [(0.75, 0.74, 0.7), (0.7, 0.5, 0.02), (0.5, 0.04, 0.03), (0.03, 0.2, 0.45)][
            int(rng.integers(4))
        ]
        found.append(
            [
                float(rng.uniform(-3.14, 3.14)),
                float(rng.uniform(0.15, 0.9)),
                float(rng.uniform(3, 9)),
                float(rng.uniform(2, 6)),
                *colour,
                int(rng.integers(1 << 30)),
            ]
        )
    return found
