"""Photos that show too little of a coupler: what stands for them in the store."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from data_tools.answers import not_in_view, verdict_words
from data_tools.ingest import ingest
from data_tools.open_damage import open_damage
from data_tools.queueing import queue_length
from data_tools.records import DecisionKind, IngestedFile
from data_tools.review import decide
from data_tools.sites import roster
from data_tools.standing import Stand
from data_tools.verify import verify
from data_tools.workspace import Workspace, open_workspace
from model.judgement import Judgement, LocatedFace
from model.photo import Photo
from model.vocabulary import FindingKind, Place, Reason, Triage
from tests.test_data_tools.doubt_kit import state_now
from tests.test_data_tools.store_kit import CLEAR, LEAD, TECHNICIAN, UPLOADER, GreyJudge, upload

NOON = datetime(2026, 11, 3, 12, tzinfo=UTC)
COVERED, SHADY = 100, 110
"""Greys of photos whose latch is not in view; of the second the model half thinks that it is gone."""


ASKED = (
    "Take another photo: the latch is not in view. "
    "If it looks gone, broken or melted to you, do not use this coupler: tell the technician."
)


class CoveredJudge(GreyJudge):
    """As ``GreyJudge``; of two greys the latch is not in view."""

    def judge(self, photo: Photo) -> Judgement:
        grey = float(photo.rgb.mean())
        judged = super().judge(photo)
        if not any(abs(grey - covered) < 4 for covered in (COVERED, SHADY)):
            return judged
        assert judged.face is not None
        visible = {place: place is not Place.LATCH for place in judged.face.visible} | {Place.LATCH: False}
        missing = 0.3 if abs(grey - SHADY) < 4 else 0.003
        return replace(
            judged,
            triage=Triage.UNSURE,
            findings=(),
            probabilities=dict.fromkeys(FindingKind, 0.0),
            place_probabilities={Place.LATCH: {FindingKind.MISSING_LATCH: missing}},
            face=LocatedFace("type1", 0.9, judged.face.homography, visible),
        )


@pytest.fixture
def store(ws: Workspace) -> Iterator[Workspace]:
    ws.close()
    opened = open_workspace(ws.settings, classifier=CoveredJudge())
    yield opened
    opened.close()


def sent(store: Workspace, grey: int, seed: int, after: timedelta = timedelta()) -> IngestedFile:
    (file,) = ingest(
        store, UPLOADER, [upload(f"P3-07_{seed}.png", grey, seed)], "north", now=NOON + after
    ).files
    return file


def stand(store: Workspace, file: IngestedFile) -> Stand:
    assert verify(store, LEAD).ok
    return state_now(store, file).stand


def test_it_holds_no_unit_and_asks_for_another_photo(store: Workspace) -> None:
    file = sent(store, COVERED, 1)
    state = state_now(store, file)
    assert (state.stand, state.queued, state.judged) == (Stand.IN_PART, False, False)
    assert (state.reason, state.unseen) == (Reason.HIDDEN, (Place.LATCH,))
    assert file.message == ASKED
    assert open_damage(store, LEAD) == []
    line = next(line for line in roster(store, LEAD, "north", NOON.date()) if line.unit.key == "P3-07")
    assert (line.done_this_week, line.again, line.take_again) == (False, True, Reason.HIDDEN)
    sent(store, CLEAR, 2, timedelta(minutes=2))
    line = next(line for line in roster(store, LEAD, "north", NOON.date()) if line.unit.key == "P3-07")
    assert line.done_this_week


def test_a_latch_that_may_be_gone_waits_for_a_technician(store: Workspace) -> None:
    file = sent(store, SHADY, 1)
    assert stand(store, file) is Stand.DOUBTED
    assert file.message == (
        "Not sure: the latch is not in view. Do not use this coupler until a technician has looked."
    )


def test_the_second_time_a_technician_looks(store: Workspace) -> None:
    first, burst = sent(store, COVERED, 1), sent(store, COVERED, 2, timedelta(seconds=20))
    again = sent(store, COVERED, 3, timedelta(days=7))
    later = sent(store, COVERED, 4, timedelta(days=60))
    stands = [stand(store, file) for file in (first, burst, again, later)]
    assert stands == [Stand.IN_PART, Stand.IN_PART, Stand.DOUBTED, Stand.IN_PART]
    assert queue_length(store, TECHNICIAN) == 1


def test_a_later_photo_that_shows_the_whole_coupler_answers_for_it(store: Workspace) -> None:
    first, again = sent(store, COVERED, 1), sent(store, COVERED, 2, timedelta(minutes=2))
    assert stand(store, again) is Stand.DOUBTED
    assert [damage.photo.id for damage in open_damage(store, LEAD)] == [again.photo and again.photo.id]
    sent(store, CLEAR, 3, timedelta(minutes=4))
    assert [stand(store, file) for file in (first, again)] == [Stand.IN_PART, Stand.IN_PART]
    assert open_damage(store, LEAD) == []
    assert queue_length(store, TECHNICIAN) == 0


def test_an_earlier_whole_photo_does_not(store: Workspace) -> None:
    sent(store, CLEAR, 1)
    first, again = (sent(store, COVERED, n, timedelta(days=n)) for n in (2, 3))
    assert [stand(store, file) for file in (first, again)] == [Stand.IN_PART, Stand.DOUBTED]


def test_an_older_photo_that_comes_in_late_counts_too(store: Workspace) -> None:
    newer = sent(store, COVERED, 1)
    older = sent(store, COVERED, 2, -timedelta(days=7))
    assert [stand(store, file) for file in (older, newer)] == [Stand.IN_PART, Stand.DOUBTED]


def test_a_persons_word_overrides_it(store: Workspace) -> None:
    file = sent(store, COVERED, 1)
    assert file.photo is not None
    assert file.verdict is not None
    decide(store, TECHNICIAN, file.photo.id, file.verdict.id, DecisionKind.CORRECTED, ())
    state = state_now(store, file)
    assert (state.stand, state.judged, state.unseen) == (Stand.SEEN_INTACT, True, ())


def test_places_are_named_in_plain_words() -> None:
    assert not_in_view(()) == ""
    assert not_in_view((Place.LATCH,)) == "the latch is not in view"
    assert not_in_view((Place.CENTRE,)) == "the centre pin housing is not in view"
    assert not_in_view((Place.BOTTOM, Place.UPPER_LEFT, Place.LATCH)) == (
        "the bottom and upper left pin housings and the latch are not in view"
    )
    assert not_in_view((Place.LEFT, Place.CENTRE, Place.RIGHT)) == (
        "the left, centre and right pin housings are not in view"
    )


def test_damage_beside_something_hidden_says_both(store: Workspace) -> None:
    file = sent(store, COVERED, 1)
    assert file.verdict is not None
    assert verdict_words(replace(file.verdict.judgement, triage=Triage.FLAG)) == (
        "Do not use this coupler: damage suspected. A technician will look. Also, the latch is not in view."
    )
