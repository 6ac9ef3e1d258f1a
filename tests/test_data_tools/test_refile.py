"""A photo filed under the wrong coupler is put right by adding, and everything follows it."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import update

from data_tools.conditions import replace_coupler, take_out_of_service
from data_tools.database.schema import EventRow, PhotoRow
from data_tools.export import export
from data_tools.history import timeline
from data_tools.ingest import UploadSource, ingest
from data_tools.open_damage import open_damage
from data_tools.records import DecisionKind, EventKind, IngestedFile, PhotoRecord
from data_tools.refile import refile
from data_tools.review import decide, queue
from data_tools.sites import add_unit, close_site, get_unit, roster
from data_tools.training_set import freeze, is_held_out
from data_tools.trend_data import load_trends
from data_tools.trend_memory import TrendMemory
from data_tools.verify import verify
from data_tools.workspace import Workspace
from model.errors import BadRequestError, ConflictError, NotAllowedError, NotFoundError
from model.manifest import read_manifest
from tests.hostile_files import phone_jpeg, scene
from tests.test_data_tools.store_kit import (
    CLEAR,
    LATCH,
    LEAD,
    MELTED,
    OPENED,
    TECHNICIAN,
    UNSURE,
    UPLOADER,
    upload,
)

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)


def sent(ws: Workspace, name: str, grey: int = MELTED, seed: int = 1, now: datetime = NOON) -> IngestedFile:
    """Send one photo to the north yard."""
    (file,) = ingest(ws, UPLOADER, [upload(name, grey, seed)], "north", now=now).files
    return file


def photo_of(file: IngestedFile) -> PhotoRecord:
    """Return the photo that a file became."""
    assert file.photo is not None
    return file.photo


def done(ws: Workspace, site: str = "north") -> set[str]:
    """Return the units that this week's round has."""
    return {line.unit.key for line in roster(ws, UPLOADER, site, NOON.date()) if line.done_this_week}


def told(ws: Workspace, unit: str) -> list[str]:
    """Return the events in a unit's history."""
    return [entry.event.reason for entry in timeline(ws, UPLOADER, unit).entries if entry.event]


def test_everything_follows_a_photo_that_was_moved_and_both_histories_tell_it(ws: Workspace) -> None:
    memory = TrendMemory()
    photo = photo_of(sent(ws, "P3-07.png"))
    memory.current(ws, LEAD)
    event = refile(ws, TECHNICIAN, photo.id, "P3-08", "wrong unit chosen", now=NOON + HOUR)
    assert (event.kind, event.done_by, event.done_at) == (EventKind.REFILED, "Tom", NOON + HOUR)
    assert (event.photo_id, event.coupler_id) == (photo.id, photo.coupler_id)
    assert event.new_coupler_id == get_unit(ws, LEAD, "P3-08").couplers[0].id
    assert [damage.photo.unit_key for damage in open_damage(ws, UPLOADER)] == ["P3-08"]
    assert done(ws) == {"P3-08"}
    (item,) = queue(ws, TECHNICIAN)
    assert (item.unit.key, item.photo.unit_key, item.photo.sha256) == ("P3-08", "P3-08", photo.sha256)
    words = "from P3-07 A (coupler 1) to P3-08 A (coupler 1): wrong unit chosen"
    assert told(ws, "P3-07") == told(ws, "P3-08") == [f"Photo {photo.id} (P3-07.png) {words}"]
    assert not any(entry.photo for entry in timeline(ws, UPLOADER, "P3-07").entries)
    assert any(entry.verdict for entry in timeline(ws, UPLOADER, "P3-08").entries)
    assert memory.current(ws, LEAD).photos["unit"].tolist() == ["P3-08"]
    assert load_trends(ws, LEAD).photos["unit"].tolist() == ["P3-08"]
    assert "Already here: a photo of unit P3-08" in sent(ws, "P3-07.png").message


def test_who_sends_a_photo_again_for_another_unit_is_told_how_it_gets_there(ws: Workspace) -> None:
    sent(ws, "P3-07.png")
    again = ingest(ws, UPLOADER, [upload("x.png", MELTED, 1)], "north", unit_key="P3-08").files[0]
    assert again.message.startswith("Already here: a photo of unit P3-07")
    assert "If it shows P3-08, a technician moves it" in again.message
    assert "moves it" not in sent(ws, "P3-07.png").message


def test_a_decision_stays_with_its_photo_and_moving_back_adds_another_record(ws: Workspace) -> None:
    file = sent(ws, "P3-07.png")
    photo, verdict = photo_of(file), file.verdict
    assert verdict is not None
    decide(ws, TECHNICIAN, photo.id, verdict.id, DecisionKind.CONFIRMED)
    refile(ws, LEAD, photo.id, "P3-08", "wrong unit")
    assert any(entry.decision for entry in timeline(ws, LEAD, "P3-08").entries)
    assert [damage.confirmed for damage in open_damage(ws, LEAD)] == [True]
    refile(ws, LEAD, photo.id, "P3-07", "it was right")
    assert len(told(ws, "P3-07")) == len(told(ws, "P3-08")) == 2
    assert [damage.photo.unit_key for damage in open_damage(ws, LEAD)] == ["P3-07"]


def test_a_photo_moves_into_the_round_of_another_site(ws: Workspace, tmp_path: Path) -> None:
    photo = photo_of(sent(ws, "P3-07.png", CLEAR))
    refile(ws, TECHNICIAN, photo.id, "Q1", "wrong site")
    assert (done(ws), done(ws, "south")) == (set(), {"Q1"})
    export(ws, LEAD, tmp_path / "out")
    (line,) = (tmp_path / "out" / "condition_events.csv").read_text("utf-8-sig").splitlines()[1:]
    assert "photo_refiled" in line
    assert line.endswith(f",{photo.id}")


def test_what_cannot_be_moved_is_refused_in_words(ws: Workspace) -> None:
    photo = photo_of(sent(ws, "P3-07.png"))
    with pytest.raises(NotAllowedError):
        refile(ws, UPLOADER, photo.id, "P3-08", "x")
    with pytest.raises(BadRequestError, match="reason"):
        refile(ws, TECHNICIAN, photo.id, "P3-08", "  ")
    with pytest.raises(ConflictError, match="Nothing to do"):
        refile(ws, TECHNICIAN, photo.id, "P3-07", "x")
    for wrong in ({"position": "B"}, {"coupler_id": 999}):
        with pytest.raises(NotFoundError):
            refile(ws, TECHNICIAN, photo.id, "P3-08", "x", **wrong)  # type: ignore[arg-type]
    for photo_id, unit in ((999, "P3-08"), (photo.id, "P9")):
        with pytest.raises(NotFoundError):
            refile(ws, TECHNICIAN, photo_id, unit, "x")
    close_site(ws, LEAD, "south")
    with pytest.raises(ConflictError, match="closed"):
        refile(ws, TECHNICIAN, photo.id, "Q1", "x")
    assert told(ws, "P3-07") == []


def test_a_photo_does_not_change_its_place_without_a_record(ws: Workspace) -> None:
    photo = photo_of(sent(ws, "P3-07.png"))
    with pytest.raises(ConflictError, match="photos"), ws.write() as session:
        session.get_one(PhotoRow, photo.id).coupler_id = 2
    refile(ws, TECHNICIAN, photo.id, "P3-08", "wrong unit")
    assert verify(ws, LEAD).ok
    with ws.engine.begin() as connection:
        connection.execute(update(PhotoRow).values(coupler_id=photo.coupler_id))
    assert [p.message for p in verify(ws, LEAD).problems] == [
        "Not filed where its last event says. Restore a backup."
    ]
    with ws.read() as session:
        assert session.query(EventRow).count() == 1


def test_a_frozen_training_set_keeps_its_coupler_and_the_next_takes_the_new_one(ws: Workspace) -> None:
    learnt = next(f"U{n}" for n in range(99) if not is_held_out(f"north/U{n}/A/1"))
    held = next(f"V{n}" for n in range(99) if is_held_out(f"north/V{n}/A/1"))
    for unit in (learnt, held):
        add_unit(ws, LEAD, "north", unit, now=OPENED)
    files = [sent(ws, f"{unit}.png", seed=seed) for seed, unit in enumerate((learnt, held))]
    for file in files:
        assert file.verdict is not None
        decide(ws, TECHNICIAN, photo_of(file).id, file.verdict.id, DecisionKind.CONFIRMED)
    before = freeze(ws, LEAD)
    kept = before.manifest.read_bytes()
    refile(ws, TECHNICIAN, photo_of(files[0]).id, held, "wrong unit")
    refile(ws, TECHNICIAN, photo_of(files[1]).id, learnt, "wrong unit")
    after = freeze(ws, LEAD)
    assert before.manifest.read_bytes() == kept
    assert before.digest != after.digest
    # A version may have learnt from the first one: it cannot show how well couplers are judged unseen.
    assert [photo.coupler for photo in read_manifest(after.manifest)] == [f"north/{learnt}/A/1"]
    assert after.counts["left out: learnt from as another coupler"] == 1


def test_damage_that_a_coupler_cannot_have_is_not_learnt_from(ws: Workspace) -> None:
    unit = next(f"U{n}" for n in range(99) if not is_held_out(f"north/U{n}/A/1"))
    add_unit(ws, LEAD, "north", unit, family="type2", now=OPENED)
    file = sent(ws, "P3-07.png", LATCH)
    assert file.verdict is not None
    decide(ws, TECHNICIAN, photo_of(file).id, file.verdict.id, DecisionKind.CONFIRMED)
    refile(ws, TECHNICIAN, photo_of(file).id, unit, "wrong unit")
    frozen = freeze(ws, LEAD)
    assert read_manifest(frozen.manifest) == []
    assert frozen.counts["left out: damage where this coupler has no such place"] == 1


def test_photos_taken_since_a_swap_go_with_the_new_coupler(ws: Workspace) -> None:
    old = get_unit(ws, LEAD, "P3-07").couplers[0]
    before, after = (sent(ws, "P3-07.png", seed=n, now=NOON + n * 2 * HOUR) for n in range(2))
    replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-2", "worn", swapped_at=NOON + HOUR, now=NOON + 5 * HOUR)
    (new,) = get_unit(ws, LEAD, "P3-07").couplers
    (damage,) = open_damage(ws, UPLOADER)
    assert (damage.photo.id, damage.photo.coupler_id) == (photo_of(after).id, new.id)
    couplers = {e.photo.id: e.coupler_id for e in timeline(ws, LEAD, "P3-07").entries if e.photo}
    assert couplers == {photo_of(before).id: old.id, photo_of(after).id: new.id}
    assert told(ws, "P3-07")[1].endswith("(coupler 2): taken since the coupler was swapped.")


def test_a_swap_entered_for_an_earlier_day_hides_no_damage(ws: Workspace) -> None:
    sent(ws, "P3-07.png", now=NOON)
    day = NOON.date() - timedelta(days=2)
    replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-2", "worn", installed_on=day, now=NOON + 2 * DAY)
    assert [damage.photo.unit_key for damage in open_damage(ws, UPLOADER)] == ["P3-07"]


def test_a_photo_that_comes_later_goes_by_when_the_swap_was_made(ws: Workspace) -> None:
    morning = datetime(2026, 3, 4, 8)  # local to the site, as people and phones say it
    replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-2", "worn", swapped_at=morning, now=NOON + 4 * HOUR)
    (new,) = get_unit(ws, LEAD, "P3-07").couplers
    data = phone_jpeg(scene(seed=3), taken=datetime(2026, 3, 4, 9))
    (file,) = ingest(ws, UPLOADER, [UploadSource("P3-07.jpg", data)], "north", now=NOON + 5 * HOUR).files
    assert photo_of(file).coupler_id == new.id
    data = phone_jpeg(scene(seed=3), taken=datetime(2026, 3, 4, 7))
    (file,) = ingest(ws, UPLOADER, [UploadSource("P3-07.jpg", data)], "north", now=NOON + 5 * HOUR).files
    assert photo_of(file).coupler_id != new.id
    assert "of the coupler that was replaced: photograph the one there now" in file.message


def test_a_swap_is_neither_to_come_nor_before_the_coupler_was_put_on(ws: Workspace) -> None:
    replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-2", "worn", now=NOON)
    may_be = "a time of the swap from 2026-03-04 13:00 to 2026-03-04 15:00; got 2026-03-04 1[26]:00"
    for at in (NOON - HOUR, NOON + 3 * HOUR):
        with pytest.raises(BadRequestError, match=may_be):
            replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-3", "worn", swapped_at=at, now=NOON + 2 * HOUR)


def test_a_photo_of_the_wrong_one_of_two_couplers_in_time_is_moved_by_number(ws: Workspace) -> None:
    photo = photo_of(sent(ws, "P3-07.png"))
    replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-2", "worn", now=NOON + HOUR)
    assert open_damage(ws, UPLOADER) == []
    (new,) = get_unit(ws, LEAD, "P3-07").couplers
    refile(ws, TECHNICIAN, photo.id, "P3-07", "it shows the new one", coupler_id=new.id)
    assert [damage.photo.coupler_id for damage in open_damage(ws, UPLOADER)] == [new.id]


def test_a_phone_clock_far_off_hides_no_damage_and_the_sender_is_told(ws: Workspace) -> None:
    file = sent(ws, "P3-07.png", UNSURE, now=NOON - 7 * DAY)
    assert file.verdict is not None
    decide(ws, TECHNICIAN, photo_of(file).id, file.verdict.id, DecisionKind.CORRECTED)
    melted = phone_jpeg(np.full((24, 32, 3), MELTED, np.uint8), taken=datetime(2025, 3, 4, 13))
    (late,) = ingest(ws, UPLOADER, [UploadSource("P3-07.jpg", melted)], "north", now=NOON).files
    assert photo_of(late).seen_at == NOON
    assert "2025-03-04, which is not believed: it counts from when it came in" in late.message
    assert done(ws) == {"P3-07"}
    assert [damage.photo.id for damage in open_damage(ws, UPLOADER)] == [photo_of(late).id]


def test_a_coupler_entered_for_a_day_to_come_is_refused_and_an_old_one_can_be_replaced(ws: Workspace) -> None:
    with pytest.raises(BadRequestError, match="installation day up to 2026-03-04"):
        add_unit(ws, LEAD, "north", "N1", installed_on=date(2062, 3, 1), now=NOON)
    with ws.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE couplers SET installed_on = '2062-03-01'")
    replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-2", "worn", now=NOON)
    take_out_of_service(ws, TECHNICIAN, "P3-07", "x", now=NOON)


def test_keys_and_drawing_are_those_of_the_photos_own_coupler(ws: Workspace) -> None:
    add_unit(ws, LEAD, "north", "T2", family="type2", now=OPENED)
    sent(ws, "T2.png", UNSURE)
    replace_coupler(ws, TECHNICIAN, "T2", "A", "PN", "worn", "type1", now=NOON + HOUR)
    (item,) = queue(ws, TECHNICIAN)
    assert item.photo.family == "type2"
