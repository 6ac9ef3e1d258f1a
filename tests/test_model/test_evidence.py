"""The evidence lies where a network looked: here one made by hand, that looks for white in close-ups."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from torch import Tensor, nn
from torch.nn import functional

from model.artefact import Model
from model.dataset import FAMILY_KEYS
from model.evidence import evidence_map, evidence_picture
from model.examine import full_size_matrix, view_and_close_ups
from model.families import FAMILIES, Family
from model.geometry import CANONICAL_PIXELS, canonical_to_mm, close_ups_to_canonical, project
from model.judgement import Judgement
from model.locate import Face
from model.photo import Photo
from model.predict import Classifier
from model.vocabulary import FindingKind, Place

from .drawn import draw_face
from .small_model import untrained
from .test_predict import seen

MATRIX = np.array([[8.0, 0.6, 320.0], [-0.5, -7.8, 380.0], [2e-4, 3e-4, 1.0]])
BROKEN, MISSING = FindingKind.BROKEN_PIN_HOUSING, FindingKind.MISSING_LATCH


class White(nn.Module):
    """Early layers that see how white each cell of 8 x 8 pixels is."""

    def forward(self, x: Tensor) -> Tensor:
        return functional.avg_pool2d((x - 1.9).clamp(min=0), 8).mean(1, keepdim=True).expand(-1, 40, -1, -1)


class Coarser(nn.Module):
    """Later layers that halve the cells."""

    def forward(self, x: Tensor) -> Tensor:
        return functional.avg_pool2d(x, 2).mean(1, keepdim=True).expand(-1, 112, -1, -1)


class Whitest(nn.Module):
    """A head whose logits are how white the close-up is; the view does not count."""

    def __init__(self, outputs: int) -> None:
        super().__init__()
        self.outputs = outputs

    def forward(self, crops: Tensor, close: Tensor, context: Tensor, apart: Tensor | None = None) -> Tensor:
        assert apart is None
        logit = close.mean((1, 2, 3)) + 0 * crops.mean((1, 2, 3))
        return logit[:, None].expand(-1, self.outputs)


@pytest.fixture(scope="module")
def looks_for_white() -> Model:
    model = untrained()
    network = model.condition
    network.design = "parts"
    network.detail.low, network.detail.middle = White(), Coarser()
    network.housing, network.latch = Whitest(3), Whitest(2)
    return model


def spotted(family: Family, at: tuple[float, float]) -> Photo:
    """A face with a white spot 2 mm wide."""
    rgb = draw_face(family, MATRIX, (640, 720), None)
    x, y = project(MATRIX, np.array([at]))[0]
    cv2.circle(rgb, (round(x - 0.5), round(y - 0.5)), 8, (255, 255, 255), -1)
    return Photo(rgb, 1280, 1440, 0.5, None, "PNG", "0" * 64)


PLACES = [(family, place) for family in FAMILIES.values() for place in family.places]


@pytest.mark.parametrize(("family", "place"), PLACES, ids=[f"{f.key} {p.value}" for f, p in PLACES])
def test_the_evidence_of_a_close_up_lies_on_its_place(
    looks_for_white: Model, family: Family, place: Place
) -> None:
    """The spot sits on the right of the rim, or beside the latch; so must the evidence, and nowhere else."""
    row = family.places.index(place)
    kind, at = MISSING, (-8.0, 33.0)
    if place is not Place.LATCH:
        contact = family.contacts[row]
        kind, at = BROKEN, (contact.x + 0.4 * contact.sleeve_diameter, contact.y + 1)
    photo = spotted(family, at)
    heat = evidence_map(looks_for_white, *view_and_close_ups(photo, MATRIX, family), family, kind)
    assert heat.shape == (CANONICAL_PIXELS, CANONICAL_PIXELS)
    weight = heat / heat.sum()
    axis = np.arange(CANONICAL_PIXELS) + 0.5
    middle = np.array([[(weight.sum(0) * axis).sum(), (weight.sum(1) * axis).sum()]])
    cell_mm = 30 / 7 if place is Place.LATCH else 1.25 * family.contacts[row].sleeve_diameter / 7
    assert np.linalg.norm(project(canonical_to_mm(family), middle)[0] - at) < 0.75 * cell_mm
    corners = project(close_ups_to_canonical(family)[row], np.array([[0.0, 0.0], [112.0, 112.0]]))
    (left, top), (right, bottom) = corners.round().astype(int)
    beside = heat.copy()
    beside[max(top - 1, 0) : bottom + 2, max(left - 1, 0) : right + 2] = 0
    assert not beside.any()


def test_the_evidence_is_laid_over_the_spot_in_the_photo(looks_for_white: Model) -> None:
    family = FAMILIES["type2"]
    contact = family.contacts[4]
    at = (contact.x + 4.5, contact.y)
    photo = spotted(family, at)
    judgement: Judgement = Classifier(looks_for_white).read(
        photo, replace(seen("type2"), face=Face(family, MATRIX, 0.99, 0.95))
    )
    full = full_size_matrix(photo, Face(family, MATRIX, 0.99, 0.95))
    assert judgement.face is not None
    np.testing.assert_allclose(judgement.face.homography, full)
    judgement = replace(judgement, probabilities={BROKEN: 0.4}, findings=())
    picture = evidence_picture(looks_for_white, photo, judgement)
    changed = np.abs(picture.astype(float) - photo.rgb).sum(2)
    rows, columns = np.nonzero(changed > 0.5 * changed.max())
    spot = project(MATRIX, np.array([at]))[0]
    assert np.linalg.norm([columns.mean() + 0.5 - spot[0], rows.mean() + 0.5 - spot[1]]) < 12  # 1.5 mm


def test_the_evidence_lies_on_the_very_pixel_also_in_a_fine_photo(monkeypatch: pytest.MonkeyPatch) -> None:
    """A patch of the canonical view of a photo five times as fine: its middle is there to half a pixel."""
    family = FAMILIES["type1"]
    matrix = np.array([[20.0, 0.0, 800.0], [0.0, -20.0, 1000.0], [0.0, 0.0, 1.0]])
    heat = np.zeros((CANONICAL_PIXELS, CANONICAL_PIXELS), np.float32)
    heat[99:102, 149:152] = 1
    monkeypatch.setattr("model.evidence.evidence_map", lambda *_given: heat)
    photo = Photo(np.zeros((1600, 1600, 3), np.uint8), 1600, 1600, 1.0, None, "PNG", "0" * 64)
    judgement = Classifier(untrained()).read(photo, replace(seen(), face=Face(family, matrix, 0.99, 0.95)))
    changed = evidence_picture(untrained(), photo, judgement).astype(float).sum(2)
    axis = np.arange(1600) + 0.5
    middle = (changed.sum(0) @ axis, changed.sum(1) @ axis) / changed.sum()
    wanted = project(matrix @ canonical_to_mm(family), np.array([[150.5, 100.5]]))[0]
    assert np.abs(middle - wanted).max() < 0.5


@pytest.mark.parametrize("key", FAMILY_KEYS)
def test_any_network_gives_weights_from_0_to_1_and_is_left_as_it_was(key: str) -> None:
    family, model = FAMILIES[key], untrained(1)
    view, closes = view_and_close_ups(spotted(family, (0.0, 0.0)), MATRIX, family)
    network = model.condition
    hooked = [len(module._forward_hooks) for module in network.modules()]
    for kind in FindingKind:
        if kind is MISSING and not family.has_latch:
            continue
        heat = evidence_map(model, view, closes, family, kind)
        assert (heat.shape, heat.dtype) == ((CANONICAL_PIXELS, CANONICAL_PIXELS), np.float32)
        assert heat.min() >= 0
        assert heat.max() == pytest.approx(1)
    assert [len(module._forward_hooks) for module in network.modules()] == hooked
    assert all(weight.grad is None for weight in network.parameters())
    assert not closes.requires_grad
