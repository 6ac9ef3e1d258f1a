"""Labelled photos in memory, and what is taught from each: the bank and its targets.

All photos of a set lie as one uint8 tensor (on the GPU where there is one), so that an epoch costs no
decoding. Splits are by physical coupler: ``split_of`` hashes the coupler, never the photo.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from model.config import TrainConfig
from model.errors import ManifestError
from model.families import FAMILIES
from model.geometry import close_ups_to_canonical, latch_box, part_boxes
from model.manifest import LabelledPhoto
from model.photo import open_photo
from model.vocabulary import FindingKind, Place, Reason

FAMILY_KEYS = tuple(FAMILIES)
MAX_PLACES = max(len(f.contacts) for f in FAMILIES.values())
HOUSING_KINDS = (FindingKind.BROKEN_PIN_HOUSING, FindingKind.HEAT_MELTED_HOUSING)
# Index 0 means the photo can be judged.
USABLE: tuple[Reason | None, ...] = (
    None,
    Reason.NO_FACE,
    Reason.SEVERAL_FACES,
    Reason.OUT_OF_FRAME,
    Reason.TOO_BLURRED,
    Reason.TOO_DARK,
    Reason.TOO_BRIGHT,
    Reason.TOO_SMALL,
    Reason.HIDDEN,
)
SPLITS = {"train": 0.80, "validation": 0.05, "calibration": 0.08, "test": 0.07}


def split_of(photo: LabelledPhoto) -> str:
    """Return the photo's own split, or one drawn by a stable hash of its coupler (80/5/8/7 %)."""
    if photo.split:
        return photo.split
    draw = int.from_bytes(hashlib.sha256(photo.coupler.encode()).digest()[:8], "big") / 2**64
    edge = 0.0
    for name, share in SPLITS.items():
        edge += share
        if draw < edge:
            return name
    return "test"


@dataclass(frozen=True)
class Targets:
    """What is taught from N photos; weights 0 where nothing is. Shapes: P places, 3 kinds, R reasons.

    ``housing`` NxPx2 (broken, melted), ``latch`` N, ``photo`` Nx3 in the order of ``FindingKind``,
    ``view`` NxPx1 and ``latch_view`` N: fraction in view, ``usable`` N index into ``USABLE``,
    ``family`` N index or -1, ``matrix`` Nx3x3 mm to bank pixels (identity where there is no face).
    """

    housing: Tensor
    housing_weight: Tensor
    latch: Tensor
    latch_weight: Tensor
    photo: Tensor
    photo_weight: Tensor
    view: Tensor
    latch_view: Tensor
    usable: Tensor
    family: Tensor
    matrix: Tensor

    def to(self, device: torch.device) -> Targets:
        """Return a copy on ``device``."""
        return Targets(**{name: value.to(device) for name, value in self.__dict__.items()})

    def take(self, index: Tensor) -> Targets:
        """Return the rows of ``index``."""
        return Targets(**{name: value[index] for name, value in self.__dict__.items()})


@dataclass
class PhotoBank:
    """Photos (NxSxSx3 uint8, each in the top left corner), sizes (Nx2: width, height), targets, labels.

    The tensors may have room for more photos than there are labels: ``append`` fills it, also while another
    thread learns from what is there already.
    """

    photos: Tensor
    sizes: Tensor
    targets: Targets
    labels: list[LabelledPhoto]

    def __len__(self) -> int:
        return len(self.labels)

    @property
    def device(self) -> torch.device:
        """Where the bank lies."""
        return self.photos.device

    @classmethod
    def empty(cls, room: int, config: TrainConfig, device: torch.device) -> PhotoBank:
        """Return a bank with room for so many photos and none in it."""
        side = config.bank_side
        photos = torch.zeros((room, side, side, 3), dtype=torch.uint8, device=device)
        return cls(photos, torch.zeros((room, 2), device=device), _no_targets(room).to(device), [])

    @classmethod
    def load(
        cls,
        labels: Sequence[LabelledPhoto],
        root: Path,
        config: TrainConfig,
        device: torch.device,
        progress: Callable[[int, int], None] | None = None,
        threads: int = 8,
    ) -> PhotoBank:
        """Decode ``labels`` (files relative to ``root``) into one bank.

        Raises:
            ManifestError: the list is empty.
            PhotoError: a file cannot be read.
        """
        if not labels:
            raise ManifestError("at least one labelled photo", "none", "Check the manifest and its splits.")
        bank = cls.empty(len(labels), config, device)
        bank.append(labels, root, config, progress, threads)
        return bank

    def append(
        self,
        labels: Sequence[LabelledPhoto],
        root: Path,
        config: TrainConfig,
        progress: Callable[[int, int], None] | None = None,
        threads: int = 8,
    ) -> None:
        """Decode ``labels`` into the room left; they count once all of them are there.

        Raises:
            ManifestError: more photos than room.
            PhotoError: a file cannot be read.
        """
        first, side = len(self), self.photos.shape[1]
        if first + len(labels) > len(self.photos):
            raise ManifestError(
                f"at most {len(self.photos) - first} further photos", str(len(labels)), "Make a larger bank."
            )
        scales = np.ones(len(labels))
        sizes = torch.zeros((len(labels), 2))

        def place(number: int) -> None:
            photo = open_photo(root / labels[number].file, max_side=side)
            height, width = photo.rgb.shape[:2]
            self.photos[first + number, :height, :width] = torch.from_numpy(photo.rgb).to(self.device)
            sizes[number] = torch.tensor([width, height])
            scales[number] = photo.scale

        with ThreadPoolExecutor(threads) as pool:
            for done, _ in enumerate(pool.map(place, range(len(labels))), 1):
                if progress:
                    progress(done, len(labels))
        here = slice(first, first + len(labels))
        self.sizes[here] = sizes.to(self.device)
        for name, value in make_targets(labels, scales, config).__dict__.items():
            getattr(self.targets, name)[here] = value.to(self.device)
        self.labels.extend(labels)


def _no_targets(count: int) -> Targets:
    return Targets(
        housing=torch.zeros(count, MAX_PLACES, 2),
        housing_weight=torch.zeros(count, MAX_PLACES, 2),
        latch=torch.zeros(count),
        latch_weight=torch.zeros(count),
        photo=torch.zeros(count, 3),
        photo_weight=torch.zeros(count, 3),
        view=torch.zeros(count, MAX_PLACES, 1),
        latch_view=torch.zeros(count),
        usable=torch.zeros(count, dtype=torch.long),
        family=torch.full((count,), -1, dtype=torch.long),
        matrix=torch.eye(3).repeat(count, 1, 1),
    )


def make_targets(
    labels: Sequence[LabelledPhoto], scales: NDArray[np.float64], config: TrainConfig
) -> Targets:
    """Turn truths into targets and weights by the rules of ``TrainConfig``."""
    targets = _no_targets(len(labels))
    for row, (label, scale) in enumerate(zip(labels, scales, strict=True)):
        _fill_row(targets, row, label, float(scale), config)
    return targets


def _fill_row(targets: Targets, row: int, label: LabelledPhoto, scale: float, config: TrainConfig) -> None:
    reason = label.reason or (Reason.NO_FACE if label.family is None else None)
    targets.usable[row] = USABLE.index(reason)
    if label.family is None or label.homography is None:
        return
    family = FAMILIES[label.family]
    targets.family[row] = FAMILY_KEYS.index(label.family)
    matrix = np.diag([scale, scale, 1.0]) @ np.array(label.homography).reshape(3, 3)
    targets.matrix[row] = torch.from_numpy(matrix / matrix[2, 2])
    for column, place in enumerate(family.housing_places):
        view = label.places.get(place, 1.0)
        targets.view[row, column, 0] = view
        for k, kind in enumerate(HOUSING_KINDS):
            value, weight = _taught(label, kind, place, view, config)
            targets.housing[row, column, k] = value
            targets.housing_weight[row, column, k] = weight
    if family.has_latch:
        view = label.places.get(Place.LATCH, 1.0)
        targets.latch_view[row] = view
        value, weight = _taught(label, FindingKind.MISSING_LATCH, Place.LATCH, view, config)
        targets.latch[row], targets.latch_weight[row] = value, weight
        targets.photo[row, 0], targets.photo_weight[row, 0] = value, weight
    for k in range(2):
        known = targets.housing_weight[row, : len(family.contacts), k]
        shown = float((targets.housing[row, :, k] * targets.housing_weight[row, :, k]).max())
        targets.photo[row, 1 + k] = shown
        # Every housing must be known before the photo may be called free of a damage.
        targets.photo_weight[row, 1 + k] = 1.0 if shown > 0 else float((known > 0).all())
    if label.reason is not None:
        for weight_name in ("housing_weight", "latch_weight", "photo_weight"):
            getattr(targets, weight_name)[row] = 0.0


def _taught(
    label: LabelledPhoto, kind: FindingKind, place: Place, view: float, config: TrainConfig
) -> tuple[float, float]:
    """Return (target, weight) of one kind at one place."""
    visible = max((f.visible for f in label.findings if f.kind is kind and f.place is place), default=None)
    if visible is not None and visible >= config.visible_from:
        return 1.0, 1.0
    if visible is not None and view >= config.covered_below:
        return 0.0, 0.0
    if kind is FindingKind.HEAT_MELTED_HOUSING and place.value in label.attributes.get("changed", ()):
        return 0.0, 0.0
    return 0.0, float(view >= config.place_visible_from)


def family_boxes(device: torch.device) -> tuple[Tensor, Tensor, Tensor]:
    """Return part boxes (F,P,4) and latch boxes (F,4) in canonical pixels, and which places
    exist (F,P+1): the parts, then the latch."""
    parts = torch.zeros(len(FAMILY_KEYS), MAX_PLACES, 4)
    parts[..., 2:] = 8.0
    latches = torch.zeros(len(FAMILY_KEYS), 4)
    valid = torch.zeros(len(FAMILY_KEYS), MAX_PLACES + 1, dtype=torch.bool)
    for row, key in enumerate(FAMILY_KEYS):
        family = FAMILIES[key]
        count = len(family.contacts)
        parts[row, :count] = torch.from_numpy(part_boxes(family))
        latches[row] = torch.from_numpy(latch_box(family))
        valid[row, :count] = True
        valid[row, -1] = family.has_latch
    return parts.to(device), latches.to(device), valid.to(device)


@lru_cache(maxsize=4)
def family_close_ups(device: torch.device) -> Tensor:
    """Return (F,P+1,3,3), float64: close-up pixels to canonical pixels of each place, the latch last; where
    a family has no such place, those of its last one."""
    found = torch.zeros(len(FAMILY_KEYS), MAX_PLACES + 1, 3, 3, dtype=torch.float64)
    for row, key in enumerate(FAMILY_KEYS):
        matrices = torch.from_numpy(close_ups_to_canonical(FAMILIES[key]))
        found[row] = matrices[-1]
        found[row, : len(matrices) - 1] = matrices[:-1]
    return found.to(device)


def mirror_order() -> Tensor:
    """Return FxP: for each family the column of the place that is the mirror image of each place."""
    rows = []
    most = max(len(f.contacts) for f in FAMILIES.values())
    for key in FAMILY_KEYS:
        contacts = FAMILIES[key].contacts
        order = [
            next(j for j, other in enumerate(contacts) if other.x == -c.x and other.y == c.y)
            for c in contacts
        ]
        rows.append(order + list(range(len(order), most)))
    return torch.tensor(rows)
