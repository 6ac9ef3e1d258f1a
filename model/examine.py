"""Run both networks over photos and keep the raw numbers: what judging, calibrating and evaluating share."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import torch
from numpy.typing import NDArray

from model.artefact import Model
from model.dataset import FAMILY_KEYS, USABLE, family_boxes
from model.geometry import CANONICAL_PIXELS, canonical_to_mm, in_frame_fraction, scale_matrix
from model.locate import Face, locate
from model.photo import Photo
from model.preprocess import to_tensor, warp_view
from model.quality import measure
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


def examine(model: Model, photos: list[Photo]) -> list[Examination]:
    """Examine a batch of photos together."""
    faces = locate(model.locator, [photo.rgb for photo in photos])
    located = [(n, face) for n, face in enumerate(faces) if face is not None]
    results = [_faceless(photo) for photo in photos]
    if not located:
        return results
    views = [
        warp_view(photos[n].rgb, face.matrix @ canonical_to_mm(face.family), CANONICAL_PIXELS)
        for n, face in located
    ]
    out = _run_condition(model, views, [FAMILY_KEYS.index(face.family.key) for _, face in located])
    for row, (n, face) in enumerate(located):
        quality = measure(photos[n].rgb, face.matrix, face.family)
        results[n] = Examination(
            face=face,
            reason=Reason.SEVERAL_FACES if face.others > 0 else quality.reason,
            quality=quality.measures,
            in_frame=_in_frame(photos[n], face),
            housing=out["housing"][row, : len(face.family.contacts)],
            latch=out["latch"][row],
            photo=out["photo"][row],
            usable=out["usable"][row],
        )
    return results


def _faceless(photo: Photo) -> Examination:
    """Say why no face was found: a photo too dark, bright or blurred as a whole, or simply none in it."""
    report = measure(photo.rgb)
    return Examination(None, report.reason or Reason.NO_FACE, report.measures)


def _run_condition(
    model: Model, views: list[NDArray[np.uint8]], families: list[int]
) -> dict[str, NDArray[np.float32]]:
    device = next(model.condition.parameters()).device
    parts, latches, valid = family_boxes(device)
    index = torch.tensor(families, device=device)
    with torch.inference_mode():
        out = model.condition(to_tensor(views).to(device), parts[index], latches[index], valid[index])
        out["usable"] = torch.softmax(out["usable"], dim=1)
    return {name: value.cpu().numpy() for name, value in out.items()}


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
