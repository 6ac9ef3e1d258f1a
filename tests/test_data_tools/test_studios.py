"""Photos by other hands: what a studio is asked for, the book of its set, and that it can be relied on."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

pytest.importorskip("mitsuba")

from data_tools.rendering.crew import Result
from data_tools.rendering.ledger import MANIFEST, PROGRESS, RUN, Ledger
from data_tools.studios.commission import STUDIOS, Commission
from data_tools.studios.produce import Order, main, produce
from model.errors import ManifestError
from model.families import FAMILIES
from model.manifest import LabelledPhoto, read_manifest
from model.photo import open_photo

pytestmark = pytest.mark.render
WORDS = {"studio": STUDIOS[0], "seed": 3}


def result(index: int, photos: int, error: str | None = None) -> Result:
    lines = [LabelledPhoto(f"photos/{index}-{n}.jpg", f"c{index}", "type1").to_json() for n in range(photos)]
    return Result(Commission(STUDIOS[0], 3, index), lines, {}, error)


def test_a_set_is_made_in_one_way_only(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "set")
    ledger.claim(WORDS)
    ledger.claim(WORDS)
    with pytest.raises(ManifestError, match="another folder"):
        ledger.claim(WORDS | {"seed": 4})
    (tmp_path / "set" / RUN).write_text("no JSON")
    with pytest.raises(ManifestError, match="cannot be read"):
        ledger.claim(WORDS)


def test_an_unknown_renderer_variant_is_refused_in_words(tmp_path: Path) -> None:
    words = [STUDIOS[0], "--out", str(tmp_path), "--subjects", "1", "--variant", "crayon"]
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 2
    assert "'crayon' is not one of 'auto'" in result.output


def test_what_is_done_is_written_down_at_once_and_read_again(tmp_path: Path) -> None:
    ledger, told = Ledger(tmp_path), []
    results = [result(0, 2), result(2, 0, "it broke"), result(1, 1)]
    fresh = ledger.follow(results, done := {}, 9, lambda *counts: told.append(counts))
    assert fresh == results
    assert told == [(2, 9), (2, 9), (3, 9)]
    with (tmp_path / PROGRESS).open("a") as log:
        log.write('7\n{"lines": []}\n{"index": 7, "li')
    assert ledger.finished() == done
    assert {n: len(record["lines"]) for n, record in done.items()} == {0: 2, 2: 0, 1: 1}
    ledger.follow([result(7, 3)], ledger.finished(), 9, None)
    assert sorted(ledger.finished()) == [0, 1, 2, 7]


def test_the_manifest_names_a_split_where_a_photo_has_none(tmp_path: Path) -> None:
    lines = [
        LabelledPhoto("a.jpg", "a", "type1").to_json(),
        LabelledPhoto("b.jpg", "b", None, split="stress").to_json(),
    ]
    _, couplers = Ledger(tmp_path).write_manifest(lines, "test")
    assert couplers == 1
    assert [photo.split for photo in read_manifest(tmp_path / MANIFEST)] == ["test", "stress"]


@pytest.mark.slow
@pytest.mark.parametrize("studio", STUDIOS)
def test_a_studio_fills_a_set_that_goes_on_where_it_was(studio: str, tmp_path: Path) -> None:
    order = Order(studio, 2, seed=7, workers=1, samples=2, scale=0.3, split="train")
    assert "0 subjects skipped" in produce(order, tmp_path)
    first = read_manifest(tmp_path / MANIFEST)
    assert "0 subjects skipped" in produce(Order(**{**order.__dict__, "subjects": 5}), tmp_path)
    photos = read_manifest(tmp_path / MANIFEST)
    assert photos[: len(first)] == first
    assert len({photo.coupler for photo in photos}) == 5
    assert len({photo.file for photo in photos}) == len(photos)
    for photo in photos:
        assert photo.split == "train"
        assert photo.coupler.startswith(f"{studio}-7-")
        assert open_photo((tmp_path / photo.file).read_bytes(), max_side=640).rgb.std() > 5
        json.dumps(photo.to_json(), allow_nan=False)
        if photo.family:
            assert set(photo.places) == set(FAMILIES[photo.family].places)
            assert all(finding.place in photo.places for finding in photo.findings)
