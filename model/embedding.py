"""What the network sees in a photo as one vector, to find like photos and to notice unlike ones."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray

from model.artefact import Model
from model.batchwarp import warp_batch
from model.config import TrainConfig
from model.dataset import family_boxes
from model.features import Rooted, load_bank
from model.geometry import CANONICAL_PIXELS
from model.preprocess import normalise
from model.views import canonical_matrices
from model.vocabulary import FindingKind

_BATCH = 16
_CONFIG = TrainConfig(bank_side=640)


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
    network = model.condition
    boxes, straight = family_boxes(torch.device("cpu")), canonical_matrices(torch.device("cpu"))
    vectors: list[NDArray[np.float32]] = []
    logits: list[NDArray[np.float32]] = []
    for start in range(0, len(photos), _BATCH):
        bank = load_bank(photos[start : start + _BATCH], _CONFIG)
        family = bank.targets.family
        matrices = bank.targets.matrix.double() @ straight[family]
        parts, latches, valid = (box[family] for box in boxes)
        with torch.inference_mode():
            views = normalise(warp_batch(bank.photos, bank.sizes, matrices, CANONICAL_PIXELS))
            out = network(views.contiguous(memory_format=torch.channels_last), parts, latches, valid)
        vectors.append(out["pooled"].numpy())
        logits.append(out["photo"].numpy())
        if progress:
            progress(start + len(bank), len(photos))
    if not photos:
        return Looks(np.zeros((0, 1), np.float32), np.zeros((0, len(FindingKind))))
    kinds = model.card.calibration.kinds
    raw = np.concatenate(logits)
    calibrated = [
        [kinds[kind].probability(float(row[n])) for n, kind in enumerate(FindingKind)] for row in raw
    ]
    return Looks(np.concatenate(vectors), np.array(calibrated))
