"""What is as before: the setting, the blind audit, the trends, and how it is told."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import delete, event, select
from sqlalchemy.dialects import postgresql

from data_tools.as_before import rule_in_force
from data_tools.cli.roster import _history_lines, _roster_line
from data_tools.database.schema import PhotoStateRow
from data_tools.export import export
from data_tools.history import timeline
from data_tools.records import QueueItem
from data_tools.review import queue
from data_tools.sites import roster
from data_tools.standing import Stand
from data_tools.states import _held, fold_missing
from data_tools.trend_data import load_trends
from data_tools.trends.agreement import miss_rate
from data_tools.verify import verify
from data_tools.workspace import Workspace
from tests.test_data_tools.doubt_kit import (
    CANNOT,
    CORRECTED,
    IS_MELTED,
    MORE,
    NOON,
    WEEK,
    again,
    close_again,
    number_of,
    ruled_intact,
    say_of,
    send_at,
    stand_now,
    state_now,
)
from tests.test_data_tools.store_kit import (
    CLEAR,
    DARK,
    LEAD,
    MELTED,
    OTHER_TECHNICIAN,
    UNSURE,
    UPLOADER,
    furnished,
)


@pytest.fixture
def ws(tmp_path: Path) -> Iterator[Workspace]:
    yield again(furnished(tmp_path, blind_audit_share=0.0))
    close_again()


def test_the_setting_turns_it_off_and_on_for_what_is_there(ws: Workspace) -> None:
    ruled_intact(ws)
    file, far = send_at(ws, UNSURE, 2, 1), send_at(ws, UNSURE, 3, 10)
    assert (stand_now(ws, file), stand_now(ws, far)) == (Stand.AS_BEFORE, Stand.DOUBTED)
    for days, stands in (
        (0, (Stand.DOUBTED, Stand.DOUBTED)),
        (90, (Stand.AS_BEFORE, Stand.AS_BEFORE)),
        (10**9, (Stand.AS_BEFORE, Stand.AS_BEFORE)),
        (-1, (Stand.DOUBTED, Stand.DOUBTED)),
        (60, (Stand.AS_BEFORE, Stand.DOUBTED)),
    ):
        ws = again(ws, as_before_days=days)
        assert (stand_now(ws, file), stand_now(ws, far)) == stands


def _items(ws: Workspace) -> dict[int, QueueItem]:
    return {item.photo.id: item for item in queue(ws, OTHER_TECHNICIAN)}


def _rows(ws: Workspace) -> list[tuple[object, ...]]:
    with ws.read() as session:
        rows = session.execute(select(PhotoStateRow.__table__).order_by(PhotoStateRow.photo_id))
        return [tuple(row) for row in rows]


def test_a_store_that_is_folded_anew_tells_the_same(ws: Workspace) -> None:
    file, far = send_at(ws, UNSURE, 2, 1), send_at(ws, MORE, 3, 1)
    ruled_intact(ws)  # taken before, and came in later
    kept = _rows(ws)
    with ws.write() as session:
        session.execute(delete(PhotoStateRow))
        fold_missing(session, ws.settings)
    assert _rows(ws) == kept
    assert (stand_now(ws, file), stand_now(ws, far)) == (Stand.AS_BEFORE, Stand.DOUBTED)


def test_an_older_photo_that_comes_in_late_ends_the_word_of_before_it(ws: Workspace) -> None:
    ruled_intact(ws)
    file = send_at(ws, UNSURE, 2, 2)
    assert stand_now(ws, file) is Stand.AS_BEFORE
    send_at(ws, MELTED, 3, 1)
    assert stand_now(ws, file) is Stand.DOUBTED


def test_the_blind_audit_draws_the_same_share_and_keeps_its_figures_apart(ws: Workspace) -> None:
    ws = again(ws, blind_audit_share=1.0)
    ruled_intact(ws)
    file, clear = send_at(ws, UNSURE, 2, 1), send_at(ws, CLEAR, 3, 1)
    doubt = send_at(ws, MORE, 4, 1)
    items = _items(ws)
    assert set(items) == {number_of(file), number_of(clear), number_of(doubt)}
    marks = [items[number_of(each)].blind_audit for each in (file, clear, doubt)]
    assert marks == [True, True, False]
    assert state_now(ws, file).stand is Stand.AS_BEFORE
    say_of(ws, file, CORRECTED, IS_MELTED)
    say_of(ws, clear)
    audited = miss_rate(load_trends(ws, LEAD))
    assert audited.n == 1
    assert audited.table["missed"].iloc[0] == 0


def test_the_share_of_the_audit_is_drawn_by_content(ws: Workspace) -> None:
    ws = again(ws, blind_audit_share=0.4)
    ruled_intact(ws)
    sent = [send_at(ws, UNSURE, seed, 1) for seed in range(20, 50)]
    states = [state_now(ws, each) for each in sent]
    assert {state.stand for state in states} == {Stand.AS_BEFORE}
    drawn = [state.queued for state in states]
    assert 5 <= sum(drawn) <= 20
    assert verify(ws, LEAD).ok


def test_the_trends_count_it_as_the_unsure_verdict_that_it_is(ws: Workspace) -> None:
    ruled_intact(ws)
    send_at(ws, UNSURE, 2, 1)
    spared = load_trends(ws, LEAD).photos
    waiting = load_trends(again(ws, as_before_days=0), LEAD).photos
    assert spared.equals(waiting)
    assert list(spared["triage"]) == ["unsure", "unsure"]
    assert list(spared["judged"]) == [True, False]


def test_staff_are_told_since_when_and_that_it_is_no_proof(ws: Workspace) -> None:
    reference = ruled_intact(ws)
    file = send_at(ws, UNSURE, 2, 1)
    words = (
        "In doubt, but no more than on 3 November 2026, when a technician saw no damage in it. Not a sign "
        "that it is safe."
    )
    assert file.message == words
    assert send_at(ws, UNSURE, 2, 1).message.endswith(words)
    told = list(_history_lines(timeline(ws, UPLOADER, "P3-07"), None))
    line = f"as_before (in doubt no more than photo {number_of(reference)} of 2026-11-03, ruled intact)"
    assert sum(line in each for each in told) == 1


def test_roster_and_export_tell_it(ws: Workspace, tmp_path: Path) -> None:
    reference = ruled_intact(ws)
    send_at(ws, DARK, 3, 1)
    send_at(ws, UNSURE, 2, 1)
    lines = {line.unit.key: line for line in roster(ws, UPLOADER, "north", (NOON + WEEK).date())}
    line = lines["P3-07"]
    assert (line.done_this_week, line.unsure, line.as_before) == (True, 1, 1)
    assert "in doubt, but no more than when ruled intact: 1" in _roster_line(line, None)
    assert (lines["P3-08"].unsure, lines["P3-08"].as_before) == (0, 0)
    export(ws, LEAD, tmp_path / "out")
    rows = (tmp_path / "out" / "photos.csv").read_text("utf-8").splitlines()
    header = rows[0].split(",")
    cells = dict(zip(header, rows[-1].split(","), strict=True))
    assert (cells["stand"], cells["before"], cells["triage"]) == (
        "as_before",
        f"{number_of(reference)}",
        "unsure",
    )


def test_it_costs_a_few_queries_however_many_photos_there_are(ws: Workspace) -> None:
    reference = ruled_intact(ws)
    for seed in range(10, 30):
        send_at(ws, CLEAR, seed, 1)
    file = send_at(ws, UNSURE, 2, 1)
    asked: list[str] = []
    event.listen(ws.engine, "before_cursor_execute", lambda *given: asked.append(given[2]))
    say_of(ws, reference, CANNOT)
    assert len(asked) < 30
    assert state_now(ws, file).stand is Stand.DOUBTED


def test_two_moves_off_one_coupler_do_not_wait_for_each_other() -> None:
    """On PostgreSQL, a record that names a coupler shares its key, which ``FOR UPDATE`` would not let in."""
    dialect = postgresql.dialect()  # type: ignore[no-untyped-call]
    assert str(_held({1, 2}).compile(dialect=dialect)).endswith("FOR NO KEY UPDATE")


def test_a_change_of_any_part_of_the_rules_folds_the_store_again(
    ws: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    rules = {rule_in_force(ws.settings)}
    for where, name, value in (
        ("data_tools.as_before", "PLACE_MARGIN", 0.9),
        ("data_tools.as_before", "COVERED_BELOW", 0.01),
        ("data_tools.as_before", "ASKED_WITHIN", WEEK),
        ("data_tools.as_before", "NEW_TRY", WEEK),
    ):
        monkeypatch.setattr(f"{where}.{name}", value)
        rules.add(rule_in_force(ws.settings))
    assert len(rules) == 5
