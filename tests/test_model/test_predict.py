"""From raw numbers to a judgement: the rules, with the networks' numbers given."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

from model.calibration import Calibration
from model.dataset import USABLE
from model.evidence import evidence_picture
from model.examine import Examination
from model.families import FAMILIES
from model.locate import Face
from model.photo import Photo
from model.predict import Classifier
from model.vocabulary import ADVICE, FindingKind, Label, Outcome, Place, Reason, Triage

from .drawn import draw_face
from .small_model import untrained

MATRIX = np.array([[5.0, 0, 320.0], [0, -5.0, 240.0], [0, 0, 1.0]])
YES, NO = 6.0, -6.0
MELTED = FindingKind.HEAT_MELTED_HOUSING


@pytest.fixture(scope="module")
def classifier() -> Classifier:
    return Classifier(untrained())


@pytest.fixture(scope="module")
def photo() -> Photo:
    rgb = draw_face(FAMILIES["type1"], MATRIX, (640, 480), None)
    return Photo(rgb, 1280, 960, 0.5, None, "JPEG", "0" * 64)


def seen(key: str = "type1", **changes: object) -> Examination:
    """An examination of an intact face in full view."""
    family = FAMILIES[key]
    housing = np.full((len(family.contacts), 3), NO, np.float32)
    housing[:, 2] = YES
    usable = np.zeros(len(USABLE), np.float32)
    usable[0] = 1.0
    plain = Examination(
        face=Face(family, MATRIX, 0.99, 0.95),
        reason=None,
        in_frame=dict.fromkeys(family.places, 1.0),
        housing=housing,
        latch=np.array([NO, YES], np.float32),
        photo=np.full(3, NO, np.float32),
        usable=usable,
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def melted_at(row: int, key: str = "type1") -> Examination:
    intact = seen(key)
    housing, photo = intact.housing.copy(), intact.photo.copy()
    housing[row, 1], photo[2] = YES, YES
    return replace(intact, housing=housing, photo=photo)


def test_an_intact_face_is_clear_with_full_size_geometry(classifier: Classifier, photo: Photo) -> None:
    judgement = classifier.read(photo, seen())
    assert judgement.outcome is Outcome.SCORED
    assert (judgement.label, judgement.triage, judgement.findings) == (Label.INTACT, Triage.CLEAR, ())
    assert judgement.face is not None
    np.testing.assert_allclose(judgement.face.homography, (10, 0, 640, 0, -10, 480, 0, 0, 1))


@pytest.mark.parametrize("key", FAMILIES)
def test_a_melted_housing_is_flagged_at_its_place(classifier: Classifier, photo: Photo, key: str) -> None:
    for row, place in enumerate(FAMILIES[key].housing_places):
        judgement = classifier.read(photo, melted_at(row, key))
        assert judgement.triage is Triage.FLAG
        assert judgement.label is Label.HEAT_MELTED_HOUSING
        assert [(f.kind, f.place) for f in judgement.findings] == [(MELTED, place)]


def test_the_gravest_of_two_damages_gives_the_label(classifier: Classifier, photo: Photo) -> None:
    both = melted_at(1)
    both.photo[0] = YES
    both.latch[0] = YES
    judgement = classifier.read(photo, both)
    assert judgement.label is Label.HEAT_MELTED_HOUSING
    assert {f.kind for f in judgement.findings} == {MELTED, FindingKind.MISSING_LATCH}


def test_between_the_limits_a_person_must_look_and_the_place_is_still_named(
    classifier: Classifier, photo: Photo
) -> None:
    doubtful = seen(photo=np.array([NO, NO, -0.5], np.float32))
    doubtful.housing[3, 1] = -0.7
    judgement = classifier.read(photo, doubtful)
    assert judgement.triage is Triage.UNSURE
    assert judgement.label is Label.INTACT
    assert [f.place for f in judgement.findings] == [Place.LOWER_RIGHT]


def test_type_2_has_no_latch_to_miss(classifier: Classifier, photo: Photo) -> None:
    judgement = classifier.read(photo, seen("type2", photo=np.array([YES, NO, NO], np.float32)))
    assert judgement.triage is Triage.CLEAR
    assert judgement.probabilities[FindingKind.MISSING_LATCH] == 0.0


def test_a_limit_that_calls_no_latch_clear_is_no_matter_to_type_2(photo: Photo) -> None:
    plain = Calibration.plain()
    latch = FindingKind.MISSING_LATCH
    strict = replace(plain, kinds=plain.kinds | {latch: replace(plain.kinds[latch], clear_below=0.0)})
    classifier = Classifier(untrained(calibration=strict))
    judgement = classifier.read(photo, seen("type2"))
    assert (judgement.triage, judgement.findings) == (Triage.CLEAR, ())
    assert classifier.read(photo, seen("type1")).triage is Triage.UNSURE


def test_what_was_not_seen_is_not_called_clear(classifier: Classifier, photo: Photo) -> None:
    cut = seen(in_frame={**dict.fromkeys(FAMILIES["type1"].places, 1.0), Place.LATCH: 0.1})
    judgement = classifier.read(photo, replace(cut, photo=np.array([YES, NO, NO], np.float32)))
    assert judgement.triage is Triage.UNSURE
    assert judgement.probabilities[FindingKind.MISSING_LATCH] == 0.0
    assert "latch" in judgement.detail


def test_a_latch_that_is_gone_is_said_even_if_taken_for_covered(classifier: Classifier, photo: Photo) -> None:
    covered = seen(latch=np.array([YES, NO], np.float32))
    gone = classifier.read(photo, replace(covered, photo=np.array([YES, NO, NO], np.float32)))
    assert gone.triage is Triage.FLAG
    assert [(f.kind, f.place) for f in gone.findings] == [(FindingKind.MISSING_LATCH, Place.LATCH)]
    hidden = classifier.read(photo, replace(covered, photo=np.array([-0.5, NO, NO], np.float32)))
    assert hidden.triage is Triage.UNSURE
    assert hidden.probabilities[FindingKind.MISSING_LATCH] == 0.0


def test_a_face_mostly_out_of_frame_is_refused(classifier: Classifier, photo: Photo) -> None:
    cut = seen(in_frame=dict.fromkeys(FAMILIES["type1"].places, 0.2))
    assert classifier.read(photo, cut).reason is Reason.OUT_OF_FRAME


def test_a_covered_face_is_refused_as_hidden(classifier: Classifier, photo: Photo) -> None:
    covered = seen()
    covered.housing[:, 2] = NO
    assert classifier.read(photo, covered).reason is Reason.HIDDEN


@pytest.mark.parametrize("reason", [Reason.TOO_BLURRED, Reason.TOO_SMALL, Reason.SEVERAL_FACES])
def test_measured_faults_are_refused_with_advice(
    classifier: Classifier, photo: Photo, reason: Reason
) -> None:
    judgement = classifier.read(photo, replace(melted_at(0), reason=reason))
    assert judgement.outcome is Outcome.CANNOT_JUDGE
    assert (judgement.reason, judgement.detail) == (reason, ADVICE[reason])
    assert judgement.label is None
    assert judgement.findings == ()


def test_what_only_looks_like_a_plane_is_no_face(classifier: Classifier, photo: Photo) -> None:
    usable = np.eye(len(USABLE), dtype=np.float32)[USABLE.index(Reason.NO_FACE)]
    assert classifier.read(photo, seen(usable=usable)).reason is Reason.NO_FACE
    assert classifier.read(photo, Examination(None, Reason.NO_FACE)).reason is Reason.NO_FACE


def test_the_json_form_is_stable(classifier: Classifier, photo: Photo) -> None:
    line = classifier.read(photo, melted_at(4)).to_json("a b.jpg")
    assert list(line) == [
        "file", "outcome", "reason", "label", "findings", "probabilities", "triage", "model_version",
    ]  # fmt: skip
    assert line["findings"][0].keys() == {"kind", "place", "probability"}
    assert line["findings"][0]["place"] == "bottom"
    assert set(line["probabilities"]) == {"missing_latch", "broken_pin_housing", "heat_melted_housing"}
    refused = classifier.read(photo, Examination(None, Reason.NO_FACE)).to_json("x")
    assert (refused["outcome"], refused["reason"]) == ("cannot_judge", "no_coupler_face")


def test_batches_keep_order_and_give_the_same_as_one_by_one(classifier: Classifier, photo: Photo) -> None:
    blank = replace(photo, rgb=np.full((120, 160, 3), 128, np.uint8))
    photos = [photo, blank, photo, blank, blank]
    together = list(classifier.judge_many(photos, batch=2))
    assert [j.outcome for j in together] == [classifier.judge(p).outcome for p in photos]


def test_evidence_is_drawn_on_the_face_only(classifier: Classifier, photo: Photo) -> None:
    judgement = classifier.read(photo, melted_at(0))
    picture = evidence_picture(classifier.model, photo, judgement)
    assert picture.shape == photo.rgb.shape
    changed = np.abs(picture.astype(int) - photo.rgb).max(2) > 8
    assert changed.any()
    assert not changed[:, :60].any()
    refused = classifier.read(photo, Examination(None, Reason.NO_FACE))
    assert evidence_picture(classifier.model, photo, refused) is photo.rgb


@pytest.mark.parametrize(
    ("doubt", "refused"), [(Reason.TOO_DARK, False), (Reason.TOO_BRIGHT, False), (Reason.TOO_BLURRED, True)]
)
def test_the_network_s_doubt_counts_only_where_nothing_measures_it(
    classifier: Classifier, photo: Photo, doubt: Reason, refused: bool
) -> None:
    usable = np.eye(len(USABLE), dtype=np.float32)[USABLE.index(doubt)]
    assert classifier.read(photo, seen(usable=usable)).reason is (doubt if refused else None)


def test_networks_are_made_ready_once_however_many_ask(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[object] = []

    def slow(network: object, *, rounded: bool = False) -> object:
        made.append(network)
        time.sleep(0.05)
        return network

    monkeypatch.setattr("model.predict.ready", slow)
    asked = Classifier(untrained())
    with ThreadPoolExecutor(4) as pool:
        given = [future.result() for future in [pool.submit(asked.serving) for _ in range(4)]]
    assert len({id(network) for network in made}) == len(made)
    assert all(model is given[0] for model in given)
