"""What is done to units, and the timeline that tells it."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from io import BytesIO

import pytest
from PIL import Image
from sqlalchemy import select

from data_tools.conditions import (
    CAUTIONS,
    observe,
    replace_coupler,
    return_to_service,
    settle_observation,
    take_out_of_service,
)
from data_tools.database.schema import CouplerRow
from data_tools.history import timeline
from data_tools.ingest import UploadSource, ingest
from data_tools.open_observations import open_observations
from data_tools.records import DecisionKind, EventKind, ObservationKind, Settlement, UnitStatus
from data_tools.review import decide, queue
from data_tools.sites import get_unit
from data_tools.workspace import Workspace
from model.errors import BadRequestError, ConflictError, NotAllowedError, NotFoundError, UnknownFamilyError
from tests.test_data_tools.store_kit import LEAD, MELTED, TECHNICIAN, UPLOADER, upload

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)


def test_out_of_service_stays_until_somebody_returns_it(ws: Workspace) -> None:
    event = take_out_of_service(ws, TECHNICIAN, "P3-07", "melted at the bottom contact", now=NOON)
    assert (event.kind, event.done_by, event.done_at) == (EventKind.OUT_OF_SERVICE, "Tom", NOON)
    replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-2", "melted")
    assert get_unit(ws, UPLOADER, "P3-07").status is UnitStatus.OUT_OF_SERVICE
    with pytest.raises(ConflictError, match="out of service"):
        take_out_of_service(ws, LEAD, "P3-07", "again")
    return_to_service(ws, TECHNICIAN, "P3-07", "replaced, wiring checked")
    assert get_unit(ws, UPLOADER, "P3-07").status is UnitStatus.IN_SERVICE
    with pytest.raises(ConflictError):
        return_to_service(ws, TECHNICIAN, "P3-07", "again")


def test_replacing_ends_one_coupler_and_starts_the_next_on_the_same_unit(ws: Workspace) -> None:
    old = get_unit(ws, LEAD, "P3-07").couplers[0]
    event = replace_coupler(
        ws, TECHNICIAN, "P3-07", "A", "PN-2", "melted", "type2", installed_on=date(2026, 3, 2), now=NOON
    )
    (new,) = get_unit(ws, LEAD, "P3-07").couplers
    assert (event.coupler_id, event.new_coupler_id) == (old.id, new.id)
    assert (new.family, new.part_number, new.installed_on) == ("type2", "PN-2", date(2026, 3, 2))
    ended, started = timeline(ws, LEAD, "P3-07").couplers
    assert (ended.id, ended.removed_on, started.removed_on) == (old.id, date(2026, 3, 2), None)


@pytest.mark.parametrize("day", [date(2025, 12, 31), date(2026, 3, 5)])
def test_a_coupler_is_not_replaced_before_it_was_installed_or_tomorrow(ws: Workspace, day: date) -> None:
    with pytest.raises(BadRequestError, match="a time of the swap from 2026-01-05 00:00 to 2026-03-04"):
        replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-2", "worn", installed_on=day, now=NOON)


def test_reasons_units_positions_and_families_are_checked(ws: Workspace) -> None:
    with pytest.raises(BadRequestError, match="reason"):
        take_out_of_service(ws, TECHNICIAN, "P3-07", " \n ")
    with pytest.raises(NotFoundError):
        take_out_of_service(ws, TECHNICIAN, "P9", "x")
    with pytest.raises(NotFoundError, match="positions: A"):
        replace_coupler(ws, TECHNICIAN, "P3-07", "B", "PN-2", "x")
    with pytest.raises(UnknownFamilyError):
        replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-2", "x", "type9")
    assert timeline(ws, LEAD, "P3-07").entries == ()


def test_observations(ws: Workspace) -> None:
    event = observe(ws, UPLOADER, "P3-07", "indicator_shows_fault", "red", blinks=4, position="A", now=NOON)
    assert (event.kind, event.what, event.blinks) == (EventKind.OBSERVED, ObservationKind.INDICATOR_FAULT, 4)
    assert event.coupler_id is not None
    for wrong in ({"what": "smells"}, {"what": "other"}, {"what": "indicator_shows_fault", "blinks": 0}):
        with pytest.raises(BadRequestError):
            observe(ws, UPLOADER, "P3-07", **wrong)  # type: ignore[arg-type]


def open_words(ws: Workspace, site: str | None = None) -> list[tuple[str, str | None]]:
    """Return unit and kind of each open observation."""
    return [(e.unit_key, e.what.value if e.what else None) for e in open_observations(ws, UPLOADER, site)]


def test_what_was_noted_stays_open_until_somebody_settles_it(ws: Workspace) -> None:
    noted = observe(ws, UPLOADER, "P3-07", "cable_cut_or_frayed", now=NOON)
    observe(ws, UPLOADER, "Q1", "other", "sign fell off", now=NOON)
    assert open_words(ws) == [("P3-07", "cable_cut_or_frayed"), ("Q1", "other")]
    assert open_words(ws, "south") == [("Q1", "other")]
    settled = settle_observation(ws, TECHNICIAN, noted.id, "sheath replaced, tested", now=NOON)
    assert settled.settled == Settlement("sheath replaced, tested", "Tom", NOON)
    assert open_words(ws) == [("Q1", "other")]
    assert timeline(ws, LEAD, "P3-07").entries[0].event == settled
    with pytest.raises(ConflictError, match="Tom has settled"):
        settle_observation(ws, LEAD, noted.id, "again")
    with pytest.raises(BadRequestError):
        settle_observation(ws, LEAD, noted.id, "  ")
    with pytest.raises(NotFoundError):
        settle_observation(ws, LEAD, 999, "x")


def test_a_return_to_service_or_a_new_coupler_overtakes_what_was_noted_before(ws: Workspace) -> None:
    observe(ws, UPLOADER, "P3-07", "debris_in_face", now=NOON)
    take_out_of_service(ws, TECHNICIAN, "P3-07", "dirt", now=NOON)
    return_to_service(ws, TECHNICIAN, "P3-07", "cleaned", now=NOON + timedelta(hours=1))
    assert open_words(ws) == []
    observe(ws, UPLOADER, "P3-07", "debris_in_face", position="A", now=NOON + timedelta(hours=2))
    observe(ws, UPLOADER, "P3-07", "indicator_shows_fault", now=NOON + timedelta(hours=2))
    assert len(open_words(ws)) == 2
    replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-2", "dirt")
    assert open_words(ws) == [("P3-07", "indicator_shows_fault")], "a new coupler mends no fault light"


def test_what_was_noted_between_a_swap_and_its_being_entered_stays_open(ws: Workspace) -> None:
    hour = timedelta(hours=1)
    for number in range(2):
        at = NOON + 2 * number * hour
        observe(ws, UPLOADER, "P3-07", "cable_cut_or_frayed", position="A", now=at)
    swap = {"swapped_at": NOON + hour, "now": NOON + 5 * hour}
    replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-2", "worn", **swap)  # type: ignore[arg-type]
    assert open_words(ws) == [("P3-07", "cable_cut_or_frayed")]


def test_uploaders_observe_but_do_not_act(ws: Workspace) -> None:
    for call in (take_out_of_service, return_to_service):
        with pytest.raises(NotAllowedError):
            call(ws, UPLOADER, "P3-07", "x")
    with pytest.raises(NotAllowedError):
        replace_coupler(ws, UPLOADER, "P3-07", "A", "PN-2", "x")


def test_cautions_name_isolation_the_electrician_and_the_stuck_coupler() -> None:
    text = " ".join(CAUTIONS).lower()
    for word in ("lock it out", "licensed electrician", "local codes", "do not force", "does not mean"):
        assert word in text


def test_the_timeline_tells_everything_in_order(ws: Workspace) -> None:
    ingest(ws, UPLOADER, [upload("P3-07.png", MELTED)], "north", now=NOON)
    item = queue(ws, TECHNICIAN)[0]
    hour = timedelta(hours=1)
    decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED, now=NOON + hour)
    take_out_of_service(ws, TECHNICIAN, "P3-07", "melted", now=NOON + 2 * hour)
    replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-2", "melted", now=NOON + 3 * hour)
    observe(ws, UPLOADER, "P3-07", "other", "clean now", now=NOON + 4 * hour)
    told = timeline(ws, UPLOADER, "P3-07")
    kinds = [
        next(name for name in ("photo", "verdict", "decision", "event") if getattr(entry, name) is not None)
        for entry in told.entries
    ]
    assert kinds == ["photo", "verdict", "decision", "event", "event", "event"]
    assert all(a.at <= b.at for a, b in zip(told.entries, told.entries[1:], strict=False))
    assert {entry.coupler_id for entry in told.entries[:3]} == {item.photo.coupler_id}
    assert timeline(ws, UPLOADER, "P3-08").entries == ()
    with pytest.raises(NotFoundError):
        timeline(ws, UPLOADER, "P9")


@pytest.mark.parametrize(
    ("offset", "utc"), [("", time(0, 30)), ("+02:00", time(0, 30)), ("+01:00", time(1, 30))]
)
def test_of_an_hour_that_the_clocks_repeat_the_earlier_one_is_meant(
    ws: Workspace, offset: str, utc: time
) -> None:
    """In Zurich 2:30 was twice on 25 October 2026: 0:30 and 1:30 UTC. Without an offset nobody can tell."""
    night = date(2026, 10, 25)
    now = datetime.combine(night, time(8), UTC)
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = "2026:10:25 02:30:00"
    if offset:
        exif.get_ifd(0x8769)[0x9011] = offset
    photo = BytesIO()
    Image.new("RGB", (32, 24), (200, 200, 200)).save(photo, "JPEG", exif=exif)
    (file,) = ingest(ws, UPLOADER, [UploadSource("P3-08.jpg", photo.getvalue())], "north", now=now).files
    assert file.photo is not None
    assert file.photo.seen_at == datetime.combine(night, utc, UTC)
    swapped = datetime.fromisoformat(f"2026-10-25T02:30:00{offset}")
    replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-2", "worn", swapped_at=swapped, now=now)
    with ws.read() as session:
        new = session.scalars(select(CouplerRow).where(CouplerRow.part_number == "PN-2")).one()
        assert new.put_on_at == datetime.combine(night, utc, UTC)
