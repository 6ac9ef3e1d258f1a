"""Decisions: what may be said of a photo, undo, two people at once."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from data_tools.access import Actor
from data_tools.ingest import ingest
from data_tools.records import DecisionKind, QueueItem, TrueFinding
from data_tools.review import decide, decisions_of, last_good_photo, queue, withdraw
from data_tools.review_sheets import decide_from_csv
from data_tools.sites import add_unit
from data_tools.workspace import Workspace
from model.errors import BadRequestError, NotAllowedError, NotFoundError
from model.vocabulary import FindingKind, Place, Triage
from tests.test_data_tools.store_kit import (
    CLEAR,
    DARK,
    LATCH,
    LEAD,
    MELTED,
    OTHER_TECHNICIAN,
    TECHNICIAN,
    THIRD_TECHNICIAN,
    UPLOADER,
    upload,
)

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)


IS_MELTED = TrueFinding(FindingKind.HEAT_MELTED_HOUSING, Place.BOTTOM)


NO_LATCH = TrueFinding(FindingKind.MISSING_LATCH, Place.LATCH)


def _fill(ws: Workspace, *greys: int) -> None:
    sources = [upload(f"P3-07_{i}.png", grey, i) for i, grey in enumerate(greys)]
    ingest(ws, UPLOADER, sources, "north", now=NOON)


def _only(ws: Workspace, actor: Actor = TECHNICIAN) -> QueueItem:
    (item,) = queue(ws, actor)
    return item


def test_confirming_takes_the_models_findings_and_closes_the_photo(ws: Workspace) -> None:
    _fill(ws, MELTED)
    item = _only(ws)
    decision = decide(
        ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED,
        comment=" seen \x00 well ", seconds=3.5, evidence_shown=True, now=NOON,
    )  # fmt: skip
    assert decision.findings == (IS_MELTED,)
    assert (decision.decided_by, decision.decided_at, decision.seconds) == ("Tom", NOON, 3.5)
    assert (decision.comment, decision.evidence_shown) == ("seen   well", True)
    assert queue(ws, TECHNICIAN) == []
    assert decisions_of(ws, UPLOADER, item.photo.id) == [decision]


def test_correcting_keeps_what_the_person_says(ws: Workspace) -> None:
    _fill(ws, MELTED)
    item = _only(ws)
    said = [NO_LATCH, IS_MELTED, NO_LATCH]
    decision = decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CORRECTED, said)
    assert decision.kind is DecisionKind.CORRECTED
    assert set(decision.findings) == {NO_LATCH, IS_MELTED}
    assert len(decision.findings) == 2


def test_a_correction_that_changes_nothing_is_a_confirmation(ws: Workspace) -> None:
    _fill(ws, MELTED)
    item = _only(ws)
    decision = decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CORRECTED, [IS_MELTED])
    assert decision.kind is DecisionKind.CONFIRMED


@pytest.mark.parametrize(
    ("kind", "findings"),
    [
        (DecisionKind.CORRECTED, [TrueFinding(FindingKind.MISSING_LATCH, Place.BOTTOM)]),
        (DecisionKind.CORRECTED, [TrueFinding(FindingKind.HEAT_MELTED_HOUSING, Place.LATCH)]),
        (DecisionKind.CORRECTED, [TrueFinding(FindingKind.HEAT_MELTED_HOUSING, Place.CENTRE)]),
        (DecisionKind.CONFIRMED, [NO_LATCH]),
        (DecisionKind.CANNOT_TELL, [IS_MELTED]),
        (DecisionKind.WITHDRAWN, []),
    ],
)
def test_statements_that_do_not_fit_are_refused(
    ws: Workspace, kind: DecisionKind, findings: list[TrueFinding]
) -> None:
    _fill(ws, MELTED)
    item = _only(ws)
    with pytest.raises(BadRequestError):
        decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, kind, findings)
    assert decisions_of(ws, LEAD, item.photo.id) == []


def test_a_family_without_a_latch_cannot_miss_it(ws: Workspace) -> None:
    add_unit(ws, LEAD, "north", "T2", family="type2")
    ingest(ws, UPLOADER, [upload("T2.png", MELTED)], "north")
    item = _only(ws)
    with pytest.raises(BadRequestError, match="Type 2"):
        decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CORRECTED, [NO_LATCH])


@pytest.mark.parametrize("seconds", [-1.0, float("nan"), float("inf")])
def test_impossible_durations_are_refused(ws: Workspace, seconds: float) -> None:
    _fill(ws, MELTED)
    item = _only(ws)
    with pytest.raises(BadRequestError, match="seconds"):
        decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED, seconds=seconds)


def test_photo_and_verdict_must_belong_together(ws: Workspace) -> None:
    _fill(ws, MELTED, LATCH)
    first, second = queue(ws, TECHNICIAN)
    with pytest.raises(NotFoundError):
        decide(ws, TECHNICIAN, first.photo.id, second.verdict.id, DecisionKind.CONFIRMED)
    with pytest.raises(NotFoundError):
        decide(ws, TECHNICIAN, 99, second.verdict.id, DecisionKind.CONFIRMED)


def test_the_same_key_twice_is_one_decision(ws: Workspace) -> None:
    _fill(ws, MELTED)
    item = _only(ws)
    said = [decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED) for _ in range(3)]
    assert len({decision.id for decision in said}) == 1


def test_undo_adds_a_withdrawal_and_brings_the_photo_back(ws: Workspace) -> None:
    _fill(ws, MELTED)
    item = _only(ws)
    decision = decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CANNOT_TELL)
    taken_back = withdraw(ws, TECHNICIAN, decision.id)
    assert withdraw(ws, TECHNICIAN, decision.id) == taken_back
    assert [d.withdrawn for d in decisions_of(ws, LEAD, item.photo.id)] == [True, False]
    assert _only(ws).photo.id == item.photo.id
    with pytest.raises(BadRequestError):
        withdraw(ws, TECHNICIAN, taken_back.id)
    with pytest.raises(NotFoundError):
        withdraw(ws, TECHNICIAN, 999)
    again = decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CANNOT_TELL)
    assert again.id > taken_back.id


def test_nobody_takes_back_what_somebody_else_said(ws: Workspace) -> None:
    _fill(ws, MELTED)
    item = _only(ws)
    decision = decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED)
    with pytest.raises(NotAllowedError, match="Tom"):
        withdraw(ws, LEAD, decision.id)


def test_two_technicians_at_the_same_moment_are_both_kept(ws: Workspace) -> None:
    _fill(ws, *[MELTED] * 6)
    items = queue(ws, TECHNICIAN)
    start = threading.Barrier(2)
    faults: list[BaseException] = []

    def work(actor: Actor, kind: DecisionKind) -> None:
        try:
            start.wait()
            for item in items:
                decide(ws, actor, item.photo.id, item.verdict.id, kind)
        except BaseException as fault:
            faults.append(fault)

    pair = [
        threading.Thread(target=work, args=(TECHNICIAN, DecisionKind.CONFIRMED)),
        threading.Thread(target=work, args=(OTHER_TECHNICIAN, DecisionKind.CORRECTED)),
    ]
    for thread in pair:
        thread.start()
    for thread in pair:
        thread.join()
    assert faults == []
    for item in items:
        assert {d.decided_by for d in decisions_of(ws, LEAD, item.photo.id)} == {"Tom", "Tia"}
    assert all(item.conflict for item in queue(ws, THIRD_TECHNICIAN))
    assert len(queue(ws, THIRD_TECHNICIAN)) == len(items)


def test_the_last_good_photo_is_the_same_couplers_and_earlier(ws: Workspace) -> None:
    for day, grey in enumerate((CLEAR, CLEAR, DARK, MELTED)):
        ingest(ws, UPLOADER, [upload("P3-07.png", grey, day)], "north", now=NOON + timedelta(days=7 * day))
    item = next(i for i in queue(ws, TECHNICIAN) if i.triage is Triage.FLAG)
    good = last_good_photo(ws, TECHNICIAN, item.photo.coupler_id, item.photo.seen_at or NOON)
    assert good is not None
    assert good.seen_at == NOON + timedelta(days=7)
    assert last_good_photo(ws, TECHNICIAN, item.photo.coupler_id, NOON) is None


def test_uploaders_neither_see_the_queue_nor_decide(ws: Workspace, tmp_path: Path) -> None:
    _fill(ws, MELTED)
    item = _only(ws)
    for call in (
        lambda: queue(ws, UPLOADER),
        lambda: decide(ws, UPLOADER, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED),
        lambda: decide_from_csv(ws, UPLOADER, tmp_path / "x.csv"),
    ):
        with pytest.raises(NotAllowedError):
            call()
