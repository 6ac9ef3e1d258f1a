"""What stands for a photo: withdrawals, conflicts, third and second opinions. Checked against a slow twin."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from data_tools.records import DecisionKind, DecisionRecord, TrueFinding
from data_tools.standing import Standing, fold, state_of
from model.judgement import Judgement
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
    ],
)
def test_rules(lines: list[tuple[str, object]], expected: tuple[int | None, bool, bool]) -> None:
    assert _who(fold(_said(*lines))) == expected


def _slow_twin(records: list[DecisionRecord]) -> tuple[int | None, bool, bool]:
    """The same rules told anew: replay, and start the voices afresh when a dispute or question is settled."""
    counting = [r for r in records if not r.withdrawn and r.kind is not DecisionKind.WITHDRAWN]
    voices: list[DecisionRecord] = []
    question: str | None = None
    for record in counting:
        if record.kind is ASK:
            question = record.decided_by
            continue
        last_words = {v.decided_by: v for v in voices}
        dispute = len({(v.judged, frozenset(v.findings)) for v in last_words.values()}) > 1
        answers = question is not None and record.decided_by != question
        settles = dispute and record.decided_by not in last_words
        if answers or settles:
            voices = []
        question = None if answers else question
        voices.append(record)
    last_words = {v.decided_by: v for v in voices}
    dispute = len({(v.judged, frozenset(v.findings)) for v in last_words.values()}) > 1
    return (voices[-1].id if voices else None), dispute, question is not None


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
        (_verdict(Triage.UNSURE), [("a", CANNOT)], False, False, None, False),
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
