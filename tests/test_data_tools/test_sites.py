"""Sites, units, couplers and the roster of a week."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from data_tools.conditions import replace_coupler
from data_tools.ingest import ingest
from data_tools.sites import add_site, add_unit, close_site, get_unit, list_sites, list_units, roster
from data_tools.workspace import Workspace
from model.errors import BadRequestError, ConflictError, NotFoundError, UnknownFamilyError
from model.vocabulary import Reason
from tests.test_data_tools.store_kit import CLEAR, DARK, LEAD, UPLOADER, upload

WEDNESDAY = datetime(2026, 3, 4, 12, tzinfo=UTC)


def test_units_have_several_couplers_by_position(ws: Workspace) -> None:
    unit = add_unit(ws, LEAD, "north", "P3-07", position="B", family="type2", part_number="PN-9")
    assert [(c.position, c.family, c.part_number) for c in unit.couplers] == [
        ("A", "type1", "PN-1"),
        ("B", "type2", "PN-9"),
    ]
    with pytest.raises(ConflictError, match="Replace"):
        add_unit(ws, LEAD, "north", "P3-07", position="B")
    with pytest.raises(ConflictError, match="at north"):
        add_unit(ws, LEAD, "south", "P3-07", position="C")


@pytest.mark.parametrize("key", ["", " ", "a b", "a/b", "../x", "x" * 41, "=1+1", "a\nb"])
def test_keys_that_would_break_file_names_or_labels_are_refused(ws: Workspace, key: str) -> None:
    with pytest.raises(BadRequestError, match="key"):
        add_site(ws, LEAD, key, "x")
    with pytest.raises(BadRequestError, match="key"):
        add_unit(ws, LEAD, "north", key)


def test_keys_are_one_whatever_their_case(ws: Workspace) -> None:
    with pytest.raises(ConflictError, match="taken"):
        add_site(ws, LEAD, "NORTH", "again")
    with pytest.raises(ConflictError, match="taken"):
        add_unit(ws, LEAD, "north", "p3-07")


def test_wrong_zone_family_or_site_is_told(ws: Workspace) -> None:
    with pytest.raises(BadRequestError, match="IANA"):
        add_site(ws, LEAD, "x", "x", "Mars/Olympus")
    with pytest.raises(UnknownFamilyError):
        add_unit(ws, LEAD, "north", "new", family="type9")
    with pytest.raises(NotFoundError, match="north, south"):
        add_unit(ws, LEAD, "nowhere", "new")
    with pytest.raises(NotFoundError, match="new"):
        get_unit(ws, LEAD, "new")


def test_lists(ws: Workspace) -> None:
    assert [s.key for s in list_sites(ws, UPLOADER)] == ["north", "south"]
    assert [u.key for u in list_units(ws, UPLOADER)] == ["P3-07", "P3-08", "Q1"]
    assert [u.key for u in list_units(ws, UPLOADER, "south")] == ["Q1"]
    close_site(ws, LEAD, "south")
    assert [s.key for s in list_sites(ws, UPLOADER)] == ["north"]
    assert [s.key for s in list_sites(ws, UPLOADER, closed=True)] == ["north", "south"]


def test_roster_asks_for_every_coupler_and_forgets_last_week(ws: Workspace) -> None:
    add_unit(ws, LEAD, "north", "P3-08", position="B")
    files = [upload("P3-07.png", CLEAR, 1), upload("P3-08.png", CLEAR, 2), upload("P3-08__B.png", DARK, 3)]
    ingest(ws, UPLOADER, files, "north", now=WEDNESDAY)
    one, two = roster(ws, UPLOADER, "north", WEDNESDAY.date())
    assert one.done_this_week
    assert (one.missing_positions, one.take_again) == ((), None)
    assert one.last_photo is not None
    assert one.last_photo.file_name == "P3-07.png"
    assert not two.done_this_week
    assert (two.missing_positions, two.take_again) == (("B",), Reason.TOO_DARK)
    ingest(ws, UPLOADER, [upload("P3-08__B.png", CLEAR, 4)], "north", now=WEDNESDAY)
    assert all(line.done_this_week for line in roster(ws, UPLOADER, "north", WEDNESDAY.date()))
    next_week = roster(ws, UPLOADER, "north", date(2026, 3, 9))
    assert not any(line.done_this_week for line in next_week)
    assert next_week[0].last_photo is not None


def test_the_week_is_the_sites_own(ws: Workspace) -> None:
    """Sunday 23:30 UTC is Monday 00:30 in Zurich (UTC+1 in winter): the next ISO week there, not in UTC."""
    late_sunday = datetime(2026, 3, 1, 23, 30, tzinfo=UTC)
    ingest(ws, UPLOADER, [upload("P3-07.png", CLEAR, 1)], "north", now=late_sunday)
    ingest(ws, UPLOADER, [upload("Q1.png", CLEAR, 2)], "south", now=late_sunday)
    assert roster(ws, UPLOADER, "north", date(2026, 3, 2))[0].done_this_week
    assert not roster(ws, UPLOADER, "south", date(2026, 3, 2))[0].done_this_week
    assert roster(ws, UPLOADER, "south", date(2026, 3, 1))[0].done_this_week


def test_a_new_coupler_needs_its_own_photo(ws: Workspace) -> None:
    ingest(ws, UPLOADER, [upload("P3-07.png")], "north", now=WEDNESDAY)
    replace_coupler(ws, LEAD, "P3-07", "A", "PN-2", "worn")
    assert not roster(ws, UPLOADER, "north", WEDNESDAY.date())[0].done_this_week
