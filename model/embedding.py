"""What the network sees in a photo as one vector, to find like photos and to notice unlike ones."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from model.artefact import Model
from model.config import TrainConfig
from model.dataset import Targets, family_boxes
from model.features import Features, Rooted, early, frozen_front, joined, load_bank
from model.preprocess import ServePreset, TrainPreset, normalise
from model.views import canonical_matrices, view_and_close_ups
from model.vocabulary import FindingKind

_BATCH = 16
_CONFIG = TrainConfig(bank_side=ServePreset().decode_side)


@dataclass(frozen=True)
class Looks:
    """``vectors`` NxD (pooled late features) and ``probabilities`` Nx3 in the order of ``FindingKind``."""

    vectors: NDArray[np.float32]
    probabilities: NDArray[np.float64]


def look_at(
    model: Model, photos: Sequence[Rooted], progress: Callable[[int, int], None] | None = None
) -> Looks:
    """Look straight at each photo's face, where its label says that it lies; no photo stays in memory.

    Raises:
        ValueError: a photo without a family or a homography.
        PhotoError: a file cannot be read.
    """
    if any(label.family is None or label.homography is None for label, _ in photos):
        raise ValueError("Wanted photos with a located face; one has none. Leave it out.")
    boxes = family_boxes(torch.device("cpu"))
    vectors: list[NDArray[np.float32]] = []
    logits: list[NDArray[np.float32]] = []
    for views, closes, targets in _straight(photos):
        parts, latches, valid = (box[targets.family] for box in boxes)
        with torch.inference_mode():
            out = model.condition(views, closes, parts, latches, valid)
        vectors.append(out["pooled"].numpy())
        logits.append(out["photo"].numpy())
        if progress:
            progress(sum(map(len, vectors)), len(photos))
    if not photos:
        return Looks(np.zeros((0, 1), np.float32), np.zeros((0, len(FindingKind))))
    return Looks(np.concatenate(vectors), _calibrated(model, np.concatenate(logits)))


def straight_features(model: Model, photos: Sequence[Rooted]) -> Features:
    """Return the features of a straight look at each photo's face, for asking late layers again and again."""
    front = frozen_front(model.condition)
    valid = family_boxes(torch.device("cpu"))[2]
    rows: list[Features] = []
    for views, closes, targets in _straight(photos):
        with torch.inference_mode():
            rows.append(Features(*early(front, views, closes, targets, valid), targets))
    maps = [torch.cat([getattr(row, name) for row in rows]).clone() for name in ("low", "middle", "near")]
    return Features(maps[0], maps[1], maps[2], joined([row.targets for row in rows]))


def probabilities(model: Model, features: Features) -> NDArray[np.float64]:
    """Return Nx3 what the late layers of ``model`` make of features, calibrated, in the order of kinds."""
    boxes = family_boxes(torch.device("cpu"))
    found = []
    for start in range(0, len(features), _BATCH):
        rows = torch.arange(start, min(start + _BATCH, len(features)))
        low, middle, near, targets = features.take(rows)
        parts, latches, valid = (box[targets.family] for box in boxes)
        with torch.inference_mode():
            found.append(model.condition.late(low, middle, near, parts, latches, valid)["photo"].numpy())
    return _calibrated(model, np.concatenate(found))


def _straight(photos: Sequence[Rooted]) -> Iterator[tuple[Tensor, Tensor, Targets]]:
    """Yield normalised canonical views, face-on and unturned, their close-ups and targets, in batches."""
    straight = canonical_matrices(torch.device("cpu"))
    for start in range(0, len(photos), _BATCH):
        bank = load_bank(photos[start : start + _BATCH], _CONFIG)
        matrices = bank.targets.matrix.double() @ straight[bank.targets.family]
        everything = torch.arange(len(bank))
        views, closes = view_and_close_ups(bank, everything, matrices, TrainPreset(oversample=1))
        views = normalise(views).contiguous(memory_format=torch.channels_last)
        yield views, normalise(closes), bank.targets


def _calibrated(model: Model, raw: NDArray[np.float32]) -> NDArray[np.float64]:
    kinds = model.card.calibration.kinds
    rows = [[kinds[kind].probability(float(row[n])) for n, kind in enumerate(FindingKind)] for row in raw]
    return np.array(rows)
