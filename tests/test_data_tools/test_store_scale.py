"""Three years, 5,000 units, 100,000 photos: queue and history stay quick, beside 1,000 photos in one run."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

import pytest
from sqlalchemy import text

from data_tools.history import timeline
from data_tools.queueing import queue
from data_tools.records import DecisionKind
from data_tools.review import decide
from data_tools.workspace import Workspace, init_workspace
from tests.test_data_tools.big_store import fill
from tests.test_data_tools.store_kit import LEAD, TECHNICIAN, GreyJudge, settings_for

BAR_S = 0.3


def _seconds(work: Callable[[], object]) -> float:
    """Median processor time of seven runs: other work on the machine does not count."""
    work()
    times = []
    for _ in range(7):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return median(times)


def filled(folder: Path, photos: int, units: int) -> Workspace:
    ws = init_workspace(settings_for(folder), classifier=GreyJudge())
    fill(ws, photos, units)
    with ws.engine.begin() as connection:
        connection.execute(
            text("UPDATE photo_states SET queued = :yes, decision_id = NULL WHERE photo_id % 20 = 0"),
            {"yes": True},
        )
    return ws


def _measured(ws: Workspace) -> dict[str, float]:
    key = queue(ws, TECHNICIAN, limit=1)[0].unit.key
    waiting = iter(queue(ws, TECHNICIAN, limit=50))

    def say() -> None:
        item = next(waiting)
        decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CANNOT_TELL)

    return {
        "queue": _seconds(lambda: queue(ws, TECHNICIAN)),
        "history": _seconds(lambda: timeline(ws, LEAD, key)),
        "decide": _seconds(say),
    }


@pytest.mark.slow
def test_queue_history_and_decisions_stay_quick(tmp_path: Path) -> None:
    for photos, units in ((1_000, 50), (100_000, 5_000)):
        ws = filled(tmp_path / str(photos), photos, units)
        took = _measured(ws)
        ws.close()
        print(photos, {name: f"{1000 * seconds:.1f} ms" for name, seconds in took.items()})
        assert max(took.values()) < BAR_S, took
