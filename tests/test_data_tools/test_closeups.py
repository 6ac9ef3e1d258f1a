"""Close-ups: the face, or one place on it, straight and in the middle, from photos of any size and turn."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from data_tools.closeups import box_of, closeup
from data_tools.history import timeline
from data_tools.records import PhotoRecord
from data_tools.workspace import Workspace
from model.errors import BadRequestError, NotFoundError
from model.families import FAMILIES, TYPE1, TYPE2
from model.vocabulary import Place
from tests.test_review_app.fakes import Scene
from tests.test_review_app.scenario import BLURRED, BROKEN, INTACT, LEAD, UPLOADER, make_workspace, send

SLEEVE, BROKEN_SLEEVE, CONTACT = (0x3D, 0x41, 0x45), (0xCF, 0xCA, 0xBC), (0xB9, 0xA3, 0x6B)
"""What ``draw_photo`` paints; JPEG moves a colour by a few steps."""


@pytest.fixture
def ws(tmp_path: Path) -> Iterator[Workspace]:
    """A workspace with drawn photos."""
    workspace = make_workspace(tmp_path / "workspace")
    yield workspace
    workspace.close()


def sent(ws: Workspace, scene: Scene, seed: int = 1) -> PhotoRecord:
    """Send one photo and return it."""
    send(ws, "H-01", scene, seed)
    return [entry.photo for entry in timeline(ws, LEAD, "H-01").entries if entry.photo][-1]


def pixels(jpeg: bytes | None) -> np.ndarray:
    """Return the picture as H x W x 3."""
    assert jpeg is not None
    return np.asarray(Image.open(io.BytesIO(jpeg)).convert("RGB")).astype(int)


def near(found: np.ndarray, wanted: tuple[int, int, int]) -> bool:
    """Whether a colour is the painted one, within what JPEG and scaling change."""
    return bool(np.abs(found - np.array(wanted)).max() < 14)


@pytest.mark.parametrize("place", [p for p in TYPE1.places if p is not Place.LATCH])
def test_a_place_lies_in_the_middle_of_its_close_up(ws: Workspace, place: Place) -> None:
    shown = pixels(closeup(ws, UPLOADER, sent(ws, BROKEN).id, place, side=300))
    assert shown.shape == (300, 300, 3)
    assert near(shown[145:155, 145:155].mean((0, 1)), CONTACT)
    contact = next(c for c in TYPE1.contacts if c.place is place)
    # Half way between bore and sleeve edge, in pixels of a square of 1.9 sleeve diameters.
    reach = int((contact.bore_diameter + contact.sleeve_diameter) / 4 * 300 / (1.9 * contact.sleeve_diameter))
    sleeve = BROKEN_SLEEVE if place is Place.BOTTOM else SLEEVE
    for dx, dy in ((reach, 0), (-reach, 0), (0, reach), (0, -reach)):
        assert near(shown[150 + dy, 150 + dx], sleeve), (dx, dy)


def test_the_whole_face_is_where_the_family_table_says(ws: Workspace) -> None:
    side = 360
    shown = pixels(closeup(ws, UPLOADER, sent(ws, INTACT).id, side=side))
    view = TYPE1.canonical_view
    for contact in TYPE1.contacts:
        x = (contact.x - view.left) / (view.right - view.left) * side
        y = (view.top - contact.y) / (view.top - view.bottom) * side
        assert near(shown[int(y) - 1 : int(y) + 2, int(x) - 1 : int(x) + 2].mean((0, 1)), CONTACT)


def test_a_photo_without_a_face_or_a_place_it_lacks_has_none(ws: Workspace) -> None:
    assert closeup(ws, UPLOADER, sent(ws, BLURRED).id) is None
    assert closeup(ws, UPLOADER, sent(ws, INTACT, 2).id, Place.CENTRE) is None
    assert box_of(TYPE2, Place.LATCH) is None


def test_what_cannot_be_made_is_refused_in_words(ws: Workspace) -> None:
    with pytest.raises(NotFoundError):
        closeup(ws, UPLOADER, 999)
    with pytest.raises(BadRequestError):
        closeup(ws, UPLOADER, 1, side=9)


@pytest.mark.parametrize("key", FAMILIES)
def test_every_place_has_a_square_inside_or_around_the_face(key: str) -> None:
    row = FAMILIES[key]
    for place in row.places:
        box = box_of(row, place)
        assert box is not None
        assert box.right - box.left == pytest.approx(box.top - box.bottom)
        assert box.right > box.left
