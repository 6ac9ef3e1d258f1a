"""What stands for a photo is the same everywhere: queue, open damage, roster, history, answers to senders."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from data_tools.access import Actor
from data_tools.cli.roster import _history_lines
from data_tools.history import timeline
from data_tools.ingest import ingest
from data_tools.open_damage import OpenDamage, open_damage
from data_tools.queueing import queue_length
from data_tools.records import DecisionKind, DecisionRecord, IngestedFile, IngestStatus, TrueFinding
from data_tools.rescore import rescore
from data_tools.review import decide, decisions_of, last_good_photo, queue, withdraw
from data_tools.sites import roster
from data_tools.standing import Stand, State
from data_tools.verify import verify
from data_tools.workspace import Workspace, open_workspace
from model.judgement import Judgement
from model.photo import Photo
from model.vocabulary import FindingKind, Label, Outcome, Place, Reason, Triage
from tests.test_data_tools.store_kit import (
    CLEAR,
    DARK,
    LEAD,
    MELTED,
    OTHER_TECHNICIAN,
    TECHNICIAN,
    THIRD_TECHNICIAN,
    UNSURE,
    UPLOADER,
    GreyJudge,
    upload,
)

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)
IS_MELTED = TrueFinding(FindingKind.HEAT_MELTED_HOUSING, Place.BOTTOM)
CANNOT, ASK = DecisionKind.CANNOT_TELL, DecisionKind.SECOND_OPINION
CONFIRMED, CORRECTED = DecisionKind.CONFIRMED, DecisionKind.CORRECTED


def _send(ws: Workspace, grey: int, seed: int = 0, now: datetime = NOON) -> IngestedFile:
    (file,) = ingest(ws, UPLOADER, [upload(f"P3-07_{seed}.png", grey, seed)], "north", now=now).files
    return file


def _say(
    ws: Workspace, who: Actor, file: IngestedFile, kind: DecisionKind, *found: TrueFinding
) -> DecisionRecord:
    assert file.photo is not None
    assert file.verdict is not None
    return decide(ws, who, file.photo.id, file.verdict.id, kind, found)


def _open(ws: Workspace) -> list[OpenDamage]:
    return open_damage(ws, UPLOADER, "north")


def _state(ws: Workspace, number: int = 0) -> State:
    states = [entry.state for entry in timeline(ws, UPLOADER, "P3-07").entries if entry.photo]
    state = states[number]
    assert state is not None
    return state


def _good(ws: Workspace, file: IngestedFile) -> bool:
    assert file.photo is not None
    return last_good_photo(ws, TECHNICIAN, file.photo.coupler_id, NOON + timedelta(days=9)) is not None


def _waits_for(ws: Workspace, *actors: Actor) -> list[str]:
    assert all(len(queue(ws, actor)) == queue_length(ws, actor) for actor in actors)
    return [actor.name for actor in actors if queue(ws, actor)]


EVERYBODY = (TECHNICIAN, OTHER_TECHNICIAN, THIRD_TECHNICIAN)


@pytest.mark.parametrize("grey", [MELTED, CLEAR])
def test_damage_that_people_differ_about_stays_open_until_a_third_settles_it(
    ws: Workspace, grey: int
) -> None:
    file = _send(ws, grey)
    _say(ws, TECHNICIAN, file, CORRECTED, IS_MELTED)
    _say(ws, OTHER_TECHNICIAN, file, CORRECTED)
    (damage,) = _open(ws)
    assert (damage.stand, damage.findings) == (Stand.DISPUTED, (IS_MELTED,))
    assert damage.sure
    assert not damage.confirmed
    assert not _good(ws, file)
    _say(ws, THIRD_TECHNICIAN, file, CORRECTED)
    assert _open(ws) == []
    assert _good(ws, file)


@pytest.mark.parametrize("grey", [MELTED, UNSURE, CLEAR])
@pytest.mark.parametrize("word", [None, CANNOT, CORRECTED], ids=["no word", "cannot tell", "intact"])
def test_an_open_question_never_reads_as_no_damage(
    ws: Workspace, grey: int, word: DecisionKind | None
) -> None:
    file = _send(ws, grey)
    if word is not None:
        _say(ws, TECHNICIAN, file, word)
    _say(ws, TECHNICIAN, file, ASK)
    assert not _good(ws, file)
    told = grey != CLEAR or word is not CANNOT
    assert [damage.sure for damage in _open(ws)] == ([grey == MELTED] if told else [])
    assert _waits_for(ws, *EVERYBODY) == ["Tia", "Tess"]
    _say(ws, OTHER_TECHNICIAN, file, CORRECTED)
    assert _open(ws) == []
    assert _waits_for(ws, *EVERYBODY) == []


def test_a_dispute_overtakes_no_earlier_damage(ws: Workspace) -> None:
    _send(ws, MELTED, 1)
    later = _send(ws, CLEAR, 2, NOON + timedelta(days=1))
    _say(ws, TECHNICIAN, later, CONFIRMED)
    assert _open(ws) == []
    _say(ws, OTHER_TECHNICIAN, later, CANNOT)
    (damage,) = _open(ws)
    assert damage.stand is Stand.SUSPECTED
    assert damage.findings == (IS_MELTED,)


def test_a_flag_that_somebody_cannot_tell_waits_for_the_others(ws: Workspace) -> None:
    file = _send(ws, MELTED)
    _say(ws, TECHNICIAN, file, CANNOT)
    assert [damage.stand for damage in _open(ws)] == [Stand.SUSPECTED]
    assert _waits_for(ws, *EVERYBODY) == ["Tia", "Tess"]
    _say(ws, OTHER_TECHNICIAN, file, CANNOT)
    assert _waits_for(ws, *EVERYBODY) == ["Tess"]
    _say(ws, THIRD_TECHNICIAN, file, CORRECTED)
    assert _waits_for(ws, *EVERYBODY) == []


def test_who_asked_and_got_no_answer_sees_the_photo_again(ws: Workspace) -> None:
    file = _send(ws, MELTED)
    _say(ws, TECHNICIAN, file, ASK)
    _say(ws, OTHER_TECHNICIAN, file, CANNOT)
    assert _waits_for(ws, *EVERYBODY) == ["Tom", "Tess"]


def test_who_cannot_tell_wipes_out_nobody_elses_damage(ws: Workspace) -> None:
    file = _send(ws, CLEAR)
    _say(ws, TECHNICIAN, file, CORRECTED, IS_MELTED)
    _say(ws, TECHNICIAN, file, ASK)
    _say(ws, OTHER_TECHNICIAN, file, CANNOT)
    assert [damage.findings for damage in _open(ws)] == [(IS_MELTED,)]
    assert _waits_for(ws, *EVERYBODY) == ["Tom", "Tess"]


def test_a_clear_photo_that_somebody_cannot_tell_is_to_be_taken_again(ws: Workspace) -> None:
    now = datetime.now(UTC)
    _say(ws, TECHNICIAN, _send(ws, CLEAR, now=now), CANNOT)
    (line,) = [line for line in roster(ws, UPLOADER, "north") if line.unit.key == "P3-07"]
    assert (line.done_this_week, line.again, line.take_again) == (False, True, None)


@pytest.mark.parametrize("second", [CORRECTED, ASK], ids=["conflict", "question"])
def test_the_same_word_again_is_an_answer_once_somebody_else_spoke(
    ws: Workspace, second: DecisionKind
) -> None:
    file = _send(ws, MELTED)
    first = _say(ws, TECHNICIAN, file, CONFIRMED)
    _say(ws, OTHER_TECHNICIAN, file, second)
    assert _waits_for(ws, TECHNICIAN) == ["Tom"]
    again = _say(ws, TECHNICIAN, file, CONFIRMED)
    assert again.id == _say(ws, TECHNICIAN, file, CONFIRMED).id != first.id
    assert _waits_for(ws, TECHNICIAN) == []
    withdraw(ws, TECHNICIAN, again.id)
    assert file.photo is not None
    assert not decisions_of(ws, LEAD, file.photo.id)[0].withdrawn
    assert _waits_for(ws, TECHNICIAN) == ["Tom"]


def test_undoing_an_answer_asks_the_same_person_again(ws: Workspace) -> None:
    file = _send(ws, MELTED)
    _say(ws, TECHNICIAN, file, ASK)
    answer = _say(ws, OTHER_TECHNICIAN, file, CORRECTED)
    assert _waits_for(ws, *EVERYBODY) == []
    withdraw(ws, OTHER_TECHNICIAN, answer.id)
    assert _waits_for(ws, *EVERYBODY) == ["Tia", "Tess"]


def test_a_confirmed_refusal_could_not_be_judged(ws: Workspace) -> None:
    file = _send(ws, DARK)
    _say(ws, TECHNICIAN, file, ASK)
    assert not _say(ws, OTHER_TECHNICIAN, file, CONFIRMED).judged
    assert (_state(ws).stand, _state(ws).reason) == (Stand.NOT_TOLD, Reason.TOO_DARK)
    assert not _good(ws, file)
    told = "\n".join(_history_lines(timeline(ws, UPLOADER, "P3-07"), None))
    assert "confirmed, cannot be judged" in told
    assert "no findings" not in told


class _Mild(GreyJudge):
    """A newer version that sees nothing where the first saw damage, or cannot judge at all."""

    def __init__(self, version: str, refuses: bool) -> None:
        super().__init__(version)
        self.refuses = refuses

    def judge(self, photo: Photo) -> Judgement:
        if self.refuses:
            return Judgement(Outcome.CANNOT_JUDGE, self.version, Reason.HIDDEN)
        chances = dict.fromkeys(FindingKind, 0.01)
        judged = replace(super().judge(photo), findings=(), probabilities=chances)
        return replace(judged, label=Label.INTACT, triage=Triage.CLEAR)


@pytest.mark.parametrize("refuses", [False, True], ids=["clear", "refused"])
@pytest.mark.parametrize("grey", [MELTED, UNSURE])
def test_judging_again_hides_no_flag_that_nobody_has_looked_at(
    ws: Workspace, grey: int, refuses: bool
) -> None:
    _send(ws, grey)
    before = (_open(ws), queue(ws, TECHNICIAN))
    newer = open_workspace(ws.settings, classifier=_Mild("grey-2", refuses))
    assert rescore(newer, LEAD).count == 1
    assert (_open(ws), queue(ws, TECHNICIAN)) == before
    assert verify(ws, LEAD).ok
    (item,) = queue(ws, TECHNICIAN)
    decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, CORRECTED)
    assert (_open(ws), queue(ws, OTHER_TECHNICIAN)) == ([], [])
    assert _state(ws).stand is Stand.SEEN_INTACT
    newer.close()


@pytest.mark.parametrize(
    ("grey", "kind", "found", "stand", "words"),
    [
        (CLEAR, CORRECTED, (IS_MELTED,), Stand.DAMAGED, "A technician saw damage"),
        (MELTED, CORRECTED, (), Stand.SEEN_INTACT, "A technician saw no damage"),
        (MELTED, CANNOT, (), Stand.SUSPECTED, "until a technician has looked"),
        (CLEAR, CANNOT, (), Stand.NOT_TOLD, "take another one"),
        (CLEAR, ASK, (), Stand.DOUBTED, "in doubt"),
    ],
)
def test_a_photo_sent_again_is_answered_with_what_stands(
    ws: Workspace,
    grey: int,
    kind: DecisionKind,
    found: tuple[TrueFinding, ...],
    stand: Stand,
    words: str,
) -> None:
    _say(ws, TECHNICIAN, _send(ws, grey), kind, *found)
    again = _send(ws, grey)
    assert again.status is IngestStatus.KNOWN
    assert again.state is not None
    assert again.state == _state(ws)
    assert again.state.stand is stand
    assert words in again.message


def test_history_on_the_command_line_marks_what_was_taken_back(ws: Workspace) -> None:
    file = _send(ws, MELTED)
    withdraw(ws, TECHNICIAN, _say(ws, TECHNICIAN, file, CORRECTED).id)
    told = [line.partition("UTC  ")[2] for line in _history_lines(timeline(ws, UPLOADER, "P3-07"), None)]
    assert told[-2:] == [
        "Tom on photo 1: corrected, no findings (taken back)",
        "Tom on photo 1: withdrawn",
    ]
    assert any(line.endswith(": suspected") for line in told)
