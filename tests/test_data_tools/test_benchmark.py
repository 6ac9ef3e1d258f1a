"""The benchmark measures what it says: both ways on the same files, and the parts of the work."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from data_tools import benchmark
from data_tools.benchmark import Timing, Way, as_phone_photo, run
from model.artefact import save_model

from ..test_model.drawn import draw_face
from ..test_model.small_model import untrained


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    from model.families import FAMILIES

    matrix = np.array([[3.0, 0, 160.0], [0, -3.0, 120.0], [0, 0, 1.0]])
    path = tmp_path / "photo.jpg"
    Image.fromarray(draw_face(FAMILIES["type1"], matrix, (320, 240), None)).save(path)
    return path


def test_both_ways_judge_every_file_in_every_repeat(
    photo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    model = untrained()
    artefact = tmp_path / "m.safetensors"
    save_model(artefact, model)
    monkeypatch.setattr(benchmark, "cold_start", lambda file, model: 1.5)
    timing = run([photo] * 5, artefact, repeats=2)
    for way in (timing.product, timing.plain):
        assert len(way.wall) == len(way.processor) == 2
        assert min(way.wall) > 0
        assert len(way.labels) == 5
    assert timing.shares.keys() == {"decode", "locate", "classify", "measure and read"}
    assert timing.shares["locate"] > 0
    assert "Same label on 5 of 5" in timing.text()


def test_the_ratio_is_of_photos_a_second_and_its_range_is_told() -> None:
    product = Way([1.0, 2.0, 1.0], [2.0, 2.0, 2.0], ["intact"] * 4)
    plain = Way([3.0, 8.0, 5.0], [4.0, 4.0, 4.0], ["intact"] * 3 + ["cannot judge"])
    timing = Timing(4, product, plain, {"decode": 0.01, "locate": 0.03}, 2.0)
    assert timing.ratios() == [3.0, 4.0, 5.0]
    text = timing.text()
    assert "ratio 4.00 (from 3.00 to 5.00), of processor time 2.00" in text
    assert "decode 10 ms (25%), locate 30 ms (75%)" in text
    assert "Same label on 3 of 4" in text


def test_a_new_process_is_timed_to_its_verdict(photo: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A stand-in for Python that says its verdict after 0.2 s and then lingers."""
    stand_in = photo.parent / "python"
    stand_in.write_text('#!/bin/sh\nsleep 0.2\necho "$@"\nexec sleep 1\n', encoding="utf-8")
    stand_in.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(stand_in))
    start = time.perf_counter()
    assert 0.2 <= benchmark.cold_start(photo) < time.perf_counter() - start - 0.5


def test_enlarged_photos_are_twelve_megapixels_and_keep_their_way_up(photo: Path, tmp_path: Path) -> None:
    enlarged = tmp_path / "big.jpg"
    enlarged.write_bytes(as_phone_photo(photo))
    with Image.open(enlarged) as image:
        assert image.size == (4000, 3000)
    upright = tmp_path / "upright.jpg"
    Image.new("RGB", (240, 320)).save(upright)
    enlarged.write_bytes(as_phone_photo(upright))
    with Image.open(enlarged) as image:
        assert image.size == (3000, 4000)
