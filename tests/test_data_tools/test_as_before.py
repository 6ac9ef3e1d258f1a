"""An unsure photo that is no more suspicious than one that a technician ruled on: the same everywhere, and kept
true by whatever happens to either."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import event

from data_tools.access import Actor
from data_tools.cli.roster import _history_lines, _roster_line
from data_tools.conditions import replace_coupler
from data_tools.export import export
from data_tools.held import held_units
from data_tools.history import timeline
from data_tools.ingest import ingest
from data_tools.open_damage import open_damage
from data_tools.queueing import queue_mark, queue_news
from data_tools.records import DecisionKind, DecisionRecord, IngestedFile, QueueItem, TrueFinding
from data_tools.refile import refile
from data_tools.rescore import rescore
from data_tools.review import decide, last_good_photo, queue, withdraw
from data_tools.sites import roster
from data_tools.standing import SeenBefore, Stand, State
from data_tools.trend_data import load_trends
from data_tools.trends.agreement import miss_rate
from data_tools.verify import verify
from data_tools.workspace import Workspace, open_workspace
from model.errors import ConflictError
from model.judgement import Judgement
from model.photo import Photo
from model.vocabulary import FindingKind, Place, Triage
from tests.test_data_tools.store_kit import (
    CLEAR,
    DARK,
    LEAD,
    MELTED,
    OTHER_TECHNICIAN,
    TECHNICIAN,
    UNSURE,
    UPLOADER,
    GreyJudge,
    furnished,
    upload,
)

MORE = 145
"""A grey that is unsure too, and more suspicious than ``UNSURE``."""
NOON = datetime(2026, 11, 3, 12, tzinfo=UTC)
WEEK = timedelta(days=7)
IS_MELTED = TrueFinding(FindingKind.HEAT_MELTED_HOUSING, Place.BOTTOM)
CANNOT, ASK = DecisionKind.CANNOT_TELL, DecisionKind.SECOND_OPINION
CORRECTED = DecisionKind.CORRECTED


class DoubtJudge(GreyJudge):
    """As ``GreyJudge``, with two shades of doubt."""

    def judge(self, photo: Photo) -> Judgement:
        judged = super().judge(photo)
        if judged.triage is Triage.UNSURE and float(photo.rgb.mean()) > (UNSURE + MORE) / 2:
            chances = {**judged.probabilities, FindingKind.HEAT_MELTED_HOUSING: 0.5}
            return replace(judged, probabilities=chances)
        return judged


def _again(ws: Workspace, version: str = "grey-1", **changes: object) -> Workspace:
    ws.close()
    return open_workspace(replace(ws.settings, **changes), classifier=DoubtJudge(version))  # type: ignore[arg-type]


@pytest.fixture
def ws(tmp_path: Path) -> Workspace:
    return _again(furnished(tmp_path, blind_audit_share=0.0))


def _send(
    ws: Workspace, grey: int, seed: int, weeks: float = 0, unit: str = "P3-07", site: str = "north"
) -> IngestedFile:
    sources = [upload(f"{unit}_{seed}.png", grey, seed)]
    (file,) = ingest(ws, UPLOADER, sources, site, now=NOON + weeks * WEEK).files
    return file


def _say(
    ws: Workspace,
    file: IngestedFile,
    kind: DecisionKind = CORRECTED,
    *found: TrueFinding,
    who: Actor = TECHNICIAN,
) -> DecisionRecord:
    assert file.photo is not None
    assert file.verdict is not None
    return decide(ws, who, file.photo.id, file.verdict.id, kind, found)


def _ruled(ws: Workspace, grey: int = UNSURE, seed: int = 1, weeks: float = 0) -> IngestedFile:
    file = _send(ws, grey, seed, weeks)
    _say(ws, file)
    return file


def _state(ws: Workspace, file: IngestedFile) -> State:
    assert file.photo is not None
    entries = [
        e for unit in ("P3-07", "P3-08", "Q1") for e in timeline(ws, UPLOADER, unit).entries if e.photo
    ]
    (state,) = [e.state for e in entries if e.photo and e.photo.id == file.photo.id]
    assert state is not None
    return state


def _stand(ws: Workspace, file: IngestedFile) -> Stand:
    state = _state(ws, file)
    assert verify(ws, LEAD).ok
    assert state.queued == (state.stand in (Stand.DOUBTED, Stand.SUSPECTED, Stand.DISPUTED))
    assert [item.photo.id for item in queue(ws, OTHER_TECHNICIAN)].count(_number(file)) == state.queued
    return state.stand


def _number(file: IngestedFile) -> int:
    assert file.photo is not None
    return file.photo.id


def test_an_unsure_photo_no_worse_than_a_ruled_one_waits_for_nobody_and_holds_nothing(ws: Workspace) -> None:
    reference = _ruled(ws)
    file = _send(ws, UNSURE, 2, 1)
    assert _stand(ws, file) is Stand.AS_BEFORE
    state = _state(ws, file)
    assert state.before == (SeenBefore(_number(reference), NOON.date()),)
    assert (state.judged, state.findings) == (True, (IS_MELTED,))
    assert open_damage(ws, UPLOADER, "north") == []
    assert held_units(ws, UPLOADER, "north") == {}
    assert file.verdict is not None
    assert file.verdict.judgement.triage is Triage.UNSURE
    good = last_good_photo(ws, TECHNICIAN, file.photo.coupler_id, NOON + 9 * WEEK)  # type: ignore[union-attr]
    assert good is not None
    assert good.id == _number(file)


@pytest.mark.parametrize(("grey", "stand"), [(MORE, Stand.DOUBTED), (MELTED, Stand.SUSPECTED)])
def test_more_doubt_waits_and_a_flag_is_never_spared(ws: Workspace, grey: int, stand: Stand) -> None:
    _ruled(ws, MELTED)
    _ruled(ws, UNSURE, 2, 1)
    assert _stand(ws, _send(ws, grey, 3, 2)) is (Stand.AS_BEFORE if grey == MORE else stand)
    # MORE is less than the flag that was ruled intact; beside the unsure photo alone it is more.
    ws = _again(ws, as_before_days=7)
    assert _stand(ws, _send(ws, grey, 4, 2)) is stand


def test_only_a_ruling_on_this_very_coupler_counts(ws: Workspace) -> None:
    _say(ws, _send(ws, UNSURE, 1, unit="P3-08"))
    unruled = _send(ws, UNSURE, 2)
    assert _stand(ws, unruled) is Stand.DOUBTED
    _say(ws, unruled, CANNOT)
    assert _stand(ws, _send(ws, UNSURE, 3, 1)) is Stand.DOUBTED


def test_the_days_end_and_later_photos_are_no_reference(ws: Workspace) -> None:
    early = _send(ws, UNSURE, 5, -1)
    _ruled(ws)
    assert _stand(ws, early) is Stand.DOUBTED
    assert _stand(ws, _send(ws, UNSURE, 2, 60 / 7)) is Stand.AS_BEFORE
    assert _stand(ws, _send(ws, UNSURE, 3, 61 / 7)) is Stand.DOUBTED
    assert _stand(ws, _send(ws, UNSURE, 4, 0)) is Stand.DOUBTED


def test_a_ruling_frees_what_waits_and_taking_it_back_brings_it_again(ws: Workspace) -> None:
    reference, file = _send(ws, UNSURE, 1), _send(ws, UNSURE, 2, 1)
    assert _stand(ws, file) is Stand.DOUBTED
    said = _say(ws, reference)
    assert _stand(ws, file) is Stand.AS_BEFORE
    mark = queue_mark(ws, OTHER_TECHNICIAN)
    withdraw(ws, TECHNICIAN, said.id)
    assert _stand(ws, file) is Stand.DOUBTED
    news = queue_news(ws, OTHER_TECHNICIAN, {}, mark, above=0.0)
    assert {item.photo.id for item in news.fresh} == {_number(reference), _number(file)}
    _say(ws, reference)
    _say(ws, reference, CORRECTED, IS_MELTED, who=OTHER_TECHNICIAN)  # they differ
    assert _stand(ws, file) is Stand.DOUBTED
    assert [damage.stand for damage in open_damage(ws, UPLOADER)] == [Stand.DISPUTED]


@pytest.mark.parametrize("word", [CANNOT, ASK])
def test_any_word_of_a_person_on_the_photo_overrides_it(ws: Workspace, word: DecisionKind) -> None:
    _ruled(ws)
    file = _send(ws, UNSURE, 2, 1)
    said = _say(ws, file, word)
    assert _stand(ws, file) is Stand.DOUBTED
    withdraw(ws, TECHNICIAN, said.id)
    assert _stand(ws, file) is Stand.AS_BEFORE
    _say(ws, file, CORRECTED, IS_MELTED)
    assert _stand(ws, file) is Stand.DAMAGED


@pytest.mark.parametrize("grey", [MELTED, UNSURE])
def test_damage_shown_since_ends_the_word_of_before(ws: Workspace, grey: int) -> None:
    _ruled(ws)
    between, file = _send(ws, grey, 2, 1), _send(ws, UNSURE, 3, 2)
    if grey == UNSURE:
        assert _stand(ws, file) is Stand.AS_BEFORE
        _say(ws, between, CORRECTED, IS_MELTED)
    assert _stand(ws, file) is Stand.DOUBTED
    _say(ws, between, CORRECTED, who=TECHNICIAN)
    assert _stand(ws, file) is Stand.AS_BEFORE
    assert _state(ws, file).before[0].photo_id == _number(between)


def test_it_closes_no_damage_of_another_photo(ws: Workspace) -> None:
    melted = _send(ws, MELTED, 9, -1, unit="P3-08")
    _ruled(ws)
    file = _send(ws, UNSURE, 2, 1)
    refile(ws, TECHNICIAN, _number(melted), "P3-07", "It shows that one.", now=NOON + WEEK)
    assert _stand(ws, file) is Stand.AS_BEFORE
    (damage,) = open_damage(ws, UPLOADER, "north")
    assert (damage.stand, damage.photo.id, damage.photo.unit_key) == (
        Stand.SUSPECTED,
        _number(melted),
        "P3-07",
    )
    assert _send(ws, UNSURE, 2, 1).message.endswith(
        "This photo is in doubt no more than on 3 November 2026, but an earlier or other one of this coupler "
        "shows heat melted housing at bottom (not yet confirmed or ruled out): do not use this coupler."
    )


def test_a_swap_and_a_move_leave_the_word_with_its_coupler(ws: Workspace) -> None:
    reference, file = _ruled(ws), _send(ws, UNSURE, 2, 1)
    refile(ws, TECHNICIAN, _number(reference), "Q1", "It shows that one.", now=NOON + WEEK)
    assert _stand(ws, file) is Stand.DOUBTED
    refile(ws, TECHNICIAN, _number(reference), "P3-07", "It does not.", now=NOON + WEEK)
    assert _stand(ws, file) is Stand.AS_BEFORE
    refile(ws, TECHNICIAN, _number(file), "Q1", "It shows that one.", now=NOON + WEEK)
    assert _stand(ws, file) is Stand.DOUBTED
    refile(ws, TECHNICIAN, _number(file), "P3-07", "It does not.", now=NOON + WEEK)
    assert _stand(ws, file) is Stand.AS_BEFORE
    swapped = NOON + timedelta(days=2)
    replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-2", "Worn.", swapped_at=swapped, now=NOON + 2 * WEEK)
    # A person had filed it under the coupler before: whose it is nobody knows.
    assert _stand(ws, file) is Stand.DOUBTED
    assert _stand(ws, _send(ws, UNSURE, 3, 2)) is Stand.DOUBTED


def test_photos_since_a_swap_are_of_the_new_coupler(ws: Workspace) -> None:
    _ruled(ws)
    file = _send(ws, UNSURE, 2, 1)
    assert _stand(ws, file) is Stand.AS_BEFORE
    swapped = NOON + timedelta(days=2)
    replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-2", "Worn.", swapped_at=swapped, now=NOON + WEEK)
    assert _stand(ws, file) is Stand.DOUBTED
    _say(ws, file)
    assert _stand(ws, _send(ws, UNSURE, 3, 2)) is Stand.AS_BEFORE


def test_a_doubt_is_not_moved_to_a_coupler_that_is_gone_unasked(ws: Workspace) -> None:
    _ruled(ws)
    file = _send(ws, UNSURE, 2, 1)
    later = {"swapped_at": NOON + 2 * WEEK, "now": NOON + 2 * WEEK}
    replace_coupler(ws, TECHNICIAN, "P3-08", "A", "PN-2", "Worn.", **later)  # type: ignore[arg-type]
    with pytest.raises(ConflictError, match="off the unit"):
        refile(ws, TECHNICIAN, _number(file), "P3-08", "It shows that one.", now=NOON + 3 * WEEK)


def test_only_one_version_compares_and_judging_again_folds_again(ws: Workspace) -> None:
    _ruled(ws)
    file = _send(ws, UNSURE, 2, 1)
    ws = _again(ws, "grey-2")
    newer = _send(ws, UNSURE, 3, 2)
    assert _stand(ws, newer) is Stand.DOUBTED
    assert _stand(ws, file) is Stand.AS_BEFORE
    rescore(ws, LEAD)
    assert _stand(ws, newer) is Stand.AS_BEFORE
    assert _stand(ws, file) is Stand.AS_BEFORE


def test_the_setting_turns_it_off_and_on_for_what_is_there(ws: Workspace) -> None:
    _ruled(ws)
    file, far = _send(ws, UNSURE, 2, 1), _send(ws, UNSURE, 3, 10)
    assert (_stand(ws, file), _stand(ws, far)) == (Stand.AS_BEFORE, Stand.DOUBTED)
    for days, stands in (
        (0, (Stand.DOUBTED, Stand.DOUBTED)),
        (90, (Stand.AS_BEFORE, Stand.AS_BEFORE)),
        (60, (Stand.AS_BEFORE, Stand.DOUBTED)),
    ):
        ws = _again(ws, as_before_days=days)
        assert (_stand(ws, file), _stand(ws, far)) == stands


def _items(ws: Workspace) -> dict[int, QueueItem]:
    return {item.photo.id: item for item in queue(ws, OTHER_TECHNICIAN)}


def test_the_blind_audit_draws_the_same_share_and_keeps_its_figures_apart(ws: Workspace) -> None:
    ws = _again(ws, blind_audit_share=1.0)
    _ruled(ws)
    file, clear = _send(ws, UNSURE, 2, 1), _send(ws, CLEAR, 3, 1)
    doubt = _send(ws, MORE, 4, 1)
    items = _items(ws)
    assert set(items) == {_number(file), _number(clear), _number(doubt)}
    marks = [items[_number(each)].blind_audit for each in (file, clear, doubt)]
    assert marks == [True, True, False]
    assert _state(ws, file).stand is Stand.AS_BEFORE
    _say(ws, file, CORRECTED, IS_MELTED)
    _say(ws, clear)
    audited = miss_rate(load_trends(ws, LEAD))
    assert audited.n == 1
    assert audited.table["missed"].iloc[0] == 0


def test_the_share_of_the_audit_is_drawn_by_content(ws: Workspace) -> None:
    ws = _again(ws, blind_audit_share=0.4)
    _ruled(ws)
    sent = [_send(ws, UNSURE, seed, 1) for seed in range(20, 50)]
    states = [_state(ws, each) for each in sent]
    assert {state.stand for state in states} == {Stand.AS_BEFORE}
    drawn = [state.queued for state in states]
    assert 5 <= sum(drawn) <= 20
    assert verify(ws, LEAD).ok


def test_the_trends_count_it_as_the_unsure_verdict_that_it_is(ws: Workspace) -> None:
    _ruled(ws)
    _send(ws, UNSURE, 2, 1)
    spared = load_trends(ws, LEAD).photos
    waiting = load_trends(_again(ws, as_before_days=0), LEAD).photos
    assert spared.equals(waiting)
    assert list(spared["triage"]) == ["unsure", "unsure"]
    assert list(spared["judged"]) == [True, False]


def test_staff_are_told_since_when_and_that_it_is_no_proof(ws: Workspace) -> None:
    reference = _ruled(ws)
    file = _send(ws, UNSURE, 2, 1)
    words = (
        "In doubt, but no more than on 3 November 2026, when a technician saw no damage in it. Not a sign "
        "that it is safe."
    )
    assert file.message == words
    assert _send(ws, UNSURE, 2, 1).message.endswith(words)
    told = list(_history_lines(timeline(ws, UPLOADER, "P3-07"), None))
    line = f"as_before (in doubt no more than photo {_number(reference)} of 2026-11-03, ruled intact)"
    assert sum(line in each for each in told) == 1


def test_roster_and_export_tell_it(ws: Workspace, tmp_path: Path) -> None:
    reference = _ruled(ws)
    _send(ws, DARK, 3, 1)
    _send(ws, UNSURE, 2, 1)
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
        f"{_number(reference)}",
        "unsure",
    )


def test_it_costs_a_few_queries_however_many_photos_there_are(ws: Workspace) -> None:
    reference = _ruled(ws)
    for seed in range(10, 30):
        _send(ws, CLEAR, seed, 1)
    file = _send(ws, UNSURE, 2, 1)
    asked: list[str] = []
    event.listen(ws.engine, "before_cursor_execute", lambda *given: asked.append(given[2]))
    _say(ws, reference, CANNOT)
    assert len(asked) < 30
    assert _state(ws, file).stand is Stand.DOUBTED
