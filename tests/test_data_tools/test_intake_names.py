"""Names, labels and times as phones and other programs write them: each photo gets to its unit or waits."""

from __future__ import annotations

import io
import unicodedata
import zipfile
from datetime import UTC, datetime

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from data_tools.archives import clean_name
from data_tools.ingest import UploadSource, ingest
from data_tools.keys import KnownKeys
from data_tools.records import IngestedFile, IngestStatus
from data_tools.sites import add_site, add_unit
from data_tools.unit_labels import UnitHint, unit_from_file_name, unit_from_photo
from data_tools.workspace import Workspace
from tests.hostile_files import phone_jpeg, scene
from tests.test_data_tools.store_kit import LEAD, OPENED, UPLOADER, picture, upload

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)


def sent(ws: Workspace, name: str, data: bytes, site: str = "north") -> list[IngestedFile]:
    """Send one file and return what became of it, or of what was in it."""
    return list(ingest(ws, UPLOADER, [UploadSource(name, data)], site, now=NOON).files)


@pytest.mark.parametrize("zone", ["Pacific/Honolulu", "Pacific/Kiritimati"])
@pytest.mark.parametrize("offset", ["", "-14:00"])
@pytest.mark.parametrize("year", [1990, 9999])
def test_a_clock_at_the_end_of_time_costs_neither_the_photo_nor_the_upload(
    ws: Workspace, zone: str, offset: str, year: int
) -> None:
    add_site(ws, LEAD, "far", "Far", zone)
    add_unit(ws, LEAD, "far", "F1", now=OPENED)
    stamps = [datetime(year, 12, 31, 23, 59, 59), datetime(year, 1, 1)]
    sources = [
        UploadSource(f"F1_{n}.jpg", phone_jpeg(scene(seed=n), taken=taken, offset=offset))
        for n, taken in enumerate(stamps)
    ]
    files = ingest(ws, UPLOADER, sources, "far", now=NOON).files
    assert [file.status for file in files] == [IngestStatus.STORED] * 2
    assert [file.photo.seen_at if file.photo else None for file in files] == [NOON] * 2


def _zip_without_utf8_flag(name: str) -> bytes:
    """Return a zip as the packer of a desktop system writes it: the name in UTF-8, and no mark that it is."""
    raw = name.encode()
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as packed:
        packed.writestr("x" * len(raw), picture())
    return buffer.getvalue().replace(b"x" * len(raw), raw)


@pytest.mark.parametrize("form", ["NFC", "NFD"])
def test_accents_in_a_zip_are_read_also_where_it_does_not_say_how(ws: Workspace, form: str) -> None:
    add_unit(ws, LEAD, "north", "SÜD-1", now=OPENED)
    (file,) = sent(ws, "round.zip", _zip_without_utf8_flag(unicodedata.normalize(form, "Süd-1_x.png")))
    assert file.photo is not None
    assert file.photo.unit_key == "SÜD-1"
    assert unicodedata.normalize("NFC", file.file_name) == "Süd-1_x.png"


def test_an_old_zip_keeps_its_code_page(ws: Workspace) -> None:
    data = _zip_without_utf8_flag("SzED-1.png").replace(b"SzED-1.png", b"S\x9aED-1.png")
    assert [file.file_name for file in sent(ws, "round.zip", data)] == ["SÜED-1.png"]


def test_who_sends_known_bytes_under_the_name_of_another_unit_is_told_how_they_get_there(
    ws: Workspace,
) -> None:
    sent(ws, "P3-07.png", picture())
    (again,) = sent(ws, "p3-08_copy.png", picture())
    assert again.status is IngestStatus.KNOWN
    assert "a photo of unit P3-07" in again.message
    assert "If it shows P3-08, a technician moves it" in again.message
    (same,) = sent(ws, "P3-07_copy.png", picture())
    assert "moves it" not in same.message


def test_who_sends_known_bytes_for_the_other_coupler_is_told_how_they_get_there(ws: Workspace) -> None:
    add_unit(ws, LEAD, "north", "P3-07", position="B", now=OPENED)
    sent(ws, "P3-07.png", picture())
    source = UploadSource("again.png", picture())
    for position, told in (("B", True), ("A", False)):
        (file,) = ingest(ws, UPLOADER, [source], "north", unit_key="P3-07", position=position).files
        assert ("If it shows coupler B, a technician moves it" in file.message) is told


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("P3-\u200b07.jpg", "P3-07.jpg"),
        ("\ufeffP3-07\u200e.jpg", "P3-07.jpg"),
        ("P3\u00ad-07.jpg", "P3-07.jpg"),
        ("P3-07\u202egpj.exe", "P3-07 gpj.exe"),
        ("P3-07\x1b[31m.jpg", "P3-07 [31m.jpg"),
    ],
)
def test_marks_that_nobody_sees_do_not_part_a_key(ws: Workspace, name: str, shown: str) -> None:
    assert clean_name(name) == shown
    (file,) = ingest(ws, UPLOADER, [upload(name)], "north").files
    assert file.photo is not None
    assert file.photo.unit_key == "P3-07"


@pytest.mark.parametrize("name", ["P3-07__ B.jpg", "P3-07__\u202eB.jpg", "P3-07__B x.jpg"])
def test_a_space_before_the_position_does_not_file_it_under_another_coupler(name: str) -> None:
    assert unit_from_file_name(clean_name(name), KnownKeys(["P3-07"])) == UnitHint("P3-07", "B")


def _labels(*texts: str) -> NDArray[np.uint8]:
    photo = np.full((420, 420 * len(texts), 3), 120, np.uint8)
    for column, text in enumerate(texts):
        grey = np.kron(cv2.QRCodeEncoder.create().encode(text), np.ones((6, 6), np.uint8))
        label = np.repeat(np.pad(grey, 24, constant_values=255)[:, :, None], 3, axis=2)
        photo[20 : 20 + label.shape[0], 20 + 420 * column : 20 + 420 * column + label.shape[1]] = label
    return photo


def test_labels_of_two_couplers_of_one_unit_name_neither() -> None:
    known = KnownKeys(["P3-07"])
    two = _labels("unit=P3-07&position=A", "unit=P3-07&position=B")
    assert unit_from_photo(two, known) is None
    one = _labels("unit=P3-07&position=B", "P3-07", "unit=p3-07&position=b")
    found = unit_from_photo(one, known)
    assert found is not None
    assert (found.unit_key, (found.position or "").upper()) == ("P3-07", "B")
