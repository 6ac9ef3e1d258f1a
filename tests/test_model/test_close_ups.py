"""Close-ups show the places that the geometry says, in serving as in training, and count only where there
is a place; the drawings are the truth."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest
import torch
from torch import nn

from model.augment import UNTOUCHED, Photometric
from model.batchwarp import warp_batch, warp_tiles
from model.config import TrainConfig
from model.dataset import (
    FAMILY_KEYS,
    MAX_PLACES,
    USABLE,
    PhotoBank,
    family_boxes,
    family_close_ups,
    make_targets,
    mirror_order,
)
from model.examine import view_and_close_ups
from model.families import FAMILIES, TYPE1, Family
from model.geometry import (
    CANONICAL_PIXELS,
    CLOSE_PIXELS,
    canonical_to_mm,
    close_ups_to_canonical,
    project,
)
from model.manifest import LabelledFinding, LabelledPhoto
from model.network import ConditionNet, for_places
from model.photo import Photo
from model.preprocess import DEVIATION, MEAN, TrainPreset, normalise
from model.serving import ready
from model.views import Draw, canonical_matrices, condition_views
from model.views import view_and_close_ups as training_looks
from model.vocabulary import FindingKind, Place

from . import drawn
from .drawn_face import draw_face
from .small_model import awake

CPU = torch.device("cpu")
Looks = Callable[[np.ndarray, np.ndarray, Family], tuple[torch.Tensor, torch.Tensor]]
"""From a picture, its homography and family to the view and the close-ups, RGB 0..1."""
STILL = TrainPreset(corner_jitter_mm=0.0, turn_degrees=0.0, scale_jitter=0.0)
TILT = np.array([[0.95, 0.12, 20.0], [-0.06, 0.9, 40.0], [1.5e-4, 1e-4, 1.0]])
"""Photo pixels of a straight drawing to those of one that is turned and seen obliquely."""


def as_photo(rgb: np.ndarray) -> Photo:
    height, width = rgb.shape[:2]
    return Photo(rgb, width, height, 1.0, None, "PNG", "0" * 64)


def as_bank(rgb: np.ndarray, matrix: np.ndarray, family: Family, *findings: LabelledFinding) -> PhotoBank:
    height, width = rgb.shape[:2]
    photos = torch.zeros(1, max(rgb.shape), max(rgb.shape), 3, dtype=torch.uint8)
    photos[0, :height, :width] = torch.from_numpy(rgb)
    homography = tuple(float(v) for v in (matrix / matrix[2, 2]).ravel())
    label = LabelledPhoto("a.png", "a", family.key, findings, homography=homography)
    sizes = torch.tensor([[float(width), float(height)]])
    return PhotoBank(photos, sizes, make_targets([label], np.ones(1), TrainConfig()), [label])


def oblique(family: Family) -> tuple[np.ndarray, np.ndarray]:
    straight, matrix = draw_face(family, 12.0, blur_mm=0.1)
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]])  # OpenCV has pixel centres at whole numbers
    moved = np.linalg.inv(half) @ TILT @ half
    return cv2.warpPerspective(straight, moved, (1000, 1000), borderValue=(120,) * 3), TILT @ matrix


def served(rgb: np.ndarray, matrix: np.ndarray, family: Family) -> tuple[torch.Tensor, torch.Tensor]:
    view, closes = view_and_close_ups(as_photo(rgb), matrix, family)
    mean, deviation = (torch.tensor(numbers).view(3, 1, 1) for numbers in (MEAN, DEVIATION))
    return torch.from_numpy(view).permute(2, 0, 1) / 255, closes * deviation + mean


def trained(rgb: np.ndarray, matrix: np.ndarray, family: Family) -> tuple[torch.Tensor, torch.Tensor]:
    bank = as_bank(rgb, matrix, family)
    matrices = bank.targets.matrix.double() @ canonical_matrices(CPU)[bank.targets.family]
    views, closes = training_looks(bank, torch.tensor([0]), matrices, STILL)
    return views[0], closes[0]


@pytest.mark.parametrize("looks", [served, trained])
@pytest.mark.parametrize("key", FAMILY_KEYS)
def test_the_middle_of_each_pin_housing_is_the_middle_of_its_close_up(key: str, looks: Looks) -> None:
    """The bright tip of each contact is drawn at its centre; nothing else in a close-up is so bright."""
    family = FAMILIES[key]
    _, closes = looks(*oblique(family), family)
    assert closes.shape == (MAX_PLACES + 1, 3, CLOSE_PIXELS, CLOSE_PIXELS)
    for contact, tile in zip(family.contacts, closes, strict=False):
        rows, columns = np.nonzero((tile.mean(0) > 0.35).numpy())  # half as bright as the tip
        centre = np.array([columns.mean(), rows.mean()]) + 0.5
        np.testing.assert_allclose(centre, CLOSE_PIXELS / 2, atol=0.3)
        wide = 2 * np.sqrt(len(rows) / np.pi)
        pixels_per_mm = CLOSE_PIXELS / (1.25 * contact.sleeve_diameter)
        assert wide == pytest.approx(contact.bore_diameter / 2 * pixels_per_mm, rel=0.08)


@pytest.mark.parametrize("key", FAMILY_KEYS)
def test_serving_and_training_show_the_same(key: str) -> None:
    family = FAMILIES[key]
    there = family_boxes(CPU)[2][FAMILY_KEYS.index(key)]
    one, other = (looks(*oblique(family), family) for looks in (served, trained))
    assert (one[0] - other[0]).abs().mean() < 0.003
    assert (one[1] - other[1])[there].abs().mean() < 0.003
    empty = view_and_close_ups(as_photo(oblique(family)[0]), oblique(family)[1], family)[1][~there]
    assert len(empty) == MAX_PLACES + 1 - len(family.places)
    assert not empty.any()


@pytest.mark.parametrize("key", FAMILY_KEYS)
def test_matrices_of_close_ups_stand_in_the_order_of_the_places(key: str) -> None:
    row, family = FAMILY_KEYS.index(key), FAMILIES[key]
    known, own = family_close_ups(CPU)[row].numpy(), close_ups_to_canonical(family)
    parts = len(family.contacts)
    np.testing.assert_array_equal(known[:parts], own[:parts])
    np.testing.assert_array_equal(known[-1], own[-1])
    assert (np.linalg.det(known) > 0).all(), "a place that a family lacks still needs a view that exists"


def test_the_close_up_of_the_latch_shows_all_of_it_and_the_rim_below() -> None:
    """The drawn latch is 10 x 12 mm, from 20 mm above the middle; the nose ends at 21.9 mm."""
    matrix = np.array([[9.0, 0, 300.0], [0, -9.0, 450.0], [0, 0, 1.0]])
    rgb = drawn.draw_face(TYPE1, matrix, (600, 700), None)
    tile = served(rgb, matrix, TYPE1)[1][-1]
    to_mm = canonical_to_mm(TYPE1) @ close_ups_to_canonical(TYPE1)[-1]
    latch = (tile - torch.tensor([80, 80, 90]).view(3, 1, 1) / 255).abs().amax(0) < 0.01
    rows, columns = np.nonzero(latch.numpy())
    places = project(to_mm, np.stack([columns, rows], axis=1) + 0.5)
    np.testing.assert_allclose(places.min(0), [-5, 20], atol=0.4)
    np.testing.assert_allclose(places.max(0), [5, 32], atol=0.4)
    assert tile[:, -1].mean() < 0.2, "the nose lies under the latch"
    edges = project(to_mm, np.array([[0.0, CLOSE_PIXELS], [CLOSE_PIXELS, 0.0]]))
    zone, around = TYPE1.latch_zone, TYPE1.latch_surroundings
    assert zone is not None
    assert around is not None
    np.testing.assert_allclose(edges, [[around.left, around.bottom], [around.right, around.top]], atol=1e-9)
    assert (edges[0] < [zone.left, zone.bottom]).all()
    assert (edges[1] > [zone.right, zone.top]).all()


@pytest.mark.parametrize("key", FAMILY_KEYS)
def test_a_mirrored_view_has_mirrored_close_ups_and_their_truths(key: str) -> None:
    family, row = FAMILIES[key], FAMILY_KEYS.index(key)
    matrix = np.array([[6.0, 0.3, 230.0], [-0.2, -6.1, 300.0], [2e-4, 0, 1.0]])
    broken = LabelledFinding(FindingKind.BROKEN_PIN_HOUSING, Place.UPPER_LEFT, 0.8, 0.5)
    rgb = drawn.draw_face(family, matrix, (480, 560), broken.kind)
    bank = as_bank(rgb, matrix, family, broken)
    draw = Draw(torch.Generator().manual_seed(0), CPU)
    _, closes, targets = condition_views(bank, torch.zeros(8, dtype=torch.long), draw, STILL)
    torn = targets.housing[:, :, 0] == 1
    plain, mirrored = (int(torn[:, place].nonzero()[0]) for place in (0, 1))
    assert (torn.sum(1) == 1).all()
    white = closes[:, :-1].amin(2).amax((2, 3)) > 0.85  # the tear is drawn white; contacts are gold
    assert torch.equal(white & family_boxes(CPU)[2][row, :-1], torn)
    order = [*mirror_order()[row].tolist(), MAX_PLACES]
    for place, other in enumerate(order):
        shown, flipped = closes[mirrored, place], closes[plain, other].flip(-1)
        torch.testing.assert_close(shown, flipped, atol=2e-3, rtol=0)
    assert not torch.allclose(closes[mirrored, 0], closes[plain, 0].flip(-1), atol=0.1)


def test_a_change_of_tone_and_colour_is_the_same_in_view_and_close_ups(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    photometric = Photometric(torch.Generator().manual_seed(4))
    local = ("_texture", "_light_patch", "_soften", "_coarsen", "_sharpen", "_noise", "_haze", "_cover")
    for step in local:
        monkeypatch.setattr(photometric, step, lambda x: x)
    colours = torch.rand(40, 3, 1, 1, generator=torch.Generator().manual_seed(5)) * 0.6 + 0.2
    views, closes = colours.expand(-1, -1, 64, 64), colours[:, None].expand(-1, 8, -1, 24, 24)
    seen, near = photometric.together(views, closes)
    assert (seen.shape, near.shape) == (views.shape, closes.shape)
    torch.testing.assert_close(seen, seen[:, :, :1, :1].expand_as(seen))
    torch.testing.assert_close(near, seen[:, None, :, :1, :1].expand_as(near))
    assert ((seen - views).abs().amax((1, 2, 3)) > 0.02).float().mean() > 0.6


@pytest.mark.parametrize(("side", "small", "tiles"), [(CANONICAL_PIXELS, CLOSE_PIXELS, 8), (48, 16, 7)])
def test_a_fifth_of_photos_is_left_as_it_is_and_the_others_change_throughout(
    side: int, small: int, tiles: int
) -> None:
    count = 24 if side > 100 else 1000
    generator = torch.Generator().manual_seed(1)
    views = torch.rand(count, 3, side, side, generator=generator)
    closes = torch.rand(count, tiles, 3, small, small, generator=generator)
    seen, near = Photometric(generator).together(views, closes)
    assert min(seen.min(), near.min()) >= 0
    assert max(seen.max(), near.max()) <= 1
    left = (seen == views).all(3).all(2).all(1)
    assert torch.equal((near == closes).flatten(1).all(1), left)
    assert left.any()
    assert (near != closes).flatten(2).any(2)[~left].all(), "every close-up of a changed photo changes"
    if count == 1000:  # three standard errors of a share
        assert float(left.float().mean()) == pytest.approx(UNTOUCHED, abs=0.04)


def test_layers_are_asked_about_places_that_there_are_and_the_others_stay_zero() -> None:
    torch.manual_seed(0)
    layers = nn.Sequential(nn.Conv2d(3, 5, 3, stride=2, padding=1), nn.Sigmoid())
    given, valid = torch.rand(3, 4, 3, 8, 8), torch.rand(3, 4) < 0.6
    result = for_places(layers, given, valid)
    assert 0 < valid.sum() < 12
    torch.testing.assert_close(result[valid], layers(given.flatten(0, 1)).view_as(result)[valid])
    assert result.shape == (3, 4, 5, 4, 4)
    assert not result[~valid].any()
    everywhere = for_places(layers, given, torch.ones_like(valid))
    torch.testing.assert_close(everywhere, layers(given.flatten(0, 1)).view_as(result))


def test_what_lies_where_a_family_has_no_place_never_changes_an_answer() -> None:
    torch.manual_seed(2)
    boxes = family_boxes(CPU)  # a photo of each family, in the order of their keys
    there = boxes[2]
    views = torch.randn(2, 3, CANONICAL_PIXELS, CANONICAL_PIXELS)
    closes = torch.randn(2, MAX_PLACES + 1, 3, CLOSE_PIXELS, CLOSE_PIXELS)
    network = awake(ConditionNet(len(USABLE)), views, closes, *boxes)
    noisy, darker = closes.clone(), closes.clone()
    noisy[~there] = 9 * torch.randn_like(noisy[~there])
    darker[there] -= 1
    assert (~there).sum(1).tolist() == [2, 1]
    for judge in (network, ready(network)):
        with torch.inference_mode():
            was, new, other = (judge(views, c, *boxes) for c in (closes, noisy, darker))
        assert all(torch.equal(was[name], new[name]) for name in was)
        assert (was["photo"] - other["photo"]).abs().amax(1).min() > 1e-2, "the close-ups tell nothing here"
    with torch.inference_mode():
        low = network.backbone.low(views)
        maps = low, network.backbone.middle(low)
        near = for_places(network.detail.low, closes, there)
        was = network.late(*maps, near, *boxes)
        near[~there] = 9.0
        new = network.late(*maps, near, *boxes)
    assert all(torch.equal(was[name], new[name]) for name in was)


def test_tiles_are_the_views_that_are_cut_out_one_by_one() -> None:
    generator = torch.Generator().manual_seed(0)
    photos = torch.randint(0, 256, (2, 60, 60, 3), generator=generator, dtype=torch.uint8)
    sizes = torch.tensor([[60.0, 45.0], [40.0, 60.0]])
    matrices = torch.eye(3) + 0.1 * torch.rand(2, 3, 3, 3, generator=generator)
    matrices[..., 2, :2] /= 100
    matrices[..., :2, 2] += 8
    single = warp_tiles(photos, sizes, [(matrices[:, :1], 32)], oversample=2)[0]
    torch.testing.assert_close(single[:, 0], warp_batch(photos, sizes, matrices[:, 0], 32, oversample=2))
    small, large = warp_tiles(photos, sizes, [(matrices, 16), (matrices[:, 1:], 40)])
    assert (small.shape, large.shape) == ((2, 3, 3, 16, 16), (2, 2, 3, 40, 40))
    for tile in range(3):
        torch.testing.assert_close(small[:, tile], warp_batch(photos, sizes, matrices[:, tile], 16))
    for tile in range(2):
        torch.testing.assert_close(large[:, tile], warp_batch(photos, sizes, matrices[:, tile + 1], 40))


def test_normalising_close_ups_is_normalising_each_of_them() -> None:
    closes = torch.rand(2, 3, 3, 4, 4)
    torch.testing.assert_close(normalise(closes).flatten(0, 1), normalise(closes.flatten(0, 1)))
