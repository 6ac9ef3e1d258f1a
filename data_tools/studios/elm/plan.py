"""What to draw: which coupler, which damages, what is hard about it, and where the camera stands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.elm.coupler import Damages
from data_tools.studios.elm.damage import Break, Melt, style_of
from data_tools.studios.elm.grime import SOILS
from data_tools.studios.elm.noise import Rng
from data_tools.studios.elm.stage import Camera
from model.families import FAMILIES, Family

HARD = (*SOILS, "wet", "worn", "shadow", "finger")
_INTACT, _HARD, _TWO, _OTHER = 0.4, 0.5, 0.25, 0.06


@dataclass(frozen=True)
class Plan:
    """One subject; ``family`` is None where it is no coupler."""

    family: Family | None
    wrong: Damages
    hard: tuple[str, ...]
    photos: int


def draw_plan(rng: Rng) -> Plan:
    """Return a subject."""
    photos = int(rng.integers(1, 3))
    if rng.random() < _OTHER:
        return Plan(None, Damages(), (), 1)
    family = list(FAMILIES.values())[int(rng.integers(len(FAMILIES)))]
    intact = rng.random() < _INTACT
    many = int(rng.integers(1, 4)) if rng.random() < (_HARD if intact else 0.35) else 0
    hard = tuple(str(name) for name in rng.choice(HARD, many, replace=False))
    return Plan(family, Damages() if intact else _damages(family, rng), hard, photos)


def _severity(rng: Rng) -> float:
    """Mostly small but plain to see."""
    return float(rng.uniform(0.3, 0.6) if rng.random() < 0.55 else rng.uniform(0.1, 1.0))


def _damages(family: Family, rng: Rng) -> Damages:
    kinds, odds = ["break", "melt"], [0.5, 0.5]
    if family.has_latch:
        kinds, odds = ["break", "melt", "latch"], [0.28, 0.28, 0.44]
    chosen = rng.choice(kinds, 2 if rng.random() < _TWO else 1, replace=False, p=odds)
    breaks: tuple[Break, ...] = ()
    if "break" in chosen:
        count = int(rng.choice([1, 2, 3], p=[0.68, 0.22, 0.10]))
        broken = rng.choice(len(family.contacts), count, replace=False)
        severities = [_severity(rng) for _ in broken]
        breaks = tuple(
            Break(int(n), s, style_of(s, rng), float(rng.uniform(0, 2 * np.pi)))
            for n, s in zip(broken, severities, strict=True)
        )
    melt = _melt(family, rng) if "melt" in chosen else None
    latch = max(0.2, float(rng.uniform(0.2, 1.25))) if "latch" in chosen else 0.0
    return Damages(breaks, melt, min(latch, 1.0))


def _melt(family: Family, rng: Rng) -> Melt:
    return Melt(
        contact=int(rng.integers(len(family.contacts))),
        severity=min(_severity(rng), 0.92),
        reach=float(rng.uniform(7, 19)),
        burn=0.0 if rng.random() < 0.3 else float(rng.uniform(0.1, 1.0)),
        down=float(rng.normal(-np.pi / 2, 0.9)),
        gloss=float(rng.choice([rng.uniform(0.15, 0.3), rng.uniform(0.5, 0.85)])),
    )


def draw_camera(family: Family | None, scale: float, rng: Rng) -> Camera:
    """Return a camera that a person could hold: the face fills 25 to 85 % of the short side, tilt to 38
    degrees, any roll, the face off the middle, sometimes partly out of the frame."""
    long = int(rng.integers(512, 1001) * scale)
    short = int(long * rng.choice([0.75, 0.75, 0.5625, 1.0]))
    size = (short, long) if rng.random() < 0.6 else (long, short)
    field = np.radians(rng.uniform(34, 58))
    focal = short / 2 / np.tan(field / 2)
    fill = rng.uniform(0.25, 0.85) if rng.random() < 0.75 else rng.uniform(0.45, 0.75)
    wide = family.nose_width if family else 150
    middle = np.array([*(family.nose_centre if family else (0, 0)), 0.0])
    distance = wide / fill * focal / short
    tilt, around = np.radians(38 * rng.uniform(0, 1) ** 1.2), rng.uniform(0, 2 * np.pi)
    back = np.array([np.sin(tilt) * np.cos(around), np.sin(tilt) * np.sin(around), np.cos(tilt)])
    origin = middle + back * distance
    slack = np.maximum(np.array(size) / short - fill, 0.05) / 2 * 0.85
    slack += fill * 0.4 * (rng.random() < 0.12)
    aside = rng.uniform(-1, 1, 2) * slack * short / focal * distance
    roll = rng.uniform(0, 2 * np.pi) if rng.random() < 0.5 else rng.normal(0, 0.45)
    up = np.array([-np.sin(roll), np.cos(roll), 0.0])
    up -= (up @ back) * back
    up /= np.linalg.norm(up)
    right = np.cross(up, back)
    target = middle + right * aside[0] + up * aside[1]
    ahead = (target - origin) / np.linalg.norm(target - origin)
    right = np.cross(ahead, up)
    right /= np.linalg.norm(right)
    axes = np.stack([right, np.cross(right, ahead), ahead])
    focus = float(ahead @ (middle - origin)) + rng.uniform(-6, 4)
    aperture = 0.0 if rng.random() < 0.15 else float(rng.uniform(0.3, 1.4))
    return Camera(origin, axes, float(focal), size, aperture, focus)
