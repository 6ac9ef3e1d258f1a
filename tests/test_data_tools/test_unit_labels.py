"""Units from code labels (QR codes drawn by OpenCV) and from file names."""

from __future__ import annotations

import unicodedata

import cv2
import numpy as np
import pytest
import zxingcpp
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from data_tools.keys import KnownKeys, folded_key
from data_tools.unit_labels import UnitHint, unit_from_file_name, unit_from_photo, unit_from_text

KEYS = ["P3-07", "P3-07-2", "P3", "Süd.1", "A_1"]
KNOWN = KnownKeys(KEYS)


@pytest.mark.parametrize(
    ("name", "key", "position"),
    [
        ("P3-07.jpg", "P3-07", None),
        ("p3-07_evening.JPG", "P3-07", None),
        ("P3-07 (2).jpg", "P3-07", None),
        ("P3-07-2.heic", "P3-07-2", None),
        ("P3-07__B.jpg", "P3-07", "B"),
        ("P3-07__b_close.jpg", "P3-07", "b"),
        ("P3_x.jpg", "P3", None),
        ("P3", "P3", None),
        ("süd.1_1.png", "Süd.1", None),
        ("A_1_close.png", "A_1", None),
    ],
)
def test_file_names_by_the_documented_pattern(name: str, key: str, position: str | None) -> None:
    assert unit_from_file_name(name, KNOWN) == UnitHint(key, position)


def test_a_name_of_a_unit_that_is_not_entered_yet_is_not_given_to_another() -> None:
    known = KnownKeys(["P4", "P3-07", "Q1-1-1"])
    assert unit_from_file_name("P4-07.jpg", known) is None, "P4-07 has the form of P3-07"
    assert unit_from_file_name("p4-7_evening.jpg", known) is None
    assert unit_from_file_name("P3-07-2.heic", KnownKeys(["P4", "P3-07"])) == UnitHint("P3-07")
    assert unit_from_file_name("P4-07.jpg", KnownKeys(["P4", "Q5"])) == UnitHint("P4"), "no such keys here"
    assert unit_from_file_name("P4_07.jpg", known) == UnitHint("P4")


@pytest.mark.parametrize(
    "name", ["IMG_0001.jpg", "P30.jpg", "P3-x.jpg", "P3-07-3.heic", "xP3-07.jpg", "", "P3+.jpg"]
)
def test_other_file_names_name_no_unit(name: str) -> None:
    assert unit_from_file_name(name, KNOWN) is None


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("P3-07", UnitHint("P3-07")),
        (" p3-07 ", UnitHint("P3-07")),
        ("unit=P3-07", UnitHint("P3-07")),
        ("unit=P3-07&position=B", UnitHint("P3-07", "B")),
        ("https://rounds.example/u/P3-07", UnitHint("P3-07")),
        ("https://rounds.example/u/P3-07/", UnitHint("P3-07")),
        ("https://rounds.example/?unit=P3-07&position=A", UnitHint("P3-07", "A")),
        ("https://rounds.example/u/S%C3%BCd.1", UnitHint("Süd.1")),
        ("https://rounds.example/u/other", None),
        ("http://[broken", None),
        ("", None),
    ],
)
def test_label_texts(text: str, hint: UnitHint | None) -> None:
    assert unit_from_text(text, KNOWN) == hint


def _qr(text: str) -> NDArray[np.uint8]:
    grey = np.kron(cv2.QRCodeEncoder.create().encode(text), np.ones((5, 5), np.uint8))
    return np.repeat(np.pad(grey, 20, constant_values=255)[:, :, None], 3, axis=2)


def _on_photo(*labels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    photo = np.random.default_rng(1).integers(80, 150, (900, 1200, 3)).astype(np.uint8)
    for column, label in enumerate(labels):
        height, width, _ = label.shape
        left = 40 + 560 * column
        photo[60 : 60 + height, left : left + width] = label
    return photo


def test_a_qr_code_drawn_by_opencv_is_read() -> None:
    assert unit_from_photo(_on_photo(_qr("unit=P3-07&position=B")), KNOWN) == UnitHint("P3-07", "B")


def test_data_matrix_is_read() -> None:
    made = zxingcpp.create_barcode("P3-07", zxingcpp.BarcodeFormat.DataMatrix)
    grey = np.asarray(zxingcpp.write_barcode_to_image(made, scale=6), np.uint8)
    label = np.repeat(np.pad(grey, 24, constant_values=255)[:, :, None], 3, axis=2)
    assert unit_from_photo(_on_photo(label), KNOWN) == UnitHint("P3-07")


def test_labels_of_two_units_name_none() -> None:
    assert unit_from_photo(_on_photo(_qr("P3-07"), _qr("A_1")), KNOWN) is None


def test_other_labels_beside_it_do_not_matter() -> None:
    assert unit_from_photo(_on_photo(_qr("P3-07"), _qr("fire extinguisher 12")), KNOWN) == UnitHint("P3-07")
    assert unit_from_photo(_on_photo(), KNOWN) is None


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=80))
def test_no_text_or_name_makes_it_fail(text: str) -> None:
    for found in (unit_from_text(text, KNOWN), unit_from_file_name(text, KNOWN)):
        assert found is None or found.unit_key in KEYS


@pytest.mark.parametrize(
    ("name", "key", "position"),
    [
        (unicodedata.normalize("NFD", "Süd.1_abends.jpg"), "Süd.1", None),
        (unicodedata.normalize("NFD", "SÜD.1__B.jpg"), "Süd.1", "B"),
        ("P3\N{EN DASH}07.jpg", "P3-07", None),
        ("p3\N{NON-BREAKING HYPHEN}07\N{EM DASH}2.heic", "P3-07-2", None),
        ("\N{RIGHT-TO-LEFT MARK}P3-\N{ZERO WIDTH SPACE}07.jpg", "P3-07", None),
        (" P3-07.jpg", "P3-07", None),
        ("STRASSE-5__B.jpg", "Straße-5", "B"),
        ("straße-5.jpg", "Straße-5", None),
        ("STRASSE-5-2.jpg", "Straße-5", None),
        ("İ-1__C_x.jpg", "İ-1", "C"),
        ("ŉ" * 40 + "_x.jpg", "ŉ" * 40, None),
    ],
)
def test_names_as_other_hands_and_systems_write_them(name: str, key: str, position: str | None) -> None:
    known = KnownKeys([*KEYS, "Straße-5", "İ-1", "ŉ" * 40])
    assert unit_from_file_name(name, known) == UnitHint(key, position)


def test_a_letter_whose_accent_stands_apart_is_not_cut_in_two() -> None:
    known = KnownKeys(["U", "P1-U"])
    assert unit_from_file_name(unicodedata.normalize("NFD", "ü.jpg"), known) is None
    assert unit_from_file_name(unicodedata.normalize("NFD", "Ü-1.jpg"), known) is None


def test_of_keys_that_are_alike_only_the_exact_one_names_its_unit() -> None:
    known = KnownKeys(["SÜD-1", "süd-1", "P3"])
    assert unit_from_file_name("SÜD-1.jpg", known) == UnitHint("SÜD-1")
    assert unit_from_file_name(unicodedata.normalize("NFD", "süd-1_x.jpg"), known) == UnitHint("süd-1")
    assert unit_from_file_name("Süd-1.jpg", known) is None
    assert known.twins() == {"SÜD-1": "süd-1", "süd-1": "SÜD-1"}


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=40))
def test_the_folded_form_is_one_for_every_spelling(text: str) -> None:
    folded = folded_key(text)
    assert folded_key(folded) == folded
    for form in ("NFC", "NFD"):
        assert folded_key(unicodedata.normalize(form, text)) == folded
        assert folded_key(unicodedata.normalize(form, text).casefold()) == folded
