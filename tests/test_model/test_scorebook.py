"""A saved book says the same as the photos it was made from, and is refused for other weights."""

from __future__ import annotations

import gzip
import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from model import assemble, scorebook
from model.artefact import load_model, save_model, weights_digest
from model.assemble import calibrate, recalibrate_from
from model.calibration import MOST_CALLED_CLEAR, KindCalibration
from model.errors import CalibrationError, ManifestError, PhotoError
from model.manifest import LabelledPhoto, read_manifest, write_manifest
from model.predict import Classifier
from model.scorebook import Scored, is_book, load_book, save_book, score_labelled
from model.vocabulary import FindingKind, Reason, Triage

from .small_model import untrained

SAMPLES = Path(__file__).parents[2] / "synthetic_samples" / "manifest.jsonl"
LOOSE = dict.fromkeys(FindingKind, 0.5)
"""A miss rate that a handful of photos allows."""


@pytest.fixture(scope="module")
def labels() -> list[LabelledPhoto]:
    """A few samples with every kind of answer: damage, none, no face."""
    found = read_manifest(SAMPLES)
    chosen = [p for p in found if p.family is None][:1] + [p for p in found if p.reason and p.family][:2]
    for kind in FindingKind:
        chosen += [p for p in found if any(f.kind is kind and f.visible > 0.5 for f in p.findings)][:2]
    return [*chosen, *[p for p in found if p.family and not p.findings and not p.reason][:2]]


@pytest.fixture(scope="module")
def classifier() -> Classifier:
    return Classifier.load()


@pytest.fixture(scope="module")
def book(classifier: Classifier, labels: list[LabelledPhoto]) -> list[Scored]:
    return score_labelled(classifier, labels, SAMPLES.parent, batch=6)


@pytest.mark.parametrize("name", ["book.jsonl", "book.jsonl.gz"])
def test_a_saved_book_gives_identical_judgements(
    book: list[Scored], classifier: Classifier, tmp_path: Path, name: str
) -> None:
    save_book(book, tmp_path / name, classifier)
    again = load_book(tmp_path / name, classifier)
    assert [s.judgement for s in again] == [s.judgement for s in book]
    assert [s.label for s in again] == [s.label for s in book]
    for before, after in zip(book, again, strict=True):
        for array in ("housing", "latch", "photo", "usable"):
            old, new = getattr(before.seen, array), getattr(after.seen, array)
            assert old.dtype == new.dtype
            np.testing.assert_array_equal(old, new)
    assert any(s.scored for s in again)
    assert any(not s.scored for s in again)
    assert is_book(tmp_path / name)
    assert not is_book(SAMPLES)
    assert not list(tmp_path.glob("*.part"))


def test_other_thresholds_change_the_judgements_of_a_saved_book(
    book: list[Scored], classifier: Classifier, tmp_path: Path
) -> None:
    save_book(book, tmp_path / "b.jsonl.gz", classifier)
    kinds = dict(classifier.card.calibration.kinds)
    kinds[FindingKind.BROKEN_PIN_HOUSING] = KindCalibration(clear_below=-1.0, flag_from=-1.0)
    eager = replace(classifier.card.calibration, kinds=kinds)
    model = replace(classifier.model, card=replace(classifier.card, calibration=eager, version="eager"))
    again = load_book(tmp_path / "b.jsonl.gz", Classifier(model))
    assert {s.judgement.triage for s in again if s.scored} == {Triage.FLAG}
    assert {s.judgement.model_version for s in again} == {"eager"}


def test_calibration_from_a_saved_book_is_that_from_the_photos(
    book: list[Scored], classifier: Classifier, tmp_path: Path
) -> None:
    save_book(book, tmp_path / "b.jsonl", classifier)
    again = load_book(tmp_path / "b.jsonl", classifier)
    found = calibrate(again, miss_rates=LOOSE)
    assert found == calibrate(book, miss_rates=LOOSE)
    assert all(found.kinds[kind].clear_below <= most for kind, most in MOST_CALLED_CLEAR.items())
    model = classifier.model
    save_model(tmp_path / "m.safetensors", model)
    card = recalibrate_from(tmp_path / "m.safetensors", again, miss_rates=LOOSE)
    assert card.metrics["calibrated_on"] == len(book)
    assert weights_digest(load_model(tmp_path / "m.safetensors")) == weights_digest(model)
    assert load_book(tmp_path / "b.jsonl", Classifier(load_model(tmp_path / "m.safetensors")))


def test_a_book_of_other_weights_or_a_damaged_one_is_refused(
    book: list[Scored], classifier: Classifier, tmp_path: Path
) -> None:
    path = tmp_path / "b.jsonl.gz"
    save_book(book, path, classifier)
    with pytest.raises(ManifestError, match="other weights"):
        load_book(path, Classifier(untrained()))
    lines = gzip.decompress(path.read_bytes()).splitlines(keepends=True)
    (tmp_path / "short.jsonl").write_bytes(b"".join(lines[:-1]))
    with pytest.raises(ManifestError, match=f"{len(book) - 1} photos of {len(book)}"):
        load_book(tmp_path / "short.jsonl", classifier)
    path.write_bytes(path.read_bytes()[:-40])
    for bad in (path, SAMPLES, tmp_path / "nowhere.jsonl"):
        with pytest.raises(ManifestError, match="cannot be read"):
            load_book(bad, classifier)


def test_threads_and_batches_change_no_order_and_progress_may_stop_the_work(
    book: list[Scored], classifier: Classifier, labels: list[LabelledPhoto]
) -> None:
    told: list[tuple[int, int]] = []
    many = score_labelled(
        classifier,
        labels[:7],
        SAMPLES.parent,
        batch=2,
        threads=3,
        progress=lambda done, total: told.append((done, total)),
    )
    assert [s.label for s in many] == labels[:7]
    assert told[-1] == (7, 7)
    for one, other in zip(many, book[:7], strict=True):
        np.testing.assert_allclose(one.seen.photo, other.seen.photo, atol=0.05)

    def stop(done: int, total: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        score_labelled(classifier, labels, SAMPLES.parent, batch=1, progress=stop)


def test_an_unreadable_file_is_an_error_unless_the_label_says_so(
    classifier: Classifier, labels: list[LabelledPhoto], tmp_path: Path
) -> None:
    (tmp_path / "broken.jpg").write_bytes(b"not a photo")
    broken = LabelledPhoto("broken.jpg", "c", None, reason=Reason.UNREADABLE)
    (scored,) = score_labelled(classifier, [broken], tmp_path)
    assert scored.judgement.reason is Reason.UNREADABLE
    save_book([scored], tmp_path / "b.jsonl", classifier)
    assert load_book(tmp_path / "b.jsonl", classifier)[0].judgement == scored.judgement
    with pytest.raises(PhotoError):
        score_labelled(classifier, [replace(broken, reason=None)], tmp_path)


def test_the_commands_score_and_calibrate_elsewhere(
    labels: list[LabelledPhoto], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Training folder -> book (machine with the photos) -> model file (machine without)."""
    import torch

    model = untrained()
    trained = tmp_path / "run"
    trained.mkdir()
    torch.save(model.locator.state_dict(), trained / "locator.pt")
    torch.save(model.condition.state_dict(), trained / "condition.pt")
    (trained / "config.json").write_text(json.dumps({"design": "both"}))
    (trained / "training.json").write_text(json.dumps({"data_hash": "0" * 64, "trained_on": 1}))
    photos = tmp_path / "set"
    photos.mkdir()
    (photos / "photos").symlink_to(SAMPLES.parent / "photos")
    few = [replace(p, split="calibration") for p in labels[:3]] + [replace(labels[3], split="test")]
    write_manifest(photos / "manifest.jsonl", few)
    book_file = tmp_path / "calibration.jsonl.gz"
    splits = ["--split", "calibration", "--split", "test"]
    arguments = [photos / "manifest.jsonl", book_file, "--model", trained, "--threads", 2, *splits]
    threads = torch.get_num_threads()
    monkeypatch.setattr(sys, "argv", ["scorebook", *map(str, arguments)])
    scorebook.main()
    torch.set_num_threads(threads)
    assert len(load_book(book_file, Classifier(assemble.load_trained(trained)))) == 4
    out = tmp_path / "m.safetensors"
    monkeypatch.setattr(sys, "argv", ["assemble", *map(str, [trained, out, "--book", book_file])])
    with pytest.raises(SystemExit, match="damaged examples"):
        assemble.main()
    monkeypatch.setattr(sys, "argv", ["assemble", str(trained), str(out)])
    with pytest.raises(SystemExit, match="neither"):
        assemble.main()


def test_a_file_whose_limits_cannot_be_set_is_not_left_behind(tmp_path: Path) -> None:
    """With limits that nobody set it would be a model file like any other, and call damage clear."""
    live, out, book_file = (tmp_path / name for name in ("live.safetensors", "out.safetensors", "none.jsonl"))
    save_model(live, untrained())
    save_book([], book_file, Classifier(load_model(live)))
    with pytest.raises(CalibrationError, match="damaged examples"):
        assemble.assemble(live, None, out, book=book_file)
    assert sorted(tmp_path.iterdir()) == [live, book_file]
    before = live.read_bytes()
    with pytest.raises(CalibrationError, match="damaged examples"):
        assemble.assemble(live, None, live, book=book_file)
    assert live.read_bytes() == before
