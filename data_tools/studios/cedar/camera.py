"""Where the phone stands: a pinhole with a lens of finite width, and its projection."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_tools.studios.cedar.meshes import rotation
from model.families import Family

Floats = NDArray[np.float64]


# few sizes: a kernel is compiled for each
SIZES = ((576, 768), (720, 960), (768, 576), (960, 720), (640, 640), (540, 960), (960, 540))


@dataclass(frozen=True)
class View:
    """One camera; mm in the coupler's frame, field of view in degrees across the picture's width."""

    eye: Floats
    target: Floats
    up: Floats
    fov: float
    width: int
    height: int
    aperture: float

    def axes(self) -> Floats:
        """Return the rows right, up, forward (unit vectors)."""
        forward = (self.target - self.eye) / np.linalg.norm(self.target - self.eye)
        right = np.cross(forward, self.up)
        right /= np.linalg.norm(right)
        return np.stack([right, np.cross(right, forward), forward])

    @property
    def focal(self) -> float:
        """The focal length in pixels."""
        return float(self.width / 2 / np.tan(np.radians(self.fov) / 2))

    def matrix(self) -> Floats:
        """Return the 3x4 projection from mm to homogeneous pixels (pixel centres at .5)."""
        axes, f = self.axes(), self.focal
        inner = np.array([[f, 0, self.width / 2], [0, -f, self.height / 2], [0, 0, 1.0]])
        return np.asarray(inner @ np.concatenate([axes, -axes @ self.eye[:, None]], axis=1))

    def project(self, points: NDArray[np.floating]) -> Floats:
        """Return the pixels (Nx2) of Nx3 mm."""
        flat = np.asarray(points, float) @ self.matrix()[:, :3].T + self.matrix()[:, 3]
        return np.asarray(flat[:, :2] / flat[:, 2:])

    def homography(self) -> tuple[float, ...]:
        """Return the face plane's homography (z = 0): mm to pixels, row-major, last element 1."""
        h = self.matrix()[:, [0, 1, 3]]
        return tuple(float(v) for v in (h / h[2, 2]).ravel())

    def resized(self, share: float) -> View:
        """Return the same view at another size."""
        size = (max(int(round(self.width * share)), 16), max(int(round(self.height * share)), 16))
        return View(self.eye, self.target, self.up, self.fov, size[0], size[1], self.aperture)


def draw_view(rng: np.random.Generator, family: Family, up: Floats, scale: float, lowest: float) -> View:
    """Draw a phone 10 to 35 cm away whose picture's short side the face fills by 25 to 80 %.

    ``lowest``: the phone stays above this height along ``up``, mm from the face centre.
    """
    width, height = SIZES[int(rng.integers(len(SIZES)))]
    fills = float(np.clip(rng.beta(2.2, 1.8) * 0.6 + 0.24, 0.25, 0.8))
    size = max(family.nose_width, family.nose_height) * (1.12 if family.has_latch else 1.0)
    distance = float(rng.uniform(110, 350))
    visible = size / fills  # mm across the short side
    if visible / distance > 1.25:
        distance = visible / 1.25
    tilt = np.radians(min(abs(rng.normal(0, 19)), 40))
    turns = rng.uniform(0, 2 * np.pi, 8)
    aways = np.stack(
        [np.sin(tilt) * np.cos(turns), np.sin(tilt) * np.sin(turns), np.full(8, np.cos(tilt))], 1
    )
    heights = aways @ up * distance
    high = heights >= lowest
    away = aways[int(np.argmax(high) if high.any() else np.argmax(heights))]
    centre = np.array([*family.nose_centre, 0.0]) + np.array([0, 5.0 if family.has_latch else 0.0, 0])
    spare = max(visible - size * 1.15, 0.0) * 0.5
    shift = rng.normal(0, 0.3, 2) * spare + (rng.random() < 0.08) * rng.normal(0, 0.25, 2) * size
    roll = rng.normal(0, 0.09)
    axis = rotation((0, 0, 1.0), roll) @ (
        up if abs(up[2]) < 0.8 else np.array([*rng.normal(0, 0.3, 1), 1, 0.0])
    )
    axis = axis / np.linalg.norm(axis)
    target = centre + np.array([shift[0], shift[1], 0.0])
    fov_short = 2 * np.arctan(visible / 2 / distance)
    fov = 2 * np.arctan(np.tan(fov_short / 2) * width / min(width, height))
    aperture = float(rng.uniform(0.3, 1.9) * min(distance / 200, 1.3))
    return View(
        target + away * distance,
        target,
        axis,
        float(np.degrees(fov)),
        max(int(width * scale), 48),
        max(int(height * scale), 48),
        aperture,
    )
