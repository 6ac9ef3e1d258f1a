"""What a sender is told counts the damage that other photos of the coupler show, as the Send screen does."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from data_tools.conditions import replace_coupler
from data_tools.ingest import assign_unit, ingest
from data_tools.records import DecisionKind, IngestedFile, IngestStatus
from data_tools.review import decide
from data_tools.workspace import Workspace
from tests.test_data_tools.conftest import Rounds
from tests.test_data_tools.store_kit import (
    CLEAR,
    DARK,
    LEAD,
    MELTED,
    TECHNICIAN,
    UNSURE,
    UPLOADER,
    picture,
    upload,
)


def _send(ws: Workspace, *greys: int, unit: str | None = "P3-07", name: str = "IMG") -> list[IngestedFile]:
    sources = [upload(f"{name}_{grey}.png", grey, seed) for seed, grey in enumerate(greys)]
    return list(ingest(ws, UPLOADER, sources, "north", unit_key=unit).files)


def test_a_clear_photo_of_a_coupler_with_open_damage_says_so(ws: Workspace) -> None:
    _send(ws, MELTED)
    (clear,) = _send(ws, CLEAR)
    assert clear.message == (
        "No damage seen in this photo, but an earlier or other one of this coupler shows heat melted housing "
        "at bottom (not yet confirmed or ruled out): do not use this coupler."
    )
    (other,) = _send(ws, CLEAR + 1, unit="P3-08")
    assert other.message == "No visible damage found."


def test_in_one_upload_the_order_does_not_matter(ws: Workspace) -> None:
    clear, _ = _send(ws, CLEAR, MELTED)
    assert "do not use this coupler" in clear.message


@pytest.mark.parametrize(("grey", "own"), [(DARK, "Take it again."), (UNSURE, "Not sure:")])
def test_neither_does_one_that_says_less_hide_it(ws: Workspace, grey: int, own: str) -> None:
    _send(ws, MELTED)
    (file,) = _send(ws, grey)
    first, rest = file.message.split(": do not use this coupler. ")
    assert first.startswith("An earlier or other photo of this coupler shows heat melted housing at bottom")
    assert rest.startswith(own)
    assert not file.note


def test_a_doubt_is_told_as_one(ws: Workspace) -> None:
    _send(ws, UNSURE)
    (file,) = _send(ws, CLEAR)
    assert file.message.endswith("do not use this coupler until a technician has looked.")


def test_sent_again_and_after_a_swap_it_tells_what_stands(ws: Workspace) -> None:
    (clear,) = _send(ws, CLEAR)
    _send(ws, MELTED)
    (again,) = _send(ws, CLEAR)
    assert again.status is IngestStatus.KNOWN
    assert again.message.startswith("Already here: a photo of unit P3-07")
    assert "No visible damage found" not in again.message
    assert "No damage seen in this photo, but" in again.message
    assert clear.photo is not None
    assert clear.verdict is not None
    decide(ws, TECHNICIAN, clear.photo.id, clear.verdict.id, DecisionKind.CORRECTED)
    assert "A technician saw no damage in it, but" in _send(ws, CLEAR)[0].message
    replace_coupler(ws, LEAD, "P3-07", "A", "K-2", "melted")
    assert "do not use" not in _send(ws, CLEAR)[0].message


def test_a_waiting_photo_that_gets_its_unit_says_so_too(ws: Workspace) -> None:
    _send(ws, MELTED)
    (waits,) = _send(ws, CLEAR, unit=None)
    assert waits.waiting_id is not None
    assert "No damage seen in this photo, but" in assign_unit(ws, UPLOADER, waits.waiting_id, "P3-07").message


def test_the_command_line_tells_it(furnished_rounds: Rounds, tmp_path: Path) -> None:
    for name, grey in (("early.png", MELTED), ("late.png", CLEAR)):
        (tmp_path / name).write_bytes(picture(grey))
        told = furnished_rounds("ingest", tmp_path / name, "--site", "north", "--unit", "P3-07").output
    assert "No visible damage found" not in told
    assert "do not use this coupler" in told
    told = furnished_rounds(
        "ingest", tmp_path / "late.png", "--site", "north", "--unit", "P3-07", "--json"
    ).stdout
    assert json.loads(told)["open_damage"] == "suspected"
