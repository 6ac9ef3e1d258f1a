"""An unsure photo that is no more suspicious than one that a technician ruled on: the same everywhere, and
kept true by whatever happens to either."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from data_tools.conditions import replace_coupler
from data_tools.held import held_units
from data_tools.open_damage import open_damage
from data_tools.queueing import queue_mark, queue_news
from data_tools.records import DecisionKind
from data_tools.refile import refile
from data_tools.rescore import rescore
from data_tools.review import last_good_photo, withdraw
from data_tools.standing import SeenBefore, Stand
from data_tools.workspace import Workspace
from model.errors import ConflictError
from model.vocabulary import Triage
from tests.test_data_tools.doubt_kit import (
    ASK,
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
    LEAD,
    MELTED,
    OTHER_TECHNICIAN,
    TECHNICIAN,
    UNSURE,
    UPLOADER,
    furnished,
)


@pytest.fixture
def ws(tmp_path: Path) -> Iterator[Workspace]:
    yield again(furnished(tmp_path, blind_audit_share=0.0))
    close_again()


def test_an_unsure_photo_no_worse_than_a_ruled_one_waits_for_nobody_and_holds_nothing(ws: Workspace) -> None:
    reference = ruled_intact(ws)
    file = send_at(ws, UNSURE, 2, 1)
    assert stand_now(ws, file) is Stand.AS_BEFORE
    state = state_now(ws, file)
    assert state.before == (SeenBefore(number_of(reference), NOON.date()),)
    assert (state.judged, state.findings) == (True, (IS_MELTED,))
    assert open_damage(ws, UPLOADER, "north") == []
    assert held_units(ws, UPLOADER, "north") == {}
    assert file.verdict is not None
    assert file.verdict.judgement.triage is Triage.UNSURE
    good = last_good_photo(ws, TECHNICIAN, file.photo.coupler_id, NOON + 9 * WEEK)  # type: ignore[union-attr]
    assert good is not None
    assert good.id == number_of(reference)  # the other is in doubt: nothing is held against it


@pytest.mark.parametrize(("grey", "stand"), [(MORE, Stand.DOUBTED), (MELTED, Stand.SUSPECTED)])
def test_more_doubt_waits_and_a_flag_is_never_spared(ws: Workspace, grey: int, stand: Stand) -> None:
    ruled_intact(ws, MELTED)
    ruled_intact(ws, UNSURE, 2, 1)
    assert stand_now(ws, send_at(ws, grey, 3, 2)) is (Stand.AS_BEFORE if grey == MORE else stand)
    # MORE is less than the flag that was ruled intact; beside the unsure photo alone it is more.
    ws = again(ws, as_before_days=7)
    assert stand_now(ws, send_at(ws, grey, 4, 2)) is stand


def test_only_a_ruling_on_this_very_coupler_counts(ws: Workspace) -> None:
    say_of(ws, send_at(ws, UNSURE, 1, unit="P3-08"))
    unruled = send_at(ws, UNSURE, 2)
    assert stand_now(ws, unruled) is Stand.DOUBTED
    say_of(ws, unruled, CANNOT)
    assert stand_now(ws, send_at(ws, UNSURE, 3, 1)) is Stand.DOUBTED


def test_the_days_end_and_later_photos_are_no_reference(ws: Workspace) -> None:
    early = send_at(ws, UNSURE, 5, -1)
    ruled_intact(ws)
    assert stand_now(ws, early) is Stand.DOUBTED
    assert stand_now(ws, send_at(ws, UNSURE, 2, 60 / 7)) is Stand.AS_BEFORE
    assert stand_now(ws, send_at(ws, UNSURE, 3, 61 / 7)) is Stand.DOUBTED
    assert stand_now(ws, send_at(ws, UNSURE, 4, 0)) is Stand.DOUBTED


def test_a_ruling_frees_what_waits_and_taking_it_back_brings_it_again(ws: Workspace) -> None:
    reference, file = send_at(ws, UNSURE, 1), send_at(ws, UNSURE, 2, 1)
    assert stand_now(ws, file) is Stand.DOUBTED
    said = say_of(ws, reference)
    assert stand_now(ws, file) is Stand.AS_BEFORE
    mark = queue_mark(ws, OTHER_TECHNICIAN)
    withdraw(ws, TECHNICIAN, said.id)
    assert stand_now(ws, file) is Stand.DOUBTED
    news = queue_news(ws, OTHER_TECHNICIAN, {}, mark, above=0.0)
    assert {item.photo.id for item in news.fresh} == {number_of(reference), number_of(file)}
    say_of(ws, reference)
    say_of(ws, reference, CORRECTED, IS_MELTED, who=OTHER_TECHNICIAN)  # they differ
    assert stand_now(ws, file) is Stand.DOUBTED
    assert [damage.stand for damage in open_damage(ws, UPLOADER)] == [Stand.DISPUTED]


@pytest.mark.parametrize("word", [CANNOT, ASK])
def test_any_word_of_a_person_on_the_photo_overrides_it(ws: Workspace, word: DecisionKind) -> None:
    ruled_intact(ws)
    file = send_at(ws, UNSURE, 2, 1)
    said = say_of(ws, file, word)
    assert stand_now(ws, file) is Stand.DOUBTED
    withdraw(ws, TECHNICIAN, said.id)
    assert stand_now(ws, file) is Stand.AS_BEFORE
    say_of(ws, file, CORRECTED, IS_MELTED)
    assert stand_now(ws, file) is Stand.DAMAGED


@pytest.mark.parametrize("grey", [MELTED, UNSURE])
def test_damage_shown_since_ends_the_word_of_before(ws: Workspace, grey: int) -> None:
    ruled_intact(ws)
    between, file = send_at(ws, grey, 2, 1), send_at(ws, UNSURE, 3, 2)
    if grey == UNSURE:
        assert stand_now(ws, file) is Stand.AS_BEFORE
        say_of(ws, between, CORRECTED, IS_MELTED)
    assert stand_now(ws, file) is Stand.DOUBTED
    say_of(ws, between, CORRECTED, who=TECHNICIAN)
    assert stand_now(ws, file) is Stand.AS_BEFORE
    assert state_now(ws, file).before[0].photo_id == number_of(between)


def test_it_closes_no_damage_of_another_photo(ws: Workspace) -> None:
    melted = send_at(ws, MELTED, 9, -1, unit="P3-08")
    ruled_intact(ws)
    file = send_at(ws, UNSURE, 2, 1)
    refile(ws, TECHNICIAN, number_of(melted), "P3-07", "It shows that one.")
    assert stand_now(ws, file) is Stand.AS_BEFORE
    (damage,) = open_damage(ws, UPLOADER, "north")
    assert (damage.stand, damage.photo.id, damage.photo.unit_key) == (
        Stand.SUSPECTED,
        number_of(melted),
        "P3-07",
    )
    assert send_at(ws, UNSURE, 2, 1).message.endswith(
        "This photo is in doubt no more than on 3 November 2026, but an earlier or other one of this coupler "
        "shows heat melted housing at bottom (not yet confirmed or ruled out): do not use this coupler."
    )


def test_a_swap_and_a_move_leave_the_word_with_its_coupler(ws: Workspace) -> None:
    reference, file = ruled_intact(ws), send_at(ws, UNSURE, 2, 1)
    refile(ws, TECHNICIAN, number_of(reference), "Q1", "It shows that one.", now=NOON + WEEK)
    assert stand_now(ws, file) is Stand.DOUBTED
    refile(ws, TECHNICIAN, number_of(reference), "P3-07", "It does not.", now=NOON + WEEK)
    assert stand_now(ws, file) is Stand.AS_BEFORE
    refile(ws, TECHNICIAN, number_of(file), "Q1", "It shows that one.", now=NOON + WEEK)
    assert stand_now(ws, file) is Stand.DOUBTED
    refile(ws, TECHNICIAN, number_of(file), "P3-07", "It does not.", now=NOON + WEEK)
    assert stand_now(ws, file) is Stand.AS_BEFORE
    swapped = NOON + timedelta(days=2)
    replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-2", "Worn.", swapped_at=swapped, now=NOON + 2 * WEEK)
    # A person had filed it under the coupler before: whose it is nobody knows.
    assert stand_now(ws, file) is Stand.DOUBTED
    assert stand_now(ws, send_at(ws, UNSURE, 3, 2)) is Stand.DOUBTED


def test_photos_since_a_swap_are_of_the_new_coupler(ws: Workspace) -> None:
    ruled_intact(ws)
    file = send_at(ws, UNSURE, 2, 1)
    assert stand_now(ws, file) is Stand.AS_BEFORE
    swapped = NOON + timedelta(days=2)
    replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-2", "Worn.", swapped_at=swapped, now=NOON + WEEK)
    assert stand_now(ws, file) is Stand.DOUBTED
    say_of(ws, file)
    assert stand_now(ws, send_at(ws, UNSURE, 3, 2)) is Stand.AS_BEFORE


def test_a_doubt_is_not_moved_to_a_coupler_that_is_gone_unasked(ws: Workspace) -> None:
    ruled_intact(ws)
    file = send_at(ws, UNSURE, 2, 1)
    later = {"swapped_at": NOON + 2 * WEEK, "now": NOON + 2 * WEEK}
    replace_coupler(ws, TECHNICIAN, "P3-08", "A", "PN-2", "Worn.", **later)  # type: ignore[arg-type]
    with pytest.raises(ConflictError, match="off the unit"):
        refile(ws, TECHNICIAN, number_of(file), "P3-08", "It shows that one.", now=NOON + 3 * WEEK)


def test_only_one_version_compares_and_judging_again_folds_again(ws: Workspace) -> None:
    ruled_intact(ws)
    file = send_at(ws, UNSURE, 2, 1)
    ws = again(ws, "grey-2")
    newer = send_at(ws, UNSURE, 3, 2)
    assert stand_now(ws, newer) is Stand.DOUBTED
    assert stand_now(ws, file) is Stand.AS_BEFORE
    rescore(ws, LEAD)
    assert stand_now(ws, newer) is Stand.AS_BEFORE
    assert stand_now(ws, file) is Stand.AS_BEFORE
