"""The two kinds of network, and the only file that names a torchvision architecture.

``LocatorNet`` looks at a whole small photo and says for every cell where on the coupler's face plane it
lies; a homography is fitted to that (``model.locate``). ``ConditionNet`` looks at the canonical view, and
closely at each place, and gives independent logits for each damage, for the whole photo and for each part.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial
from itertools import chain
from typing import Any

import torch
from torch import Tensor, nn
from torch.nn import functional
from torchvision.models.efficientnet import EfficientNet, MBConv, MBConvConfig
from torchvision.ops import roi_align

from model.geometry import CLOSE_PIXELS
from model.siblings import Siblings

LOCATOR_STRIDE = 8
PART_GRID = 7
CLOSE_GRID = CLOSE_PIXELS // 8
"""Cells a side of the maps at 1/8 of a close-up; two stages later there are ``PART_GRID``."""

# Expansion, kernel, stride, channels in, channels out, blocks: EfficientNet-B0 (Tan and Le 2019,
# arXiv 1905.11946, table 1) without squeeze-and-excitation and with ReLU6, which runs faster on a CPU.
_STAGES = (
    (1, 3, 1, 32, 16, 1),
    (6, 3, 2, 16, 24, 2),
    (6, 5, 2, 24, 40, 2),
    (6, 3, 2, 40, 80, 3),
    (6, 5, 1, 80, 112, 3),
    (6, 5, 2, 112, 192, 4),
    (6, 3, 1, 192, 320, 1),
)


class Backbone(nn.Module):
    """Feature pyramid source: maps 3xHxW to (1/8: 40 channels, 1/16: 112, 1/32: 320, where ``deep``)."""

    channels = (40, 112, 320)

    def __init__(self, *, deep: bool = True) -> None:
        super().__init__()
        self.deep = deep
        block = partial(MBConv, se_layer=nn.Identity)
        setting = [MBConvConfig(*row, block=block) for row in _STAGES]
        norm = partial(nn.BatchNorm2d, eps=1e-3, momentum=0.01)
        features = EfficientNet(setting, dropout=0.0, stochastic_depth_prob=0.1, norm_layer=norm).features
        _swap_activation(features)
        self.low = features[:4]
        self.middle = features[4:6]
        self.high = features[6:8] if deep else nn.Identity()

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """Return the three feature maps of a batch of normalised RGB."""
        low = self.low(x)
        middle = self.middle(low)
        return low, middle, self.high(middle)

    def load_in_order(self, tensors: Iterable[Tensor]) -> None:
        """Copy pretrained tensors of the same architecture, given in layer order, shape by shape.

        Raises:
            ValueError: a shape that does not fit, so that a wrong file is never half loaded silently.
        """
        own = [v for k, v in self.state_dict().items() if not k.endswith("num_batches_tracked")]
        given = list(tensors)[: len(own)]
        if [tuple(a.shape) for a in own] != [tuple(b.shape) for b in given]:
            raise ValueError("Wanted tensors of this backbone in layer order; got other shapes.")
        with torch.no_grad():
            for target, source in zip(own, given, strict=True):
                target.copy_(source)


def _swap_activation(module: nn.Module) -> None:
    for name, child in module.named_children():
        if isinstance(child, nn.SiLU):
            setattr(module, name, nn.ReLU6(inplace=True))
        else:
            _swap_activation(child)


class Pyramid(nn.Module):
    """Merges the three maps into one at 1/8, so that small chips keep their place."""

    def __init__(self, channels: Iterable[int], width: int) -> None:
        super().__init__()
        self.lateral = nn.ModuleList(nn.Conv2d(c, width, 1) for c in channels)
        self.smooth = nn.Sequential(
            nn.Conv2d(width, width, 3, padding=1, bias=False), nn.BatchNorm2d(width), nn.ReLU6(inplace=True)
        )

    def forward(self, maps: tuple[Tensor, Tensor, Tensor]) -> Tensor:
        """Return Bxwidthx(H/8)x(W/8)."""
        low, middle, high = (layer(m) for layer, m in zip(self.lateral, maps, strict=True))
        middle = middle + functional.interpolate(high, size=middle.shape[-2:], mode="nearest")
        low = low + functional.interpolate(middle, size=low.shape[-2:], mode="nearest")
        result: Tensor = self.smooth(low)
        return result


class LocatorNet(nn.Module):
    """For each 8x8 cell: is it face (logit), and where on the face plane (mm / 20); for the photo: family.

    Input: Bx3xSxS normalised RGB, S a multiple of 32. Output: dict of ``mask`` (B,1,S/8,S/8), ``where``
    (B,2,S/8,S/8), ``family`` (B, families) and ``present`` (B,).
    """

    def __init__(self, families: int, width: int = 64) -> None:
        super().__init__()
        self.backbone = Backbone()
        self.pyramid = Pyramid(Backbone.channels, width)
        self.cells = nn.Sequential(
            nn.Conv2d(width, width, 3, padding=1, bias=False),
            nn.BatchNorm2d(width),
            nn.ReLU6(inplace=True),
            nn.Conv2d(width, 3, 1),
        )
        self.photo = nn.Sequential(nn.Dropout(0.1), nn.Linear(320, families + 1))

    def forward(self, x: Tensor) -> dict[str, Tensor]:
        """Return the maps and logits described for the class."""
        maps = self.backbone(x)
        cells = self.cells(self.pyramid(maps)).float()
        photo = self.photo(maps[2].mean((2, 3))).float()
        return {"mask": cells[:, :1], "where": cells[:, 1:], "present": photo[:, 0], "family": photo[:, 1:]}


class PartHead(nn.Module):
    """Shared weights for all parts of one sort: what the view and the close-up show of one, to logits."""

    def __init__(self, width: int, context: int, outputs: int) -> None:
        super().__init__()
        self.near = nn.Sequential(
            nn.Conv2d(Backbone.channels[1], width, 1, bias=False),
            nn.BatchNorm2d(width),
        )
        self.look = nn.Sequential(
            nn.Conv2d(width, width, 3, padding=1, bias=False),
            nn.BatchNorm2d(width),
            nn.ReLU6(inplace=True),
            nn.Conv2d(width, width, 3, padding=1, bias=False),
            nn.BatchNorm2d(width),
            nn.ReLU6(inplace=True),
        )
        self.decide = nn.Sequential(
            nn.Linear(2 * width + context, 128),
            nn.ReLU6(inplace=True),
            nn.Dropout(0.2),
            nn.Linear(128, outputs),
        )

    def forward(self, crops: Tensor, close: Tensor, context: Tensor, apart: Tensor | None = None) -> Tensor:
        """Map crops (N,width,7,7), close-ups (N,112,7,7), context (N,context) and, where it was looked for,
        what sets each apart from its siblings (N,width,7,7) to (N,outputs)."""
        joined = crops + self.near(close)
        seen = self.look(joined if apart is None else joined + apart)
        pooled = torch.cat([seen.mean((2, 3)), seen.amax((2, 3)), context], dim=1)
        result: Tensor = self.decide(pooled)
        return result


class ConditionNet(nn.Module):
    """Independent damage logits from the canonical view and the close-ups of its places.

    Input: Bx3xSxS normalised RGB (S = ``CANONICAL_PIXELS``), the close-ups (B,P+1,3,C,C) of the parts and the
    latch (C = ``CLOSE_PIXELS``), part boxes (B,P,4) and latch boxes (B,4) in canonical pixels, and which
    places there are (B,P+1).
    Output: ``housing`` (B,P,3): broken, melted, in view; ``latch`` (B,2): missing, in view; ``photo``
    (B,3): missing latch, broken, melted for the photo; ``usable`` (B,R): why it cannot be judged (0: it can);
    ``pooled`` (B,320+width): what was seen as a whole, for telling like photos from unlike ones.
    With ``siblings`` each housing is compared with the others (``model.siblings``).
    """

    def __init__(
        self, reasons: int, design: str = "both", width: int = 96, *, siblings: bool = False
    ) -> None:
        super().__init__()
        self.design = design
        self.backbone = Backbone()
        self.detail = Backbone(deep=False)
        self.pyramid = Pyramid(Backbone.channels, width)
        self.context = nn.Sequential(nn.Linear(320, 64), nn.ReLU6(inplace=True))
        self.housing = PartHead(width, 64, 3)
        self.siblings = Siblings(Backbone.channels[1], width, PART_GRID) if siblings else None
        self.latch = PartHead(width, 64, 2)
        self.whole = nn.Sequential(nn.Dropout(0.2), nn.Linear(320 + width, 3))
        self.usable = nn.Sequential(nn.Dropout(0.2), nn.Linear(320 + width, reasons))
        self.mix = nn.Parameter(torch.tensor([[0.7, 0.3, 0.0]] * 3))

    def forward(
        self, x: Tensor, close: Tensor, parts: Tensor, latch: Tensor, valid: Tensor
    ) -> dict[str, Tensor]:
        """Return the logits described for the class; ``valid`` (B,P+1) masks places a family lacks."""
        low = self.backbone.low(x)
        near = for_places(self.detail.low, close, valid)
        return self.late(low, self.backbone.middle(low), near, parts, latch, valid)

    def late(
        self, low: Tensor, middle: Tensor, near: Tensor, parts: Tensor, latch: Tensor, valid: Tensor
    ) -> dict[str, Tensor]:
        """Return the same from what the early layers give: all that a fine-tune changes.

        ``near`` (B,P+1,40,14,14) is what they make of the close-ups.
        """
        close = for_places(self.detail.middle, near, valid)
        maps = (low, middle, self.backbone.high(middle))
        fine = self.pyramid(maps)
        pooled = torch.cat([maps[2].mean((2, 3)), fine.amax((2, 3))], dim=1)
        context = self.context(maps[2].mean((2, 3)))
        batch, places = parts.shape[:2]
        apart = self.siblings(close[:, :-1], valid[:, :-1]) if self.siblings is not None else None
        housing = self.housing(
            _crops(fine, parts), close[:, :-1].flatten(0, 1), context.repeat_interleave(places, 0), apart
        )
        housing = housing.view(batch, places, 3).float()
        latched = self.latch(_crops(fine, latch[:, None]), close[:, -1], context).float()
        whole = self.whole(pooled).float()
        return {
            "housing": housing,
            "latch": latched,
            "photo": self._photo(housing, latched, whole, valid[:, :-1]),
            "usable": self.usable(pooled).float(),
            "pooled": pooled.float(),
        }

    def _photo(self, housing: Tensor, latch: Tensor, whole: Tensor, part_valid: Tensor) -> Tensor:
        worst = housing[..., :2].masked_fill(~part_valid[..., None], -30.0).amax(1)
        parts = torch.cat([latch[:, :1], worst], dim=1)
        if self.design == "whole":
            return whole
        if self.design == "parts":
            return parts
        return self.mix[:, 0] * parts + self.mix[:, 1] * whole + self.mix[:, 2]


def for_places(layers: Callable[[Tensor], Tensor], given: Tensor, valid: Tensor) -> Tensor:
    """Return what ``layers`` make of each place's maps (B,T,channels,H,W); zeros where ``valid`` (B,T) is
    not. A GPU is given all of them: it prepares itself anew for each new number of rows."""
    flat = given.flatten(0, 1).contiguous(memory_format=torch.channels_last)
    if flat.is_cuda:
        seen = layers(flat)
        result = seen * valid.flatten()[:, None, None, None]
    else:
        rows = valid.flatten().nonzero().flatten()
        seen = layers(flat[rows])
        result = seen.new_zeros(len(flat), *seen.shape[1:]).index_copy(0, rows, seen)
    return result.view(*given.shape[:2], *seen.shape[1:])


def _crops(features: Tensor, boxes: Tensor) -> Tensor:
    batch, places = boxes.shape[:2]
    index = torch.arange(batch, device=boxes.device, dtype=boxes.dtype).repeat_interleave(places)
    rois = torch.cat([index[:, None], boxes.reshape(-1, 4)], dim=1)
    # roi_align has no bfloat16 kernel on every device; float32 crops are small.
    crops: Tensor = roi_align(
        features.float(), rois.float(), PART_GRID, spatial_scale=1 / 8, sampling_ratio=2, aligned=True
    )
    return crops


def parameter_count(networks: Iterable[nn.Module]) -> int:
    """Return how many weights the networks have together."""
    return sum(p.numel() for p in chain.from_iterable(n.parameters() for n in networks))


def state_on_cpu(network: nn.Module) -> dict[str, Any]:
    """Return the network's state as contiguous CPU tensors."""
    return {k: v.detach().cpu().contiguous() for k, v in network.state_dict().items()}
