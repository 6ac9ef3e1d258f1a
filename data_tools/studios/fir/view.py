"""The camera's place, the exact homography of the face plane, and what of each place is in view."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from data_tools.studios.film import lens
from data_tools.studios.fir.scene import Mesh
from data_tools.studios.fir.solids import Floats, circle
from model.families import Family
from model.vocabulary import Place

_SHAPES = ((4, 3), (3, 4), (3, 4), (4, 3), (16, 9), (9, 16), (1, 1))


@dataclass(frozen=True)
class View:
    """A camera: place and directions (unit 3-vectors), focal length in pixels, size (width, height)."""

    eye: Floats
    ahead: Floats
    up: Floats
    focal: float
    size: tuple[int, int]
    aperture: float
    focus: float

    def homography(self) -> Floats:
        """Return the 3 x 3 matrix from face-plane mm to pixels, pixel centres at .5."""
        right, (wide, high) = np.cross(self.ahead, self.up), self.size
        rows = np.stack(
            [
                self.focal * right + wide / 2 * self.ahead,
                -self.focal * self.up + high / 2 * self.ahead,
                self.ahead,
            ]
        )
        return np.asarray(np.column_stack([rows[:, 0], rows[:, 1], -rows @ self.eye]))

    def sensor(self) -> Any:
        """Return the loaded camera."""
        import mitsuba as mi

        pose = mi.ScalarTransform4f().look_at(
            origin=self.eye.tolist(), target=(self.eye + self.ahead).tolist(), up=self.up.tolist()
        )
        fov = float(np.degrees(2 * np.arctan(self.size[0] / 2 / self.focal)))
        return lens(
            {"type": "thinlens", "to_world": pose, "fov": fov, "aperture_radius": self.aperture,
             "focus_distance": self.focus}, self.size,
        )  # fmt: skip

    def smaller(self, part: float) -> View:
        """Return the same view with fewer pixels."""
        wide, high = (max(16, round(s * part)) for s in self.size)
        return View(
            self.eye,
            self.ahead,
            self.up,
            self.focal * wide / self.size[0],
            (wide, high),
            self.aperture,
            self.focus,
        )


def draw_view(rng: np.random.Generator, family: Family, scale: float, away: bool = False) -> View:
    """Draw a camera that looks at the face; ``away``: from the side or from behind, at anything but it."""
    long = int(rng.integers(512, 1001) * scale)
    across, down = _SHAPES[rng.integers(len(_SHAPES))]
    size = (round(long * across / max(across, down)), round(long * down / max(across, down)))
    tilt = np.radians(rng.uniform(95, 150) if away else min(abs(rng.normal(0, 15)), 36))
    turn = rng.uniform(0, 2 * np.pi)
    back = np.array([np.sin(tilt) * np.cos(turn), abs(np.sin(tilt) * np.sin(turn)) if away else
                     np.sin(tilt) * np.sin(turn), np.cos(tilt)])  # fmt: skip
    box = family.canonical_view
    middle = np.array(
        [(box.left + box.right) / 2, (box.bottom + box.top) / 2 - (2 if family.has_latch else 0), 0]
    )
    target = middle + [*rng.normal(0, 4, 2), -70 if away else 0]
    focal = long / 2 / np.tan(np.radians(rng.uniform(34, 66)) / 2)
    fill = rng.uniform(0.55, 1.0) if rng.random() < 0.85 else rng.uniform(0.38, 0.55)
    face = (64.0 if family.has_latch else 62.0) * (2.5 if away else 1)
    wanted = min(fill * (0.6 * min(size) + 0.4 * long), min(size))
    distance = max(focal * face / wanted, 84.0)
    eye = target + back * distance
    ahead = -back
    roll = np.radians(np.clip(rng.normal(0, 11), -30, 30))
    above = np.array([np.sin(roll), np.cos(roll), 0.0])
    right = np.cross(ahead, above)
    right /= np.linalg.norm(right)
    blurred = rng.random() < 0.1
    focus = distance * (rng.uniform(0.8, 1.25) if blurred else rng.normal(1.0, 0.02)) + rng.uniform(-3, 8)
    return View(eye, ahead, np.cross(right, ahead), focal, size, rng.uniform(0.3, 1.6), max(focus, 40.0))


def projected(homography: Floats, points: Floats) -> Floats:
    """Return the pixels (N x 2) of spots on the face plane (N x 2 mm)."""
    spots = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return np.asarray(spots[:, :2] / spots[:, 2:])


def outlines(family: Family) -> dict[Place, Floats]:
    """Return the outline of each place on the face plane (N x 2 mm)."""
    found = {c.place: circle(c.sleeve_diameter / 2, 24) + [c.x, c.y] for c in family.contacts}
    if family.latch_zone is not None:
        found[Place.LATCH] = family.latch_zone.corners()
    return found


def in_view(
    view: View, family: Family, near: Mesh | None, covered: NDArray[np.float32]
) -> dict[Place, float]:
    """Return for each place how much of it is in the picture and neither behind a thing nor a finger."""
    matrix, (wide, high) = view.homography(), view.size
    shares = {}
    for place, outline in outlines(family).items():
        low, top = outline.min(0), outline.max(0)
        grid = np.stack(
            np.meshgrid(*(np.linspace(a, b, 9) for a, b in zip(low, top, strict=True))), -1
        ).reshape(-1, 2)
        inside = [
            cv2.pointPolygonTest(outline.astype(np.float32), (float(x), float(y)), False) >= 0
            for x, y in grid
        ]
        spots = grid[np.array(inside)]
        x, y = np.floor(projected(matrix, spots)).astype(int).T
        good = (x >= 0) & (x < wide) & (y >= 0) & (y < high)
        clear = np.zeros(len(spots))
        clear[good] = 1 - np.clip(covered[y[good], x[good]] * 1.5 - 0.2, 0, 1)
        if near is not None:
            clear *= ~_blocked(view.eye, np.column_stack([spots, np.zeros(len(spots))]), near)
        shares[place] = round(float(clear.mean()), 3)
    return shares


def _blocked(eye: Floats, spots: Floats, near: Mesh) -> NDArray[np.bool_]:
    """Return which spots a mesh hides from the eye (Moeller and Trumbore's test, all at once)."""
    a, b, c = (near.points[near.triangles[:, k]] for k in range(3))
    ways = spots - eye
    edge, other, off = b - a, c - a, eye - a
    cross = np.cross(ways[:, None], other[None])
    size = np.einsum("nmk,mk->nm", cross, edge)
    size = np.where(np.abs(size) < 1e-9, 1e-9, size)
    u = np.einsum("nmk,mk->nm", cross, off) / size
    turned = np.cross(off, edge)
    v = np.einsum("nk,mk->nm", ways, turned) / size
    t = np.einsum("mk,mk->m", other, turned)[None] / size
    return np.asarray(((u >= 0) & (v >= 0) & (u + v <= 1) & (t > 0) & (t < 0.995)).any(1))
