"""Many photos that were sent under the wrong unit are filed as they say themselves, in one go."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest
from sqlalchemy import insert

from data_tools.access import Actor
from data_tools.database.schema import WaitingRow
from data_tools.history import timeline
from data_tools.ingest import UploadSource, assign_unit, ingest, list_waiting
from data_tools.own_words import file_as_said, say_themselves
from data_tools.records import IngestStatus
from data_tools.sites import add_unit, close_site
from data_tools.waiting import set_aside
from data_tools.workspace import Workspace
from tests.test_data_tools.conftest import Rounds
from tests.test_data_tools.store_kit import (
    LEAD,
    MELTED,
    OPENED,
    TECHNICIAN,
    UPLOADER,
    GreyJudge,
    labelled,
    picture,
    upload,
)


def _send(ws: Workspace, *sources: UploadSource, unit: str | None = "P3-07") -> None:
    report = ingest(ws, UPLOADER, sources, "north", unit_key=unit)
    assert {file.status for file in report.files} == {IngestStatus.NEEDS_UNIT}


def _told(ws: Workspace, site: str | None = "north") -> dict[str, tuple[str, str]]:
    return {said.file.file_name: (said.unit_key, said.position) for said in say_themselves(ws, LEAD, site)}


def _filed(ws: Workspace, unit: str) -> list[str]:
    return [entry.photo.file_name for entry in timeline(ws, LEAD, unit).entries if entry.photo]


@pytest.mark.parametrize("who", [UPLOADER, TECHNICIAN])
def test_a_folder_sent_under_the_wrong_unit_goes_where_each_photo_says(ws: Workspace, who: Actor) -> None:
    add_unit(ws, LEAD, "north", "P3-09", position="B")
    label = UploadSource("IMG_1.png", labelled("unit=P3-09&position=B"))
    _send(ws, upload("P3-08_1.png", MELTED), upload("P3-08_2.png", seed=2), upload("P3-09__B.png"), label)
    assert _told(ws) == {
        "P3-08_1.png": ("P3-08", "A"),
        "P3-08_2.png": ("P3-08", "A"),
        "P3-09__B.png": ("P3-09", "B"),
        "IMG_1.png": ("P3-09", "B"),
    }
    done = file_as_said(ws, who, say_themselves(ws, who, "north"))
    assert {file.status for file in done} == {IngestStatus.STORED}
    assert all(file.photo and file.photo.received_by == "Uli" for file in done)
    assert "do not use this coupler" in done[1].message, "what the lot shows of one coupler is told together"
    assert _filed(ws, "P3-08") == ["P3-08_1.png", "P3-08_2.png"]
    assert _filed(ws, "P3-09") == ["P3-09__B.png", "IMG_1.png"]
    assert not _filed(ws, "P3-07")
    assert not list_waiting(ws, LEAD)


def test_what_says_nothing_or_two_things_keeps_waiting(ws: Workspace) -> None:
    add_unit(ws, LEAD, "north", "P3-09")
    both = UploadSource("P3-09.png", labelled("unit=P3-08"))
    chosen = UploadSource("P3-07.png", labelled("unit=P3-08", dots=5))
    coupler = upload("P3-08__C.png", MELTED)
    _send(ws, both, chosen, coupler)
    _send(ws, upload("IMG_2041.png"), unit=None)
    assert not _told(ws)
    assert len(list_waiting(ws, LEAD)) == 4


def test_a_unit_entered_after_its_photos_came_takes_them(ws: Workspace) -> None:
    _send(ws, upload("P3-10_1.png"), upload("P3-10_2.png", seed=2), unit=None)
    assert not _told(ws)
    add_unit(ws, LEAD, "south", "P3-10")
    assert not _told(ws), "a unit of another site than the one they were sent to is nobody's choice"
    add_unit(ws, LEAD, "north", "P3-10_1")
    assert _told(ws) == {"P3-10_1.png": ("P3-10_1", "A")}


def test_what_the_model_failed_on_is_tried_again_by_its_name(
    ws: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as broken:
        broken.setattr(GreyJudge, "judge", lambda *_: 1 / 0)
        _send(ws, upload("P3-08.png"), unit=None)
        _send(ws, upload("IMG_3.png", seed=3))
    assert _told(ws) == {"P3-08.png": ("P3-08", "A")}, "the other was given its unit by a choice alone"


def test_units_of_a_closed_site_take_none(ws: Workspace) -> None:
    _send(ws, upload("Q1.png"))
    assert _told(ws) == {"Q1.png": ("Q1", "A")}
    close_site(ws, LEAD, "south")
    assert not _told(ws)


def test_of_two_at_once_the_second_is_told_and_the_rest_goes_on(ws: Workspace) -> None:
    _send(ws, *(upload(f"P3-08_{n}.png", seed=n) for n in range(4)))
    told = say_themselves(ws, UPLOADER, "north")
    assign_unit(ws, TECHNICIAN, told[0].file.id, "P3-07")
    set_aside(ws, TECHNICIAN, told[1].file.id, "a form")
    done = file_as_said(ws, UPLOADER, told)
    assert [file.status for file in done] == [
        IngestStatus.KNOWN,
        IngestStatus.NEEDS_UNIT,
        IngestStatus.STORED,
        IngestStatus.STORED,
    ]
    assert "a photo of unit P3-07" in done[0].message
    assert "set aside by Tom: a form" in done[1].message
    assert _filed(ws, "P3-07") == ["P3-08_0.png"]


def test_a_lost_original_costs_only_its_photo(ws: Workspace) -> None:
    _send(ws, upload("P3-08_1.png"), upload("P3-08_2.png", seed=2))
    told = say_themselves(ws, UPLOADER)
    ws.photos.path(told[0].file.sha256).unlink()
    first, second = file_as_said(ws, UPLOADER, told)
    assert first.status is IngestStatus.NEEDS_UNIT
    assert "no such file" in first.message
    assert [waits.file_name for waits in list_waiting(ws, LEAD)] == ["P3-08_1.png"]
    assert second.status is IngestStatus.STORED


def test_the_command_line_tells_first_and_files_when_told_to(
    furnished_rounds: Rounds, tmp_path: Path
) -> None:
    for name in ("P3-08", "P3-09"):
        furnished_rounds("add-unit", name, "--site", "north")
    for number, name in enumerate(["P3-08_1.png", "P3-08_2.png", "P3-09.png", "IMG.png"]):
        (tmp_path / name).write_bytes(picture(seed=number))
        unit = ("--unit", "P3-07") if name != "IMG.png" else ()
        furnished_rounds("ingest", tmp_path / name, "--site", "north", *unit, code=1)
    told = furnished_rounds("assign-as-said", "--site", "north", code=1).output
    assert "P3-08 A: 2 photos" in told
    assert "P3-09 A: 1 photo\n" in told
    assert "IMG" not in told
    assert "--yes" in told
    plan = json.loads(furnished_rounds("assign-as-said", "--site", "north", "--json", code=1).stdout)
    assert [(said["file"]["file_name"], said["unit_key"]) for said in plan][2] == ("P3-09.png", "P3-09")
    filed = furnished_rounds("assign-as-said", "--site", "north", "--yes").output
    assert "P3-08_1.png [P3-08]: stored." in filed
    assert "3 files: 3 stored" in filed
    assert "No waiting photo says its unit" in furnished_rounds("assign-as-said").output
    assert len(json.loads(furnished_rounds("waiting", "--json").stdout)) == 1


def test_thousands_of_waiting_photos_are_told_at_once(ws: Workspace) -> None:
    """The Send screen asks at every tap; processor time, so that other work on the machine does not count."""
    for number in range(300):
        add_unit(ws, LEAD, "north", f"N-{number:03}")
    names = [f"N-{n % 300:03}__A_{n}_IMG_20260304_0815.jpg" for n in range(3000)]
    rows = [
        {
            "sha256": f"{n:064x}",
            "site_id": 1,
            "file_name": name,
            "received_at": OPENED,
            "received_by": "Uli",
            "why": "",
            "offered": [[name[:5], "A"], ["P3-07", "A"]],
        }
        for n, name in enumerate(names)
    ]
    with ws.write() as session:
        session.execute(insert(WaitingRow), rows)
    start = time.process_time()
    assert len(say_themselves(ws, UPLOADER, "north")) == 3000
    assert time.process_time() - start < 1.5
