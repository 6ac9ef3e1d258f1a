"""The truth of training views: what is taught must lie where the picture shows it."""

from itertools import islice

import cv2
import numpy as np
import pytest
import torch

from model.augment import Photometric
from model.batchwarp import four_point, project_batch, warp_batch
from model.config import TrainConfig
from model.dataset import FAMILY_KEYS, USABLE, PhotoBank, make_targets, mirror_order, split_of
from model.errors import ManifestError
from model.families import FAMILIES
from model.geometry import CANONICAL_PIXELS
from model.manifest import LabelledFinding, LabelledPhoto, read_manifest
from model.optimise import batches
from model.preprocess import TrainPreset, warp_view
from model.views import WHERE_UNIT_MM, Draw, condition_views, locator_truth, locator_views
from model.vocabulary import FindingKind, Place, Reason

from .drawn import write_drawn_set

CPU = torch.device("cpu")


@pytest.fixture(scope="module")
def bank(tmp_path_factory: pytest.TempPathFactory) -> PhotoBank:
    manifest = write_drawn_set(tmp_path_factory.mktemp("drawn"))
    return PhotoBank.load(read_manifest(manifest), manifest.parent, TrainConfig(bank_side=320), CPU)


def draw(seed: int = 0) -> Draw:
    return Draw(torch.Generator().manual_seed(seed), CPU)


def test_batch_warp_agrees_with_opencv(bank: PhotoBank) -> None:
    matrix = np.array([[0.9, 0.2, 10.0], [-0.1, 1.1, 5.0], [2e-4, 1e-4, 1.0]])
    width, height = (int(v) for v in bank.sizes[0])
    rgb = bank.photos[0, :height, :width].contiguous().numpy()
    ours = warp_batch(bank.photos[:1], bank.sizes[:1], torch.from_numpy(matrix)[None], 160)
    reference = warp_view(rgb, matrix, 160).astype(np.float32) / 255
    inside = cv2.erode((np.abs(reference - 0.5).max(2) > 0.02).astype(np.uint8), np.ones((5, 5)))
    difference = np.abs(ours[0].permute(1, 2, 0).numpy() - reference).max(2)[inside > 0]
    assert inside.mean() > 0.3
    # Two bilinear samplers differ by OpenCV's 1/32 pixel rounding: up to about 3 % of a full step at an edge.
    assert np.percentile(difference, 99) < 0.04


def test_four_point_homography_agrees_with_opencv() -> None:
    source = torch.tensor([[[0.0, 0], [10, 0], [10, 10], [0, 10]]])
    target = torch.tensor([[[1.0, 2], [12, 1], [11, 13], [-1, 9]]])
    reference = cv2.getPerspectiveTransform(source[0].numpy(), target[0].numpy())
    np.testing.assert_allclose(four_point(source, target)[0].numpy(), reference, atol=1e-6)


def test_contacts_are_gold_where_the_locator_is_taught_they_are(bank: PhotoBank) -> None:
    """Read the colour of the view at the cell whose taught place is nearest a contact: it must be gold."""
    index = torch.arange(len(bank))
    views, matrices = locator_views(bank, index, draw(3), TrainPreset())
    targets = bank.targets.take(index)
    mask, where = locator_truth(targets, matrices, 256)
    checked = 0
    for row in range(len(bank)):
        family = FAMILIES[FAMILY_KEYS[int(targets.family[row])]]
        centres = torch.from_numpy(family.contact_centres())[None]
        for x, y in project_batch(matrices[row : row + 1], centres)[0].tolist()[1:]:
            if not (8 < x < 248 and 8 < y < 248):
                continue
            red, _, blue = views[row, :, int(y), int(x)].tolist()
            checked += 1
            assert red > blue + 0.15
            cell = where[row, :, int(y) // 8, int(x) // 8] * WHERE_UNIT_MM
            assert mask[row, 0, int(y) // 8, int(x) // 8] == 1
            distance = (centres[0] - cell.double()).norm(dim=1).min()
            assert distance < 8.0
    assert checked > 30


def test_canonical_views_are_upright_and_mirrored_truth_follows(bank: PhotoBank) -> None:
    index = torch.zeros(16, dtype=torch.long) + 4  # a Type 1 with a broken upper left housing
    assert bank.labels[4].findings[0].place is Place.UPPER_LEFT
    preset = TrainPreset(corner_jitter_mm=0.0, turn_degrees=0.0, scale_jitter=0.0)
    views, _, targets = condition_views(bank, index, draw(1), preset)
    left = targets.housing[:, 0, 0] == 1
    right = targets.housing[:, 1, 0] == 1
    assert left.any()
    assert right.any()
    assert (left ^ right).all()
    top, bottom, left_edge, middle, right_edge = (
        round(share * CANONICAL_PIXELS) for share in (0.22, 0.44, 0.3, 0.5, 0.7)
    )
    brightness = views.mean(1)[:, top:bottom, :]
    bright_left = brightness[:, :, left_edge:middle].amax((1, 2)) > 0.85
    bright_right = brightness[:, :, middle:right_edge].amax((1, 2)) > 0.85
    assert torch.equal(bright_left, left)
    assert torch.equal(bright_right, right)


@pytest.mark.parametrize("key", FAMILY_KEYS)
def test_mirroring_swaps_left_and_right_places(key: str) -> None:
    family = FAMILIES[key]
    order = mirror_order()[FAMILY_KEYS.index(key)]
    for column, place in enumerate(family.housing_places):
        swapped = place.value.replace("left", "*").replace("right", "left").replace("*", "right")
        assert family.housing_places[order[column]] == swapped


def finding(visible: float) -> LabelledFinding:
    return LabelledFinding(FindingKind.HEAT_MELTED_HOUSING, Place.BOTTOM, 0.5, visible)


@pytest.mark.parametrize(
    ("visible", "view", "value", "weight"),
    [(0.5, 1.0, 1, 1), (0.07, 1.0, 0, 0), (0.0, 1.0, 0, 0), (0.07, 0.1, 0, 1), (0.0, 0.1, 0, 1)],
)
def test_what_nobody_can_see_is_not_taught_as_visible(
    visible: float, view: float, value: int, weight: int
) -> None:
    """What lies in view may show a trace of a damage after all; what is covered shows none."""
    homography = (5, 0, 9, 0, -5, 9, 0, 0, 1)
    places = {Place.BOTTOM: view}
    photo = LabelledPhoto("a.jpg", "c", "type1", (finding(visible),), homography=homography, places=places)
    targets = make_targets([photo], np.ones(1), TrainConfig())
    assert targets.housing[0, 4, 1] == value
    assert targets.housing_weight[0, 4, 1] == weight
    assert targets.photo[0, 2] == value
    assert targets.photo_weight[0, 2] == weight


def test_hidden_places_are_taught_as_showing_nothing_and_unusable_photos_teach_no_damage() -> None:
    homography = (5, 0, 9, 0, -5, 9, 0, 0, 1)
    hidden = LabelledPhoto("a", "c", "type1", homography=homography, places={Place.BOTTOM: 0.1})
    blurred = LabelledPhoto("b", "c", "type1", (finding(0.9),), Reason.TOO_BLURRED, homography)
    stranger = LabelledPhoto("d", "c", None)
    targets = make_targets([hidden, blurred, stranger], np.ones(3), TrainConfig())
    assert targets.housing[0, 4].tolist() == [0, 0]
    assert targets.housing_weight[0, 4].tolist() == [1, 1]
    assert targets.view[0, 4, 0] == pytest.approx(0.1)
    careful = make_targets([hidden], np.ones(1), TrainConfig(place_visible_from=0.5))
    assert careful.housing_weight[0, 4].tolist() == [0, 0]
    assert careful.photo_weight[0].tolist() == [1, 0, 0]
    assert targets.photo_weight[1].sum() == 0
    assert [USABLE[int(i)] for i in targets.usable] == [None, Reason.TOO_BLURRED, Reason.NO_FACE]
    assert targets.family.tolist() == [0, 0, -1]


def test_a_place_that_a_neighbour_s_heat_changed_is_not_taught_as_free_of_melts() -> None:
    homography = (5, 0, 9, 0, -5, 9, 0, 0, 1)
    photo = LabelledPhoto(
        "a", "c", "type1", homography=homography, attributes={"changed": [Place.BOTTOM.value]}
    )
    targets = make_targets([photo], np.ones(1), TrainConfig())
    assert targets.housing_weight[0, 4].tolist() == [1, 0]
    assert targets.housing_weight[0, 0].tolist() == [1, 1]
    assert targets.photo_weight[0].tolist() == [1, 1, 0]


def test_photometric_variety_keeps_range_and_differs_by_photo() -> None:
    photometric = Photometric(torch.Generator().manual_seed(0))
    batch = torch.full((8, 3, 64, 64), 0.5)
    changed = photometric(batch)
    assert changed.shape == batch.shape
    assert changed.min() >= 0
    assert changed.max() <= 1
    assert len({round(float(v), 3) for v in changed.mean((1, 2, 3))}) >= 6


def test_another_texture_keeps_where_the_edges_are_and_how_bright_and_contrasty_a_photo_is() -> None:
    photo = torch.zeros(4, 3, 32, 32)
    photo[:, :, :, 16:] = torch.tensor([0.9, 0.4, 0.2]).view(3, 1, 1)
    changed = Photometric(torch.Generator().manual_seed(2))._texture(photo)
    assert changed.mean((2, 3)).allclose(photo.mean((2, 3)), atol=0.02)
    assert not changed.allclose(photo, atol=0.05)
    steps = (changed[..., 1:] - changed[..., :-1]).abs().mean((0, 1, 2))
    assert steps[12:19].sum() > 0.9 * steps.sum()


def test_splits_never_cut_through_a_coupler_and_have_the_stated_shares() -> None:
    photos = [LabelledPhoto(f"{n}-{k}.jpg", f"coupler {n}", "type1") for n in range(4000) for k in range(2)]
    splits = [split_of(photo) for photo in photos]
    assert splits[::2] == splits[1::2]
    assert splits.count("train") / len(splits) == pytest.approx(0.80, abs=0.02)
    assert splits.count("test") / len(splits) == pytest.approx(0.07, abs=0.015)


def test_batches_visit_every_row_once_a_round() -> None:
    rows = torch.cat(list(islice(batches(lambda: 10, 5, torch.Generator().manual_seed(0)), 4)))
    assert sorted(rows[:10].tolist()) == list(range(10))
    assert sorted(rows[10:].tolist()) == list(range(10))


def test_an_unknown_setting_or_design_is_refused() -> None:
    with pytest.raises(ManifestError, match="colour"):
        TrainConfig.from_json({"colour": 1})
    with pytest.raises(ManifestError, match="design"):
        TrainConfig(design="third")
    assert TrainConfig.from_json(TrainConfig(seed=3).to_json()) == TrainConfig(seed=3)
