"""A coupler entered as another family than its photos show is told, and put right by an event."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from data_tools.access import Actor
from data_tools.cli import roster
from data_tools.coupler_family import FamilyDoubt, correct_family, families_in_doubt
from data_tools.history import timeline
from data_tools.ingest import ingest
from data_tools.open_damage import open_damage
from data_tools.records import DecisionKind, EventKind
from data_tools.review import decide, queue
from data_tools.sites import get_unit
from data_tools.workspace import Workspace
from model.errors import BadRequestError, ConflictError, NotAllowedError, UnknownFamilyError
from model.judgement import Judgement
from model.photo import Photo
from tests.test_data_tools.conftest import Rounds
from tests.test_data_tools.store_kit import CLEAR, DARK, LEAD, MELTED, TECHNICIAN, UPLOADER, GreyJudge, upload


class Looks(GreyJudge):
    """Takes every face for one of ``family``."""

    family = "type2"

    def judge(self, photo: Photo) -> Judgement:
        """Judge one photo."""
        judgement = super().judge(photo)
        assert judgement.face is not None
        return replace(judgement, face=replace(judgement.face, family=self.family))


@pytest.fixture
def judge(ws: Workspace, monkeypatch: pytest.MonkeyPatch) -> Looks:
    """The judge of the store, which sees Type 2."""
    looks = Looks()
    monkeypatch.setattr(ws, "classifier", lambda: looks)
    return looks


def _send(ws: Workspace, *greys: int, first: int = 0) -> None:
    photos = [upload(f"P3-07_{first + n}.png", grey, first + n) for n, grey in enumerate(greys)]
    ingest(ws, UPLOADER, photos, "north")


def test_three_photos_in_a_row_of_another_family_are_told(ws: Workspace, judge: Looks) -> None:
    _send(ws, CLEAR, DARK, MELTED)
    assert not families_in_doubt(ws, UPLOADER, "north"), "two of them were judged"
    _send(ws, CLEAR, first=3)
    assert families_in_doubt(ws, UPLOADER, "north") == [FamilyDoubt("P3-07", "A", "type1", "type2")]
    judge.family = "type1"
    _send(ws, CLEAR, first=4)
    assert not families_in_doubt(ws, UPLOADER, "north"), "they do not agree"


def test_a_correction_says_what_was_and_keeps_all(ws: Workspace, judge: Looks) -> None:
    _send(ws, CLEAR, CLEAR, MELTED)
    (before,) = get_unit(ws, LEAD, "P3-07").couplers
    (item, *_) = queue(ws, TECHNICIAN)
    decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED)
    damage = open_damage(ws, LEAD)
    event = correct_family(ws, TECHNICIAN, "p3-07", "a", "type2", "entered wrongly")
    assert (event.kind, event.done_by) == (EventKind.FAMILY_CORRECTED, "Tom")
    assert event.reason == "Type 1 to Type 2: entered wrongly"
    assert get_unit(ws, LEAD, "P3-07").couplers == (replace(before, family="type2"),)
    assert [d.stand for d in open_damage(ws, LEAD)] == [d.stand for d in damage]
    assert damage
    assert not families_in_doubt(ws, LEAD, "north")
    assert timeline(ws, LEAD, "P3-07").entries[-1].event == event


@pytest.mark.parametrize(
    ("actor", "family", "reason", "error"),
    [
        (UPLOADER, "type2", "x", NotAllowedError),
        (TECHNICIAN, "type9", "x", UnknownFamilyError),
        (TECHNICIAN, "type2", " ", BadRequestError),
        (TECHNICIAN, "type1", "x", ConflictError),
    ],
)
def test_a_correction_that_cannot_be_is_refused(
    ws: Workspace, actor: Actor, family: str, reason: str, error: type[Exception]
) -> None:
    with pytest.raises(error):
        correct_family(ws, actor, "P3-07", "A", family, reason)
    assert not timeline(ws, LEAD, "P3-07").entries


def test_the_roster_on_the_command_line_says_how_to_put_it_right(
    furnished_rounds: Rounds, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = [FamilyDoubt("P3-07", "A", "type1", "type2")]
    monkeypatch.setattr(roster, "families_in_doubt", lambda *_given: found)
    told = furnished_rounds("roster", "north").output
    assert "P3-07 A is entered as type1, but its last photos look like type2" in told
    assert "`rounds act family P3-07 type2 --position A --reason" in told
    (line,) = json.loads(furnished_rounds("roster", "north", "--json").stdout)
    assert [doubt["seen"] for doubt in line["families_in_doubt"]] == ["type2"]


def test_the_command_line_corrects_it(furnished_rounds: Rounds) -> None:
    told = furnished_rounds("act", "family", "P3-07", "type2", "--reason", "entered wrongly").output
    assert "family_corrected Type 1 to Type 2: entered wrongly" in told
    assert (
        "which P3-07 A is entered as"
        in furnished_rounds("act", "family", "P3-07", "type2", "--reason", "again", code=3).output
    )
