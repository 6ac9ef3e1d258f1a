"""Taking a round in: where photos go, what is said of each file, and that nothing is lost."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from sqlalchemy import func, select

from data_tools.conditions import replace_coupler
from data_tools.database.schema import PhotoRow, RoundRow, VerdictRow
from data_tools.ingest import (
    UploadSource,
    assign_unit,
    ingest,
    list_rejected,
    list_waiting,
    sources_from_paths,
)
from data_tools.photo_store import PhotoStore
from data_tools.records import IngestReport, IngestStatus
from data_tools.sites import add_unit, close_site
from data_tools.verify import verify
from data_tools.workspace import Workspace, open_workspace
from model.errors import BadRequestError, ConflictError, NotFoundError, StorageError
from model.judgement import Judgement
from model.photo import Photo
from model.vocabulary import Outcome, Reason
from tests.hostile_files import BAD_NAMES, HOSTILE, ODD, phone_jpeg, scene, zip_of
from tests.test_data_tools.store_kit import (
    CLEAR,
    DARK,
    LEAD,
    MELTED,
    UPLOADER,
    GreyJudge,
    furnished,
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


def test_the_given_unit_wins_and_a_different_label_is_said(ws: Workspace) -> None:
    label = np.kron(cv2.QRCodeEncoder.create().encode("unit=P3-08"), np.ones((6, 6), np.uint8))
    photo = np.full((400, 600, 3), 180, np.uint8)
    photo[40 : 40 + len(label), 40 : 40 + len(label)] = label[:, :, None]
    buffer = io.BytesIO()
    Image.fromarray(photo).save(buffer, "PNG")
    (given,) = _send(ws, UploadSource("x.png", buffer.getvalue()), unit_key="P3-07").files
    assert given.photo is not None
    assert given.photo.unit_key == "P3-07"
    assert "label in the photo says P3-08" in given.message
    buffer.write(b"\0")
    (by_label,) = _send(ws, UploadSource("P3-07.png", buffer.getvalue())).files
    assert by_label.photo is not None
    assert by_label.photo.unit_key == "P3-08", "the label in the photo beats the file name"


def test_a_label_too_fine_for_the_judging_size_is_found_at_a_larger_one(ws: Workspace) -> None:
    label = np.kron(cv2.QRCodeEncoder.create().encode("unit=P3-08"), np.ones((4, 4), np.uint8))
    photo = np.full((2400, 3200, 3), 180, np.uint8)
    photo[1000 : 1000 + len(label), 900 : 900 + len(label)] = label[:, :, None]
    buffer = io.BytesIO()
    Image.fromarray(photo).save(buffer, "PNG")
    (file,) = _send(ws, UploadSource("IMG_1.png", buffer.getvalue())).files
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
    stated = _send(ws, upload("P3-07__B_3.png", CLEAR, 5), unit_key="P3-07", position="A").files[0]
    assert stated.photo is not None
    assert stated.photo.position == "A"


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


def test_unknown_or_foreign_units_and_closed_sites_are_refused_before_anything_is_read(ws: Workspace) -> None:
    with pytest.raises(NotFoundError, match="P9"):
        _send(ws, upload("a.png"), unit_key="P9")
    with pytest.raises(BadRequestError, match="south"):
        _send(ws, upload("a.png"), unit_key="Q1")
    with pytest.raises(NotFoundError, match="position"):
        _send(ws, upload("a.png"), unit_key="P3-07", position="Z")
    with pytest.raises(NotFoundError, match="nowhere"):
        _send(ws, upload("a.png"), site="nowhere")
    close_site(ws, LEAD, "north")
    with pytest.raises(ConflictError, match="closed"):
        _send(ws, upload("a.png"))
    assert list(ws.photos.names()) == []


def test_a_site_closed_meanwhile_loses_no_photo(ws: Workspace) -> None:
    class Closing(GreyJudge):
        def judge_many(self, photos: Iterable[Photo], batch: int = 16) -> Iterator[Judgement]:
            close_site(ws, LEAD, "north")
            return super().judge_many(photos, batch)

    other = open_workspace(ws.settings, classifier=Closing())
    (file,) = ingest(other, UPLOADER, [upload("P3-07.png")], "north").files
    assert file.status is IngestStatus.NEEDS_UNIT
    assert "closed" in file.message
    assert [w.file_name for w in list_waiting(ws, UPLOADER)] == ["P3-07.png"]
    other.close()


@pytest.mark.parametrize("name", sorted(HOSTILE))
def test_hostile_files_are_said_and_kept_aside(ws: Workspace, name: str) -> None:
    data = HOSTILE[name]()
    files = _send(ws, UploadSource(f"P3-07_{name}", data)).files
    assert all(file.status is IngestStatus.REJECTED for file in files)
    assert all(len(file.message) > 20 for file in files)
    kept = {ws.rejected.get(row.sha256) for row in list_rejected(ws, UPLOADER)}
    assert data in kept or any(data.endswith(part) or part in data for part in kept)
    assert _count(ws, PhotoRow) == 0
    assert verify(ws, LEAD).ok


@pytest.mark.parametrize("name", sorted(ODD))
def test_odd_photos_are_taken_in(ws: Workspace, name: str) -> None:
    (file,) = _send(ws, UploadSource(f"P3-07_{name}", ODD[name]())).files
    assert file.status is IngestStatus.STORED, file.message


def test_bad_names_are_shown_safely_and_their_photos_kept(ws: Workspace) -> None:
    report = _send(
        ws, *(UploadSource(name, picture(CLEAR, i)) for i, name in enumerate(BAD_NAMES)), unit_key="P3-07"
    )
    assert all(file.status is IngestStatus.STORED for file in report.files)
    assert all(file.file_name.isprintable() for file in report.files)
    assert len({f.photo.sha256 for f in report.files if f.photo}) == len(BAD_NAMES)


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
        "P3-07_then.jpg": datetime(2026, 2, 11, 8, 0),
        "P3-07_future.jpg": datetime(2031, 1, 1, 0, 0),
        "P3-07_unset.jpg": datetime(2000, 1, 1, 0, 0),
    }
    sources = [
        UploadSource(name, phone_jpeg(scene(seed=i), taken=t)) for i, (name, t) in enumerate(times.items())
    ]
    files = _send(ws, *sources).files
    seen = [f.photo.seen_at for f in files if f.photo]
    # 08:00 on the phone is local time in Zurich, UTC+1 in February.
    assert seen == [datetime(2026, 2, 11, 7, 0, tzinfo=UTC), NOON, NOON]
    with ws.read() as session:
        weeks = {r.id: (r.iso_year, r.iso_week) for r in session.scalars(select(RoundRow))}
    assert [weeks[f.photo.round_id] for f in files if f.photo] == [(2026, 7), (2026, 10), (2026, 10)]


def test_a_photo_taken_before_a_replacement_belongs_to_the_old_coupler(ws: Workspace) -> None:
    replaced_at = NOON + timedelta(days=1)
    replace_coupler(ws, LEAD, "P3-07", "A", "PN-2", "melted", installed_on=None, now=replaced_at)
    old = phone_jpeg(scene(seed=1), taken=datetime(2026, 3, 4, 9, 0))
    late = ingest(
        ws, UPLOADER, [UploadSource("P3-07.jpg", old), upload("P3-07_b.png")], "north", now=replaced_at
    )
    before, after = [f.photo.coupler_id for f in late.files if f.photo]
    assert before < after


def test_one_photo_that_breaks_the_model_costs_only_itself(ws: Workspace) -> None:
    class Fragile(GreyJudge):
        def judge(self, photo: Photo) -> Judgement:
            if photo.rgb.mean() < 100:
                raise ZeroDivisionError("a fault in the model")
            return super().judge(photo)

    other = open_workspace(ws.settings, classifier=Fragile())
    report = ingest(other, UPLOADER, [upload("P3-07.png", CLEAR, 1), upload("P3-08.png", MELTED, 2)], "north")
    assert [f.status for f in report.files] == [IngestStatus.STORED, IngestStatus.NEEDS_UNIT]
    assert "model failed" in report.files[1].message
    assert len(list_waiting(ws, UPLOADER)) == 1
    other.close()


def test_a_full_disk_is_said_for_each_file_and_sending_again_works(
    ws: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = PhotoStore.put

    def full(self: PhotoStore, data: bytes) -> str:
        raise StorageError("to keep the original file", "no space left on device", "Free some disk space.")

    monkeypatch.setattr(PhotoStore, "put", full)
    files = _send(ws, upload("P3-07.png"), UploadSource("P3-07.txt", b"text")).files
    assert [f.status for f in files] == [IngestStatus.NOT_RECEIVED] * 2
    assert "no space left" in files[0].message
    monkeypatch.setattr(PhotoStore, "put", real)
    assert _send(ws, upload("P3-07.png")).files[0].status is IngestStatus.STORED
    assert verify(ws, LEAD).ok


def test_a_disk_that_fills_between_original_and_row_loses_nothing(
    ws: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_arguments: object) -> None:
        raise StorageError("a database that can be written", "database or disk is full", "Free some space.")

    with monkeypatch.context() as patch:
        patch.setattr("data_tools.desk.keep_photo", full)
        (file,) = _send(ws, upload("P3-07.png", MELTED)).files
    assert file.status is IngestStatus.NOT_RECEIVED
    assert [p.kind for p in verify(ws, LEAD).problems] == ["orphan"]
    assert verify(ws, LEAD, repair=True).ok
    assert len(list_waiting(ws, UPLOADER)) == 1
    assert _send(ws, upload("P3-07.png", MELTED)).files[0].status is IngestStatus.STORED
    assert list_waiting(ws, UPLOADER) == []


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
