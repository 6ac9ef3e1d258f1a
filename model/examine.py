"""Run both networks over photos and keep the raw numbers: what judging, calibrating and evaluating share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import torch
from numpy.typing import NDArray

from model.artefact import Model
from model.dataset import FAMILY_KEYS, USABLE, family_boxes
from model.geometry import CANONICAL_PIXELS, canonical_to_mm, in_frame_fraction, scale_matrix
from model.locate import TRIMMED, Face, Glances, locate
from model.photo import Photo
from model.preprocess import to_tensor, warp_view
from model.quality import measure
from model.serving import CPU_BATCH, on_cpu
from model.vocabulary import Place, Reason


@dataclass(frozen=True)
class Examination:
    """Raw numbers for one photo. Logit arrays are empty where no face was found.

    ``housing`` Px3 (broken, melted, in view) in the family's place order, ``latch`` 2 (missing, in view),
    ``photo`` 3 in the order of ``FindingKind``, ``usable`` probabilities in the order of ``USABLE``.
    ``in_frame`` 0..1 for each place. ``reason``: why measurement alone says it cannot be judged.
    """

    face: Face | None
    reason: Reason | None
    quality: dict[str, float] = field(default_factory=dict)
    in_frame: dict[Place, float] = field(default_factory=dict)
    housing: NDArray[np.float32] = field(default_factory=lambda: np.zeros((0, 3), np.float32))
    latch: NDArray[np.float32] = field(default_factory=lambda: np.zeros(2, np.float32))
    photo: NDArray[np.float32] = field(default_factory=lambda: np.zeros(3, np.float32))
    usable: NDArray[np.float32] = field(default_factory=lambda: np.zeros(0, np.float32))


def examine(model: Model, photos: list[Photo], glances: Glances = TRIMMED) -> list[Examination]:
    """Examine photos together: all of them on a GPU, a few at a time on a CPU, where many are slower."""
    if not on_cpu(model.condition):
        return _examine_together(model, photos, glances)
    starts = range(0, len(photos), CPU_BATCH)
    return [seen for at in starts for seen in _examine_together(model, photos[at : at + CPU_BATCH], glances)]


def _examine_together(model: Model, photos: list[Photo], glances: Glances) -> list[Examination]:
    faces = locate(model.locator, [photo.rgb for photo in photos], glances)
    looks = iter(look_at_conditions(model, photos, faces))
    return [
        _faceless(photo) if face is None else _examination(photo, face, next(looks))
        for photo, face in zip(photos, faces, strict=True)
    ]


def _examination(photo: Photo, face: Face, look: dict[str, NDArray[np.float32]]) -> Examination:
    quality = measure(photo.rgb, face.matrix, face.family)
    return Examination(
        face=face,
        reason=Reason.SEVERAL_FACES if face.others > 0 else quality.reason,
        quality=quality.measures,
        in_frame=_in_frame(photo, face),
        housing=look["housing"][: len(face.family.contacts)],
        latch=look["latch"],
        photo=look["photo"],
        usable=look["usable"],
    )


def _faceless(photo: Photo) -> Examination:
    """Say why no face was found: a photo too dark, bright or blurred as a whole, or simply none in it."""
    report = measure(photo.rgb)
    return Examination(None, report.reason or Reason.NO_FACE, report.measures)


def look_at_conditions(
    model: Model, photos: Sequence[Photo], faces: Sequence[Face | None]
) -> list[dict[str, NDArray[np.float32]]]:
    """Return the condition network's outputs for each face there is, in order."""
    located = [(photo, face) for photo, face in zip(photos, faces, strict=True) if face is not None]
    if not located:
        return []
    views = [
        warp_view(photo.rgb, face.matrix @ canonical_to_mm(face.family), CANONICAL_PIXELS)
        for photo, face in located
    ]
    device = next(model.condition.parameters()).device
    parts, latches, valid = family_boxes(device)
    index = torch.tensor([FAMILY_KEYS.index(face.family.key) for _, face in located], device=device)
    with torch.inference_mode():
        out = model.condition(to_tensor(views).to(device), parts[index], latches[index], valid[index])
        out["usable"] = torch.softmax(out["usable"], dim=1)
    arrays = {name: value.cpu().numpy() for name, value in out.items()}
    return [{name: values[row] for name, values in arrays.items()} for row in range(len(located))]


def _in_frame(photo: Photo, face: Face) -> dict[Place, float]:
    height, width = photo.rgb.shape[:2]
    shares = {
        c.place: in_frame_fraction(face.matrix, (c.x, c.y), c.sleeve_diameter / 2, width, height)
        for c in face.family.contacts
    }
    zone = face.family.latch_zone
    if zone is not None:
        # The hook stands in the lower half of the zone when the coupler is seen straight on.
        centre = ((zone.left + zone.right) / 2, zone.bottom + 6.0)
        shares[Place.LATCH] = in_frame_fraction(face.matrix, centre, 6.0, width, height)
    return shares


def usable_probability(examination: Examination, reason: Reason) -> float:
    """Return the network's probability that ``reason`` makes the photo unusable; 0 without a face."""
    return float(examination.usable[USABLE.index(reason)]) if len(examination.usable) else 0.0


def full_size_matrix(photo: Photo, face: Face) -> tuple[float, ...]:
    """Return the nine numbers that map face-plane mm to pixels of the photo at its full size."""
    matrix = scale_matrix(1 / photo.scale) @ face.matrix
    return tuple(float(v) for v in (matrix / matrix[2, 2]).ravel())
