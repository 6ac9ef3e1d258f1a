"""Where the phone is held: near with a wide lens, at arm's length, or from afar with a long one."""

from __future__ import annotations

from typing import Any

import numpy as np

from data_tools.studios.gorse.places import unit
from data_tools.studios.gorse.stage import Camera
from model.families import Family

STYLES = {"near": (100, 190), "arm": (190, 420), "far": (500, 1300)}
"""Distances from the face, mm."""
STYLE_SHARES = (0.3, 0.5, 0.2)
FORMATS = ((4, 3), (4, 3), (16, 9), (1, 1), (3, 2))
FILLS = (0.36, 0.86)
"""The face's width as a share of the picture's shorter side."""
EDGE = 0.02
"""What stays free between a place and the edge of the picture, as a share of the longer side."""


def picture_size(rng: np.random.Generator, scale: float) -> tuple[int, int]:
    """Draw width and height in pixels: 512 to 1,000 on the long side at scale 1, upright or not."""
    long_part, short_part = FORMATS[int(rng.integers(len(FORMATS)))]
    longer = rng.uniform(512, 1000) * scale
    longer, shorter = max(32, round(longer)), max(32, round(longer * short_part / long_part))
    return (longer, shorter) if rng.uniform() < 0.4 else (shorter, longer)


def draw_camera(rng: np.random.Generator, family: Family, size: tuple[int, int]) -> Camera:
    """Draw a pose that has every place of the family in the picture."""
    style = str(rng.choice(list(STYLES), p=STYLE_SHARES))
    far = rng.uniform(*STYLES[style])
    tilt = np.radians(min(abs(rng.normal(0, 17)), 40))
    round_ = rng.uniform(0, 2 * np.pi) if rng.uniform() < 0.6 else rng.normal(np.pi / 2, 0.5)
    roll = np.radians(np.clip(rng.normal(0, 11), -32, 32))
    way = np.array([np.sin(tilt) * np.cos(round_), np.sin(tilt) * np.sin(round_), np.cos(tilt)])
    middle = np.array([0.0, 5.0 if family.has_latch else -3.3, 0.0])
    ahead = -way
    right = unit(np.cross(ahead, (np.sin(roll), np.cos(roll), 0.0)))
    up = np.cross(right, ahead)
    fill, aim = rng.uniform(*FILLS), rng.normal(0, 0.12, 2)
    aperture = float(rng.choice([0.4, 1.4, 2.6]) * far / 250 * rng.uniform(0.5, 1.3))
    focus = float(far * (1 + rng.choice([0, 0.03, 0.1]) * rng.normal()))
    for _ in range(8):
        focal = fill * min(size) * far / family.nose_width
        shift = (right * aim[0] * size[0] + up * aim[1] * size[1]) * far / focal
        eye = (middle + way * far + shift).astype(np.float32)
        camera = Camera(
            eye, right, up.astype(np.float32), ahead.astype(np.float32), focal, size, aperture, focus
        )
        if _holds(camera, family):
            break
        fill, aim = fill * 0.94, aim * 0.6
    return camera


def _holds(camera: Camera, family: Family) -> bool:
    seen = camera.project(rim_points(family))
    margin = EDGE * max(camera.size)
    return bool(np.all(seen[:, :2] > margin) and np.all(seen[:, :2] < np.array(camera.size) - margin))


def rim_points(family: Family) -> Any:
    """Return points of the face plane (z 0) about the shell, and above the latch where there is one."""
    turn = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    x, y = family.nose_centre
    rim = [x + family.nose_width / 2 * np.cos(turn), y + family.nose_height / 2 * np.sin(turn)]
    if family.latch_zone is not None:
        zone = family.latch_zone
        rim = [np.r_[rim[0], zone.left, zone.right], np.r_[rim[1], zone.top, zone.top]]
    return np.stack([*rim, np.zeros_like(rim[0])], 1)
