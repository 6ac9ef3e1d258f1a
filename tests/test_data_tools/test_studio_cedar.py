"""The studio ``cedar``: same arguments, same labels; the truth lies where the picture shows it."""

from __future__ import annotations

import glob
import os
from collections.abc import Iterator

import cv2
import numpy as np
import pytest

from data_tools.studios.shot import Shot
from model.families import family
from model.vocabulary import FindingKind, Place

mitsuba = pytest.importorskip("mitsuba")
pytestmark = pytest.mark.render


@pytest.fixture(scope="module", autouse=True)
def _variant() -> Iterator[None]:
    found = sorted(glob.glob("/usr/lib/*/libLLVM*19*.so*"))
    if found:
        os.environ.setdefault("DRJIT_LIBLLVM_PATH", found[0])
    mitsuba.set_variant("llvm_ad_rgb" if found else "scalar_rgb")
    from data_tools.studios.cedar import camera

    # one size, one kernel to compile
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(camera, "SIZES", ((640, 640),) * len(camera.SIZES))
        yield


def _photos(number: int) -> list[Shot]:
    from data_tools.studios.cedar import photograph

    return photograph(7, number, 2, 0.2)


def test_same_arguments_give_the_same_labels() -> None:
    first, second = _photos(5), _photos(5)
    assert [s.label for s in first] == [s.label for s in second]
    assert first[0].label.coupler == "cedar-7-000005"


def test_a_photo_decodes_and_its_contacts_lie_in_it() -> None:
    shot = _photos(2)[0]
    picture = cv2.imdecode(np.frombuffer(shot.jpeg, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    assert shot.label.family is not None
    assert shot.label.homography is not None
    centres = family(shot.label.family).contact_centres()
    flat = np.concatenate([centres, np.ones((len(centres), 1))], 1)
    pixels = flat @ np.array(shot.label.homography).reshape(3, 3).T
    pixels = pixels[:, :2] / pixels[:, 2:]
    assert (pixels > 0).all()
    assert (pixels < picture.shape[1::-1]).all()
    assert set(shot.label.places) == set(family(shot.label.family).places)


def test_rays_through_the_homography_hit_the_bores_and_the_walls() -> None:
    from data_tools.studios.cedar import stage, subject
    from data_tools.studios.cedar.camera import View

    s = subject.draw_subject(np.random.default_rng(4), np.array([0, 1.0, 0]), False)
    eye = np.array([30.0, -40, 220])
    view = View(eye, np.array([0, 0, 0.0]), np.array([0, 1.0, 0]), 20.0, 200, 200, 0.1)
    seen = stage.cast(stage.bare({"plastic": stage.solid("plastic", s.twin, 0.0, 0.5)}), view)
    homography = np.array(view.homography()).reshape(3, 3)
    for sleeve in s.sleeves:
        x, y, w = homography @ [sleeve.x, sleeve.y, 1.0]
        column, row = int(x / w), int(y / w)
        assert seen.position[row, column, 2] < -1.0  # the ray goes down the bore


def test_a_damaged_coupler_differs_from_its_twin() -> None:
    found: set[FindingKind] = set()
    for number in (1, 5):
        for shot in _photos(number):
            for finding in shot.label.findings:
                assert 0 <= finding.visible <= 1
                assert 0 < finding.severity <= 1
                if shot.label.places[finding.place] > 0.9:
                    assert finding.visible > 0.15
                found.add(finding.kind)
                assert (finding.place is Place.LATCH) == (finding.kind is FindingKind.MISSING_LATCH)
    assert found


def test_no_face_means_no_homography() -> None:
    label = _photos(4)[0].label
    assert (label.family, label.homography, label.findings, label.places) == (None, None, (), {})
    assert label.reason is not None
