"""The shipped model on photos from outside: what is not the face of a handheld coupler must be refused."""

from __future__ import annotations

from pathlib import Path

import pytest
from skimage import data as open_pictures

from model.artefact import SHIPPED
from model.manifest import LabelledPhoto, read_manifest
from model.photo import open_photo, reencode_clean
from model.predict import DECODE_SIDE, Classifier
from model.scorebook import score_labelled
from model.vocabulary import FindingKind, Outcome

ROOT = Path(__file__).parents[2]
REAL = ROOT.parent / "shared" / "real_photos"
SAMPLES = ROOT / "synthetic_samples" / "manifest.jsonl"


@pytest.fixture(scope="module")
def classifier() -> Classifier:
    return Classifier.load()


def real_photos() -> list[Path]:
    return sorted(p for p in REAL.glob("*") if p.suffix in {".jpg", ".png"}) if REAL.exists() else []


@pytest.mark.skipif(not real_photos(), reason="the openly licensed photos of vehicle inlets are not here")
def test_vehicle_inlets_are_refused(classifier: Classifier) -> None:
    """Photos of inlets of other families (MIT and Apache-2.0, listed with their origin beside them)."""
    judgements = classifier.judge_many(open_photo(path, max_side=DECODE_SIDE) for path in real_photos())
    assert [j.outcome for j in judgements] == [Outcome.CANNOT_JUDGE] * len(real_photos())


@pytest.mark.parametrize(
    "name", ["astronaut", "brick", "chelsea", "coffee", "coins", "grass", "gravel", "moon", "page", "rocket"]
)
def test_pictures_of_other_things_are_refused(classifier: Classifier, name: str) -> None:
    """Open pictures that scikit-image ships for its own tests (public domain or CC0)."""
    picture = getattr(open_pictures, name)()
    rgb = picture if picture.ndim == 3 else picture[..., None].repeat(3, axis=2)
    photo = open_photo(reencode_clean(rgb), max_side=DECODE_SIDE)
    assert classifier.judge(photo).outcome is Outcome.CANNOT_JUDGE


def test_the_model_card_says_what_it_was_measured_on(classifier: Classifier) -> None:
    card = classifier.card
    assert card.trained_on > 20_000
    assert len(card.data_hash) == 64
    assert card.metrics["test"]["kinds"].keys() == {kind.value for kind in FindingKind}
    assert SHIPPED.stat().st_size < 20_000_000


def test_the_samples_are_judged_about_as_well_as_the_card_says(classifier: Classifier) -> None:
    """A floor that a broken pipeline falls through, not a bar: the bars are measured on the frozen split."""
    labels = [label for label in read_manifest(SAMPLES) if label.split == "test"]
    book = score_labelled(classifier, labels, SAMPLES.parent)
    good = [s for s in book if s.good]
    assert sum(s.scored for s in good) >= 0.9 * len(good)
    assert all(s.seen.face.family.key == s.label.family for s in good if s.seen.face is not None)
    strangers = [s for s in book if s.label.family is None]
    assert not any(s.scored for s in strangers)
    damaged = [s for s in good if s.scored and any(s.visible_findings(k, 0.3) for k in FindingKind)]
    assert sum(bool(s.judgement.findings) for s in damaged) >= 0.8 * len(damaged)


def test_samples_hold_every_label_in_both_splits() -> None:
    labels: list[LabelledPhoto] = read_manifest(SAMPLES)
    assert all((SAMPLES.parent / label.file).is_file() for label in labels)
    for split in ("train", "test"):
        kinds = {f.kind for label in labels if label.split == split for f in label.findings}
        assert kinds == set(FindingKind)
