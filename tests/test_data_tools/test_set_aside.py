"""Waiting photos that show no coupler: set aside by somebody who says why, and brought back."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import func, select

from data_tools.database.schema import PhotoRow, PhotoStateRow, VerdictRow
from data_tools.history import timeline
from data_tools.ingest import UploadSource, assign_unit, ingest
from data_tools.queueing import queue
from data_tools.records import IngestedFile, IngestStatus, WaitingEventKind
from data_tools.sites import roster
from data_tools.verify import verify
from data_tools.waiting import bring_back, list_set_aside, list_waiting, set_aside
from data_tools.workspace import Workspace
from model.errors import BadRequestError, ConflictError, NotFoundError
from tests.test_data_tools.conftest import Rounds
from tests.test_data_tools.store_kit import LEAD, MELTED, TECHNICIAN, UPLOADER, picture, upload

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)
LATER = datetime(2026, 3, 5, 9, tzinfo=UTC)


def _waiting(ws: Workspace, *names: str) -> list[int]:
    sources = [upload(name, MELTED, seed) for seed, name in enumerate(names or ("dog.png",))]
    files = ingest(ws, UPLOADER, sources, "north", now=NOON).files
    return [file.waiting_id for file in files if file.waiting_id is not None]


def _again(ws: Workspace, source: UploadSource, unit: str | None = None) -> IngestedFile:
    return ingest(ws, UPLOADER, [source], "north", unit_key=unit).files[0]


def test_a_photo_set_aside_leaves_the_list_and_keeps_who_when_and_why(ws: Workspace) -> None:
    dog, form = _waiting(ws, "dog.png", "form.png")
    before = {unit.unit.key: unit.done_this_week for unit in roster(ws, LEAD, "north")}
    file = set_aside(ws, UPLOADER, dog, "  a dog ", now=LATER)
    assert [waits.id for waits in list_waiting(ws, LEAD, "north")] == [form]
    (aside,) = list_set_aside(ws, TECHNICIAN, "north")
    assert aside == file
    assert list_set_aside(ws, TECHNICIAN, "south") == []
    (event,) = aside.events
    assert (event.kind, event.reason) == (WaitingEventKind.SET_ASIDE, "a dog")
    assert (event.done_by, event.done_at) == ("Uli", LATER)
    assert ws.photos.get(aside.sha256) == picture(MELTED, 0), "the original stays"
    assert verify(ws, LEAD).ok
    with ws.read() as session:
        for table in (PhotoRow, VerdictRow, PhotoStateRow):
            assert session.scalar(select(func.count()).select_from(table)) == 0, "it counts nowhere as judged"
    assert queue(ws, TECHNICIAN) == []
    assert before == {unit.unit.key: unit.done_this_week for unit in roster(ws, LEAD, "north")}


def test_it_can_be_brought_back_and_the_history_of_its_unit_tells_both(ws: Workspace) -> None:
    (number,) = _waiting(ws)
    set_aside(ws, UPLOADER, number, "a dog", now=NOON)
    bring_back(ws, TECHNICIAN, number, "a coupler behind the dog", now=LATER)
    assert list_set_aside(ws, LEAD) == []
    (waits,) = list_waiting(ws, LEAD)
    assert [(e.kind.value, e.done_by, e.reason) for e in waits.events] == [
        ("set_aside", "Uli", "a dog"),
        ("brought_back", "Tom", "a coupler behind the dog"),
    ]
    assert assign_unit(ws, LEAD, number, "P3-07").status is IngestStatus.STORED
    told = [(entry.at, entry.waited) for entry in timeline(ws, LEAD, "P3-07").entries if entry.waited]
    (photo,) = [entry.photo for entry in timeline(ws, LEAD, "P3-07").entries if entry.photo]
    assert told == [(event.done_at, replace(event, photo_id=photo.id)) for event in waits.events]
    assert not [entry for entry in timeline(ws, LEAD, "P3-08").entries if entry.waited]


def test_what_cannot_be_set_aside_or_brought_back_is_told_in_words(ws: Workspace) -> None:
    (number,) = _waiting(ws)
    with pytest.raises(BadRequestError, match="reason"):
        set_aside(ws, UPLOADER, number, " ")
    with pytest.raises(NotFoundError, match="waiting photo"):
        set_aside(ws, UPLOADER, 99, "a dog")
    with pytest.raises(ConflictError, match="set aside"):
        bring_back(ws, UPLOADER, number)
    set_aside(ws, UPLOADER, number, "a dog")
    with pytest.raises(ConflictError, match="set aside already by Uli: a dog"):
        set_aside(ws, LEAD, number, "a dog")
    with pytest.raises(ConflictError, match="set aside by Uli: a dog.*[Bb]ring it back"):
        assign_unit(ws, LEAD, number, "P3-07")
    bring_back(ws, LEAD, number)
    assign_unit(ws, LEAD, number, "P3-07")
    for act in (lambda: set_aside(ws, LEAD, number, "x"), lambda: bring_back(ws, LEAD, number)):
        with pytest.raises(ConflictError, match="has its unit"):
            act()


@pytest.mark.parametrize("unit", [None, "P3-07"])
def test_a_photo_set_aside_stays_so_when_it_is_sent_again(ws: Workspace, unit: str | None) -> None:
    (number,) = _waiting(ws)
    set_aside(ws, TECHNICIAN, number, "a dog", now=NOON)
    file = _again(ws, upload("P3-08.png", MELTED), unit)
    assert (file.status, file.waiting_id) == (IngestStatus.SET_ASIDE, number)
    assert "Set aside by Tom on 2026-03-04: a dog." in file.message
    assert "bring it back" in file.message
    assert list_waiting(ws, LEAD) == []
    assert not timeline(ws, LEAD, "P3-07").entries
    assert list_set_aside(ws, LEAD)[0].file_name == "dog.png"


def test_the_newest_are_first_and_all_are_listed(ws: Workspace) -> None:
    numbers = _waiting(ws, "a.png", "b.png", "c.png")
    for number in (numbers[2], numbers[0], numbers[1]):
        set_aside(ws, UPLOADER, number, "a pocket")
    bring_back(ws, UPLOADER, numbers[2])
    set_aside(ws, UPLOADER, numbers[2], "a pocket after all")
    assert [file.file_name for file in list_set_aside(ws, LEAD)] == ["c.png", "b.png", "a.png"]


def test_the_command_line_does_the_same(furnished_rounds: Rounds, tmp_path: Path) -> None:
    rounds = furnished_rounds
    (tmp_path / "dog.png").write_bytes(picture(MELTED, 7))
    rounds("ingest", "dog.png", "--site", "north", code=1)
    assert "Lea" in rounds("set-aside", 1, "--reason", "a dog").output
    assert rounds("waiting").output == ""
    assert "dog.png" in (told := rounds("waiting", "--aside").output)
    assert "set aside by Lea" in told
    assert "a dog" in told
    again = rounds("ingest", "dog.png", "--site", "north").output
    assert "dog.png [waiting photo 1]: set aside. Set aside by Lea" in again, "nothing needs a person"
    rounds("set-aside", 1, "--reason", "a dog", code=3)
    rounds("bring-back", 1, "--reason", "no dog")
    (waits,) = json.loads(rounds("waiting", "--json").output)
    assert [event["reason"] for event in waits["events"]] == ["a dog", "no dog"]
    rounds("assign", 1, "P3-07")
    history = rounds("history", "P3-07").output
    assert "Lea set dog.png aside while it waited: a dog" in history
    assert "Lea brought dog.png back: no dog" in history
    assert "waiting_events.csv: 2 rows" in rounds("export", "out").output


def test_ingest_for_one_unit_leaves_what_says_another_to_a_person(furnished_rounds: Rounds) -> None:
    rounds = furnished_rounds
    rounds("add-unit", "P3-08", "--site", "north")
    told = rounds("ingest", "round", "--site", "north", "--unit", "P3-08", code=1).output
    words = "P3-07_1.png [waiting photo 1]: needs unit. The file name says P3-07, but P3-08 was chosen."
    assert words in told
    assert "3 files: 3 needs unit" in told
    assert "P3-07, but P3-08 was chosen" in rounds("waiting").output
    assert "[P3-07]: stored. Do not use" in rounds("assign", "1", "P3-07").output
    assert "photo" not in rounds("history", "P3-08").output
