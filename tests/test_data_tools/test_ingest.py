"""Taking a round in: where photos go and what is said of each file."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import func, select

from data_tools import ingest as taking_in
from data_tools.conditions import replace_coupler
from data_tools.database.schema import PhotoRow, RoundRow, VerdictRow
from data_tools.ingest import (
    UploadSource,
    assign_unit,
    ingest,
    list_waiting,
    sources_from_paths,
)
from data_tools.records import IngestReport, IngestStatus
from data_tools.sites import add_unit
from data_tools.workspace import Workspace
from model.errors import ConflictError, NotFoundError
from model.photo import Photo
from model.vocabulary import Outcome, Reason
from tests.hostile_files import phone_jpeg, scene, zip_of
from tests.test_data_tools.store_kit import (
    CLEAR,
    DARK,
    LEAD,
    MELTED,
    UPLOADER,
    furnished,
    labelled,
    picture,
    upload,
)

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)


def _send(ws: Workspace, *sources: UploadSource, site: str = "north", **options: object) -> IngestReport:
    return ingest(ws, UPLOADER, sources, site, now=NOON, **options)  # type: ignore[arg-type]


def _count(ws: Workspace, table: type) -> int:
    with ws.read() as session:
        return session.scalar(select(func.count()).select_from(table)) or 0


def test_a_photo_is_kept_with_its_verdict_and_its_round(ws: Workspace) -> None:
    report = _send(ws, upload("P3-07.png", MELTED))
    (file,) = report.files
    assert file.status is IngestStatus.STORED
    assert "Do not use this coupler" in file.message
    assert file.photo is not None
    assert file.verdict is not None
    assert (file.photo.unit_key, file.photo.site_key, file.photo.position) == ("P3-07", "north", "A")
    assert (file.photo.received_by, file.photo.received_at) == ("Uli", NOON)
    assert file.photo.round_id == report.round_id
    assert ws.photos.get(file.photo.sha256) == picture(MELTED)
    assert file.verdict.judgement.outcome is Outcome.SCORED


def test_files_answer_in_the_order_given(ws: Workspace) -> None:
    names = ["P3-08_9.png", "note.txt", "P3-07_1.png", "unknown.png", "P3-07_2.png"]
    sources = [
        UploadSource(n, b"text" if n.endswith("txt") else picture(CLEAR, i)) for i, n in enumerate(names)
    ]
    seen: list[tuple[int, str]] = []
    report = _send(ws, *sources, progress=lambda done, name: seen.append((done, name)))
    assert [file.file_name for file in report.files] == names
    assert seen == list(enumerate(names, 1))
    assert [file.status.value for file in report.files] == [
        "stored",
        "rejected",
        "stored",
        "needs_unit",
        "stored",
    ]


def test_the_same_photo_twice_is_recognised(ws: Workspace) -> None:
    first = _send(ws, upload("P3-07.png"), upload("P3-07_copy.png"))
    assert [f.status for f in first.files] == [IngestStatus.STORED, IngestStatus.KNOWN]
    again = _send(ws, upload("P3-08.png"))
    assert again.files[0].status is IngestStatus.KNOWN
    assert "P3-07" in again.files[0].message
    assert (_count(ws, PhotoRow), _count(ws, VerdictRow)) == (1, 1)


def test_a_photo_that_cannot_be_judged_is_kept_with_the_reason(ws: Workspace) -> None:
    (file,) = _send(ws, upload("P3-07.png", DARK)).files
    assert (file.status, file.reason) == (IngestStatus.STORED, Reason.TOO_DARK)
    assert "Take it again" in file.message
    assert "flash" in file.message


def test_the_label_in_the_photo_beats_the_file_name(ws: Workspace) -> None:
    (file,) = _send(ws, UploadSource("P3-07.png", labelled("unit=P3-08"))).files
    assert file.photo is not None
    assert file.photo.unit_key == "P3-08"


def test_a_label_too_fine_for_the_judging_size_is_found_at_a_larger_one(ws: Workspace) -> None:
    fine = labelled("unit=P3-08", dots=4, size=(2400, 3200))
    (file,) = _send(ws, UploadSource("IMG_1.png", fine)).files
    assert file.photo is not None, file.message
    assert file.photo.unit_key == "P3-08"


def test_positions_come_from_the_name_or_are_asked_for(ws: Workspace) -> None:
    add_unit(ws, LEAD, "north", "P3-07", position="B")
    report = _send(
        ws, upload("P3-07__b.png", CLEAR, 1), upload("P3-07.png", CLEAR, 2), upload("P3-07__C.png", CLEAR, 3)
    )
    assert [f.photo.position if f.photo else f.message for f in report.files[:2]] == ["B", "A"]
    assert report.files[2].status is IngestStatus.NEEDS_UNIT
    assert "no coupler C" in report.files[2].message
    given = _send(ws, upload("P3-07__B_2.png", CLEAR, 4), unit_key="P3-07").files[0]
    assert given.photo is not None
    assert given.photo.position == "B"
    stated = _send(ws, upload("P3-07__B_3.png", CLEAR, 5), unit_key="P3-07", position="b").files[0]
    assert stated.photo is not None
    assert stated.photo.position == "B"


def test_waiting_photos_get_their_unit_later(ws: Workspace) -> None:
    (file,) = _send(ws, upload("IMG_1.png", MELTED)).files
    (waits,) = list_waiting(ws, UPLOADER, "north")
    assert (waits.id, waits.site_key, waits.file_name) == (file.waiting_id, "north", "IMG_1.png")
    assert list_waiting(ws, UPLOADER, "south") == []
    done = assign_unit(ws, LEAD, waits.id, "P3-08")
    assert done.photo is not None
    assert (done.photo.unit_key, done.photo.received_by, done.photo.received_at) == ("P3-08", "Uli", NOON)
    assert list_waiting(ws, UPLOADER) == []
    with pytest.raises(ConflictError, match="has its unit"):
        assign_unit(ws, LEAD, waits.id, "P3-07")
    with pytest.raises(NotFoundError):
        assign_unit(ws, LEAD, 999, "P3-07")


def test_a_waiting_photo_sent_again_with_its_unit_no_longer_waits(ws: Workspace) -> None:
    waiting = _send(ws, upload("IMG_1.png")).files[0]
    assert _send(ws, upload("IMG_1.png")).files[0].waiting_id == waiting.waiting_id
    assert _send(ws, upload("IMG_1.png"), unit_key="P3-07").files[0].status is IngestStatus.STORED
    assert list_waiting(ws, UPLOADER) == []


def test_who_names_a_unit_second_is_told_the_unit_of_the_first(
    ws: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = _send(ws, upload("IMG_1.png", MELTED)).files[0].waiting_id
    assert number is not None
    real = taking_in.open_photo

    def meanwhile(data: bytes, **options: int) -> Photo:
        monkeypatch.setattr(taking_in, "open_photo", real)
        assign_unit(ws, LEAD, number, "P3-07")
        return real(data, **options)

    monkeypatch.setattr(taking_in, "open_photo", meanwhile)
    second = assign_unit(ws, UPLOADER, number, "P3-08")
    assert second.status is IngestStatus.KNOWN
    assert "a photo of unit P3-07" in second.message


def test_zips_and_folders_are_taken_in(ws: Workspace, tmp_path: Path) -> None:
    (tmp_path / "round").mkdir()
    (tmp_path / "round" / "P3-07_1.png").write_bytes(picture(CLEAR, 1))
    (tmp_path / "round.zip").write_bytes(
        zip_of({"../P3-08_1.png": picture(CLEAR, 2), "inner.zip": zip_of({"a": b"a"})})
    )
    report = _send(ws, *sources_from_paths([tmp_path / "round", tmp_path / "round.zip"]))
    assert [f.status.value for f in report.files] == ["stored", "stored", "rejected"]


def test_capture_time_decides_the_round_where_it_can_be_believed(ws: Workspace) -> None:
    times = {
        "P3-07_then.jpg": datetime(2026, 2, 26, 8, 0),
        "P3-07_weeks_behind.jpg": datetime(2026, 2, 11, 8, 0),
        "P3-07_future.jpg": datetime(2031, 1, 1, 0, 0),
        "P3-07_unset.jpg": datetime(2000, 1, 1, 0, 0),
    }
    sources = [
        UploadSource(name, phone_jpeg(scene(seed=i), taken=t)) for i, (name, t) in enumerate(times.items())
    ]
    files = _send(ws, *sources).files
    seen = [f.photo.seen_at for f in files if f.photo]
    # 08:00 on the phone is local time in Zurich, UTC+1 in February.
    assert seen == [datetime(2026, 2, 26, 7, 0, tzinfo=UTC), NOON, NOON, NOON]
    with ws.read() as session:
        weeks = {r.id: (r.iso_year, r.iso_week) for r in session.scalars(select(RoundRow))}
    assert [weeks[f.photo.round_id] for f in files if f.photo] == [(2026, 9), *[(2026, 10)] * 3]
    assert "it counts for that day" in files[0].message
    assert all("which is not believed" in file.message for file in files[1:])


def test_a_photo_taken_before_a_replacement_belongs_to_the_old_coupler(ws: Workspace) -> None:
    replaced_at = NOON + timedelta(days=1)
    replace_coupler(ws, LEAD, "P3-07", "A", "PN-2", "melted", installed_on=None, now=replaced_at)
    old = phone_jpeg(scene(seed=1), taken=datetime(2026, 3, 4, 9, 0))
    late = ingest(
        ws, UPLOADER, [UploadSource("P3-07.jpg", old), upload("P3-07_b.png")], "north", now=replaced_at
    )
    before, after = [f.photo.coupler_id for f in late.files if f.photo]
    assert before < after


def test_blind_audit_marks_a_fixed_share_of_clear_verdicts_only(tmp_path: Path) -> None:
    ws = furnished(tmp_path, blind_audit_share=0.3)
    sources = [upload(f"P3-07_{i}.png", CLEAR, i) for i in range(150)] + [upload("P3-08.png", MELTED)]
    ingest(ws, UPLOADER, sources, "north")
    with ws.read() as session:
        marks = {row.file_name: row.blind_audit for row in session.scalars(select(PhotoRow))}
    share = sum(marks.values()) / 150
    # Five standard errors around 0.3: a false alarm once in a million sets of photos.
    assert abs(share - 0.3) < 5 * (0.3 * 0.7 / 150) ** 0.5
    assert marks["P3-08.png"] is False
    ws.close()
