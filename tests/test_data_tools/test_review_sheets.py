"""Deciding by spreadsheet, and cells that a spreadsheet would run."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest

from data_tools.csv_cells import csv_bytes, plain_text, safe_cell, table_csv
from data_tools.ingest import ingest
from data_tools.records import DecisionKind
from data_tools.review import decide, decisions_of, queue, withdraw
from data_tools.review_sheets import decide_from_csv, queue_to_csv
from data_tools.workspace import Workspace
from model.errors import BadRequestError, ConflictError
from model.vocabulary import Place
from tests.test_data_tools.store_kit import (
    LATCH,
    MELTED,
    TECHNICIAN,
    UNSURE,
    UPLOADER,
    upload,
)

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)


def _fill(ws: Workspace, *greys: int) -> None:
    sources = [upload(f"P3-07_{i}.png", grey, i) for i, grey in enumerate(greys)]
    ingest(ws, UPLOADER, sources, "north", now=NOON)


def test_a_sheet_that_is_there_is_not_written_over(ws: Workspace, tmp_path: Path) -> None:
    sheet = tmp_path / "queue.csv"
    sheet.write_text("filled in", "utf-8")
    with pytest.raises(ConflictError, match="Choose another name"):
        queue_to_csv(ws, TECHNICIAN, sheet)
    assert sheet.read_text("utf-8") == "filled in"


def test_decisions_by_spreadsheet(ws: Workspace, tmp_path: Path) -> None:
    _fill(ws, MELTED, LATCH, UNSURE)
    sheet = tmp_path / "queue.csv"
    assert queue_to_csv(ws, TECHNICIAN, sheet) == 3
    head, *lines = sheet.read_text("utf-8-sig").splitlines()
    filled = [
        lines[0].removesuffix(",,,,") + ",confirmed,,'=SUM(A1),4.5",
        lines[1].removesuffix(",,,,") + ",corrected,broken_pin_housing@lower_left; missing_latch@latch,,",
        lines[2],
        "999,1,,,,,confirmed,,,",
        lines[2].removesuffix(",,,,") + ",certainly,,,",
        lines[2].removesuffix(",,,,") + ",corrected,melted,,",
        lines[2].removesuffix(",,,,") + ",confirmed,,,soon",
    ]
    sheet.write_text("\n".join([head, *filled]), "utf-8")
    report = decide_from_csv(ws, TECHNICIAN, sheet)
    assert [line.number for line in report.accepted] == [2, 3]
    assert [line.number for line in report.refused] == [5, 6, 7, 8]
    first, second = (line.decision for line in report.accepted)
    assert first is not None
    assert second is not None
    assert (first.comment, first.seconds) == ("=SUM(A1)", 4.5)
    assert [f.place for f in second.findings] == [Place.LOWER_LEFT, Place.LATCH]
    assert len(queue(ws, TECHNICIAN)) == 1


@pytest.mark.parametrize("line", ["confirmed,", "corrected,heat_melted_housing@bottom", "corrected,latch"])
def test_a_sheet_sent_again_overrides_no_later_word(ws: Workspace, tmp_path: Path, line: str) -> None:
    _fill(ws, MELTED)
    (item,) = queue(ws, TECHNICIAN)
    photo, verdict = item.photo.id, item.verdict.id
    line = line.replace("latch", "missing_latch@latch")
    sheet = tmp_path / "queue.csv"
    sheet.write_text(f"photo,verdict,decision,findings,comment\n{photo},{verdict},{line},\n")

    def send() -> str:
        (told,) = decide_from_csv(ws, TECHNICIAN, sheet).accepted
        assert told.decision is not None
        return told.message

    assert send() == "kept"
    later = decide(ws, TECHNICIAN, photo, verdict, DecisionKind.CORRECTED)  # on the screen: no damage
    assert "said before" in send()
    withdraw(ws, TECHNICIAN, later.id)
    assert "said before" in send()
    assert len(decisions_of(ws, TECHNICIAN, photo)) == 3
    sheet.write_text(sheet.read_text().replace(f"{line},", f"{line},looked again"))
    assert send() == "kept"


@pytest.mark.parametrize("text", ["=1+1", "+41", "-2", "@SUM(A1)", "\t=1", "\r=1", "  =1", "'quoted", "'=1"])
def test_cells_that_a_spreadsheet_would_run_are_neutralised_and_come_back(text: str) -> None:
    assert safe_cell(text) == f"'{text}"
    assert plain_text(safe_cell(text)) == text
    assert f"'{text}" in csv_bytes(["a"], [[text]]).decode("utf-8-sig")


def test_csv_of_a_table_runs_nothing_and_leaves_numbers_alone() -> None:
    table = pd.DataFrame(
        {
            "unit": ["=1+1", "-2", "Ü-01", None],
            "n": [1, 2, 3, -4],
            "rate": [0.5, None, 1.0, float("nan")],
            "week": [pd.Timestamp("2025-03-04T08:00Z"), pd.NaT, None, pd.Timestamp("2025-03-11T00:00Z")],
        }
    )
    written = table_csv(table)
    assert written.startswith(b"\xef\xbb\xbf"), "by it a spreadsheet knows that this is UTF-8"
    assert written.decode("utf-8-sig").splitlines() == [
        "unit,n,rate,week",
        "'=1+1,1,0.5,2025-03-04T08:00:00+00:00",
        "'-2,2,,",
        "Ü-01,3,1.0,",
        ",-4,,2025-03-11T00:00:00+00:00",
    ]


@pytest.mark.parametrize(
    ("value", "cell"), [(-2, "-2"), (1.5, "1.5"), (None, ""), (True, "True"), ("plain", "plain")]
)
def test_numbers_and_plain_text_are_left_alone(value: object, cell: str) -> None:
    assert safe_cell(value) == cell


def test_an_unusable_sheet_is_refused_in_words(ws: Workspace, tmp_path: Path) -> None:
    for content in (b"\xff\xfe\x00bad", b"a,b\n1,2\n", b"", b"photo,verdict\n1,2\n"):
        (tmp_path / "s.csv").write_bytes(content)
        with pytest.raises(BadRequestError):
            decide_from_csv(ws, TECHNICIAN, tmp_path / "s.csv")
    with pytest.raises(BadRequestError):
        decide_from_csv(ws, TECHNICIAN, tmp_path / "none.csv")
