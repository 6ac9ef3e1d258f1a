"""What stands for a photo: withdrawals, conflicts, third and second opinions. Checked against a slow twin."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from data_tools.records import DecisionKind, DecisionRecord, TrueFinding
from data_tools.standing import (
    GOOD,
    OPEN,
    RULED,
    SAID,
    SeenBefore,
    Stand,
    Standing,
    fold,
    state_of,
    verdict_that_stands,
)
from model.judgement import Finding, Judgement
from model.vocabulary import FindingKind, Outcome, Place, Reason, Triage

MELTED = TrueFinding(FindingKind.HEAT_MELTED_HOUSING, Place.BOTTOM)
LATCH = TrueFinding(FindingKind.MISSING_LATCH, Place.LATCH)
_BASE = DecisionRecord(
    0, 1, 1, DecisionKind.CORRECTED, (), "a", datetime(2026, 1, 1, tzinfo=UTC), None, "", evidence_shown=False
)


def _said(*lines: tuple[str, object]) -> list[DecisionRecord]:
    """Decisions in order: (who, findings | decision kind | number of the decision taken back)."""
    records: list[DecisionRecord] = []
    for number, (who, what) in enumerate(lines, 1):
        record = replace(_BASE, id=number, decided_by=who)
        if isinstance(what, DecisionKind):
            record = replace(record, kind=what, judged=False)
        elif isinstance(what, int):
            record = replace(record, kind=DecisionKind.WITHDRAWN, judged=False, withdraws_id=what)
            records[what - 1] = replace(records[what - 1], withdrawn=True)
        else:
            record = replace(record, findings=what)  # type: ignore[arg-type]
        records.append(record)
    return records


def _who(standing: Standing) -> tuple[int | None, bool, bool]:
    return standing.decision.id if standing.decision else None, standing.conflict, standing.second_opinion


ASK = DecisionKind.SECOND_OPINION
CANNOT = DecisionKind.CANNOT_TELL


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        ([], (None, False, False)),
        ([("a", (MELTED,))], (1, False, False)),
        ([("a", (MELTED,)), ("a", ())], (2, False, False)),
        ([("a", (MELTED,)), ("a", 1)], (None, False, False)),
        ([("a", (MELTED,)), ("a", ()), ("a", 2)], (1, False, False)),
        ([("a", (MELTED,)), ("b", (MELTED,))], (2, False, False)),
        ([("a", (MELTED, LATCH)), ("b", (LATCH, MELTED))], (2, False, False)),
        ([("a", (MELTED,)), ("b", ())], (2, True, False)),
        ([("a", ()), ("b", CANNOT)], (2, True, False)),
        ([("a", (MELTED,)), ("b", ()), ("b", 2)], (1, False, False)),
        ([("a", (MELTED,)), ("b", ()), ("a", ())], (3, False, False)),
        ([("a", (MELTED,)), ("b", ()), ("c", (MELTED,))], (3, False, False)),
        ([("a", (MELTED,)), ("b", ()), ("c", (MELTED,)), ("c", 3)], (2, True, False)),
        ([("a", ASK)], (None, False, True)),
        ([("a", ()), ("a", ASK)], (1, False, True)),
        ([("a", ()), ("a", ASK), ("a", (MELTED,))], (3, False, True)),
        ([("a", ()), ("a", ASK), ("b", (MELTED,))], (3, False, False)),
        ([("a", ()), ("a", ASK), ("a", 2)], (1, False, False)),
        ([("a", ASK), ("b", CANNOT)], (2, False, False)),
        ([("a", CANNOT), ("b", CANNOT)], (2, False, False)),
        ([("a", CANNOT), ("b", ())], (2, False, False)),
        ([("a", (MELTED,)), ("a", ASK), ("b", CANNOT)], (3, True, False)),
        ([("a", (MELTED,)), ("b", ()), ("c", CANNOT)], (3, True, False)),
        ([("a", (MELTED,)), ("b", ()), ("c", CANNOT), ("c", (MELTED,))], (4, False, False)),
        ([("a", (MELTED,)), ("b", CANNOT), ("b", ())], (3, True, False)),
        ([("a", (MELTED,)), ("b", CANNOT), ("c", ())], (3, False, False)),
    ],
)
def test_rules(lines: list[tuple[str, object]], expected: tuple[int | None, bool, bool]) -> None:
    assert _who(fold(_said(*lines))) == expected


def _slow_twin(records: list[DecisionRecord]) -> tuple[int | None, bool, bool]:
    """The same rules told anew: replay, and start the voices afresh when a dispute or question is settled."""

    def differ(said: list[DecisionRecord]) -> bool:
        return len({(v.judged, frozenset(v.findings)) for v in said}) > 1

    counting = [r for r in records if not r.withdrawn and r.kind is not DecisionKind.WITHDRAWN]
    voices: list[DecisionRecord] = []
    question: str | None = None
    for record in counting:
        if record.kind is ASK:
            question = record.decided_by
            continue
        last_words = {v.decided_by: v for v in voices}
        mine = last_words.pop(record.decided_by, None)
        answers = question is not None and record.decided_by != question
        told = any(v.judged for v in last_words.values())
        settles = (differ(list(last_words.values())) or not told) and (mine is None or not mine.judged)
        if record.judged and (answers or settles):
            voices = []
        question = None if answers else question
        voices.append(record)
    last_words = {v.decided_by: v for v in voices}
    dispute = differ(list(last_words.values()))
    return (voices[-1].id if voices else None), dispute, question is not None


def test_only_who_took_no_side_is_told_that_their_word_settles_it() -> None:
    dispute = fold(_said(("a", (MELTED,)), ("b", ()), ("c", CANNOT)))
    assert [dispute.settled_by(who) for who in "abcd"] == [False, False, True, True]
    assert not fold(_said(("a", (MELTED,)), ("b", CANNOT))).settled_by("b")
    assert not fold(_said(("a", (MELTED,)))).settled_by("b")


@settings(max_examples=400, deadline=None)
@given(st.data())
def test_folding_equals_the_slow_twin(data: st.DataObject) -> None:
    lines: list[tuple[str, object]] = []
    taken_back: set[int] = set()
    for number in range(data.draw(st.integers(0, 9))):
        who = data.draw(st.sampled_from("abc"))
        mine = [i + 1 for i in range(number) if lines[i][0] == who and not isinstance(lines[i][1], int)]
        open_ones = [i for i in mine if i not in taken_back]
        options: list[object] = [(), (MELTED,), (LATCH,), ASK, CANNOT, *open_ones[-1:]]
        what = data.draw(st.sampled_from(options))
        if isinstance(what, int):
            taken_back.add(what)
        lines.append((who, what))
    records = _said(*lines)
    assert _who(fold(records)) == _slow_twin(records)
    assert _who(fold(reversed(records))) == _slow_twin(records)


def _verdict(triage: Triage | None, reason: Reason | None = None) -> Judgement:
    return Judgement(Outcome.CANNOT_JUDGE if reason else Outcome.SCORED, "v", reason, triage=triage)


@pytest.mark.parametrize(
    ("verdict", "lines", "audit", "judged", "reason", "queued"),
    [
        (_verdict(Triage.CLEAR), [], False, True, None, False),
        (_verdict(Triage.CLEAR), [], True, True, None, True),
        (_verdict(Triage.CLEAR), [("a", ())], True, True, None, False),
        (_verdict(Triage.FLAG), [], False, True, None, True),
        (_verdict(Triage.UNSURE), [("a", CANNOT)], False, False, None, True),
        (_verdict(Triage.FLAG), [("a", CANNOT)], False, False, None, True),
        (_verdict(Triage.CLEAR), [("a", CANNOT)], True, False, None, False),
        (_verdict(None, Reason.HIDDEN), [], False, False, Reason.HIDDEN, False),
        (_verdict(None, Reason.HIDDEN), [("a", (MELTED,))], False, True, None, False),
        (_verdict(Triage.CLEAR), [("a", ASK)], False, True, None, True),
        (_verdict(Triage.CLEAR), [("a", ()), ("b", (MELTED,))], False, True, None, True),
    ],
)
def test_state(
    verdict: Judgement,
    lines: list[tuple[str, object]],
    audit: bool,
    judged: bool,
    reason: Reason,
    queued: bool,
) -> None:
    state = state_of(verdict, fold(_said(*lines)), audit)
    assert (state.judged, state.reason, state.queued) == (judged, reason, queued)


FLAG = replace(_verdict(Triage.FLAG), findings=(Finding(MELTED.kind, MELTED.place, 0.9),))
UNSURE = replace(FLAG, triage=Triage.UNSURE)
CLEAR = _verdict(Triage.CLEAR)
REFUSED = _verdict(None, Reason.HIDDEN)


@pytest.mark.parametrize(
    ("verdict", "lines", "stand", "findings"),
    [
        (CLEAR, [], Stand.CLEAR, ()),
        (FLAG, [], Stand.SUSPECTED, (MELTED,)),
        (UNSURE, [], Stand.DOUBTED, (MELTED,)),
        (REFUSED, [], Stand.NOT_TOLD, ()),
        (FLAG, [("a", (LATCH,))], Stand.DAMAGED, (LATCH,)),
        (FLAG, [("a", ())], Stand.SEEN_INTACT, ()),
        (FLAG, [("a", CANNOT)], Stand.SUSPECTED, (MELTED,)),
        (UNSURE, [("a", CANNOT)], Stand.DOUBTED, (MELTED,)),
        (CLEAR, [("a", CANNOT)], Stand.NOT_TOLD, ()),
        (REFUSED, [("a", CANNOT)], Stand.NOT_TOLD, ()),
        (FLAG, [("a", ASK)], Stand.SUSPECTED, (MELTED,)),
        (UNSURE, [("a", ASK)], Stand.DOUBTED, (MELTED,)),
        (CLEAR, [("a", ASK)], Stand.DOUBTED, ()),
        (REFUSED, [("a", ASK)], Stand.NOT_TOLD, ()),
        (FLAG, [("a", ()), ("a", ASK)], Stand.SUSPECTED, (MELTED,)),
        (CLEAR, [("a", (LATCH,)), ("a", ASK)], Stand.DISPUTED, (LATCH,)),
        (CLEAR, [("a", (LATCH,)), ("b", ())], Stand.DISPUTED, (LATCH,)),
        (FLAG, [("a", (LATCH,)), ("b", ())], Stand.DISPUTED, (LATCH,)),
        (CLEAR, [("a", (MELTED,)), ("b", (LATCH,))], Stand.DISPUTED, (MELTED, LATCH)),
        (CLEAR, [("a", (MELTED,)), ("b", CANNOT)], Stand.DISPUTED, (MELTED,)),
        (CLEAR, [("a", (MELTED,)), ("b", ()), ("c", ())], Stand.SEEN_INTACT, ()),
        (FLAG, [("a", ()), ("b", CANNOT)], Stand.SUSPECTED, (MELTED,)),
        (CLEAR, [("a", ()), ("b", CANNOT)], Stand.DOUBTED, ()),
    ],
)
def test_what_stands(
    verdict: Judgement, lines: list[tuple[str, object]], stand: Stand, findings: tuple[TrueFinding, ...]
) -> None:
    state = state_of(verdict, fold(_said(*lines)), False)
    assert (state.stand, state.findings) == (stand, findings)


EARLIER = (SeenBefore(7, date(2026, 11, 3)),)


@pytest.mark.parametrize(
    ("verdict", "lines", "drawn", "stand", "queued"),
    [
        (UNSURE, [], False, Stand.AS_BEFORE, False),
        (UNSURE, [], True, Stand.AS_BEFORE, True),
        (UNSURE, [("a", CANNOT), ("a", 1)], False, Stand.AS_BEFORE, False),
        (FLAG, [], False, Stand.SUSPECTED, True),
        (CLEAR, [], False, Stand.CLEAR, False),
        (REFUSED, [], False, Stand.NOT_TOLD, False),
        (UNSURE, [("a", CANNOT)], False, Stand.DOUBTED, True),
        (UNSURE, [("a", ASK)], False, Stand.DOUBTED, True),
        (UNSURE, [("a", ())], False, Stand.SEEN_INTACT, False),
        (UNSURE, [("a", (MELTED,))], False, Stand.DAMAGED, False),
    ],
)
def test_earlier_photos_spare_a_doubt_and_no_flag_nor_any_word_of_a_person(
    verdict: Judgement, lines: list[tuple[str, object]], drawn: bool, stand: Stand, queued: bool
) -> None:
    state = state_of(verdict, fold(_said(*lines)), drawn, EARLIER)
    assert (state.stand, state.queued) == (stand, queued)
    assert state.before == (EARLIER if stand is Stand.AS_BEFORE else ())


def test_what_is_as_before_is_not_open_and_settles_nothing() -> None:
    stands = list(Stand)
    assert stands.index(Stand.NOT_TOLD) < stands.index(Stand.AS_BEFORE) < stands.index(Stand.SEEN_INTACT)
    assert Stand.AS_BEFORE in GOOD
    assert Stand.AS_BEFORE not in (*OPEN, *RULED, *SAID)


@pytest.mark.parametrize(
    ("triages", "lines", "index"),
    [
        ([Triage.FLAG, Triage.FLAG], [], 1),
        ([Triage.FLAG, Triage.UNSURE, Triage.CLEAR, None], [], 0),
        ([Triage.UNSURE, Triage.FLAG, Triage.CLEAR], [], 1),
        ([Triage.CLEAR, None], [], 1),
        ([None, Triage.CLEAR], [], 1),
        ([Triage.FLAG, Triage.CLEAR], [("a", CANNOT)], 0),
        ([Triage.FLAG, Triage.CLEAR], [("a", ASK)], 0),
        ([Triage.FLAG, Triage.CLEAR], [("a", ())], 1),
        ([Triage.FLAG, Triage.CLEAR], [("a", ()), ("a", 1)], 0),
    ],
)
def test_a_milder_verdict_never_hides_a_flag_that_nobody_ruled_on(
    triages: list[Triage | None], lines: list[tuple[str, object]], index: int
) -> None:
    said = [Judgement(Outcome.SCORED, "v", triage=triage) for triage in triages]
    assert verdict_that_stands(said, fold(_said(*lines))) == index
