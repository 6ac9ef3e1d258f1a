"""Grafted training views: the truth must follow the pixels, place by place."""

from dataclasses import replace

import numpy as np
import pytest
import torch

from model.config import TrainConfig
from model.dataset import FAMILY_KEYS, MAX_PLACES, USABLE, Targets, family_boxes, make_targets
from model.errors import ManifestError
from model.families import FAMILIES
from model.geometry import canonical_to_mm
from model.grafts import Grafts, grafted
from model.manifest import LabelledFinding, LabelledPhoto
from model.preprocess import TrainPreset
from model.views import Draw
from model.vocabulary import FindingKind, Place, Reason

CPU = torch.device("cpu")
PRESET = TrainPreset()
SIDE, CLOSE = PRESET.canonical_pixels, PRESET.close_pixels
UNIT = tuple(np.eye(3).ravel())


def photo(*findings: LabelledFinding, family: str = "type1", reason: Reason | None = None) -> LabelledPhoto:
    return LabelledPhoto("a.jpg", "c", family, findings, reason, UNIT)


def found(kind: FindingKind, place: Place, visible: float = 1.0) -> LabelledFinding:
    return LabelledFinding(kind, place, 0.6, visible)


def truth(*photos: LabelledPhoto) -> Targets:
    return make_targets(photos, np.ones(len(photos)), TrainConfig())


def everything(targets: Targets) -> torch.Tensor:
    return family_boxes(CPU)[2][targets.family.clamp(min=0)]


def grey_views(count: int) -> tuple[torch.Tensor, torch.Tensor]:
    """Photo number n is all of one grey, (n + 1) / 10."""
    levels = (torch.arange(count) + 1) / 10
    views = levels.view(-1, 1, 1, 1).expand(-1, 3, SIDE, SIDE).clone()
    closes = levels.view(-1, 1, 1, 1, 1).expand(-1, MAX_PLACES + 1, 3, CLOSE, CLOSE).clone()
    return views, closes


def draw(seed: int = 0) -> Draw:
    return Draw(torch.Generator().manual_seed(seed), CPU)


def test_a_share_of_nothing_changes_nothing() -> None:
    views, closes = grey_views(2)
    targets = truth(photo(), photo())
    assert Grafts(0.0, PRESET, CPU)(views, closes, targets, draw()) == (views, closes, targets)


def test_the_truth_of_a_place_comes_with_its_pixels() -> None:
    targets = truth(photo(), photo(found(FindingKind.BROKEN_PIN_HOUSING, Place.BOTTOM)))
    taken = torch.zeros(2, MAX_PLACES + 1, dtype=torch.bool)
    column = FAMILIES["type1"].housing_places.index(Place.BOTTOM)
    taken[:, column] = True
    changed = grafted(targets, torch.tensor([1, 0]), taken, everything(targets))
    assert changed.housing[0, column].tolist() == [1, 0]
    assert changed.housing[1, column].tolist() == [0, 0]
    assert changed.photo[:, 1].tolist() == [1, 0]  # of the photo as a whole too
    assert changed.photo_weight.tolist() == [[1, 1, 1], [1, 1, 1]]


def test_a_missing_latch_comes_with_the_latch() -> None:
    targets = truth(photo(), photo(found(FindingKind.MISSING_LATCH, Place.LATCH)))
    taken = torch.zeros(2, MAX_PLACES + 1, dtype=torch.bool)
    taken[0, -1] = True
    changed = grafted(targets, torch.tensor([1, 0]), taken, everything(targets))
    assert changed.latch.tolist() == [1, 1]
    assert changed.photo[:, 0].tolist() == [1, 1]


def test_a_photo_with_a_doubtful_place_is_not_called_whole() -> None:
    """A trace of damage is not taught, so that the photo that gets it cannot be taught as free of it."""
    targets = truth(photo(), photo(found(FindingKind.BROKEN_PIN_HOUSING, Place.BOTTOM, visible=0.05)))
    taken = torch.zeros(2, MAX_PLACES + 1, dtype=torch.bool)
    taken[0, FAMILIES["type1"].housing_places.index(Place.BOTTOM)] = True
    changed = grafted(targets, torch.tensor([1, 0]), taken, everything(targets))
    assert changed.photo_weight[0].tolist() == [1, 0, 1]


@pytest.mark.parametrize("family", FAMILY_KEYS)
def test_pixels_follow_the_truth(family: str) -> None:
    """Every other photo shows damage in each sleeve; a place whose truth changed shows another grey."""
    places = FAMILIES[family].housing_places
    worn = [found(FindingKind.BROKEN_PIN_HOUSING, place) for place in places]
    targets = truth(*(photo(*(worn if n % 2 else []), family=family) for n in range(8)))
    views, closes = grey_views(8)
    grafts = Grafts(1.0, PRESET, CPU)
    seen = 0
    for seed in range(6):
        new, near, told = grafts(views, closes, targets, draw(seed))
        to_mm = canonical_to_mm(FAMILIES[family])
        for row in range(8):
            for column, contact in enumerate(FAMILIES[family].contacts):
                x = int((contact.x - to_mm[0, 2]) / to_mm[0, 0])
                y = int((contact.y - to_mm[1, 2]) / to_mm[1, 1])
                changed = bool((new[row, 0, y, x] - views[row, 0, y, x]).abs() > 1e-5)
                closer = (
                    near[row, column, 0, CLOSE // 2, CLOSE // 2]
                    - closes[row, column, 0, CLOSE // 2, CLOSE // 2]
                ).abs() > 1e-5
                assert bool(closer) == changed
                if told.housing[row, column, 0] != targets.housing[row, column, 0]:
                    assert changed
                    seen += 1
    assert seen > 20


def test_melts_others_families_and_spoilt_photos_are_left_alone() -> None:
    melted = [found(FindingKind.HEAT_MELTED_HOUSING, place) for place in FAMILIES["type1"].housing_places]
    lone = photo(family="type2")
    spoilt = photo(reason=Reason.TOO_BLURRED)
    targets = truth(photo(*melted), photo(), lone, spoilt)
    views, closes = grey_views(4)
    grafts = Grafts(1.0, PRESET, CPU)
    for seed in range(8):
        new, _, told = grafts(views, closes, targets, draw(seed))
        assert torch.equal(told.housing[0, :5, 1], torch.ones(5))
        assert torch.equal(new[2:], views[2:])
        assert torch.equal(told.usable, targets.usable)
    assert USABLE[int(targets.usable[3])] is Reason.TOO_BLURRED


def test_a_share_that_is_none_is_refused() -> None:
    with pytest.raises(ManifestError, match="graft of 0 to 1"):
        replace(TrainConfig(), graft=1.5)
