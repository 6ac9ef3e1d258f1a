"""What the networks are punished for (torch)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import torch
from torch import Tensor, nn
from torch.nn import functional

from model.dataset import USABLE, Targets
from model.vocabulary import Reason

# A missed melted housing is the worst thing the product can do; the latch is large and easy to see.
KIND_WEIGHT = (1.0, 1.3, 1.6)


def _weighted_bce(logits: Tensor, target: Tensor, weight: Tensor, smoothing: float = 0.01) -> Tensor:
    soft = target * (1 - 2 * smoothing) + smoothing
    loss = functional.binary_cross_entropy_with_logits(logits, soft, reduction="none")
    return (loss * weight).sum() / weight.sum().clamp(min=1.0)


class Council(nn.Module):
    """Several condition networks asked at once; each answer is the mean of theirs, in logits.

    They err apart, so that together they are a better teacher than any of them (Hinton et al. 2015,
    arXiv 1503.02531; cited from memory)."""

    def __init__(self, members: Sequence[nn.Module]) -> None:
        super().__init__()
        self.members = nn.ModuleList(members)

    def forward(self, *seen: Tensor) -> dict[str, Tensor]:
        """Return what the members say of ``seen``, as one of them would."""
        said = [member(*seen) for member in self.members]
        return {name: torch.stack([answer[name].float() for answer in said]).mean(0) for name in said[0]}


def softened(targets: Targets, known: dict[str, Tensor], share: float) -> Targets:
    """Return targets of which ``share`` (0..1) is what a teacher's logits ``known`` say; its doubt about a
    picture tells more of it than yes or no."""

    def mixed(truth: Tensor, logits: Tensor) -> Tensor:
        return torch.lerp(truth, torch.sigmoid(logits.float()), share)

    return replace(
        targets,
        housing=mixed(targets.housing, known["housing"][..., :2]),
        latch=mixed(targets.latch, known["latch"][:, 0]),
        photo=mixed(targets.photo, known["photo"]),
    )


def condition_loss(out: dict[str, Tensor], targets: Targets, valid: Tensor) -> Tensor:
    """Return the scalar loss of ``ConditionNet`` outputs against ``targets``.

    ``valid`` Bx(P+1): which places there are, the latch last."""
    part_valid = valid[:, :-1]
    face = (targets.family >= 0).float()
    kind = out["photo"].new_tensor(KIND_WEIGHT)
    # A positive part is rare among five to seven good ones: it counts more, else it would drown.
    emphasis = 1 + 3 * targets.housing
    housing_weight = targets.housing_weight * emphasis * kind[1:] * part_valid[..., None]
    housing = _weighted_bce(out["housing"][..., :2], targets.housing, housing_weight)
    latch = _weighted_bce(out["latch"][:, 0], targets.latch, targets.latch_weight * kind[0])
    photo = _weighted_bce(out["photo"], targets.photo, targets.photo_weight * kind)
    view_weight = (face[:, None] * part_valid).float()
    view = _weighted_bce(out["housing"][..., 2], targets.view[..., 0], view_weight)
    latch_view = _weighted_bce(out["latch"][:, 1], targets.latch_view, face)
    usable = _usable_loss(out["usable"], targets.usable)
    return 1.5 * housing + latch + 1.5 * photo + 0.2 * (view + latch_view) + 0.4 * usable


def _usable_loss(logits: Tensor, target: Tensor) -> Tensor:
    # Cut-off and too small are decided by geometry (model.locate); the network need not learn them.
    skip = torch.tensor(
        [USABLE.index(Reason.OUT_OF_FRAME), USABLE.index(Reason.TOO_SMALL)], device=target.device
    )
    weight = (~torch.isin(target, skip)).float()
    loss = functional.cross_entropy(logits, target, reduction="none", label_smoothing=0.02)
    return (loss * weight).sum() / weight.sum().clamp(min=1.0)


def locator_loss(out: dict[str, Tensor], targets: Targets, mask: Tensor, where: Tensor) -> Tensor:
    """Return the scalar loss of ``LocatorNet`` outputs; ``mask`` (B,1,C,C), ``where`` (B,2,C,C)."""
    single = (targets.usable != USABLE.index(Reason.SEVERAL_FACES)) | (targets.family >= 0)
    known = single.float().view(-1, 1, 1, 1)
    bce = functional.binary_cross_entropy_with_logits(out["mask"], mask, reduction="none")
    area = mask.mean((1, 2, 3), keepdim=True)
    # Small faces in large photos must count as much as faces that fill the frame.
    balance = torch.where(mask > 0, (0.1 / area.clamp(min=0.004)).clamp(1, 8), torch.ones_like(mask))
    cell = (bce * balance * known).mean()
    probability = torch.sigmoid(out["mask"])
    overlap = 2 * (probability * mask).sum((1, 2, 3)) + 1
    dice = 1 - overlap / ((probability + mask).sum((1, 2, 3)) + 1)
    dice = (dice * known.flatten()).mean()
    miss = functional.smooth_l1_loss(out["where"], where, beta=0.05, reduction="none").sum(1, keepdim=True)
    place = (miss * mask).sum() / mask.sum().clamp(min=1.0)
    face = (targets.family >= 0).float()
    present = functional.binary_cross_entropy_with_logits(out["present"], face)
    family = functional.cross_entropy(out["family"], targets.family.clamp(min=0), reduction="none")
    family = (family * face).sum() / face.sum().clamp(min=1.0)
    return cell + 0.5 * dice + 4.0 * place + 0.3 * present + 0.3 * family
