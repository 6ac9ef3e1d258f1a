"""The review queue: its order, its blind audits, conflicts and second opinions."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from data_tools.access import Actor
from data_tools.conditions import take_out_of_service
from data_tools.ingest import ingest
from data_tools.queueing import items_of, queue_length, queue_mark, queue_news
from data_tools.records import DecisionKind, QueueItem
from data_tools.review import decide, decisions_of, queue
from data_tools.workspace import Workspace
from model.errors import NotAllowedError
from model.vocabulary import Triage
from tests.test_data_tools.store_kit import (
    CLEAR,
    DARK,
    LATCH,
    LEAD,
    MELTED,
    OTHER_TECHNICIAN,
    TECHNICIAN,
    THIRD_TECHNICIAN,
    UNSURE,
    UPLOADER,
    furnished,
    upload,
)

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)


def _fill(ws: Workspace, *greys: int) -> None:
    sources = [upload(f"P3-07_{i}.png", grey, i) for i, grey in enumerate(greys)]
    ingest(ws, UPLOADER, sources, "north", now=NOON)


def _names(ws: Workspace, actor: Actor = TECHNICIAN, **options: object) -> list[str]:
    return [item.photo.file_name for item in queue(ws, actor, **options)]  # type: ignore[arg-type]


def _only(ws: Workspace, actor: Actor = TECHNICIAN) -> QueueItem:
    (item,) = queue(ws, actor)
    return item


def test_what_a_miss_would_cost_comes_first(tmp_path: Path) -> None:
    ws = furnished(tmp_path, blind_audit_share=0.0)
    _fill(ws, LATCH, MELTED, UNSURE, CLEAR, DARK)
    # melted 0.95 x 100; unsure (melted 0.4 x 100) x 2; missing latch 0.95 x 20: see the settings table.
    assert _names(ws) == ["P3-07_1.png", "P3-07_2.png", "P3-07_0.png"]
    priorities = [item.priority for item in queue(ws, TECHNICIAN)]
    assert priorities == pytest.approx([95 + 0.2 + 0.3, 2 * (40 + 0.2 + 0.3), 19 + 0.3 + 1.0])
    assert queue_length(ws, TECHNICIAN) == 3
    assert _names(ws, limit=1) == ["P3-07_1.png"]
    assert _names(ws, site_key="south") == []
    ws.close()


def test_units_out_of_service_wait(tmp_path: Path) -> None:
    ws = furnished(tmp_path, blind_audit_share=0.0)
    ingest(ws, UPLOADER, [upload("P3-07.png", MELTED, 1), upload("P3-08.png", LATCH, 2)], "north", now=NOON)
    take_out_of_service(ws, TECHNICIAN, "P3-07", "melted")
    assert _names(ws) == ["P3-08.png", "P3-07.png"]
    ws.close()


def test_audits_are_spread_by_their_content_and_never_the_whole_queue(tmp_path: Path) -> None:
    ws = furnished(tmp_path, blind_audit_share=1.0)
    _fill(ws, *[MELTED] * 20, *[CLEAR] * 20)
    items = queue(ws, TECHNICIAN, limit=20)
    assert len(items) == 20
    audits = [index for index, item in enumerate(items) if item.blind_audit]
    assert 1 <= len(audits) <= 4
    assert min(audits) < 16, "they do not all sit at the end"
    assert [i.photo.id for i in queue(ws, TECHNICIAN, limit=20)] == [i.photo.id for i in items]
    whole = queue(ws, TECHNICIAN, limit=100)
    assert {item.triage for item in whole} == {Triage.FLAG, Triage.CLEAR}
    assert len(whole) == 40
    ws.close()


def test_a_conflict_is_kept_shown_and_settled_by_a_third(ws: Workspace) -> None:
    _fill(ws, MELTED)
    item = _only(ws)
    decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED)
    decide(ws, OTHER_TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CORRECTED)
    assert _names(ws, OTHER_TECHNICIAN) == [], "she spoke last"
    for actor in (TECHNICIAN, THIRD_TECHNICIAN):
        seen = _only(ws, actor)
        assert seen.conflict
        assert [d.decided_by for d in seen.decisions] == ["Tom", "Tia"]
    decide(ws, THIRD_TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED)
    assert _names(ws, TECHNICIAN) == _names(ws, OTHER_TECHNICIAN) == []
    assert len(decisions_of(ws, LEAD, item.photo.id)) == 3


def test_a_second_opinion_goes_to_others(ws: Workspace) -> None:
    _fill(ws, MELTED)
    item = _only(ws)
    decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.SECOND_OPINION, comment="glare?")
    assert _names(ws) == []
    asked = _only(ws, OTHER_TECHNICIAN)
    assert asked.second_opinion
    assert asked.decisions[0].comment == "glare?"
    decide(ws, OTHER_TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED)
    assert _names(ws, OTHER_TECHNICIAN) == []


def test_a_second_opinion_on_a_refused_photo_is_queued_too(ws: Workspace) -> None:
    (file,) = ingest(ws, UPLOADER, [upload("P3-07.png", DARK)], "north").files
    assert file.photo is not None
    assert file.verdict is not None
    decide(ws, TECHNICIAN, file.photo.id, file.verdict.id, DecisionKind.SECOND_OPINION)
    assert _only(ws, OTHER_TECHNICIAN).triage is None
    assert queue_length(ws, OTHER_TECHNICIAN) == 1


def test_news_of_photos_held_are_what_went_and_what_came_above(tmp_path: Path) -> None:
    ws = furnished(tmp_path, blind_audit_share=1.0)
    _fill(ws, LATCH, UNSURE, CLEAR)
    mark = queue_mark(ws, TECHNICIAN)
    held = {item.photo.id: item.priority for item in queue(ws, TECHNICIAN)}
    top, second, _ = held
    told = queue_news(ws, TECHNICIAN, held, mark, above=20.0)
    assert (told.gone, told.fresh, told.mark) == ({}, (), mark)
    assert told.held == tuple(queue(ws, TECHNICIAN)[:1])
    greys = (MELTED, LATCH, CLEAR, DARK)
    ingest(
        ws, UPLOADER, [upload(f"P3-08_{n}.png", g, 50 + n) for n, g in enumerate(greys)], "north", now=NOON
    )
    ingest(ws, UPLOADER, [upload("Q1.png", MELTED, 60)], "south", now=NOON)
    ruled = queue(ws, OTHER_TECHNICIAN, "north")[0]
    decide(ws, OTHER_TECHNICIAN, top, _verdict(ws, top), DecisionKind.CONFIRMED)
    told = queue_news(ws, TECHNICIAN, held, mark, above=30.0, site_key="north")
    assert list(told.gone) == [top]
    assert [d.decided_by for d in told.gone[top]] == ["Tia"]
    assert [item.photo.id for item in told.held] == [second]
    assert [item.photo.file_name for item in told.fresh] == ["P3-08_0.png"]
    assert told.fresh[0] == ruled
    assert len(queue_news(ws, TECHNICIAN, held, mark, above=30.0).fresh) == 2
    assert queue_news(ws, OTHER_TECHNICIAN, {}, mark, above=-1.0).held == ()
    with_other = held | {second: 1.0, top: 1.0}
    assert len(queue_news(ws, OTHER_TECHNICIAN, with_other, mark, above=99.0).held) == 1
    with pytest.raises(NotAllowedError):
        queue_news(ws, UPLOADER, held, mark, above=0.0)
    ws.close()


def _verdict(ws: Workspace, photo_id: int) -> int:
    (item,) = items_of(ws, TECHNICIAN, [photo_id])
    return item.verdict.id
