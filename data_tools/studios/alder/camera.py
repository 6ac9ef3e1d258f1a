"""Where the phone is: a pinhole with a known pose in the face frame (mm), and what it sees where."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.alder.mesh import Array
from model.families import Family


@dataclass(frozen=True)
class Camera:
    """``right``, ``up``, ``ahead`` are unit vectors; ``focal`` is in pixels, the picture in pixels.

    ``gravity_up`` is the world's up; ``aperture`` the lens's radius and ``focus`` its distance, in mm.
    """

    eye: Array
    right: Array
    up: Array
    ahead: Array
    gravity_up: Array
    focal: float
    width: int
    height: int
    aperture: float
    focus: float

    def pixels(self, points: Array) -> Array:
        """Return Nx2 pixels of Nx3 mm (the centre of the first pixel is at .5, .5)."""
        away = points - self.eye
        depth = away @ self.ahead
        u = self.width / 2 + self.focal * (away @ self.right) / depth
        v = self.height / 2 - self.focal * (away @ self.up) / depth
        return np.stack([u, v], axis=-1)

    def homography(self) -> Array:
        """Return the 3x3 map from face-plane mm (z = 0) to pixels."""
        inner = np.array([[self.focal, 0, self.width / 2], [0, -self.focal, self.height / 2], [0, 0, 1]])
        turn = np.stack([self.right, self.up, self.ahead])
        pose = np.column_stack([turn[:, 0], turn[:, 1], -turn @ self.eye])
        return np.asarray(inner @ pose / (inner @ pose)[2, 2])

    def towards(self, pixels: Array) -> Array:
        """Return the Nx3 unit directions of the rays through Nx2 pixels."""
        x = (pixels[:, :1] - self.width / 2) / self.focal
        y = -(pixels[:, 1:] - self.height / 2) / self.focal
        rays = x * self.right + y * self.up + self.ahead
        return np.asarray(rays / np.linalg.norm(rays, axis=1, keepdims=True))


def _unit(vector: Array) -> Array:
    return np.asarray(vector / np.linalg.norm(vector))


def aimed(
    rng: np.random.Generator,
    target: Array,
    span: float,
    tilt: tuple[float, float],
    roll: float,
    scale: float,
    pitch: float,
    fill: float,
) -> Camera:
    """Return a phone that looks at ``target`` (mm).

    ``span`` mm of the subject fill the share ``fill`` of the frame's short side; ``tilt`` (radians, any
    direction) away from the face's normal; ``roll`` radians; ``pitch`` is how far the phone looks down.
    """
    long_side = int(rng.integers(560, 961) * scale)
    short = int(long_side * float(rng.choice([0.75, 0.75, 0.5625, 0.8, 1.0])))
    upright = rng.random() < 0.6
    width, height = (short, long_side) if upright else (long_side, short)
    lens = float(rng.uniform(0.75, 1.5))  # focal length over the long side
    focal = lens * long_side
    distance = float(np.clip(focal * span / (fill * short), 75, 420))
    out = np.array([np.tan(tilt[0]), np.tan(tilt[1]), 1.0])
    ahead = -_unit(out)
    eye = target - ahead * distance
    up = np.array([np.sin(roll), np.cos(roll), 0.0])
    up = _unit(up - ahead * (up @ ahead))
    right = np.cross(ahead, up)
    # The aim is a little off, as by hand.
    slack = max(0.0, 0.5 - fill / 2) * short / focal * distance
    eye = eye + right * rng.uniform(-slack, slack) * 0.8 + up * rng.uniform(-slack, slack) * 0.8
    lean = float(rng.normal(0, 0.05))
    tipped = _unit(up * np.cos(lean) + right * np.sin(lean))
    gravity = _unit(tipped * np.cos(pitch) - ahead * np.sin(pitch))
    return Camera(
        eye=eye,
        right=right,
        up=up,
        ahead=ahead,
        gravity_up=gravity,
        focal=focal,
        width=width,
        height=height,
        aperture=float(rng.uniform(0.3, 1.7)),
        focus=distance + float(rng.normal(0, 0.02)) * distance,
    )


def face_camera(rng: np.random.Generator, family: Family, scale: float, pitch: float) -> Camera:
    """Return a phone in front of a coupler face, sometimes with a part of it cut off by the frame."""
    size = abs(float(rng.normal(0, 0.33)))
    way = float(rng.uniform(0, 2 * np.pi))
    size = min(size, 0.7)
    roll = float(rng.uniform(-np.pi, np.pi)) if rng.random() < 0.12 else float(rng.normal(0, 0.22))
    middle = np.array([*family.nose_centre, -2.0])
    if family.has_latch:
        middle[1] += float(rng.uniform(1, 7))
    fill = float(rng.uniform(0.4, 0.88))
    if rng.random() < 0.07:  # too near: a part is cut off
        fill = float(rng.uniform(0.9, 1.15))
        middle = middle + [*rng.normal(0, 6, 2), 0]
    tilt = (float(size * np.cos(way)), float(size * np.sin(way)))
    return aimed(rng, middle, family.nose_width, tilt, roll, scale, pitch, fill)
