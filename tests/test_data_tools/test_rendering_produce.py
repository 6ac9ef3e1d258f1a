"""Production: files and manifest, resume after a stop, the same truth from other workers, crashes skipped."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from multiprocessing.connection import Connection
from pathlib import Path

import pytest
from PIL import Image

from data_tools.rendering import crew
from data_tools.rendering.plan import assignments
from data_tools.rendering.produce import MANIFEST, PROGRESS, ProduceConfig, produce
from data_tools.rendering.renderer import choose_variant
from model.errors import ManifestError
from model.manifest import LabelledPhoto, read_manifest

pytestmark = [pytest.mark.render, pytest.mark.slow]
pytest.importorskip("mitsuba")

_COUNT = 7
_CONFIG = ProduceConfig(count=_COUNT, seed=2, workers=1, variant="scalar_rgb", samples=1, scale=0.15)


def _truth(photos: list[LabelledPhoto]) -> list[object]:
    return [
        (p.file, p.coupler, p.family, p.homography, [(f.kind, f.place, f.severity) for f in p.findings])
        for p in photos
    ]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("whole")
    report = produce(_CONFIG, out)
    assert (report.photos, report.skipped) == (_COUNT, 0)
    return out


def test_a_set_says_what_it_is_for(whole: Path) -> None:
    """A finished set only gets its manifest anew; without a wish the split is left to whoever uses it."""
    assert {photo.split for photo in read_manifest(whole / MANIFEST)} == {None}
    report = produce(replace(_CONFIG, split="test"), whole)
    assert report.new_photos == 0
    assert {photo.split for photo in read_manifest(whole / MANIFEST)} == {"test"}
    produce(_CONFIG, whole)


def test_every_photo_is_there_with_its_truth(whole: Path) -> None:
    photos = read_manifest(whole / MANIFEST)
    assert len(photos) == _COUNT
    for photo in photos:
        with Image.open(whole / photo.file) as image:
            assert image.size == (photo.attributes["width"], photo.attributes["height"])
        if photo.family is None:
            assert photo.reason is not None
        else:
            assert photo.homography is not None
            assert photo.places
            assert all(0 <= share <= 1 for share in photo.places.values())
        assert all(0 <= finding.visible <= 1 for finding in photo.findings)


def test_a_stopped_run_goes_on_where_it_was(whole: Path, tmp_path: Path) -> None:
    whole_subject = assignments(_CONFIG.seed, _COUNT)[0].photos
    first = produce(replace(_CONFIG, count=whole_subject + 1), tmp_path)
    assert first.new_photos == whole_subject + 1
    with (tmp_path / PROGRESS).open("a", encoding="utf-8") as log:
        log.write('{"index": 5, "lines": [{"file": "cut sh')
    steps: list[tuple[int, int]] = []
    second = produce(_CONFIG, tmp_path, progress=lambda done, wanted: steps.append((done, wanted)))
    assert second.photos == _COUNT
    assert second.new_photos == _COUNT - whole_subject
    assert steps[-1][1] == _COUNT
    assert _truth(read_manifest(tmp_path / MANIFEST)) == _truth(read_manifest(whole / MANIFEST))
    again = produce(_CONFIG, tmp_path)
    assert (again.new_photos, again.manifest_sha256) == (0, second.manifest_sha256)


def test_another_number_of_workers_gives_the_same_truth(whole: Path, tmp_path: Path) -> None:
    produce(replace(_CONFIG, workers=2), tmp_path)
    assert _truth(read_manifest(tmp_path / MANIFEST)) == _truth(read_manifest(whole / MANIFEST))


def test_a_folder_of_another_seed_is_refused(whole: Path) -> None:
    with pytest.raises(ManifestError, match="another folder"):
        produce(replace(_CONFIG, seed=3), whole)


def test_a_crash_costs_one_subject(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(crew, "_work", _crashing_worker)
    todo = assignments(2, 12)
    settings = crew.CrewSettings(2, "scalar_rgb", 0, 1)
    results = list(crew.run_crew(settings, _no_studio, tmp_path, todo))
    assert sorted(result.assignment.index for result in results) == [item.index for item in todo]
    errors = {result.assignment.index: result.error for result in results}
    assert "died" in str(errors[1])
    assert all(error is None for index, error in errors.items() if index != 1)


def test_a_subject_that_hangs_holds_nothing_up_once_time_is_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(crew, "_work", _hanging_worker)
    monkeypatch.setattr(crew, "LATE_SECONDS", 8.0)
    todo = assignments(2, 12)
    settings = crew.CrewSettings(2, "scalar_rgb", 0, 1)
    stop_at = time.monotonic() + 1.0
    results = list(crew.run_crew(settings, _no_studio, tmp_path, todo, stop_at))
    assert time.monotonic() < stop_at + 60
    errors = {result.assignment.index: result.error for result in results}
    assert "no answer within" in str(errors[1])
    assert all(error is None for index, error in errors.items() if index != 1)


def _no_studio(settings: crew.CrewSettings) -> crew.Take:
    """The workers of these tests take no photos."""
    return lambda _task, _clock: iter(())


def _hanging_worker(number: int, settings: object, studio: object, out_dir: Path, pipe: Connection) -> None:
    _work_but_for_one(pipe, lambda: time.sleep(300))


def _crashing_worker(number: int, settings: object, studio: object, out_dir: Path, pipe: Connection) -> None:
    _work_but_for_one(pipe, lambda: os._exit(11))


def _work_but_for_one(pipe: Connection, trouble: Callable[[], object]) -> None:
    with suppress(EOFError):
        while True:
            assignment = pipe.recv()
            if assignment.index == 1:
                trouble()
            pipe.send(crew.Result(assignment, [], {}))


def test_an_unknown_variant_is_refused() -> None:
    with pytest.raises(ValueError, match="variant"):
        choose_variant("crayon")


def test_progress_lines_are_json(whole: Path) -> None:
    lines = [line for line in (whole / PROGRESS).read_text().splitlines() if line]
    assert all(json.loads(line)["error"] is None for line in lines)
