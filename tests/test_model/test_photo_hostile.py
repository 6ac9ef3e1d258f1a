"""Hostile files: only a ``PhotoError`` with words may come out, whatever the bytes."""

from __future__ import annotations

import struct
import subprocess
import sys
import time
import tracemalloc
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from model.errors import PhotoError, PhotoTooLargeError, UnreadablePhotoError
from model.photo import Photo, open_photo
from tests.hostile_files import HOSTILE, encode, phone_exif, png_bomb, rows_png, scene
from tests.test_house.project import ROOT

KINDS = ("JPEG", "PNG", "WEBP", "HEIF")
FUZZ = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@cache
def sound_file(kind: str) -> bytes:
    """Return a small sound file with EXIF to be broken in many ways."""
    return encode(scene(48, 40), kind, exif=phone_exif(6).tobytes())


def opens_or_says_why(data: bytes) -> Photo | None:
    """Open ``data``; anything but a photo or a ``PhotoError`` with words fails the test."""
    refusal = None
    try:
        photo = open_photo(data, max_side=32)
    except PhotoError as error:
        refusal = error
    if refusal is not None:
        assert all((refusal.wanted, refusal.came, refusal.todo))
        return None
    assert photo.rgb.ndim == 3
    assert photo.rgb.dtype == np.uint8
    return photo


@pytest.mark.parametrize("name", HOSTILE)
@pytest.mark.parametrize("max_side", [None, 64])
def test_each_hostile_file_is_refused_with_words(name: str, max_side: int | None) -> None:
    with pytest.raises(PhotoError, match=r"^Wanted .+; got .+\. .+\.$"):
        open_photo(HOSTILE[name](), max_side=max_side)


def test_an_empty_file_is_called_empty() -> None:
    with pytest.raises(UnreadablePhotoError, match="got an empty file"):
        open_photo(b"")


def test_a_decompression_bomb_is_refused_before_it_is_unpacked() -> None:
    data = png_bomb()
    tracemalloc.start()
    started = time.perf_counter()
    with pytest.raises(PhotoTooLargeError, match="30000 x 30000"):
        open_photo(data)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert time.perf_counter() - started < 1
    assert peak < 5_000_000


@pytest.mark.parametrize("kind", KINDS)
def test_no_cut_of_a_sound_file_passes_for_the_whole(kind: str) -> None:
    data = sound_file(kind)
    whole = open_photo(data).rgb
    for cut in range(0, len(data) - 1, max(1, len(data) // 150)):
        photo = opens_or_says_why(data[:cut])
        assert photo is None or np.array_equal(open_photo(data[:cut]).rgb, whole)


@given(st.binary(max_size=400))
@FUZZ
def test_random_bytes(data: bytes) -> None:
    opens_or_says_why(data)


@given(st.sampled_from(KINDS), st.binary(max_size=200), st.integers(4, 40))
@FUZZ
def test_random_bytes_behind_a_true_beginning(kind: str, data: bytes, kept: int) -> None:
    opens_or_says_why(sound_file(kind)[:kept] + data)


@given(
    st.sampled_from(KINDS),
    st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 255)), min_size=1, max_size=12),
)
@FUZZ
def test_sound_files_with_bytes_changed(kind: str, changes: list[tuple[float, int]]) -> None:
    data = bytearray(sound_file(kind))
    for place, value in changes:
        data[int(place * len(data))] = value
    opens_or_says_why(bytes(data))


@given(
    st.sampled_from(KINDS),
    st.floats(0, 1),
    st.floats(0, 1),
    st.sampled_from(["drop", "repeat", "zero"]),
)
@FUZZ
def test_sound_files_with_a_stretch_lost(kind: str, left: float, right: float, how: str) -> None:
    data = sound_file(kind)
    start, end = sorted((int(left * len(data)), int(right * len(data))))
    middle = {"drop": b"", "repeat": data[start:end] * 2, "zero": b"\0" * (end - start)}[how]
    opens_or_says_why(data[:start] + middle + data[end:])


def test_many_threads_read_without_a_warning(recwarn: pytest.WarningsRecorder) -> None:
    files = [sound_file(kind) for kind in KINDS] * 8
    with ThreadPoolExecutor(8) as pool:
        photos = list(pool.map(open_photo, files))
    first = {photo.format: photo.rgb for photo in photos[:4]}
    assert all(np.array_equal(photo.rgb, first[photo.format]) for photo in photos)
    assert not recwarn.list


_PEAK = """
import resource, sys
from pathlib import Path
from model.photo import open_photo
open_photo(Path(sys.argv[1]), max_side=64)
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
open_photo(Path(sys.argv[2]), max_side=int(sys.argv[3]) or None)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is counted in other units elsewhere")
@pytest.mark.parametrize(
    ("channels", "bits", "max_side", "most"),
    [(4, 8, 1280, 5), (4, 16, 1280, 5), (1, 16, 1280, 5), (4, 8, 3000, 10), (1, 16, 0, 8), (4, 8, 0, 8)],
)
def test_a_large_png_is_read_within_a_bounded_memory(
    tmp_path: Path, channels: int, bits: int, max_side: int, most: float
) -> None:
    """Before strips it took 18 (grey of 16 bits) to 22 (alpha) bytes a pixel, at every size."""
    side = 7800
    small, large = tmp_path / "small.png", tmp_path / "large.png"
    small.write_bytes(rows_png(100, 100, channels, bits))
    large.write_bytes(rows_png(side, side, channels, bits))
    command = [sys.executable, "-c", _PEAK, str(small), str(large), str(max_side)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    assert int(done.stdout) * 1024 / side**2 < most


def test_a_webp_too_large_for_its_decoder_is_refused_with_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("model.photo.MAX_WEBP_PIXELS", 48 * 40 - 1)
    with pytest.raises(PhotoTooLargeError, match="Send the original JPEG or HEIC"):
        open_photo(sound_file("WEBP"))
    assert open_photo(sound_file("PNG")).format == "PNG"


@pytest.mark.parametrize("first", [b"avif", b"mif1"])
def test_an_avif_picture_is_called_so_whatever_its_first_brand(first: bytes) -> None:
    ftyp = struct.pack(">I", 28) + b"ftyp" + first + bytes(4) + b"avif" + b"mif1" + b"miaf"
    with pytest.raises(UnreadablePhotoError, match="an AVIF picture. Send it as JPEG or HEIC"):
        open_photo(ftyp + bytes(200))


@pytest.mark.parametrize("mode", ["RGBA", "LA", "P", "I;16", "1"])
@pytest.mark.parametrize("max_side", [None, 320, 150, 90, 31, 7])
def test_strips_give_the_pixels_of_the_whole(
    monkeypatch: pytest.MonkeyPatch, mode: str, max_side: int | None
) -> None:
    """Reference library: Pillow's ``resize`` with ``reducing_gap`` on the whole picture."""
    picture = Image.fromarray(scene(641, 483))
    if mode == "I;16":
        picture = Image.fromarray(np.asarray(picture)[:, :, 0].astype(np.uint16) * 251)
    elif mode == "RGBA":
        picture.putalpha(Image.fromarray(scene(641, 483, seed=3)[:, :, 2]))
    else:
        picture = picture.convert(mode)
    data = encode(picture, "PNG")
    monkeypatch.setattr("model.photo._STRIP_PIXELS", 10**9)
    whole = Image.fromarray(open_photo(data).rgb)
    if max_side is not None:
        size = (max_side, max(1, round(483 * max_side / 641)))
        whole = whole.resize(size, Image.Resampling.HAMMING, reducing_gap=2.0)
    for strip in (1, 3000, 50_000):
        monkeypatch.setattr("model.photo._STRIP_PIXELS", strip)
        assert np.array_equal(open_photo(data, max_side=max_side).rgb, np.asarray(whole))
