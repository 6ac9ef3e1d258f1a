"""Run the networks over photos and keep the raw numbers: what judging, calibrating and evaluating share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from model.artefact import Model
from model.dataset import FAMILY_KEYS, MAX_PLACES, USABLE, family_boxes, mirror_order
from model.families import Family
from model.geometry import (
    CANONICAL_PIXELS,
    CLOSE_PIXELS,
    Matrix,
    canonical_to_mm,
    close_ups_to_canonical,
    in_frame_fraction,
    scale_matrix,
)
from model.locate import TRIMMED, Face, Glances, locate
from model.network import ConditionNet
from model.photo import Photo
from model.preprocess import to_tensor, warp_view
from model.quality import measure
from model.serving import CPU_BATCH, on_cpu
from model.vocabulary import Place, Reason

IN_DOUBT = (-3.0, 2.0)
"""A photo of whose damages the first look puts one between these logits is looked at once more, mirrored, and
both looks count alike. That is one in three of 1,650 photos held back from generator 8; it brought the intact
ones that a limit for 98 % of breaks cannot clear from 18.2 to 8.6 %, as looking twice at all did (9.0)."""

Look = dict[str, NDArray[np.float32]]
"""The condition network's outputs for one photo (see ``ConditionNet``)."""
Seen = tuple[NDArray[np.uint8], Tensor]
"""A canonical view and the close-ups of its places (see :func:`view_and_close_ups`)."""


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


def _examination(photo: Photo, face: Face, look: Look) -> Examination:
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


def look_at_conditions(model: Model, photos: Sequence[Photo], faces: Sequence[Face | None]) -> list[Look]:
    """Return the condition network's outputs for each face there is, in order."""
    located = [(photo, face) for photo, face in zip(photos, faces, strict=True) if face is not None]
    if not located:
        return []
    families = [face.family for _, face in located]
    seen = [view_and_close_ups(photo, face.matrix, face.family) for photo, face in located]
    looks = _look(model.condition, seen, families)
    doubtful = [row for row, look in enumerate(looks) if in_doubt(look["photo"], families[row])]
    if doubtful:
        turned = [mirrored(*seen[row], families[row]) for row in doubtful]
        second = _look(model.second or model.condition, turned, [families[row] for row in doubtful])
        for row, look in zip(doubtful, second, strict=True):
            looks[row] = _both(looks[row], look, families[row])
    return looks


def _look(network: ConditionNet, seen: Sequence[Seen], families: Sequence[Family]) -> list[Look]:
    device = next(network.parameters()).device
    parts, latches, valid = family_boxes(device)
    index = torch.tensor([FAMILY_KEYS.index(family.key) for family in families], device=device)
    with torch.inference_mode():
        out = network(
            to_tensor([view for view, _ in seen]).to(device),
            torch.stack([closes for _, closes in seen]).to(device),
            parts[index], latches[index], valid[index],
        )  # fmt: skip
        out["usable"] = torch.softmax(out["usable"], dim=1)
    arrays = {name: value.cpu().numpy() for name, value in out.items()}
    return [{name: values[row] for name, values in arrays.items()} for row in range(len(seen))]


def in_doubt(logits: NDArray[np.float32], family: Family) -> bool:
    """Whether a look with these photo logits (3, in the order of ``FindingKind``) calls for a second one."""
    told = logits if family.has_latch else logits[1:]
    return bool(((told > IN_DOUBT[0]) & (told < IN_DOUBT[1])).any())


def mirrored(view: NDArray[np.uint8], closes: Tensor, family: Family) -> Seen:
    """Return the same as in a mirror: every place's picture is where its mirror image is."""
    order = [*_mirror_row(family), MAX_PLACES]
    return np.ascontiguousarray(view[:, ::-1]), closes[order].flip(-1)


def _both(first: Look, second: Look, family: Family) -> Look:
    """Return the mean of the logits of a look and of one in the mirror; whether it can be judged at all, and
    what it is like, the first tells."""
    back = {**second, "housing": second["housing"][_mirror_row(family)]}
    half = np.float32(0.5)
    return first | {name: (first[name] + back[name]) * half for name in ("housing", "latch", "photo")}


def _mirror_row(family: Family) -> list[int]:
    row: list[int] = mirror_order()[FAMILY_KEYS.index(family.key)].tolist()
    return row


def view_and_close_ups(photo: Photo, matrix: Matrix, family: Family) -> Seen:
    """Return the canonical view (SxSx3) and the normalised close-ups (P+1,3,C,C) of the family's places, the
    latch last; ``matrix`` maps face-plane mm to pixels of ``photo.rgb``. Places it lacks stay empty."""
    to_photo = matrix @ canonical_to_mm(family)
    view = warp_view(photo.rgb, to_photo, CANONICAL_PIXELS)
    shown = close_ups_to_canonical(family)[: len(family.places)]
    tiles = to_tensor([warp_view(photo.rgb, to_photo @ close, CLOSE_PIXELS) for close in shown])
    closes = torch.zeros(MAX_PLACES + 1, 3, CLOSE_PIXELS, CLOSE_PIXELS)
    parts = len(family.contacts)
    closes[:parts] = tiles[:parts]
    if family.has_latch:
        closes[-1] = tiles[-1]
    return view, closes


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
