"""How photos become network input: the serving preset (OpenCV, one photo) and the training preset
(torch, whole batches) side by side, so that a change to one is seen beside the other.

Both produce the same thing: RGB 0..1, outside the photo a middle grey, then ImageNet mean and deviation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from model.geometry import CANONICAL_PIXELS, CLOSE_PIXELS, Matrix, scale_matrix

if TYPE_CHECKING:
    from torch import Tensor

LOCATOR_PIXELS = 256
OUTSIDE = 0.5
# Mean and deviation of ImageNet RGB (Krizhevsky 2012 data), the convention of torchvision's weights.
MEAN = (0.485, 0.456, 0.406)
DEVIATION = (0.229, 0.224, 0.225)


def half_pixel(matrix: Matrix) -> Matrix:
    """Turn a centres-at-.5 pixel matrix into OpenCV's centres-at-0 convention, both sides."""
    shift = np.array([[1.0, 0.0, 0.5], [0.0, 1.0, 0.5], [0.0, 0.0, 1.0]])
    result: Matrix = np.linalg.inv(shift) @ matrix @ shift
    return result


def warp_view(
    rgb: NDArray[np.uint8], view_to_photo: Matrix, size: int | tuple[int, int]
) -> NDArray[np.uint8]:
    """Cut a view of ``size`` (its side, or width and height) out of ``rgb`` (uint8 HxWx3).

    ``view_to_photo`` maps view to photo.

    Where the photo is much finer than the view, it is first halved (area mean) until it is not, so that thin
    cracks are averaged and not skipped over.
    """
    import cv2  # here, so that training on a machine without OpenCV can import the presets

    across, down = (size, size) if isinstance(size, int) else size
    corners = np.array([[0, 0], [across, 0], [across, down], [0, down]], dtype=np.float64)
    homogeneous = np.c_[corners, np.ones(4)] @ view_to_photo.T
    mapped = homogeneous[:, :2] / homogeneous[:, 2:]
    spans = np.linalg.norm(mapped - np.roll(mapped, 1, axis=0), axis=1)
    step = float(spans.sum()) / (2 * (across + down))
    matrix = view_to_photo
    while step > 1.6 and min(rgb.shape[:2]) > 64:
        height, width = rgb.shape[0] // 2, rgb.shape[1] // 2
        even = rgb[: 2 * height, : 2 * width]  # an odd rest would halve by another factor, and slowly
        rgb = np.asarray(cv2.resize(even, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)
        matrix = scale_matrix(0.5) @ matrix
        step /= 2
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    grey = int(round(OUTSIDE * 255))
    view = cv2.warpPerspective(
        rgb,
        half_pixel(matrix),
        (across, down),
        flags=flags,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(grey,) * 3,
    )
    return np.asarray(view, dtype=np.uint8)


def letterbox_matrix(width: int, height: int, view: tuple[int, int]) -> Matrix:
    """Return the matrix from a view's pixels to a photo that is fitted whole and centred in it.

    ``view`` is the width and height of the view.
    """
    scale = max(width / view[0], height / view[1])
    return np.array(
        [
            [scale, 0.0, (width - view[0] * scale) / 2],
            [0.0, scale, (height - view[1] * scale) / 2],
            [0.0, 0.0, 1.0],
        ]
    )


def to_tensor(views: list[NDArray[np.uint8]]) -> Tensor:
    """Stack uint8 HxWx3 views into a normalised Bx3xHxW float tensor (channels last in memory)."""
    import torch

    batch = torch.from_numpy(np.stack(views)).float()
    count, height, width, _ = batch.shape
    # normalise(batch / 255), but row by row: over three numbers at a time it takes eight times as long.
    mean, deviation = (torch.tensor(numbers).repeat(width) for numbers in (MEAN, DEVIATION))
    rows = batch.view(count, height, width * 3).mul_(1 / (255.0 * deviation)).sub_(mean / deviation)
    return rows.view(count, height, width, 3).permute(0, 3, 1, 2)


def normalise(batch: Tensor) -> Tensor:
    """Normalise a tensor (..., 3, H, W) of 0..1 RGB by the ImageNet mean and deviation."""
    mean = batch.new_tensor(MEAN).view(3, 1, 1)
    deviation = batch.new_tensor(DEVIATION).view(3, 1, 1)
    return (batch - mean) / deviation


@dataclass(frozen=True)
class ServePreset:
    """What serving does to one photo."""

    locator_pixels: int = LOCATOR_PIXELS
    canonical_pixels: int = CANONICAL_PIXELS
    close_pixels: int = CLOSE_PIXELS
    # A photo is decoded to this long side: a quarter of 4032 or 4000 pixels, the usual sizes, which a JPEG
    # decoder reaches without decoding the rest, and which then need no resizing (half as much time again). A
    # face a quarter of the frame wide or more then has about the resolution of the canonical view, one twice
    # as wide that of the close-ups.
    decode_side: int = 1008


@dataclass(frozen=True)
class TrainPreset:
    """What training does to a batch; the strengths of ``model.augment`` and of the homography jitter."""

    locator_pixels: int = LOCATOR_PIXELS
    canonical_pixels: int = CANONICAL_PIXELS
    close_pixels: int = CLOSE_PIXELS
    corner_jitter_mm: float = 0.8
    turn_degrees: float = 3.0
    scale_jitter: float = 0.04
    photometric: float = 1.0
    # Views are sampled this much finer and averaged, so that thin cracks are not skipped over.
    oversample: int = 2
