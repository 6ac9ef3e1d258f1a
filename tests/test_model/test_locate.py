"""Fitting the face plane to the locator's cells, with the network replaced by truth plus noise."""

import numpy as np
import pytest
import torch

from model.dataset import FAMILY_KEYS
from model.families import FAMILIES
from model.geometry import project
from model.locate import AS_TAUGHT, TRIMMED, Glances, _fit, _Glance, glance_size, locate
from model.network import LOCATOR_STRIDE
from model.preprocess import LOCATOR_PIXELS, letterbox_matrix, warp_view
from model.views import WHERE_UNIT_MM, locator_truth

from .drawn import draw_face


class Family:
    """The one field of training targets that ``locator_truth`` reads."""

    def __init__(self, key: str) -> None:
        self.family = torch.tensor([FAMILY_KEYS.index(key)])


def glance(key: str, mm_to_view: np.ndarray, noise_mm: float = 0.0, wrong_share: float = 0.0) -> _Glance:
    """What a perfect network would say of a view, with noise and a share of wild cells."""
    rng = np.random.default_rng(0)
    mask, where = locator_truth(Family(key), torch.from_numpy(mm_to_view)[None], LOCATOR_PIXELS)
    mm = where[0].numpy() * WHERE_UNIT_MM + rng.normal(0, noise_mm, where.shape[1:])
    wild = rng.random(mask.shape[2:]) < wrong_share
    mm[:, wild] = rng.uniform(-30, 30, (2, int(wild.sum())))
    family = np.eye(len(FAMILY_KEYS), dtype=np.float32)[FAMILY_KEYS.index(key)]
    return _Glance(mask[0, 0].numpy(), mm.astype(np.float32), 1.0, family)


def view(angle: float, tilt: float, scale: float) -> np.ndarray:
    cos, sin, squeeze = np.cos(angle), np.sin(angle), np.cos(tilt)
    return np.array(
        [
            [scale * cos * squeeze, scale * sin, 128.0],
            [scale * sin * squeeze, -scale * cos, 120.0],
            [1e-3, 5e-4, 1.0],
        ]
    )


@pytest.mark.parametrize("key", FAMILY_KEYS)
@pytest.mark.parametrize("angle", [0.0, 1.2, 3.1])
@pytest.mark.parametrize("tilt", [0.0, 0.7])
def test_the_plane_is_recovered_at_any_turn_and_forty_degrees_of_tilt(
    key: str, angle: float, tilt: float
) -> None:
    truth = view(angle, tilt, 2.2)
    face = _fit(glance(key, truth, noise_mm=0.5, wrong_share=0.1), np.eye(3), count_others=True)
    assert face is not None
    assert face.family.key == key
    assert face.others == 0
    centres = FAMILIES[key].contact_centres()
    off = np.linalg.norm(project(face.matrix, centres) - project(truth, centres), axis=1)
    assert off.max() < 1.0  # pixels of the 256-pixel view: under half a millimetre


def test_cells_that_fit_no_plane_are_no_face() -> None:
    assert _fit(glance("type1", view(0, 0, 2.2), wrong_share=0.9), np.eye(3), count_others=True) is None


def test_a_mirrored_face_is_no_photo_of_a_coupler() -> None:
    mirrored = view(0, 0, 2.2) @ np.diag([-1.0, 1.0, 1.0])
    assert _fit(glance("type1", mirrored), np.eye(3), count_others=True) is None


def test_a_second_face_is_counted() -> None:
    left = glance("type1", np.array([[1.5, 0, 60.0], [0, -1.5, 128.0], [0, 0, 1.0]]))
    right = glance("type1", np.array([[1.5, 0, 190.0], [0, -1.5, 128.0], [0, 0, 1.0]]))
    second = right.mask > 0.5
    both = _Glance(
        np.maximum(left.mask, right.mask), np.where(second, right.where, left.where), 1.0, left.family
    )
    face = _fit(both, np.eye(3), count_others=True)
    assert face is not None
    assert face.others == 1


class Oracle(torch.nn.Module):
    """Answers from the truth: finds the four marks that the test painted, whatever the view."""

    def __init__(self, key: str, answers: list[np.ndarray]) -> None:
        super().__init__()
        self.key, self.answers = key, answers
        self.dummy = torch.nn.Parameter(torch.zeros(1))

    def forward(self, x: torch.Tensor) -> dict[str, torch.Tensor]:
        said = glance(self.key, self.answers.pop(0))
        rows, columns = x.shape[2] // LOCATOR_STRIDE, x.shape[3] // LOCATOR_STRIDE
        return {
            "mask": torch.from_numpy(20 * said.mask[:rows, :columns] - 10)[None, None],
            "where": torch.from_numpy(said.where[:, :rows, :columns])[None] / WHERE_UNIT_MM,
            "present": torch.tensor([9.0]),
            "family": torch.from_numpy(20 * said.family)[None],
        }


@pytest.mark.parametrize("glances", [AS_TAUGHT, TRIMMED])
def test_two_glances_come_back_to_photo_pixels(glances: Glances) -> None:
    """The chain letterbox, first fit, straightened glance, second fit must end at the photo's own pixels."""
    truth = np.array([[6.0, 1.0, 700.0], [1.0, -6.0, 420.0], [2e-4, 1e-4, 1.0]])
    rgb = draw_face(FAMILIES["type1"], truth, (1280, 960), None)
    boxed = np.linalg.inv(letterbox_matrix(1280, 960, glance_size(1280, 960, glances))) @ truth
    scale, middle = glances.near_pixels / glances.near_mm, glances.near_pixels / 2
    straight = np.array([[scale, 0, middle], [0, -scale, middle], [0, 0, 1.0]])
    (face,) = locate(Oracle("type1", [boxed, straight]), [rgb], glances)
    assert face is not None
    centres = FAMILIES["type1"].contact_centres()
    assert np.abs(project(face.matrix, centres) - project(truth, centres)).max() < 2.0


def test_letterbox_shows_the_whole_photo_centred() -> None:
    rgb = np.full((300, 600, 3), 255, np.uint8)
    boxed = warp_view(rgb, letterbox_matrix(600, 300, (256, 256)), 256)
    assert (boxed[66:190] > 250).all()
    assert (boxed[:60] == 128).all()
    assert (boxed[196:] == 128).all()


@pytest.mark.parametrize(
    ("photo", "wanted"),
    [
        ((4000, 3000), (256, 192)),
        ((3000, 4000), (192, 256)),
        ((1000, 1000), (256, 256)),
        ((1000, 563), (256, 160)),
        ((5000, 20), (256, 32)),
    ],
)
def test_the_first_glance_has_the_photos_shape_in_whole_cells(
    photo: tuple[int, int], wanted: tuple[int, int]
) -> None:
    assert glance_size(*photo) == wanted
    boxed = warp_view(np.full((*photo[::-1], 3), 255, np.uint8), letterbox_matrix(*photo, wanted), wanted)
    assert boxed.shape[:2] == wanted[::-1]
    assert (boxed[boxed.shape[0] // 2] > 150).all()  # the rim is mixed with grey
