"""Show where the evidence for a judgement lies, from the model's own computation, in the photo's frame.

Gradient-weighted feature maps (Selvaraju et al. 2017, arXiv 1610.02391): of the pyramid over the canonical
view, and of the close-ups of its places, each laid where it was looked at.
"""

from __future__ import annotations

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from model.artefact import Model
from model.dataset import FAMILY_KEYS, family_boxes
from model.examine import in_doubt, mirrored, view_and_close_ups
from model.families import FAMILIES, Family
from model.geometry import (
    CANONICAL_PIXELS,
    CLOSE_PIXELS,
    canonical_to_mm,
    close_ups_to_canonical,
    scale_matrix,
)
from model.judgement import Judgement
from model.network import ConditionNet
from model.photo import Photo
from model.preprocess import half_pixel, to_tensor
from model.vocabulary import FindingKind

Heat = NDArray[np.float32]


def evidence_map(
    model: Model, view: NDArray[np.uint8], closes: Tensor, family: Family, kind: FindingKind
) -> Heat:
    """Return 0..1 weights, same size as the canonical ``view``: what raised the logit of ``kind``
    there and in the close-ups (see :func:`model.examine.view_and_close_ups`). Where the photo was in doubt
    and looked at twice, both looks count alike, as they do in the answer."""
    heat, logits = _look(model.condition, view, closes, family, kind)
    if in_doubt(logits, family):
        again, _ = _look(model.second or model.condition, *mirrored(view, closes, family), family, kind)
        heat = _to_peak(heat + again[:, ::-1])
    return heat


def _look(
    network: ConditionNet, view: NDArray[np.uint8], closes: Tensor, family: Family, kind: FindingKind
) -> tuple[Heat, NDArray[np.float32]]:
    """Return the weights of one look and its photo logits."""
    parts, latches, valid = family_boxes(torch.device("cpu"))
    row = [FAMILY_KEYS.index(family.key)]
    kept: list[Tensor] = []
    hooks = [
        layers.register_forward_hook(lambda module, given, result: kept.append(result))
        for layers in (network.detail.middle, network.pyramid)
    ]
    try:
        with torch.enable_grad():
            given = to_tensor([view]).requires_grad_(), closes[None].requires_grad_()
            out = network(*given, parts[row], latches[row], valid[row])
            score = out["photo"][0, list(FindingKind).index(kind)]
            gradients = torch.autograd.grad(score, kept)
    finally:
        for hook in hooks:
            hook.remove()
    near, whole = (_weighed(maps, gradient) for maps, gradient in zip(kept, gradients, strict=True))
    heat = _enlarged(whole[0], view.shape[0])
    for matrix, one in zip(close_ups_to_canonical(family), near, strict=False):
        laid = cv2.warpPerspective(_enlarged(one, CLOSE_PIXELS), half_pixel(matrix), view.shape[1::-1])
        heat = np.maximum(heat, laid)
    return _to_peak(heat), out["photo"][0].detach().numpy()


def _to_peak(heat: Heat) -> Heat:
    peak = float(heat.max())
    return np.asarray(heat / peak if peak > 0 else heat, dtype=np.float32)


def _weighed(maps: Tensor, gradient: Tensor) -> Heat:
    """Return NxHxW: how much each cell raised the score."""
    return np.asarray((gradient * maps).sum(1).clamp(min=0).detach().numpy(), np.float32)


def _enlarged(heat: Heat, side: int) -> Heat:
    """Return the heat as a ``side`` x ``side`` picture."""
    return np.asarray(cv2.resize(heat, (side, side), interpolation=cv2.INTER_CUBIC).clip(min=0))


def evidence_picture(model: Model, photo: Photo, judgement: Judgement) -> NDArray[np.uint8]:
    """Return ``photo.rgb`` with the evidence for the judged findings (or the likeliest damage) laid over it.

    A photo without a located face comes back unchanged.
    """
    if judgement.face is None or not judgement.probabilities:
        return photo.rgb
    kinds = {finding.kind for finding in judgement.findings}
    kinds = kinds or {max(judgement.probabilities, key=lambda kind: judgement.probabilities[kind])}
    full = np.array(judgement.face.homography).reshape(3, 3)
    family, to_face = FAMILIES[judgement.face.family], scale_matrix(photo.scale) @ full
    to_photo = to_face @ canonical_to_mm(family, CANONICAL_PIXELS)
    view, closes = view_and_close_ups(photo, to_face, family)
    heat = np.max([evidence_map(model, view, closes, family, kind) for kind in kinds], axis=0)
    height, width = photo.rgb.shape[:2]
    placed = cv2.warpPerspective(heat, half_pixel(to_photo), (width, height))[..., None]
    colour = np.array([255.0, 40.0, 200.0])
    weight = 0.65 * placed.clip(0, 1)
    return np.asarray(photo.rgb * (1 - weight) + colour * weight, dtype=np.uint8)
