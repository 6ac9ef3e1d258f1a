"""The phone: where it stands, and the exact projection from the face plane to pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.birch.meshes import Floats


@dataclass(frozen=True)
class Camera:
    """A pinhole (with lens radius for blur): position, right, up, ahead (unit, mm), size in pixels, focal
    length in pixels, lens radius and focus distance in mm."""

    position: Floats
    right: Floats
    up: Floats
    ahead: Floats
    width: int
    height: int
    focal: float
    lens: float
    focus: float

    def project(self, points: Floats) -> Floats:
        """Return the pixels (N x 2, x right, y down) of points (N x 3 mm)."""
        off = points - self.position
        deep = off @ self.ahead
        x = self.width / 2 + self.focal * (off @ self.right) / deep
        y = self.height / 2 - self.focal * (off @ self.up) / deep
        return np.stack([x, y], -1)

    def homography(self) -> tuple[float, ...]:
        """Return the nine numbers that map face-plane mm (z = 0) to pixels."""
        turn = np.stack([self.right, -self.up, self.ahead])
        inner = np.array([[self.focal, 0, self.width / 2], [0, self.focal, self.height / 2], [0, 0, 1]])
        plane = np.column_stack([turn[:, 0], turn[:, 1], -turn @ self.position])
        matrix = inner @ plane
        return tuple(float(v) for v in (matrix / matrix[2, 2]).ravel())

    def rays(self, factor: float) -> tuple[Floats, int, int]:
        """Return unit directions through the pixel centres of a picture shrunk by ``factor`` (N x 3), and
        that picture's width and height."""
        wide, tall = max(8, round(self.width * factor)), max(8, round(self.height * factor))
        x = (np.arange(wide) + 0.5) * self.width / wide - self.width / 2
        y = (np.arange(tall) + 0.5) * self.height / tall - self.height / 2
        grid_x, grid_y = np.meshgrid(x / self.focal, y / self.focal)
        way = self.ahead + grid_x[..., None] * self.right - grid_y[..., None] * self.up
        way = way / np.linalg.norm(way, axis=-1, keepdims=True)
        return way.reshape(-1, 3), wide, tall


def draw_camera(
    rng: np.random.Generator, target: Floats, extent: float, scale: float, tilt_limit: float = 40.0
) -> Camera:
    """Draw a camera that shows a thing of ``extent`` mm around ``target`` (mm) on 25 to 80 % of the
    frame's short side, tilted up to ``tilt_limit`` degrees."""
    long = int(rng.integers(540, 960))
    ratio = float(rng.choice([0.75, 0.75, 0.5625, 1.0, 0.667]))
    size = np.maximum(np.round(np.array([long, long * ratio]) * scale), 16).astype(int)
    width, height = (size[0], size[1]) if rng.uniform() < 0.45 else (size[1], size[0])
    short = min(width, height)
    fill = float(rng.triangular(0.28, 0.62, 0.88))
    focal = float(rng.uniform(0.95, 1.7)) * short
    distance = float(np.clip(extent / fill * focal / short, 100, 380))
    focal = fill * short * distance / extent
    tilt = np.deg2rad(tilt_limit * min(abs(rng.normal(0, 0.45)), 1.0))
    azimuth = rng.uniform(0, 2 * np.pi)
    off = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)])
    roll = np.deg2rad(rng.normal(0, 14) if rng.uniform() < 0.9 else rng.uniform(-180, 180))
    slack = max(0.0, (1 - fill) / 2) * extent / fill
    aim = target + np.array([*rng.normal(0, 0.3, 2) * slack, 0.0])
    if rng.uniform() < 0.08:
        aim = target + np.array([*rng.normal(0, 0.9, 2) * (slack + 8), 0.0])
    position = target + off * distance
    ahead = aim - position
    ahead = ahead / np.linalg.norm(ahead)
    up = np.array([np.sin(roll), np.cos(roll), 0.0])
    right = np.cross(ahead, up)
    right = right / np.linalg.norm(right)
    lens = float(rng.uniform(0.3, 1.4))
    focus = float(np.linalg.norm(aim - position) + rng.normal(0, 3))
    return Camera(position, right, np.cross(right, ahead), ahead, int(width), int(height), focal, lens, focus)
