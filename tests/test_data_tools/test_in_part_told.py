"""Photos that show too little of a coupler: what trends, commands and exports say of them."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np

from data_tools.answers import stand_words
from data_tools.cli.frame import verdict_alone
from data_tools.cli.photos import _doubts
from data_tools.cli.roster import _history_lines
from data_tools.export import export
from data_tools.held import held_units
from data_tools.history import timeline
from data_tools.open_damage import open_damage
from data_tools.queueing import queue_length
from data_tools.records import DecisionKind
from data_tools.rescore import rescore
from data_tools.review import decide
from data_tools.standing import Stand
from data_tools.trend_data import load_trends
from data_tools.trends.watch import weekly_watch
from data_tools.workspace import Workspace, open_workspace
from model.judgement import Judgement
from model.photo import Photo
from model.vocabulary import Place
from tests.test_data_tools.doubt_kit import state_now
from tests.test_data_tools.store_kit import CLEAR, DARK, LEAD, MELTED, TECHNICIAN, UNSURE
from tests.test_data_tools.test_in_part import COVERED, SHADY, CoveredJudge, sent, stand, store

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


def test_commands_ask_for_another_photo_and_promise_no_look_that_nobody_takes(store: Workspace) -> None:
    covered, shady, doubt, clear = (sent(store, grey, grey) for grey in (COVERED, SHADY, UNSURE, CLEAR))
    told = [verdict_alone(file.verdict.judgement) for file in (covered, shady, doubt, clear) if file.verdict]
    assert told == [
        "unsure, the latch is not in view, take another photo",
        "unsure, the latch is not in view, a technician must look",
        "unsure, perhaps heat-melted housing, a technician must look",
        "intact (clear)",
    ]
    lines = list(_history_lines(timeline(store, LEAD, "P3-07"), None))
    assert any("in_part (the latch is not in view)" in line for line in lines)
    assert not any("must look" in line for line in lines)  # what stands says who looks, not the verdict


class OtherEyes(CoveredJudge):
    """A newer version: what the one before called unsure or covered, it calls the opposite."""

    def judge(self, photo: Photo) -> Judgement:
        grey = float(photo.rgb.mean())
        swapped = {UNSURE: COVERED, COVERED: UNSURE}
        near = next((other for shown, other in swapped.items() if abs(grey - shown) < 4), None)
        return super().judge(photo if near is None else replace(photo, rgb=np.full_like(photo.rgb, near)))


def test_a_newer_version_that_sees_less_hides_no_doubt_of_the_one_before(store: Workspace) -> None:
    """Nobody has looked at what was in doubt: that a place is covered does not answer it."""
    doubt, covered = sent(store, UNSURE, 1), sent(store, COVERED, 2, timedelta(days=30))
    assert (stand(store, doubt), stand(store, covered)) == (Stand.DOUBTED, Stand.IN_PART)
    store.close()
    newer = open_workspace(store.settings, classifier=OtherEyes("grey-2"))
    rescore(newer, LEAD)
    assert (stand(newer, doubt), stand(newer, covered)) == (Stand.DOUBTED, Stand.DOUBTED)
    assert queue_length(newer, TECHNICIAN) == 2
    newer.close()


def test_an_export_names_what_was_not_in_view(store: Workspace, tmp_path: Path) -> None:
    sent(store, COVERED, 1)
    export(store, LEAD, tmp_path / "out")
    header, row = ((tmp_path / "out" / "photos.csv").read_text("utf-8")).splitlines()
    cells = dict(zip(header.split(","), row.split(","), strict=True))
    assert (cells["stand"], cells["reason"], cells["not_in_view"]) == ("in_part", "hidden", "latch")


def test_what_comes_in_is_counted_in_the_last_line(store: Workspace) -> None:
    covered, dark, doubt = (sent(store, grey, grey) for grey in (COVERED, DARK, UNSURE))
    assert _doubts([covered]) == "; 1 to take again"
    assert _doubts([covered, dark, doubt]) == "; 1 in doubt, 0 no more than before; 2 to take again"
    assert _doubts([sent(store, CLEAR, 9)]) == ""


def test_several_places_are_asked_about_together(store: Workspace) -> None:
    file = sent(store, COVERED, 1)
    state = replace(state_now(store, file), unseen=(Place.LATCH, Place.BOTTOM))
    assert stand_words(state) == (
        "Take another photo: the bottom pin housing and the latch are not in view. "
        "If any of them looks gone, broken or melted to you, do not use this coupler: tell the technician."
    )


def test_a_unit_held_for_what_is_out_of_view_says_so(store: Workspace) -> None:
    """Whoever has to look learns where; "damage suspected" would send them looking for anything."""
    sent(store, COVERED, 1)
    assert held_units(store, LEAD) == {}
    sent(store, COVERED, 2, timedelta(days=7))
    words = "perhaps damage, as the latch is not in view (not yet confirmed or ruled out)"
    assert held_units(store, LEAD)["P3-07"].why == words
    earlier = sent(store, CLEAR, 4, timedelta(days=6))
    assert earlier.message == (
        f"No damage seen in this photo, but an earlier or other one of this coupler shows {words}: "
        "do not use this coupler until a technician has looked."
    )
    (damage,) = open_damage(store, LEAD)
    assert damage.unseen == (Place.LATCH,)
    sent(store, MELTED, 3, timedelta(days=8))
    why = held_units(store, LEAD)["P3-07"].why
    assert why == "heat melted housing at bottom (not yet confirmed or ruled out)"
