"""Show where the evidence for a judgement lies, from the model's own computation, in the photo's frame.

Gradient-weighted feature maps (Selvaraju et al. 2017, arXiv 1610.02391) at the pyramid's eighth scale.
"""

from __future__ import annotations

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from model.artefact import Model
from model.dataset import FAMILY_KEYS, family_boxes
from model.families import FAMILIES
from model.geometry import CANONICAL_PIXELS, canonical_to_mm, scale_matrix
from model.judgement import Judgement
from model.photo import Photo
from model.preprocess import to_tensor, warp_view
from model.vocabulary import FindingKind


def evidence_map(
    model: Model, view: NDArray[np.uint8], family_key: str, kind: FindingKind
) -> NDArray[np.float32]:
    """Return 0..1 weights, same size as the canonical ``view``: what raised the logit of ``kind``."""
    parts, latches, valid = family_boxes(torch.device("cpu"))
    row = [FAMILY_KEYS.index(family_key)]
    kept: list[Tensor] = []
    hook = model.condition.pyramid.register_forward_hook(lambda module, given, result: kept.append(result))
    try:
        with torch.enable_grad():
            out = model.condition(to_tensor([view]).requires_grad_(), parts[row], latches[row], valid[row])
            score = out["photo"][0, list(FindingKind).index(kind)]
            (gradient,) = torch.autograd.grad(score, kept[0])
    finally:
        hook.remove()
    heat = (gradient * kept[0]).sum(1)[0].clamp(min=0).detach().numpy()
    heat = cv2.resize(heat, view.shape[1::-1], interpolation=cv2.INTER_CUBIC).clip(min=0)
    peak = float(heat.max())
    return np.asarray(heat / peak if peak > 0 else heat, dtype=np.float32)


def evidence_picture(model: Model, photo: Photo, judgement: Judgement) -> NDArray[np.uint8]:
    """Return ``photo.rgb`` with the evidence for the judged findings (or the likeliest damage) laid over it.

    A photo without a located face comes back unchanged.
    """
    if judgement.face is None or not judgement.probabilities:
        return photo.rgb
    kinds = {finding.kind for finding in judgement.findings}
    kinds = kinds or {max(judgement.probabilities, key=lambda kind: judgement.probabilities[kind])}
    full = np.array(judgement.face.homography).reshape(3, 3)
    to_photo = scale_matrix(photo.scale) @ full @ canonical_to_mm(FAMILIES[judgement.face.family])
    view = warp_view(photo.rgb, to_photo, CANONICAL_PIXELS)
    heat = np.max([evidence_map(model, view, judgement.face.family, kind) for kind in kinds], axis=0)
    height, width = photo.rgb.shape[:2]
    placed = cv2.warpPerspective(heat, to_photo, (width, height))[..., None]
    colour = np.array([255.0, 40.0, 200.0])
    weight = 0.65 * placed.clip(0, 1)
    return np.asarray(photo.rgb * (1 - weight) + colour * weight, dtype=np.uint8)
