"""Random training views: which part of which photo each network sees, with its truth (torch, batched)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from model.batchwarp import four_point, project_batch, warp_batch, warp_tiles
from model.dataset import FAMILY_KEYS, PhotoBank, Targets, family_close_ups, mirror_order
from model.families import FAMILIES
from model.geometry import canonical_to_mm
from model.network import LOCATOR_STRIDE
from model.preprocess import TrainPreset

WHERE_UNIT_MM = 20.0


@dataclass
class Draw:
    """Random numbers from one generator, moved to the device of the batch."""

    generator: torch.Generator
    device: torch.device

    def uniform(self, shape: tuple[int, ...], low: float, high: float) -> Tensor:
        """Return uniform numbers of ``shape``."""
        draw = torch.rand(shape, generator=self.generator, device=self.generator.device)
        return (low + (high - low) * draw).to(self.device)

    def normal(self, shape: tuple[int, ...], deviation: float) -> Tensor:
        """Return normal numbers of ``shape``."""
        draw = torch.randn(shape, generator=self.generator, device=self.generator.device)
        return (deviation * draw).to(self.device)


def similarity(angle: Tensor, scale: Tensor, centre: Tensor, target: Tensor) -> Tensor:
    """Return Bx3x3 that turn by ``angle``, scale, and carry ``centre`` to ``target`` (both Bx2)."""
    cos, sin = torch.cos(angle) * scale, torch.sin(angle) * scale
    zero, one = torch.zeros_like(cos), torch.ones_like(cos)
    matrix = torch.stack([cos, -sin, zero, sin, cos, zero, zero, zero, one], dim=-1).view(-1, 3, 3)
    matrix[:, :2, 2] = target - (matrix[:, :2, :2] @ centre[:, :, None]).squeeze(-1)
    return matrix


def canonical_matrices(device: torch.device) -> Tensor:
    """Return Fx3x3: canonical pixels to mm for each family, in the order of ``FAMILY_KEYS``."""
    return torch.stack([torch.from_numpy(canonical_to_mm(FAMILIES[key])) for key in FAMILY_KEYS]).to(device)


def condition_views(
    bank: PhotoBank, index: Tensor, draw: Draw, preset: TrainPreset
) -> tuple[Tensor, Tensor, Targets]:
    """Return jittered canonical views (B,3,S,S), the close-ups of their places (B,P+1,3,C,C) and targets;
    half of them mirrored left to right.

    Photos without a face get a random view, so that the network learns to refuse what was wrongly located.
    """
    targets = bank.targets.take(index)
    side = preset.canonical_pixels
    family = targets.family.clamp(min=0)
    base = canonical_matrices(bank.device)[family]
    count = len(index)
    corners = torch.tensor([[0.0, 0.0], [side, 0.0], [side, side], [0.0, side]], device=bank.device)
    corners = corners.expand(count, 4, 2)
    wide = torch.where(draw.uniform((count,), 0, 1) < 0.15, 2.5, 1.0)
    noise = draw.normal((count, 4, 2), preset.corner_jitter_mm)
    shift = draw.normal((count, 1, 2), preset.corner_jitter_mm)
    pixels_per_mm = (wide / base[:, 0, 0].float())[:, None, None]
    jitter = four_point(corners, corners + (noise + shift) * pixels_per_mm)
    centre = torch.full((count, 2), side / 2, device=bank.device, dtype=torch.float64)
    angle = draw.normal((count,), math.radians(preset.turn_degrees)).double() * wide
    scale = torch.exp(draw.normal((count,), preset.scale_jitter)).double()
    turn = similarity(angle, scale, centre, centre)
    matrix = targets.matrix.double() @ base @ turn @ jitter
    matrix = torch.where((targets.family >= 0)[:, None, None], matrix, _anywhere(bank, index, draw, side))
    mirror = draw.uniform((count,), 0, 1) < 0.5
    flip = torch.tensor([[-1.0, 0, side], [0, 1, 0], [0, 0, 1]], device=bank.device, dtype=torch.float64)
    matrix = torch.where(mirror[:, None, None], matrix @ flip, matrix)
    views, closes = view_and_close_ups(bank, index, matrix, preset)
    return views, closes, _mirrored(targets, mirror)


def view_and_close_ups(
    bank: PhotoBank, index: Tensor, matrices: Tensor, preset: TrainPreset
) -> tuple[Tensor, Tensor]:
    """Return the views (B,3,S,S) of the photos ``index`` and the close-ups (B,P+1,3,C,C) of their places;
    ``matrices`` (B,3,3) map canonical pixels to photo pixels."""
    close = family_close_ups(bank.device)[bank.targets.family[index].clamp(min=0)]
    tiles = [
        (matrices[:, None], preset.canonical_pixels),
        (matrices[:, None].double() @ close, preset.close_pixels),
    ]
    views, closes = warp_tiles(bank.photos[index], bank.sizes[index], tiles, oversample=preset.oversample)
    return views[:, 0], closes


def _mirrored(targets: Targets, mirror: Tensor) -> Targets:
    order = mirror_order().to(mirror.device)[targets.family.clamp(min=0)]
    same = torch.arange(order.shape[1], device=mirror.device).expand_as(order)
    order = torch.where(mirror[:, None], order, same)[:, :, None]
    changed = dict(targets.__dict__)
    for name in ("housing", "housing_weight", "view"):
        value = changed[name]
        changed[name] = torch.gather(value, 1, order.expand(-1, -1, value.shape[2]))
    return Targets(**changed)


def _anywhere(bank: PhotoBank, index: Tensor, draw: Draw, side: int) -> Tensor:
    """Return Bx3x3 view-to-photo matrices of random squares, any turn, 25 to 100 % of the short side."""
    size = bank.sizes[index]
    count = len(index)
    share = draw.uniform((count,), 0.25, 1.0)
    scale = share * size.amin(1) / side
    target = size * draw.uniform((count, 2), 0.3, 0.7)
    centre = torch.full((count, 2), side / 2, device=bank.device)
    return similarity(draw.uniform((count,), -math.pi, math.pi), scale, centre, target).double()


def locator_views(bank: PhotoBank, index: Tensor, draw: Draw, preset: TrainPreset) -> tuple[Tensor, Tensor]:
    """Return views (B,3,256,256) and the matrices from mm to view pixels (B,3,3).

    Six in ten are the whole photo, turned, scaled and shifted; the others are the closer second glance.
    """
    side = preset.locator_pixels
    size = bank.sizes[index]
    count = len(index)
    centre = torch.full((count, 2), side / 2, device=bank.device)
    free = draw.uniform((count,), 0, 1) < 0.3
    angle = torch.where(
        free, draw.uniform((count,), -math.pi, math.pi), draw.normal((count,), math.radians(18.0))
    )
    scale = size.amax(1) / side * torch.exp(draw.uniform((count,), -0.55, 0.6))
    target = size * (0.5 + draw.normal((count, 2), 0.08))
    whole = similarity(angle, scale, centre, target).double()
    targets = bank.targets.take(index)
    near = _second_glance(targets, draw, side)
    closer = (draw.uniform((count,), 0, 1) < 0.4) & (targets.family >= 0)
    matrix = torch.where(closer[:, None, None], near, whole)
    views = warp_batch(bank.photos[index], size, matrix, side, oversample=preset.oversample)
    return views, torch.linalg.solve(matrix, targets.matrix.double())


def _second_glance(targets: Targets, draw: Draw, side: int) -> Tensor:
    """Return Bx3x3 view-to-photo matrices of a face-on view about 96 mm wide, as after a first location."""
    count = len(targets.family)
    device = targets.matrix.device
    step = 96.0 / side * torch.exp(draw.normal((count,), 0.15))
    centre = torch.full((count, 2), side / 2, device=device)
    turn = similarity(draw.normal((count,), math.radians(8.0)), step, centre, draw.normal((count, 2), 5.0))
    upright = torch.diag(torch.tensor([1.0, -1.0, 1.0], device=device)).double()
    corners = torch.tensor([[0.0, 0.0], [side, 0.0], [side, side], [0.0, side]], device=device).expand(
        count, 4, 2
    )
    bend = four_point(corners, corners + draw.normal((count, 4, 2), 0.04 * side))
    return targets.matrix.double() @ upright @ turn.double() @ bend


def locator_truth(targets: Targets, matrices: Tensor, side: int) -> tuple[Tensor, Tensor]:
    """Return the mask (B,1,C,C) and the place in face units (B,2,C,C) of every cell of a view."""
    cells = side // LOCATOR_STRIDE
    device = matrices.device
    axis = (torch.arange(cells, device=device, dtype=torch.float64) + 0.5) * LOCATOR_STRIDE
    y, x = torch.meshgrid(axis, axis, indexing="ij")
    points = torch.stack([x, y], dim=-1).view(1, -1, 2).expand(len(matrices), -1, 2)
    mm = project_batch(torch.linalg.inv(matrices), points)
    noses = torch.tensor(
        [
            [*FAMILIES[k].nose_centre, FAMILIES[k].nose_width / 2, FAMILIES[k].nose_height / 2]
            for k in FAMILY_KEYS
        ],
        device=device,
        dtype=torch.float64,
    )[targets.family.clamp(min=0)]
    inside = (((mm - noses[:, None, :2]) / noses[:, None, 2:]) ** 2).sum(-1) <= 1.0
    inside &= (targets.family >= 0)[:, None]
    mask = inside.view(-1, 1, cells, cells)
    where = (mm / WHERE_UNIT_MM).permute(0, 2, 1).reshape(-1, 2, cells, cells)
    return mask.float(), where.float().clamp(-4, 4)
