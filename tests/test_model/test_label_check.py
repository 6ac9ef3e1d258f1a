"""Labels that do not fit together: found when flipped, left alone when people rightly correct the model."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from model.label_check import NEIGHBOURS, LabelCheck, find_doubts
from model.manifest import LabelledFinding, LabelledPhoto
from model.vocabulary import FindingKind, Place

MELTED = LabelledFinding(FindingKind.HEAT_MELTED_HOUSING, Place.BOTTOM)
COLUMN = list(FindingKind).index(FindingKind.HEAT_MELTED_HOUSING)


def _set(count: int = 200, seed: int = 0) -> tuple[list[LabelledPhoto], np.ndarray, np.ndarray]:
    """Photos of ``count`` couplers, a third of them melted, in two clouds; a model that is sure and right."""
    rng = np.random.default_rng(seed)
    melted = np.arange(count) % 3 == 0
    vectors = rng.normal(0, 1, (count, 8)).astype(np.float32)
    vectors[:, 0] += np.where(melted, 5, -5)
    probabilities = np.full((count, 3), 0.01)
    probabilities[:, COLUMN] = np.where(melted, 0.97, 0.02)
    labels = [
        LabelledPhoto(
            f"{n:03}",
            f"c{n}",
            "type1",
            (MELTED,) if melted[n] else (),
            attributes={"confirmed_by": ["Tom" if n % 2 else "Tess"]},
        )  # fmt: skip
        for n in range(count)
    ]
    return labels, vectors, probabilities


def _flipped(label: LabelledPhoto) -> LabelledPhoto:
    return replace(label, findings=() if label.findings else (MELTED,))


def test_right_labels_raise_no_doubt() -> None:
    check = find_doubts(*_set())
    assert (check.doubtful, check.too_many) == (0, False)
    assert "No doubtful label among 200" in check.words


def test_three_flipped_labels_in_ten_are_too_many_and_their_reviewer_is_named() -> None:
    labels, vectors, probabilities = _set()
    flipped = {n for n in range(200) if n % 2 and n % 10 < 6}  # 60 of the 100 that Tom confirmed
    assert len(flipped) == 60
    labels = [_flipped(label) if n in flipped else label for n, label in enumerate(labels)]
    check = find_doubts(labels, vectors, probabilities)
    found = {int(doubt.file) for doubt in check.doubts}
    assert len(found & flipped) > 30
    assert check.too_many
    (name, doubts, photos), *others = check.by_reviewer
    assert (name, photos) == ("Tom", 100)
    assert doubts > 5 * others[0][1]
    assert "By reviewer: Tom" in check.words
    assert "Let a second person look at these first" in check.words


def test_correcting_a_model_that_is_wrong_on_new_couplers_is_no_doubt() -> None:
    """The model calls a whole new kind of coupler melted; people say intact, each time."""
    labels, vectors, probabilities = _set()
    stranger = vectors[:60].copy()
    stranger[:, 0], stranger[:, 1] = 0, 9
    intact = [replace(p, file=f"n{p.file}", coupler=f"n{p.coupler}", findings=()) for p in labels[:60]]
    wrong = np.full((60, 3), 0.01)
    wrong[:, COLUMN] = 0.95
    check = find_doubts(labels + intact, np.vstack([vectors, stranger]), np.vstack([probabilities, wrong]))
    assert check.doubtful == 0


def test_few_corrected_misses_are_doubtful_but_not_too_many() -> None:
    labels, vectors, probabilities = _set()
    labels[1] = _flipped(labels[1])
    check = find_doubts(labels, vectors, probabilities)
    assert [(d.file, d.says, d.against) for d in check.doubts] == [("001", True, NEIGHBOURS)]
    assert not check.too_many


def test_photos_of_the_same_coupler_do_not_vouch_for_each_other() -> None:
    labels, vectors, probabilities = _set(20)
    one = [replace(label, coupler="the same") for label in labels]
    one[1] = _flipped(one[1])
    assert find_doubts(one, vectors, probabilities).doubts == ()
    assert find_doubts([], vectors[:0], probabilities[:0]) == LabelCheck(0)


def test_what_a_second_person_confirmed_is_believed() -> None:
    labels, vectors, probabilities = _set()
    doubtful = _flipped(labels[1])
    agreed = replace(doubtful, attributes={"confirmed_by": ["Tess", "Tom"]})
    alone, together = (
        find_doubts([labels[0], label, *labels[2:]], vectors, probabilities) for label in (doubtful, agreed)
    )
    assert (alone.doubtful, together.doubtful) == (1, 0)
