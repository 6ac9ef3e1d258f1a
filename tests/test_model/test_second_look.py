"""A doubtful photo is looked at once more, in the mirror and by the second network where there is one; both
looks count alike, each place by itself."""

from __future__ import annotations

import numpy as np
import pytest
import torch
from torch import Tensor, nn

from model.artefact import Model
from model.dataset import MAX_PLACES, USABLE
from model.examine import IN_DOUBT, look_at_conditions
from model.families import FAMILIES, Family
from model.locate import Face
from model.photo import Photo

from .drawn_face import draw_face
from .small_model import untrained

SURE = IN_DOUBT[1] + 4.0


class Told(nn.Module):
    """Says of each place how light its close-up is, and of the photo what it is told to say."""

    def __init__(self, *, answer: tuple[float, float, float]) -> None:
        super().__init__()
        self.answer = nn.Parameter(torch.tensor(answer))
        self.looks: list[Tensor] = []

    def forward(self, x: Tensor, close: Tensor, *_rest: Tensor) -> dict[str, Tensor]:
        self.looks.append(x.detach().clone())
        light = close.mean((2, 3, 4))
        return {
            "housing": light[:, :-1, None].expand(-1, -1, 3),
            "latch": light[:, -1:].expand(-1, 2),
            "photo": self.answer.expand(len(x), 3) + len(self.looks) - 1.0,
            "usable": torch.zeros(len(x), len(USABLE)),
        }


def looked(family: Family, answer: tuple[float, float, float]) -> tuple[Told, dict[str, np.ndarray]]:
    """Return the network and what was made of a drawn face whose first housing is painted white."""
    rgb, matrix = draw_face(family, 8.0)
    contact = family.contacts[0]
    x, y = (matrix @ [contact.x, contact.y, 1.0])[:2]
    rgb[int(y) - 20 : int(y) + 20, int(x) - 20 : int(x) + 20] = 255
    photo = Photo(rgb, rgb.shape[1], rgb.shape[0], 1.0, None, "PNG", "0" * 64)
    network = Told(answer=answer)
    model = Model(untrained().locator, network, untrained().card)  # type: ignore[arg-type]
    face = Face(family, matrix, 1.0, 0)
    return network, look_at_conditions(model, [photo], [face])[0]


@pytest.mark.parametrize("key", FAMILIES)
def test_a_photo_whose_answer_is_plain_is_looked_at_once(key: str) -> None:
    network, look = looked(FAMILIES[key], (SURE, -SURE, -SURE))
    assert len(network.looks) == 1
    assert look["photo"].tolist() == [SURE, -SURE, -SURE]


@pytest.mark.parametrize("key", FAMILIES)
def test_a_doubtful_one_is_looked_at_again_in_the_mirror_and_both_answers_count(key: str) -> None:
    network, look = looked(FAMILIES[key], (-SURE, 0.0, -SURE))
    first, second = network.looks
    assert torch.equal(second, first.flip(-1))
    assert look["photo"] == pytest.approx([-SURE + 0.5, 0.5, -SURE + 0.5])


@pytest.mark.parametrize("key", FAMILIES)
def test_each_place_keeps_its_own_answer_in_the_mirror(key: str) -> None:
    family = FAMILIES[key]
    once, twice = (looked(family, (-SURE, doubt, -SURE))[1] for doubt in (-SURE, 0.0))
    assert twice["housing"] == pytest.approx(once["housing"], abs=1e-4)
    assert twice["latch"] == pytest.approx(once["latch"], abs=1e-4)
    assert int(once["housing"][: len(family.contacts), 0].argmax()) == 0
    assert len(once["housing"]) == MAX_PLACES


def test_where_there_is_a_second_network_it_gives_the_second_look() -> None:
    first, second = Told(answer=(-SURE, 1.0, -SURE)), Told(answer=(-SURE, -2.0, 3.0 - SURE))
    family = FAMILIES["type1"]
    rgb, matrix = draw_face(family, 8.0)
    photo = Photo(rgb, rgb.shape[1], rgb.shape[0], 1.0, None, "PNG", "0" * 64)
    model = Model(untrained().locator, first, untrained().card, second)  # type: ignore[arg-type]
    look = look_at_conditions(model, [photo], [Face(family, matrix, 1.0, 0)])[0]
    assert len(first.looks) == len(second.looks) == 1
    assert torch.equal(second.looks[0], first.looks[0].flip(-1))
    assert look["photo"] == pytest.approx([-SURE, -0.5, 1.5 - SURE])


def test_a_family_without_a_latch_is_never_in_doubt_about_it() -> None:
    network, _ = looked(FAMILIES["type2"], (0.0, -SURE, -SURE))
    assert len(network.looks) == 1
