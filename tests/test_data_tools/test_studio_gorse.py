"""The studio gorse: its couplers have the published measures, and its labels say what its pictures show."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest

pytest.importorskip("mitsuba")

from data_tools.studios import gorse
from data_tools.studios.gorse import truth
from data_tools.studios.gorse.head import build_head
from data_tools.studios.gorse.make import OTHER_SHARE, Damage, dice, draw_make
from data_tools.studios.gorse.phone import developed, exposure
from data_tools.studios.gorse.subject import build_subject
from model.families import FAMILIES, TOLERANCE_MM
from model.manifest import LabelledPhoto
from model.vocabulary import FindingKind, Place, Reason

pytestmark = pytest.mark.render
MODES = {
    FindingKind.MISSING_LATCH: ("root", "gone"),
    FindingKind.BROKEN_PIN_HOUSING: ("chip", "split", "spall", "wedge", "ring", "pieces", "root"),
    FindingKind.HEAT_MELTED_HOUSING: ("sag", "close", "blister", "drip", "fuse", "shrink"),
}


@pytest.fixture(autouse=True, scope="module")
def _renderer() -> None:
    import mitsuba as mi

    mi.set_variant("scalar_rgb")


def subject_number(wanted: bool) -> int:
    """Return the first subject of seed 5 that is (or is not) a coupler."""
    return next(n for n in range(50) if (dice(5, n).uniform() >= OTHER_SHARE) is wanted)


def test_the_same_seed_gives_the_same_labels() -> None:
    number = subject_number(wanted=True)
    first, second = (gorse.photograph(5, number, 2, 0.15) for _ in range(2))
    assert [shot.label for shot in first] == [shot.label for shot in second]
    label = first[0].label
    assert LabelledPhoto.from_json(label.to_json()) == label
    assert label.family is not None
    assert set(label.places) == set(FAMILIES[label.family].places)


def test_other_things_have_no_family() -> None:
    (shot,) = gorse.photograph(5, subject_number(wanted=False), 2, 0.15)
    assert (shot.label.family, shot.label.reason, shot.label.homography) == (None, Reason.NO_FACE, None)


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("seed", [0, 1])
def test_an_intact_face_has_the_published_measures(family: str, seed: int) -> None:
    make = replace(draw_make(dice(seed), family), slots=0, flare=0.0, fillet=0.4, edge=0.3)
    points = build_head(make, (), 0.5).vertices
    size = np.ptp(points[points[:, 2] > make.rim - 3], axis=0)[:2]
    table = FAMILIES[family]
    assert size == pytest.approx([table.nose_width, table.nose_height], abs=2 * TOLERANCE_MM)
    for contact in table.contacts:
        far = np.hypot(points[:, 0] - contact.x, points[:, 1] - contact.y)
        wall = points[(far < contact.sleeve_diameter / 2 + 1) & (far > 0.4 * contact.sleeve_diameter)]
        assert wall[:, 2].max() == pytest.approx(0, abs=TOLERANCE_MM)
        mouth = (points[:, 2] > -1.2) & (points[:, 2] < 0.3) & (far < contact.sleeve_diameter / 2 + 1)
        assert 2 * far[mouth].max() == pytest.approx(contact.sleeve_diameter, abs=2 * TOLERANCE_MM)


def shares(family: str, sets: list[tuple[Damage, ...]]) -> list[list[float]]:
    """Return for each set of damages the share of each one's place that differs from the intact twin."""
    rng = dice(3)
    make = replace(draw_make(rng, family), slots=0)
    view = gorse.draw_view(rng, make, 0.3)
    camera = view.camera.shrunk(110 / max(view.camera.size))
    view = replace(view, around=view.place.meshes, work=replace(view.work, shake=0.0))

    def light(damages: tuple[Damage, ...]) -> Any:
        return gorse._expose(build_subject(make, damages, fine=False), view, camera, 8)

    twin = light(())
    metered = exposure(twin, view.work, np.array(camera.size) / 2)
    flat = developed(twin, view.work, metered)
    shown = [developed(light(damages), view.work, metered) for damages in sets]
    return [
        truth.seen_shares(make, damages, picture, flat, camera)
        for damages, picture in zip(sets, shown, strict=True)
    ]


@pytest.mark.parametrize("kind", [FindingKind.BROKEN_PIN_HOUSING, FindingKind.HEAT_MELTED_HOUSING])
def test_every_sleeve_damage_at_full_severity_shows_at_its_own_place(kind: FindingKind) -> None:
    places = FAMILIES["type2"].places
    damages = tuple(Damage(kind, p, 1.0, mode, 0.0, 7) for p, mode in zip(places, MODES[kind], strict=False))
    (seen,) = shares("type2", [damages])
    assert min(seen) > 0.1, list(zip(MODES[kind], seen, strict=True))


def test_every_lost_latch_shows() -> None:
    modes = MODES[FindingKind.MISSING_LATCH]
    seen = shares("type1", [(Damage(FindingKind.MISSING_LATCH, Place.LATCH, 1.0, m, 0.0, 7),) for m in modes])
    assert min(share for (share,) in seen) > 0.2, list(zip(modes, seen, strict=True))


@pytest.mark.parametrize(("seed", "number"), [(0, 0), (2**63, 3), (2**31, 10**9)])
def test_any_seed_gives_a_picture(seed: int, number: int) -> None:
    for shot in gorse.photograph(seed, number, 1, 0.1):
        picture = cv2.imdecode(np.frombuffer(shot.jpeg, np.uint8), cv2.IMREAD_COLOR)
        assert picture is not None
        assert picture.std() > 5
        assert all(0 <= finding.visible <= 1 for finding in shot.label.findings)
