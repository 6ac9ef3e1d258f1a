"""The shipped model on couplers that somebody else modelled and another program rendered.

The photos (``synthetic_samples/elsewhere``) come from a rasteriser and two other path tracers, modelled nine
times anew by hands that knew the published geometry but neither our generator nor its pictures. 943 photos of
909 couplers tell that the model carries over at all, not how well: the bounds are floors that a broken
pipeline falls through. Fourteen show other things.
"""

from pathlib import Path

import pytest

from model.manifest import read_manifest
from model.predict import Classifier
from model.scorebook import SEVERE_FROM, Scored, score_labelled
from model.vocabulary import FindingKind, Triage

ELSEWHERE = Path(__file__).parents[2] / "synthetic_samples" / "elsewhere" / "manifest.jsonl"


@pytest.fixture(scope="module")
def book() -> list[Scored]:
    return score_labelled(Classifier.load(), read_manifest(ELSEWHERE), ELSEWHERE.parent)


def share(found: list[bool], least: int) -> float:
    assert len(found) >= least
    return sum(found) / len(found)


def severe(photo: Scored) -> set[FindingKind]:
    return {kind for kind in FindingKind if photo.visible_findings(kind, SEVERE_FROM)}


def test_good_photos_are_judged_and_their_family_known(book: list[Scored]) -> None:
    couplers = [photo for photo in book if photo.label.family is not None]
    assert share([photo.scored for photo in couplers], 943) >= 0.97
    assert all(
        photo.seen.face.family.key == photo.label.family for photo in couplers if photo.seen.face is not None
    )


def test_other_things_are_refused(book: list[Scored]) -> None:
    others = [photo for photo in book if photo.label.family is None]
    assert share([not photo.scored for photo in others], 14) >= 0.8


def test_damage_is_seldom_called_clear(book: list[Scored]) -> None:
    damaged = [photo for photo in book if photo.scored and severe(photo)]
    assert share([photo.judgement.triage is not Triage.CLEAR for photo in damaged], 490) >= 0.9


def test_intact_couplers_are_seldom_flagged(book: list[Scored]) -> None:
    intact = [photo for photo in book if photo.scored and not photo.label.findings]
    assert share([photo.judgement.triage is not Triage.FLAG for photo in intact], 380) >= 0.95


@pytest.mark.parametrize("kind", [FindingKind.BROKEN_PIN_HOUSING, FindingKind.HEAT_MELTED_HOUSING])
def test_the_damaged_housing_is_named(book: list[Scored], kind: FindingKind) -> None:
    found = [photo for photo in book if photo.named_places(kind) and kind in severe(photo)]
    named = [bool(p.named_places(kind) & {f.place for f in p.visible_findings(kind)}) for p in found]
    assert share(named, 30) >= 0.9
