"""Labelled sets as files: what is written is read again, and bad lines are named."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from model.errors import ManifestError
from model.families import FAMILIES
from model.manifest import LabelledFinding, LabelledPhoto, read_manifest, write_manifest
from model.vocabulary import FindingKind, Place, Reason

FULL = LabelledPhoto(
    file="photos/größe \U0001f50c.jpg",
    coupler="c1",
    family="type1",
    findings=(
        LabelledFinding(FindingKind.HEAT_MELTED_HOUSING, Place.UPPER_LEFT, 0.5, 0.25),
        LabelledFinding(FindingKind.MISSING_LATCH, Place.LATCH),
    ),
    homography=(8.0, 0.0, 100.0, 0.0, -8.0, 120.0, 0.0, 0.0, 1.0),
    places={Place.LATCH: 1.0, Place.BOTTOM: 0.5},
    split="train",
    attributes={"light": "flash", "tilt": 12.5},
)
NO_FACE = LabelledPhoto("wall.jpg", "none", None, reason=Reason.NO_FACE)

fractions = st.floats(0, 1)
KINDS_AT = dict.fromkeys(FAMILIES["type1"].housing_places, FindingKind.BROKEN_PIN_HOUSING)
KINDS_AT |= {Place.LATCH: FindingKind.MISSING_LATCH}
findings = st.builds(
    lambda at, *shown: LabelledFinding(KINDS_AT[at], at, *shown), st.sampled_from(list(KINDS_AT)),
    fractions, fractions,
)  # fmt: skip
photos = st.builds(
    LabelledPhoto,
    file=st.text(min_size=1),
    coupler=st.text(),
    family=st.just("type1"),
    findings=st.lists(findings, max_size=3).map(tuple),
    reason=st.none() | st.sampled_from(Reason),
    homography=st.none() | st.tuples(*[st.floats(-1e6, 1e6)] * 9),
    places=st.dictionaries(st.sampled_from(Place), fractions),
    split=st.none() | st.just("test"),
    attributes=st.dictionaries(st.text(), st.text() | st.integers() | st.booleans()),
)


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    path = tmp_path / "manifest.jsonl"
    digest = write_manifest(path, [FULL, NO_FACE])
    assert read_manifest(path) == [FULL, NO_FACE]
    assert digest == hashlib.sha256(path.read_bytes()).hexdigest()


def test_the_order_of_attributes_does_not_change_the_checksum(tmp_path: Path) -> None:
    turned = replace(FULL, attributes=dict(reversed(FULL.attributes.items())))
    one, other = (write_manifest(tmp_path / "m.jsonl", [photo]) for photo in (FULL, turned))
    assert one == other


def test_a_changed_label_changes_the_checksum(tmp_path: Path) -> None:
    intact = replace(FULL, findings=())
    assert write_manifest(tmp_path / "a", [FULL]) != write_manifest(tmp_path / "b", [intact])


def test_left_out_fields_have_their_defaults(tmp_path: Path) -> None:
    path = tmp_path / "manifest.jsonl"
    path.write_text('{"file": "a.jpg", "coupler": "c", "family": "type2"}\n\n', encoding="utf-8")
    assert read_manifest(path) == [LabelledPhoto("a.jpg", "c", "type2")]


@pytest.mark.parametrize(
    "line",
    [
        "not json",
        "[]",
        "null",
        '{"file": "a.jpg"}',
        json.dumps({**FULL.to_json(), "findings": [{"kind": "rust", "place": "latch"}]}),
        json.dumps({**FULL.to_json(), "findings": [{"kind": "missing_latch", "place": "roof"}]}),
        json.dumps({**FULL.to_json(), "findings": 7}),
        json.dumps({**FULL.to_json(), "reason": "bad weather"}),
        json.dumps({**FULL.to_json(), "places": {"roof": 1}}),
        json.dumps({**FULL.to_json(), "family": "type9"}),
        json.dumps({**FULL.to_json(), "family": "type2"}),  # it has no latch to miss
        json.dumps({**FULL.to_json(), "family": None}),
        json.dumps({**FULL.to_json(), "findings": [{"kind": "broken_pin_housing", "place": "latch"}]}),
        json.dumps({**FULL.to_json(), "findings": [{"kind": "missing_latch", "place": "bottom"}]}),
        json.dumps({**FULL.to_json(), "homography": [8, 0, 100, 0, -8, 120]}),
        json.dumps({**FULL.to_json(), "homography": [float("nan")] * 9}),
    ],
)
def test_a_bad_line_is_named(tmp_path: Path, line: str) -> None:
    path = tmp_path / "manifest.jsonl"
    path.write_text(json.dumps(NO_FACE.to_json()) + "\n" + line + "\n", encoding="utf-8")
    with pytest.raises(ManifestError, match=r"line 2 of manifest\.jsonl"):
        read_manifest(path)


def test_a_coupler_in_two_splits_is_refused_in_words(tmp_path: Path) -> None:
    """What was learnt from one photo of a coupler is no test on another photo of it."""
    path = tmp_path / "manifest.jsonl"
    for other in ("test", None):
        photos = [FULL, replace(FULL, file="2.jpg", split=other), replace(FULL, coupler="c2", split="test")]
        write_manifest(path, photos)
        with pytest.raises(ManifestError, match=r"each coupler in one split; got c1 in (none|test), train"):
            read_manifest(path)


def test_a_missing_or_binary_manifest_is_an_error_with_words(tmp_path: Path) -> None:
    with pytest.raises(ManifestError, match="Check the path"):
        read_manifest(tmp_path / "gone.jsonl")
    (tmp_path / "binary").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ManifestError, match="Check the path"):
        read_manifest(tmp_path / "binary")


@settings(max_examples=60, deadline=None)
@given(st.lists(photos, max_size=4))
def test_any_labelled_set_survives_the_file(
    tmp_path_factory: pytest.TempPathFactory, labelled: list[LabelledPhoto]
) -> None:
    # A coupler in two splits is refused (see above), and strings that were drawn are sometimes alike.
    split_of = {photo.coupler: photo.split for photo in labelled}
    labelled = [replace(photo, split=split_of[photo.coupler]) for photo in labelled]
    path = tmp_path_factory.mktemp("manifest") / "m.jsonl"
    write_manifest(path, labelled)
    assert read_manifest(path) == labelled
