"""The phone's camera: where it is, what it sees, and how face-plane mm become pixels.

All positions are face-plane millimetres (x right, y up, z towards the viewer). Pixels have their origin at
the top left corner of the photo and pixel centres at .5.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from model.families import Family

Array = NDArray[np.float64]

FULL_FRAME_WIDTH_MM = 36.0
MIN_DISTANCE_MM, MAX_DISTANCE_MM = 75.0, 350.0
RENDER_LONG_SIDES = (512, 640, 768, 896)
"""The only sizes rendered: each film size costs one kernel compilation per machine."""


class Framing(StrEnum):
    """What the photographer managed to put into the frame."""

    ORDINARY = "ordinary"
    LOW_RESOLUTION = "low_resolution"
    TOO_SMALL = "too_small"
    OUT_OF_FRAME = "out_of_frame"


@dataclass(frozen=True)
class Camera:
    """One pose and lens.

    ``axes`` has the rows right, up, forward. ``focal_px`` is the focal length in pixels of a ``width`` x
    ``height`` photo. ``aperture_mm`` is the diameter of the entrance pupil. ``distortion`` k maps a photo
    position to the rendered (straight) one: straight = centre + (photo - centre) * (1 + k * r^2), with r = 1
    at the corner; positive k is barrel distortion.
    """

    position: Array
    axes: Array
    width: int
    height: int
    focal_px: float
    focal_equivalent_mm: float
    aperture_mm: float
    focus_mm: float
    distortion: float
    distance_mm: float
    tilt_deg: float
    roll_deg: float

    @property
    def fov_x_deg(self) -> float:
        """Horizontal field of view in degrees."""
        return float(np.degrees(2 * np.arctan(self.width / 2 / self.focal_px)))

    @property
    def px_per_mm(self) -> float:
        """Scale at the centre of the face, pixels a millimetre."""
        return self.focal_px / self.distance_mm

    def depth(self, points: Array) -> Array:
        """Return the distance along the viewing direction of N x 3 points, mm."""
        return np.asarray((points - self.position) @ self.axes[2])

    def project_straight(self, points: Array) -> Array:
        """Project N x 3 mm to N x 2 pixels of the rendered picture, before lens distortion."""
        local = (points - self.position) @ self.axes.T
        scaled = self.focal_px * local[:, :2] / np.maximum(local[:, 2:3], 1e-6)
        return np.stack([self.width / 2 + scaled[:, 0], self.height / 2 - scaled[:, 1]], axis=1)

    def project(self, points: Array) -> Array:
        """Project N x 3 mm to N x 2 pixels of the photo, lens distortion included."""
        return distort(self.project_straight(points), self)

    def resized(self, width: int, height: int) -> Camera:
        """Return the same view on another pixel grid of (nearly) the same shape."""
        return replace(self, width=width, height=height, focal_px=self.focal_px * width / self.width)

    def homography(self, family: Family) -> Array:
        """Return the 3 x 3 map from face-plane mm (z = 0) to photo pixels.

        With lens distortion no homography is exact: this one fits the contact centres and the corners of
        the nose in the least-squares sense, so that it is best where the judgement looks.
        """
        plane = reference_points(family)
        pixels = self.project(np.column_stack([plane, np.zeros(len(plane))]))
        return fit_homography(plane, pixels)


def undistort(pixels: Array, camera: Camera) -> Array:
    """Map N x 2 photo positions to positions in the rendered (straight) picture."""
    centre = np.array([camera.width / 2, camera.height / 2])
    offset = pixels - centre
    radius_sq = np.sum(offset**2, axis=-1, keepdims=True) / np.sum(centre**2)
    return np.asarray(centre + offset * (1 + camera.distortion * radius_sq))


def distort(pixels: Array, camera: Camera) -> Array:
    """Inverse of :func:`undistort`, by fixed-point iteration (|k| is small)."""
    centre = np.array([camera.width / 2, camera.height / 2])
    target = pixels - centre
    offset = target.copy()
    corner_sq = float(np.sum(centre**2))
    for _ in range(12):
        radius_sq = (offset[..., :1] ** 2 + offset[..., 1:] ** 2) / corner_sq
        offset = target / (1 + camera.distortion * np.minimum(radius_sq, 4.0))
    return np.asarray(centre + offset)


def reference_points(family: Family) -> Array:
    """Return the N x 2 face-plane points the homography is fitted to: contacts and the nose outline."""
    angles = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    half = 0.5 * np.array([family.nose_width, family.nose_height])
    outline = np.asarray(family.nose_centre) + half * np.column_stack([np.cos(angles), np.sin(angles)])
    return np.vstack([family.contact_centres(), outline])


def fit_homography(source: Array, target: Array) -> Array:
    """Return the 3 x 3 homography that maps N x 2 ``source`` to ``target`` (normalised direct linear fit)."""
    to_source, a = _normalised(source)
    to_target, b = _normalised(target)
    zero, one = np.zeros(len(a)), np.ones(len(a))
    x, y, u, v = a[:, 0], a[:, 1], b[:, 0], b[:, 1]
    rows = np.vstack(
        [
            np.column_stack([x, y, one, zero, zero, zero, -u * x, -u * y, -u]),
            np.column_stack([zero, zero, zero, x, y, one, -v * x, -v * y, -v]),
        ]
    )
    matrix = np.linalg.inv(to_target) @ np.linalg.svd(rows)[2][-1].reshape(3, 3) @ to_source
    return np.asarray(matrix / matrix[2, 2])


def _normalised(points: Array) -> tuple[Array, Array]:
    centre, scale = points.mean(axis=0), np.sqrt(2) / max(float(points.std()), 1e-9)
    matrix = np.array([[scale, 0, -scale * centre[0]], [0, scale, -scale * centre[1]], [0, 0, 1.0]])
    return matrix, (points - centre) * scale


def outline_points(family: Family) -> Array:
    """Return N x 3 points that must all be in the frame of a usable photo: nose rim and latch zone."""
    angles = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    half = 0.5 * np.array([family.nose_width, family.nose_height])
    rim = np.asarray(family.nose_centre) + half * np.column_stack([np.cos(angles), np.sin(angles)])
    points = [np.column_stack([rim, np.full(len(rim), 1.0)])]
    if family.latch_zone is not None:
        zone = family.latch_zone
        top = zone.bottom + 0.6 * (zone.top - zone.bottom)
        points.append(np.array([[zone.left, top, 0.0], [zone.right, top, 0.0]]))
    return np.vstack(points)


def sample_camera(rng: np.random.Generator, family: Family, framing: Framing = Framing.ORDINARY) -> Camera:
    """Draw one pose of a hand-held phone for a coupler of ``family``.

    Distances are 75-350 mm (further for ``TOO_SMALL``), tilt up to 40 degrees, roll mostly within 35 degrees
    and one in ten anywhere.
    """
    camera = _candidate(rng, family, framing)
    for _ in range(200):
        if _acceptable(camera, family, framing):
            break
        camera = _candidate(rng, family, framing)
    return camera


def frame_margin(camera: Camera, family: Family) -> float:
    """Return the smallest distance of the face's outline from the frame edge, as a share of the short side;
    negative where part of the outline is outside."""
    pixels = camera.project(outline_points(family))
    size = np.array([camera.width, camera.height])
    return float(np.minimum(pixels, size - pixels).min() / size.min())


def _acceptable(camera: Camera, family: Family, framing: Framing) -> bool:
    margin, scale = frame_margin(camera, family), camera.px_per_mm
    if framing is Framing.OUT_OF_FRAME:
        return -0.35 < margin < -0.1 and MIN_DISTANCE_MM <= camera.distance_mm <= MAX_DISTANCE_MM
    if margin < 0.005 or camera.distance_mm < MIN_DISTANCE_MM:
        return False
    if framing is Framing.TOO_SMALL:
        return 0.35 < scale < 1.05 and camera.distance_mm < 1400
    if framing is Framing.LOW_RESOLUTION:
        return 1.4 < scale < 3.0 and camera.distance_mm < 1.6 * MAX_DISTANCE_MM
    return scale > 2.6 and camera.distance_mm < MAX_DISTANCE_MM


def _candidate(rng: np.random.Generator, family: Family, framing: Framing) -> Camera:
    long_side = int(rng.choice(RENDER_LONG_SIDES, p=_size_odds(framing)))
    width, height = _frame(rng, long_side)
    focal_mm = _focal(rng)
    focal_px = focal_mm / FULL_FRAME_WIDTH_MM * long_side
    share = _share(rng, framing)
    distance = float(family.nose_width * focal_px / (share * min(width, height)))
    tilt = min(abs(rng.normal(0, 15)), 40.0) if rng.random() < 0.85 else rng.uniform(20, 40)
    roll = rng.uniform(-180, 180) if rng.random() < 0.1 else float(np.clip(rng.normal(0, 14), -38, 38))
    centre = np.array(
        [family.nose_centre[0], family.nose_centre[1] + (4.0 if family.has_latch else 0.0), 0.0]
    )
    reach = 0.5 if framing is Framing.ORDINARY else 0.9
    room = 1.0 if framing is Framing.OUT_OF_FRAME else max(0.06, 1 - share)
    offset = rng.uniform(-reach, reach, 2) * room * np.array([width, height]) / 2
    axes, position = _pose(centre, distance, np.radians(tilt), rng.uniform(0, 2 * np.pi), np.radians(roll))
    axes = _pan(axes, offset, focal_px)
    aperture = float(rng.uniform(0.8, 3.0) if focal_mm > 20 else rng.uniform(0.6, 1.3))
    k = float(rng.uniform(0.0, 0.035) if focal_mm < 20 else rng.normal(0, 0.006))
    camera = Camera(
        position,
        axes,
        width,
        height,
        focal_px,
        focal_mm,
        aperture,
        distance,
        k,
        distance,
        float(tilt),
        float(roll),
    )
    return replace(camera, focus_mm=_focus(rng, float(camera.depth(centre[None])[0]), aperture))


def _size_odds(framing: Framing) -> list[float]:
    return [0.5, 0.3, 0.1, 0.1] if framing is Framing.LOW_RESOLUTION else [0.06, 0.18, 0.35, 0.41]


def _frame(rng: np.random.Generator, long_side: int) -> tuple[int, int]:
    portrait = rng.random() < 0.62
    short = long_side * 9 // 16 if rng.random() < 0.12 else long_side * 3 // 4
    return (short, long_side) if portrait else (long_side, short)


def _focal(rng: np.random.Generator) -> float:
    kind = rng.random()
    if kind < 0.62:
        return float(rng.uniform(23, 29))
    return float(rng.uniform(13, 17) if kind < 0.74 else rng.uniform(35, 80))


def _share(rng: np.random.Generator, framing: Framing) -> float:
    if framing is Framing.TOO_SMALL:
        return float(rng.uniform(0.03, 0.1))
    if framing is Framing.LOW_RESOLUTION:
        return float(rng.uniform(0.12, 0.3))
    return float(rng.uniform(0.32, 0.97))


def _focus(rng: np.random.Generator, depth: float, aperture: float) -> float:
    """Focus distance for a blur of up to 0.5 mm on the face; mostly much less."""
    blur = float(min(abs(rng.normal(0, 0.1 if rng.random() < 0.8 else 0.3)), 0.5))
    error = min(blur / aperture, 0.6)
    return depth / (1 - error) if rng.random() < 0.6 else depth / (1 + error)


def _pose(centre: Array, distance: float, tilt: float, azimuth: float, roll: float) -> tuple[Array, Array]:
    backward = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)])
    forward = -backward
    right = np.cross(forward, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    up = np.cross(right, forward)
    right, up = np.cos(roll) * right + np.sin(roll) * up, np.cos(roll) * up - np.sin(roll) * right
    return np.stack([right, up, forward]), centre + distance * backward


def _pan(axes: Array, offset: Array, focal_px: float) -> Array:
    """Turn the camera so that what was in the centre appears at ``offset`` pixels (x right, y down)."""
    right, up, forward = axes
    turned = forward - right * offset[0] / focal_px + up * offset[1] / focal_px
    turned /= np.linalg.norm(turned)
    new_right = np.cross(turned, up)
    new_right /= np.linalg.norm(new_right)
    return np.stack([new_right, np.cross(new_right, turned), turned])


def blur_on_face_mm(camera: Camera, family: Family) -> float:
    """Return the diameter of the defocus blur at the face centre, in mm on the face."""
    depth = float(camera.depth(np.array([[*family.nose_centre, 0.0]]))[0])
    return float(camera.aperture_mm * abs(depth - camera.focus_mm) / camera.focus_mm)
