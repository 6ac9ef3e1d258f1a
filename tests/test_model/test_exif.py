"""The camera that a photo file names: text written by others, kept as one short line."""

from types import SimpleNamespace

import pytest

from model.exif import stated
from model.photo import open_photo
from tests.hostile_files import encode, phone_exif, scene


@pytest.mark.parametrize(
    ("make", "model", "camera"),
    [
        ("Maker", "Phone 7", "Maker Phone 7"),
        ("MAKER", "Maker Phone 7", "Maker Phone 7"),
        ("", "Phone 7", "Phone 7"),
        ("Maker", "", "Maker"),
        ("  Maker\n", "Phone\t 7\x1b[31m\0\0hidden", "Maker Phone 7 [31m"),
        ("Maker", "\u202egnihton 7\u2066".encode(), "Maker gnihton 7"),
        ("Maker", "相机 7".encode(), "Maker 相机 7"),
        ("Maker", b"\xff\xfe\x00", "Maker ÿþ"),
        ("Maker", "x" * 5000, "Maker " + "x" * 74),
    ],
)
def test_the_camera_is_one_short_printable_line(make: str, model: str | bytes, camera: str) -> None:
    """EXIF 2.3, tags 271 (Make) and 272 (Model): text written by whoever made the file."""
    exif = phone_exif()
    exif[0x010F], exif[0x0110] = make, model
    found = open_photo(encode(scene(), exif=exif)).camera
    assert (found, found.isprintable(), len(found) <= 80) == (camera, True, True)


@pytest.mark.parametrize("value", [7, 1.5, (1, 2, 3), None])
def test_a_camera_that_is_no_text_is_none(value: object) -> None:
    exif = phone_exif()
    exif[0x010F] = exif[0x0110] = value
    assert stated(SimpleNamespace(getexif=lambda: exif)) == (1, None, "")  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "HEIF"])
def test_every_format_names_its_camera(kind: str) -> None:
    assert open_photo(encode(scene(), kind, exif=phone_exif().tobytes())).camera == "SecretMaker"
