"""Colours and surfaces a coupler is made of, linear RGB 0..1; all by eye, common practice, no source."""

from __future__ import annotations

import colorsys
from typing import Any

import numpy as np

from data_tools.rendering import local_make
from data_tools.rendering.domains import Domain, at_the_site, choice, current

RGB = tuple[float, float, float]

# Shell colours with how often they are met; each is jittered when drawn.
SHELLS: tuple[tuple[float, RGB], ...] = (
    (0.46, (0.012, 0.012, 0.013)),
    (0.22, (0.032, 0.033, 0.035)),
    (0.10, (0.09, 0.093, 0.098)),
    (0.07, (0.28, 0.285, 0.29)),
    (0.08, (0.72, 0.72, 0.70)),
    (0.05, (0.66, 0.17, 0.015)),
    (0.06, (0.03, 0.24, 0.05)),
    (0.07, (0.02, 0.07, 0.30)),
    (0.04, (0.42, 0.02, 0.02)),
    (0.03, (0.62, 0.42, 0.02)),
)
SLEEVES: tuple[tuple[float, RGB], ...] = (
    (0.44, (0.012, 0.012, 0.013)),
    (0.16, (0.04, 0.041, 0.043)),
    (0.12, (0.15, 0.153, 0.158)),
    (0.06, (0.32, 0.325, 0.33)),
    (0.15, (0.76, 0.75, 0.72)),
    (0.08, (0.66, 0.60, 0.45)),
    (0.05, (0.66, 0.2, 0.02)),
    (0.03, (0.03, 0.10, 0.34)),
    (0.03, (0.05, 0.28, 0.07)),
    (0.02, (0.40, 0.04, 0.03)),
)
# Copper alloys bare, silvered, tinned, nickelled; bright to oxidised.
METALS: tuple[tuple[float, RGB], ...] = (
    (0.22, (0.80, 0.58, 0.28)),
    (0.12, (0.72, 0.40, 0.24)),
    (0.34, (0.85, 0.84, 0.80)),
    (0.14, (0.62, 0.61, 0.58)),
    (0.10, (0.42, 0.30, 0.17)),
    (0.08, (0.30, 0.28, 0.26)),
)

Table = tuple[tuple[float, RGB], ...]
# Hues that no training plastic has: olive, petrol, violet and plum; and rose, which the local site has.
_STRESS_SHELLS: Table = (
    (0.20, (0.0100, 0.0160, 0.0175)),
    (0.16, (0.0170, 0.0085, 0.0190)),
    (0.14, (0.0150, 0.0170, 0.0060)),
    (0.12, (0.0200, 0.1500, 0.1700)),
    (0.10, (0.1000, 0.0300, 0.2400)),
    (0.10, (0.1500, 0.1700, 0.0300)),
    (0.10, (0.3000, 0.5600, 0.5800)),
    (0.08, (0.2200, 0.0300, 0.2000)),
)
_STRESS_SLEEVES: Table = (
    (0.34, (0.0100, 0.0160, 0.0175)),
    (0.22, (0.0170, 0.0085, 0.0190)),
    (0.16, (0.4000, 0.6600, 0.6800)),
    (0.14, (0.6200, 0.6600, 0.3000)),
    (0.14, (0.0900, 0.1600, 0.1700)),
)
_LOCAL_SHELLS: Table = ((1.0, (0.30, 0.03, 0.11)),)
_LOCAL_SLEEVES: Table = ((1.0, (0.62, 0.36, 0.42)),)
PLASTICS: dict[Domain, tuple[Table, Table]] = {
    Domain.TRAIN: (SHELLS, SLEEVES),
    Domain.STRESS: (_STRESS_SHELLS, _STRESS_SLEEVES),
    Domain.LOCAL: (_LOCAL_SHELLS, _LOCAL_SLEEVES),
}
"""Colours of shells and of sleeves."""
DARK_SHARE, DARK_ROWS = 0.38, 2
"""Share of couplers that are black or dark all over, as most real ones are: the first rows of the tables."""
CONTACT_METALS: dict[Domain, Table] = {
    Domain.TRAIN: METALS[:4],
    Domain.STRESS: METALS[4:],
    Domain.LOCAL: ((1.0, (0.55, 0.50, 0.38)),),
}
TIPPED_SHARE, FLAKED_SHARE = 0.18, 0.12
"""Shares of training couplers whose sleeves have tips of another plastic, and whose plastic has flakes."""
BROWN = (8.0, 48.0, 0.45)
"""Least and greatest hue (degrees) and least saturation of what no training sleeve has as its tip."""
HELD_OUT_HUES = ((50.0, 105.0), (160.0, 208.0), (255.0, 355.0))
"""Hues in degrees that are kept for the other domains: no plastic of the training domain with a saturation
of 0.3 or more has one."""


def hue_and_saturation(colour: list[float]) -> tuple[float, float]:
    """Return hue (degrees) and saturation (0..1) of a linear RGB colour."""
    hue, saturation, _ = colorsys.rgb_to_hsv(*colour)
    return 360.0 * hue, saturation


def _held_out(colour: list[float]) -> bool:
    hue, saturation = hue_and_saturation(colour)
    return saturation >= 0.3 and any(low <= hue <= high for low, high in HELD_OUT_HUES)


def draw(rng: np.random.Generator, table: Table, spread: float = 0.25) -> list[float]:
    """Return a colour of the table, jittered in brightness and a little in hue."""
    odds = np.array([row[0] for row in table])
    chosen = np.array(table[int(rng.choice(len(table), p=odds / odds.sum()))][1])
    jitter = chosen * np.exp(rng.normal(0, spread) + rng.normal(0, 0.08, 3))
    return [float(v) for v in np.clip(jitter, 0.004, 0.9)]


def _plastic(rng: np.random.Generator, table: Table) -> list[float]:
    """Draw a colour until its hue is one of the current domain's own."""
    while True:
        colour = draw(rng, table)
        if _held_out(colour) is not (current() is Domain.TRAIN):
            return colour


DYED_HOOKS = 0.1
"""Share of training makes whose hook is dyed."""


def sample_finish(rng: np.random.Generator) -> dict[str, Any]:
    """Return the plastics (colour, gloss, ageing, wear, marks) and the contact metal of one coupler."""
    shells, sleeves = choice(PLASTICS)
    if rng.random() < DARK_SHARE:
        shells, sleeves = shells[:DARK_ROWS], sleeves[:DARK_ROWS]
    shell = _plastic(rng, shells)
    sleeve = list(shell) if rng.random() < 0.4 and len(shells) > 1 else _plastic(rng, sleeves)
    head = list(shell) if rng.random() < 0.6 else _plastic(rng, shells)
    latch_roll = rng.random()
    latch = list(head) if latch_roll < 0.4 else (list(shell) if latch_roll < 0.55 else _plastic(rng, shells))
    finish = {
        "shell": shell,
        "sleeve": sleeve,
        "head": head,
        "latch": latch,
        "floor": list(sleeve) if rng.random() < 0.75 else list(shell),
        "handle": list(head) if rng.random() < 0.7 else _plastic(rng, shells),
        "release": _plastic(rng, shells) if rng.random() < 0.4 else list(head),
        "cable": _plastic(rng, shells[:3]) if rng.random() < 0.8 else _plastic(rng, shells),
        "gloss": float(rng.uniform(0.22, 0.75)),
        "sleeve_gloss": float(rng.uniform(0.22, 0.75)),
        "grain": float(rng.uniform(0.0, 0.08)),
        "mottle": float(rng.uniform(0, 1) ** 2 * 0.08),
        "fade": float(rng.uniform(0.1, 0.8)) if rng.random() < 0.25 else 0.0,
        "fade_white": bool(rng.random() < 0.6),
        "flow_lines": float(rng.uniform(0.05, 0.25)) if rng.random() < 0.2 else 0.0,
        "edge_wear": float(rng.uniform(0, 1) ** 1.5),
        "edge_polished": bool(rng.random() < 0.35),
        "rim_scuff": float(rng.uniform(0.2, 1.0)) if rng.random() < 0.55 else 0.0,
        "socket_dark": float(rng.uniform(0.5, 1.0)) if rng.random() < 0.8 else 0.0,
        "latch_scuff": float(rng.uniform(0.2, 1.0)) if rng.random() < 0.35 else 0.0,
        "scuffs": _scuffs(rng),
        "scratches": _scratches(rng),
        "odd_sleeves": [float(rng.random() < 0.4) for _ in range(7)] if rng.random() < 0.14 else [],
        "odd_sleeve": _plastic(rng, sleeves),
        "parting": float(rng.uniform(0.25, 1.0)) if rng.random() < 0.6 else 0.0,
        "parting_at": float(rng.choice([0.0, 1.5708]) + rng.normal(0, 0.03)),
        "ejectors": _ejectors(rng),
        "metal": draw(rng, choice(CONTACT_METALS), 0.15),
        "metal_rough": float(rng.uniform(0.12, 0.5)),
        "tarnish": float(rng.uniform(0, 1) ** 1.6),
        "bright_worn": bool(rng.random() < 0.2),
        "verdigris": float(rng.uniform(0.2, 0.9)) if rng.random() < 0.12 else 0.0,
    }
    if current() is Domain.TRAIN:
        return finish | _sample_make(rng, shells, sleeves)
    return finish | local_make.FINISH if at_the_site() else finish


def sample_hook_tip(rng: np.random.Generator) -> dict[str, Any]:
    """Draw a hook dyed in another colour all round, for a few makes of the training: a pale end of a lever is
    no fracture where its flanks are as pale."""
    if current() is not Domain.TRAIN or rng.random() > DYED_HOOKS:
        return {}
    colour = _plastic(rng, choice(PLASTICS)[0])
    return {"hook_tip": {"colour": colour, "share": float(rng.uniform(0.35, 1.2))}}


def _sample_make(rng: np.random.Generator, shells: Table, sleeves: Table) -> dict[str, Any]:
    """Draw what only some makes have: tips of another plastic on all sleeves, flakes of one other colour in
    recycled plastic. Brown tips, and flakes of two colours at once, stay the local site's."""
    made: dict[str, Any] = {}
    if rng.random() < TIPPED_SHARE:
        made["tip"] = {
            "colour": _not_brown(rng, sleeves if rng.random() < 0.5 else shells),
            "depth": float(rng.choice([rng.uniform(0.6, 3.0), rng.uniform(3.0, 9.0)])),
            "roughness": float(rng.uniform(0.2, 0.9)),
        }
    if rng.random() < FLAKED_SHARE:
        colour = _plastic(rng, sleeves)
        made["flakes"] = [[colour, float(rng.uniform(0.32, 0.55)), float(rng.uniform(0.4, 2.2))]]
    return made


def _not_brown(rng: np.random.Generator, table: Table) -> list[float]:
    while True:
        colour = _plastic(rng, table)
        hue, saturation = hue_and_saturation(colour)
        if saturation < BROWN[2] or not BROWN[0] <= hue <= BROWN[1]:
            return colour


def _ejectors(rng: np.random.Generator) -> list[list[float]]:
    """Draw the round marks of the mould's pins, in mirrored pairs: x, y, radius (mm), strength."""
    if rng.random() < 0.35:
        return []
    found: list[list[float]] = []
    strength, radius = float(rng.uniform(0.3, 1.0)), float(rng.uniform(0.9, 2.2))
    for _ in range(int(rng.integers(1, 4))):
        x, y = float(rng.uniform(0, 17)), float(rng.uniform(-17, 17))
        found += [[x, y, radius, strength], [-x, y, radius, strength]]
    return found


def _scuffs(rng: np.random.Generator) -> list[list[float]]:
    """Draw scuffs: x, y, reach (mm), strength; light rough patches like those a fracture shows."""
    count = int(rng.choice([0, 0, 1, 2, 4, 7]))
    return [
        [
            float(rng.normal(0, 13)),
            float(rng.normal(0, 13)),
            float(rng.uniform(0.8, 4.5)),
            float(rng.uniform(0.3, 1.0)),
        ]
        for _ in range(count)
    ]


def _scratches(rng: np.random.Generator) -> list[list[float]]:
    """Draw scratches: start x, y, end x, y, half width (mm), strength."""
    found = []
    for _ in range(int(rng.choice([0, 0, 2, 5, 12]))):
        x, y = rng.uniform(-24, 24, 2)
        angle, length = rng.uniform(0, 6.28), rng.uniform(2, 18)
        found.append(
            [
                float(x),
                float(y),
                float(x + length * np.cos(angle)),
                float(y + length * np.sin(angle)),
                float(rng.uniform(0.15, 0.4)),
                float(rng.uniform(0.2, 0.9)),
            ]
        )
    return found
