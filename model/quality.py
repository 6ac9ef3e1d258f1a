"""Whether a photo is good enough to judge: size, sharpness and exposure, measured on the coupler face.

The face is brought to a fixed scale first, so that one limit holds for every phone, distance and family.
Without a located face the whole picture is measured at a fixed size; only gross faults count then.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from model import geometry
from model.families import Family
from model.vocabulary import Reason

PATCH_PX_PER_MM = 4.0
FRAME_SIDE = 512
"""Longer side, pixels, at which a picture without a located face is measured."""
_NOMINAL_CONTRAST = 50.0
_SECOND_DERIVATIVES = (  # in x, mixed, in y
    np.array([[1, -2, 1]], np.float32),
    np.array([[1, 0, -1], [0, 0, 0], [-1, 0, 1]], np.float32) / 4,
    np.array([[1], [-2], [1]], np.float32),
)
_CLIPPED = 250
_BLACK = 16


@dataclass(frozen=True)
class Limit:
    """One measure with the least or the most that can still be judged, and what it is called otherwise."""

    measure: str
    reason: Reason
    least: float = float("-inf")
    most: float = float("inf")
    whole_frame_too: bool = False

    def broken_by(self, value: float) -> bool:
        """Whether ``value`` is out of bounds; a value that is not a number is."""
        return not self.least <= value <= self.most


# The first broken limit names the reason, so causes stand before their consequences: a dark photo is also
# grainy, a small face also soft.
# Measured on 101 usable rendered photos of both families and many lights; none of them breaks a limit.
LIMITS: tuple[Limit, ...] = (
    # Share of the nose that lies inside the picture; a sliver is lost to rounding at the border.
    Limit("in_frame_share", Reason.OUT_OF_FRAME, least=0.97),
    # A chip of 2 mm must cover 4 pixels to be more than noise.
    Limit("px_per_mm", Reason.TOO_SMALL, least=2.0),
    # Grey level (0..255) that 98 % of the face stays under: black plastic in fair light still has lit edges
    # (62 and more on the usable rendered photos).
    Limit("high_level", Reason.TOO_DARK, least=48.0, whole_frame_too=True),
    # Share of the face with no detail left in the light; flash glints on the contacts stay far below (0.08 at
    # most on the usable rendered photos).
    Limit("bright_share", Reason.TOO_BRIGHT, most=0.35, whole_frame_too=True),
    # One washed-out patch of this share can hide a whole pin housing (5 to 6 % each) and part of the next.
    Limit("glare_share", Reason.TOO_BRIGHT, most=0.10),
    # Variance of the Laplacian at the fixed scale and contrast, in the least sharp direction. The usable
    # rendered photos keep 20 to 343; blurred by 0.5 mm (standard deviation) they keep 7 to 29, by 0.8 mm 2 to
    # 8. What lies between is for the network to judge.
    Limit("sharpness", Reason.TOO_BLURRED, least=6.0),
)


@dataclass(frozen=True)
class QualityReport:
    """What was measured, and the reason why the photo cannot be judged (``None``: it can).

    Measures: ``px_per_mm`` and ``in_frame_share`` (located face only), ``sharpness`` (grey levels squared),
    ``high_level``, ``middle_level`` (98th and 50th percentile, 0..255), ``dark_share``, ``bright_share``,
    ``glare_share`` (0..1).
    """

    measures: dict[str, float]
    reason: Reason | None


def measure(
    rgb: NDArray[np.uint8], homography: ArrayLike | None = None, family: Family | None = None
) -> QualityReport:
    """Measure one upright picture.

    Args:
        rgb: uint8, H x W x 3.
        homography: 3 x 3 (or nine numbers): face-plane mm to pixels of this ``rgb``, pixel centres at .5.
            Give it at the scale that will be judged: ``px_per_mm`` counts the pixels of ``rgb``.
        family: whose face ``homography`` describes. Both or neither must be given.
    """
    if homography is None or family is None:
        patch = _whole_frame(rgb)
        measures = _pixel_measures(patch, np.ones(patch.shape[:2], bool))
        return QualityReport(measures, _first_broken(measures, whole_frame=True))
    matrix = np.asarray(homography, dtype=np.float64).reshape(3, 3)
    scale = pixels_per_mm(matrix, family)
    if not np.isfinite(scale) or scale <= 0:
        return QualityReport({"px_per_mm": 0.0}, Reason.TOO_SMALL)
    patch, mask, in_frame = _face_patch(rgb, matrix, family, scale)
    measures = {"px_per_mm": scale, "in_frame_share": in_frame}
    if mask.any():
        measures |= _pixel_measures(patch, mask)
    return QualityReport(measures, _first_broken(measures, whole_frame=False))


def laplacian_variance(grey: NDArray[np.uint8] | NDArray[np.float32]) -> float:
    """Return the variance of the 4-neighbour Laplacian of ``grey`` (H x W), in grey levels squared."""
    return float(cv2.Laplacian(grey, cv2.CV_64F, ksize=1).var())


def pixels_per_mm(homography: NDArray[np.float64], family: Family) -> float:
    """Return the scale at the nose centre: square root of the area that one square mm covers there.

    0 for a homography that folds or degenerates there, or that shows the face from behind.
    """
    x, y = family.nose_centre
    u, v, w = homography @ np.array([x, y, 1.0])
    if not np.isfinite([u, v, w]).all() or abs(w) < 1e-12 or geometry.turned_mirror(homography, (x, y)):
        return 0.0
    return geometry.pixels_per_mm(homography, (x, y))


def _first_broken(measures: dict[str, float], *, whole_frame: bool) -> Reason | None:
    for limit in LIMITS:
        if whole_frame and not limit.whole_frame_too:
            continue
        if limit.measure in measures and limit.broken_by(measures[limit.measure]):
            return limit.reason
    return None


def _whole_frame(rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    height, width = rgb.shape[:2]
    factor = FRAME_SIDE / max(height, width)
    if factor >= 1:
        return rgb
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _face_patch(
    rgb: NDArray[np.uint8], homography: NDArray[np.float64], family: Family, scale: float
) -> tuple[NDArray[np.uint8], NDArray[np.bool_], float]:
    """Return the nose seen straight on at ``PATCH_PX_PER_MM``, the mask of nose pixels that lie in the
    picture, and the share of the nose that does."""
    shrink = min(1.0, PATCH_PX_PER_MM / scale)
    rgb, homography = _cut_to_nose(rgb, homography, family, margin=4 / shrink)
    if shrink < 0.8:  # average first: warping alone would skip pixels and invent sharpness
        size = (max(1, round(rgb.shape[1] * shrink)), max(1, round(rgb.shape[0] * shrink)))
        factors = np.array([size[0] / rgb.shape[1], size[1] / rgb.shape[0], 1.0])
        rgb = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        homography = np.diag(factors) @ homography
    width = round(family.nose_width * PATCH_PX_PER_MM)
    height = round(family.nose_height * PATCH_PX_PER_MM)
    to_picture = _centres_on_integers(homography) @ _patch_to_mm(family)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    patch = cv2.warpPerspective(rgb, to_picture, (width, height), flags=flags)
    inside = cv2.warpPerspective(np.ones(rgb.shape[:2], np.uint8), to_picture, (width, height), flags=flags)
    nose = _ellipse(width, height)
    mask = nose & (inside > 0)
    return np.asarray(patch, dtype=np.uint8), mask, float(mask.sum() / nose.sum())


def _cut_to_nose(
    rgb: NDArray[np.uint8], homography: NDArray[np.float64], family: Family, margin: float
) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Leave away what lies more than ``margin`` pixels beside the nose: the rest of a photo is only work."""
    x, y = family.nose_centre
    across, up = family.nose_width / 2, family.nose_height / 2
    corners = np.array([[x + i * across, y + j * up, 1.0] for i in (-1, 1) for j in (-1, 1)])
    u, v, w = homography @ corners.T
    if w.min() * w.max() <= 0:  # the horizon crosses the nose
        return rgb, homography
    height, width = rgb.shape[:2]
    left, top = (max(0, math.floor(at.min() - margin)) for at in (u / w, v / w))
    right, bottom = (math.ceil(at.max() + margin) for at in (u / w, v / w))
    right, bottom = min(width, right), min(height, bottom)
    if left >= right or top >= bottom:
        return rgb, homography
    shift = np.array([[1.0, 0.0, -left], [0.0, 1.0, -top], [0.0, 0.0, 1.0]])
    return rgb[top:bottom, left:right], shift @ homography


def _patch_to_mm(family: Family) -> NDArray[np.float64]:
    """Patch pixel indices to face-plane mm."""
    x, y = family.nose_centre
    step = 1.0 / PATCH_PX_PER_MM
    left, top = x - family.nose_width / 2 + step / 2, y + family.nose_height / 2 - step / 2
    return np.array([[step, 0.0, left], [0.0, -step, top], [0.0, 0.0, 1.0]])


def _centres_on_integers(homography: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shift from pixel centres at .5 (ours) to pixel centres on integers (OpenCV's)."""
    return np.array([[1.0, 0.0, -0.5], [0.0, 1.0, -0.5], [0.0, 0.0, 1.0]]) @ homography


def _ellipse(width: int, height: int) -> NDArray[np.bool_]:
    rows, columns = np.ogrid[:height, :width]
    x, y = (columns + 0.5) / width * 2 - 1, (rows + 0.5) / height * 2 - 1
    return np.asarray(x * x + y * y <= 1.0)


def _pixel_measures(patch: NDArray[np.uint8], mask: NDArray[np.bool_]) -> dict[str, float]:
    grey = np.asarray(cv2.cvtColor(patch, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    levels = grey[mask]
    middle, high = np.percentile(levels, [50, 98])
    clipped = (cv2.inRange(patch, (_CLIPPED,) * 3, (255,) * 3) > 0) & mask
    return {
        "sharpness": _sharpness(grey, mask & ~_grown(clipped)),
        "high_level": float(high),
        "middle_level": float(middle),
        "dark_share": float((levels <= _BLACK).mean()),
        "bright_share": float(clipped.sum() / mask.sum()),
        "glare_share": _largest_patch(clipped) / float(mask.sum()),
    }


def _sharpness(grey: NDArray[np.uint8], mask: NDArray[np.bool_]) -> float:
    """Variance of the Laplacian over ``mask`` in the least sharp direction.

    The picture is smoothed lightly first (sensor grain is not sharpness) and brought to a nominal contrast
    (a dim photo is not a blurred one). A shaken photo keeps its edges along the motion, so the variance of
    the second derivative is taken in eight directions and the least counts; 8/3 of it is the variance of
    the Laplacian of a picture that is alike in all directions.
    """
    smooth = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), 1.0)
    contrast = float(smooth[mask].std()) if mask.any() else 0.0
    if contrast < 1.0:
        return 0.0
    curvatures = np.stack([cv2.filter2D(smooth, cv2.CV_32F, kernel)[mask] for kernel in _SECOND_DERIVATIVES])
    curvatures -= curvatures.mean(axis=1, keepdims=True)
    covariance = curvatures @ curvatures.T / curvatures.shape[1] * (_NOMINAL_CONTRAST / contrast) ** 2
    angles = np.arange(8) * np.pi / 8
    weights = np.stack([np.cos(angles) ** 2, np.sin(2 * angles), np.sin(angles) ** 2])
    return float(8 / 3 * np.einsum("ia,ij,ja->a", weights, covariance, weights).min())


def _grown(clipped: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The washed-out pixels and 1 mm around them: their hard edge says nothing about focus."""
    reach = 2 * round(PATCH_PX_PER_MM) + 1
    return np.asarray(cv2.dilate(clipped.astype(np.uint8), np.ones((reach, reach), np.uint8)) > 0)


def _largest_patch(clipped: NDArray[np.bool_]) -> float:
    if not clipped.any():
        return 0.0
    _, _, stats, _ = cv2.connectedComponentsWithStats(clipped.astype(np.uint8))
    return float(stats[1:, cv2.CC_STAT_AREA].max())
