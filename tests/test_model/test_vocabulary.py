"""The words, the families and the stable output form."""

from __future__ import annotations

import itertools
import json

import numpy as np
import pytest

from model.errors import (
    ArtefactError,
    CalibrationError,
    ManifestError,
    PhotoError,
    PhotoTooLargeError,
    RoundsError,
    StoreError,
    UnknownFamilyError,
    UnreadablePhotoError,
)
from model.families import CANONICAL_SIDE_MM, FAMILIES, TYPE1, TYPE2, family
from model.judgement import Finding, Judgement
from model.vocabulary import (
    ADVICE,
    GRAVITY,
    LABEL_OF_KIND,
    FindingKind,
    Label,
    Outcome,
    Place,
    Reason,
    Triage,
    summary_label,
)

EVERY_FAMILY = pytest.mark.parametrize("key", FAMILIES)


def test_the_four_labels_are_the_trade_words() -> None:
    assert [label.value for label in Label] == [
        "intact",
        "missing latch",
        "broken pin housing",
        "heat-melted housing",
    ]


def test_tables_are_complete() -> None:
    assert set(LABEL_OF_KIND) == set(FindingKind)
    assert set(GRAVITY) == set(FindingKind)
    assert len(GRAVITY) == len(FindingKind)
    assert set(ADVICE) == set(Reason)


@pytest.mark.parametrize("reason", Reason)
def test_each_reason_has_words_that_say_what_to_do(reason: Reason) -> None:
    first, _, rest = ADVICE[reason].partition(". ")
    assert first
    assert rest.endswith(".")


def test_no_word_promises_safety() -> None:
    words = " ".join([*Label, *ADVICE.values(), *Triage, *Reason]).lower()
    assert "safe" not in words


def test_one_label_for_every_set_of_findings_is_the_gravest() -> None:
    assert summary_label(set()) is Label.INTACT
    for size in range(1, 4):
        for kinds in itertools.combinations(FindingKind, size):
            gravest = min(kinds, key=GRAVITY.index)
            assert summary_label(set(kinds)) is LABEL_OF_KIND[gravest]
    assert summary_label(set(FindingKind)) is Label.HEAT_MELTED_HOUSING


@EVERY_FAMILY
def test_places_are_distinct_and_end_with_the_latch_where_there_is_one(key: str) -> None:
    row = FAMILIES[key]
    assert len(set(row.places)) == len(row.places)
    assert (Place.LATCH in row.places) == row.has_latch
    assert len(row.housing_places) == len(row.contacts)


@EVERY_FAMILY
def test_sleeves_do_not_overlap_and_stay_inside_the_nose(key: str) -> None:
    row = FAMILIES[key]
    for one, other in itertools.combinations(row.contacts, 2):
        gap = np.hypot(one.x - other.x, one.y - other.y)
        assert gap > (one.sleeve_diameter + other.sleeve_diameter) / 2
    centre_x, centre_y = row.nose_centre
    for contact in row.contacts:
        assert contact.bore_diameter < contact.sleeve_diameter
        reach = contact.sleeve_diameter / 2
        assert abs(contact.x - centre_x) + reach <= row.nose_width / 2
        assert abs(contact.y - centre_y) + reach <= row.nose_height / 2


@EVERY_FAMILY
def test_place_names_say_where_the_contacts_are(key: str) -> None:
    row = FAMILIES[key]
    at = {contact.place: (contact.x, contact.y) for contact in row.contacts}
    for place, (x, y) in at.items():
        assert ("left" in place) == (x < 0)
        assert ("right" in place) == (x > 0)
        if "upper" in place or "lower" in place:
            assert ("upper" in place) == (y > 0)


@EVERY_FAMILY
def test_the_canonical_view_is_square_and_holds_nose_and_latch(key: str) -> None:
    row = FAMILIES[key]
    view = row.canonical_view
    assert view.right - view.left == pytest.approx(view.top - view.bottom)
    assert view.right - view.left <= CANONICAL_SIDE_MM
    x, y = row.nose_centre
    assert view.left <= x - row.nose_width / 2
    assert view.right >= x + row.nose_width / 2
    assert view.bottom <= y - row.nose_height / 2
    assert view.top >= y + row.nose_height / 2
    if row.latch_zone is not None:
        assert view.top >= row.latch_zone.top


def test_type1_has_five_contacts_and_a_latch_and_type2_seven_and_none() -> None:
    # Source: IEC 62196-2 configuration sheets: 5 contacts with a latch lever; 7 contacts without.
    assert (len(TYPE1.contacts), TYPE1.has_latch) == (5, True)
    assert (len(TYPE2.contacts), TYPE2.has_latch) == (7, False)


def test_box_corners_go_clockwise_from_the_top_left() -> None:
    zone = TYPE1.latch_zone
    assert zone is not None
    assert zone.corners().tolist() == [[-10, 40], [10, 40], [10, 20], [-10, 20]]


def test_an_unknown_family_is_named_with_those_we_know() -> None:
    assert family("type2") is TYPE2
    with pytest.raises(UnknownFamilyError, match=r"type1, type2; got 'type9'"):
        family("type9")


@pytest.mark.parametrize(
    "error", [PhotoError, ManifestError, ArtefactError, CalibrationError, StoreError, UnknownFamilyError]
)
def test_every_error_is_one_that_a_user_can_be_told(error: type[Exception]) -> None:
    assert issubclass(error, RoundsError)
    assert issubclass(UnreadablePhotoError, PhotoError)
    assert issubclass(PhotoTooLargeError, PhotoError)


def test_errors_have_one_form() -> None:
    error = StoreError("a site", "no such key 'x'", "Add it first.")
    assert str(error) == "Wanted a site; got no such key 'x'. Add it first."


def test_the_scored_form_is_the_one_that_others_measure_with() -> None:
    judgement = Judgement(
        outcome=Outcome.SCORED,
        model_version="v1",
        label=Label.HEAT_MELTED_HOUSING,
        triage=Triage.FLAG,
        findings=(Finding(FindingKind.HEAT_MELTED_HOUSING, Place.UPPER_LEFT, 0.912345),),
        probabilities=dict.fromkeys(FindingKind, 0.25),
        detail="not part of the form",
    )
    assert json.loads(json.dumps(judgement.to_json("a.jpg"))) == {
        "file": "a.jpg",
        "outcome": "scored",
        "reason": None,
        "label": "heat-melted housing",
        "findings": [{"kind": "heat_melted_housing", "place": "upper_left", "probability": 0.9123}],
        "probabilities": {
            "missing_latch": 0.25,
            "broken_pin_housing": 0.25,
            "heat_melted_housing": 0.25,
        },
        "triage": "flag",
        "model_version": "v1",
    }


def test_the_form_of_a_photo_that_cannot_be_judged() -> None:
    line = Judgement(Outcome.CANNOT_JUDGE, "v1", reason=Reason.NO_FACE).to_json("b.jpg")
    assert line["outcome"] == "cannot_judge"
    assert line["reason"] == "no_coupler_face"
    assert (line["label"], line["triage"], line["findings"]) == (None, None, [])
