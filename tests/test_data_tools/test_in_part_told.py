"""Photos that show too little of a coupler: what trends, commands and exports say of them."""

from __future__ import annotations

from data_tools.records import DecisionKind
from data_tools.review import decide
from data_tools.trend_data import load_trends
from data_tools.trends.watch import weekly_watch
from data_tools.workspace import Workspace
from tests.test_data_tools.store_kit import CLEAR, DARK, LEAD, TECHNICIAN, UNSURE
from tests.test_data_tools.test_in_part import COVERED, sent, store

__all__ = ["store"]


def test_the_weekly_watch_counts_it_with_what_could_not_be_judged(store: Workspace) -> None:
    """As all the other trends do: counted twice, a covered latch would call for a retraining."""
    file = sent(store, COVERED, 1)
    for seed, grey in enumerate((CLEAR, DARK, UNSURE), 2):
        sent(store, grey, seed)
    data = load_trends(store, LEAD)
    table = weekly_watch(data).table.set_index("measure")
    assert list(table.loc["refused", ["count", "n"]]) == [2, 4]
    assert list(table.loc["unsure", ["count", "n"]]) == [1, 2]
    assert int((~data.photos["usable"]).sum()) == 2
    assert file.photo is not None
    assert file.verdict is not None
    decide(store, TECHNICIAN, file.photo.id, file.verdict.id, DecisionKind.CORRECTED, ())
    table = weekly_watch(load_trends(store, LEAD)).table.set_index("measure")
    assert list(table.loc["refused", ["count", "n"]]) == [1, 4]
    assert list(table.loc["unsure", ["count", "n"]]) == [2, 3]
