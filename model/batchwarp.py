"""Perspective views of many photos at once, in torch, on whatever device the photos lie."""

from __future__ import annotations

from collections.abc import Sequence

import torch
from torch import Tensor
from torch.nn import functional

from model.preprocess import OUTSIDE


def warp_batch(photos: Tensor, sizes: Tensor, matrices: Tensor, side: int, *, oversample: int = 1) -> Tensor:
    """Cut one square view out of each photo.

    Args:
        photos: BxSxSx3 uint8, each photo in the top left corner of its square.
        sizes: Bx2 width and height of each photo in pixels.
        matrices: Bx3x3 from view pixels to photo pixels (centres at .5).
        side: side of the views.
        oversample: the view is sampled this much finer and averaged, against aliasing.

    Returns:
        Bx3xsidexside float, 0..1, middle grey outside the photo.
    """
    return warp_tiles(photos, sizes, [(matrices[:, None], side)], oversample=oversample)[0][:, 0]


def warp_tiles(
    photos: Tensor, sizes: Tensor, tiles: Sequence[tuple[Tensor, int]], *, oversample: int = 1
) -> list[Tensor]:
    """Cut several square views out of each photo: for each of ``tiles``, BxTx3x3 matrices from view pixels to
    photo pixels and the side of the views, BxTx3xsidexside; otherwise as :func:`warp_batch`."""
    channels_first = photos.permute(0, 3, 1, 2).float().div_(255)
    return [_tiles(channels_first, sizes, matrices, side, oversample) for matrices, side in tiles]


def _tiles(photos: Tensor, sizes: Tensor, matrices: Tensor, side: int, oversample: int) -> Tensor:
    fine = side * oversample
    count, tiles = matrices.shape[:2]
    device = photos.device
    axis = (torch.arange(fine, device=device, dtype=torch.float32) + 0.5) / oversample
    grid_y, grid_x = torch.meshgrid(axis, axis, indexing="ij")
    points = torch.stack([grid_x, grid_y, torch.ones_like(grid_x)]).reshape(3, -1)
    mapped = matrices.float() @ points
    xy = mapped[:, :, :2] / mapped[:, :, 2:].clamp(min=1e-6)
    limit = sizes.float()[:, None, :, None]
    inside = ((xy >= 0) & (xy <= limit)).all(2) & (mapped[:, :, 2] > 1e-6)
    square = photos.shape[-1]
    grid = (xy / square * 2 - 1).permute(0, 1, 3, 2).reshape(count, tiles * fine, fine, 2)
    views = functional.grid_sample(photos, grid, padding_mode="border", align_corners=False)
    views = torch.where(inside.view(count, 1, tiles * fine, fine), views, torch.full_like(views, OUTSIDE))
    views = functional.avg_pool2d(views, oversample) if oversample > 1 else views
    return views.reshape(count, 3, tiles, side, side).transpose(1, 2)


def project_batch(matrices: Tensor, points: Tensor) -> Tensor:
    """Map BxNx2 ``points`` through Bx3x3 ``matrices``."""
    homogeneous = torch.cat([points, torch.ones_like(points[..., :1])], dim=-1)
    mapped = homogeneous @ matrices.transpose(1, 2)
    return mapped[..., :2] / mapped[..., 2:]


def four_point(source: Tensor, target: Tensor) -> Tensor:
    """Return the Bx3x3 homographies that carry Bx4x2 ``source`` to Bx4x2 ``target`` (float64 solve)."""
    source, target = source.double(), target.double()
    x, y = source[..., 0], source[..., 1]
    u, v = target[..., 0], target[..., 1]
    zero, one = torch.zeros_like(x), torch.ones_like(x)
    top = torch.stack([x, y, one, zero, zero, zero, -u * x, -u * y], dim=-1)
    low = torch.stack([zero, zero, zero, x, y, one, -v * x, -v * y], dim=-1)
    solution = torch.linalg.solve(torch.cat([top, low], dim=1), torch.cat([u, v], dim=1))
    ones = torch.ones_like(solution[:, :1])
    return torch.cat([solution, ones], dim=1).view(-1, 3, 3)
