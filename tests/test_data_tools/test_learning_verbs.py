"""Which photos to review next, and drift of a week's photos, on a store with painted photos."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from io import BytesIO
from pathlib import Path
from zlib import crc32

import numpy as np
import pytest
from PIL import Image

from data_tools import drift_watch, jobs, model_side
from data_tools import next_photos as next_verb
from data_tools.drift_watch import latest_drift, look_for_drift
from data_tools.ingest import UploadSource, ingest
from data_tools.limit_needs import learnable, limit_needs
from data_tools.next_photos import next_photos
from data_tools.photo_drift import MOST_REFERENCE, photo_drift
from data_tools.records import DecisionKind
from data_tools.rescore import rescore
from data_tools.review import decide, queue
from data_tools.sites import add_unit
from data_tools.training_set import KEPT, is_held_out
from data_tools.workspace import Workspace
from model.errors import BadRequestError, NotAllowedError
from model.judgement import Judgement
from model.manifest import read_manifest
from model.photo import Photo
from model.vocabulary import FindingKind
from tests.test_data_tools.store_kit import (
    CLEAR,
    LEAD,
    MELTED,
    OPENED,
    OTHER_TECHNICIAN,
    TECHNICIAN,
    UNSURE,
    UPLOADER,
    GreyJudge,
    decided,
    furnished,
    picture,
    upload,
)

UNITS = [f"U{n:02}" for n in range(12)]


def test_suspected_photos_of_couplers_that_are_learnt_from_come_first(ws: Workspace) -> None:
    learnt = next(f"L{n}" for n in range(50) if not is_held_out(f"north/L{n}/A/1"))
    held = next(f"L{n}" for n in range(50) if is_held_out(f"north/L{n}/A/1"))
    for unit in (learnt, held):
        add_unit(ws, LEAD, "north", unit, now=OPENED)
    files = [upload(f"{learnt}_{n}.png", grey, n) for n, grey in enumerate([CLEAR, UNSURE, MELTED])]
    ingest(ws, UPLOADER, [*files, upload(f"{held}_x.png", UNSURE, 9)], "north")
    order = next_photos(ws, TECHNICIAN)
    assert [p.file_name for p in order] == [f"{learnt}_{n}.png" for n in (2, 1, 0)]
    assert [p.id for p in next_photos(ws, TECHNICIAN, 1)] == [order[0].id]
    item = next(i for i in queue(ws, TECHNICIAN) if i.photo.id == order[0].id)
    decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED)
    assert order[0].id not in {p.id for p in next_photos(ws, TECHNICIAN)}
    with pytest.raises(NotAllowedError):
        next_photos(ws, UPLOADER)


def test_every_coupler_is_asked_about_once_before_any_twice(ws: Workspace) -> None:
    asked, other = [f"L{n}" for n in range(50) if not is_held_out(f"north/L{n}/A/1")][:2]
    for unit in (asked, other):
        add_unit(ws, LEAD, "north", unit, now=OPENED)
    greys = {f"{asked}_0": MELTED, f"{asked}_1": MELTED, f"{other}_0": UNSURE, f"{other}_1": CLEAR}
    ingest(ws, UPLOADER, [upload(f"{name}.png", g, n) for n, (name, g) in enumerate(greys.items())], "north")
    order = [p.file_name for p in next_photos(ws, TECHNICIAN)]
    assert order == [f"{asked}_0.png", f"{other}_0.png", f"{asked}_1.png", f"{other}_1.png"]
    item = next(i for i in queue(ws, TECHNICIAN) if i.photo.file_name == f"{asked}_0.png")
    decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED)
    order = [p.file_name for p in next_photos(ws, TECHNICIAN)]
    assert order == [f"{other}_0.png", f"{asked}_1.png", f"{other}_1.png"]


def test_a_verdict_is_read_once_and_a_later_one_counts(
    ws: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    learnt = next(f"L{n}" for n in range(50) if not is_held_out(f"north/L{n}/A/1"))
    add_unit(ws, LEAD, "north", learnt, now=OPENED)
    ingest(ws, UPLOADER, [upload(f"{learnt}_{n}.png", g, n) for n, g in enumerate([CLEAR, MELTED])], "north")
    read = []
    real = next_verb._suspicion
    monkeypatch.setattr(next_verb, "_suspicion", lambda *told: read.append(told) or real(*told))
    orders = [[p.file_name for p in next_photos(ws, TECHNICIAN)] for _ in range(3)]
    assert orders == [[f"{learnt}_{n}.png" for n in (1, 0)]] * 3
    assert len(read) == 2

    class Other(GreyJudge):
        def judge(self, photo: Photo) -> Judgement:
            said = super().judge(photo)
            return replace(said, probabilities={k: 0.999 - p for k, p in said.probabilities.items()})

    ws.load_judge, ws._judge = (lambda _path: Other("other-2")), None
    rescore(ws, LEAD)
    assert [p.file_name for p in next_photos(ws, TECHNICIAN)] == [f"{learnt}_{n}.png" for n in (0, 1)]
    assert len(read) == 4


@pytest.fixture
def three_weeks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Workspace:
    """Twelve units, photographed in three weeks; what is seen is read from the photo's mean grey."""
    ws = furnished(tmp_path)
    for unit in UNITS:
        add_unit(ws, LEAD, "north", unit, now=OPENED)
    for week in range(3):
        files = [upload(f"{unit}_{week}.png", MELTED, 100 * week + n) for n, unit in enumerate(UNITS)]
        ingest(ws, UPLOADER, files, "north", now=OPENED + timedelta(days=7 * week + 1))
    monkeypatch.setattr(model_side, "shipped_artefact", lambda: Path("shipped.safetensors"))
    monkeypatch.setattr("data_tools.photo_drift.rendered", lambda _path: None)
    return ws


def _eyes(monkeypatch: pytest.MonkeyPatch, last_week: set[str], shift: float) -> list[int]:
    calls: list[int] = []

    def look(_artefact: Path, photos: list[tuple[object, Path]], *, progress: object) -> np.ndarray:
        calls.append(len(photos))
        for label, folder in photos:
            assert (folder / label.file).is_file()  # type: ignore[attr-defined]
        seeds = [crc32(label.file.encode()) for label, _ in photos]  # type: ignore[attr-defined]
        noise = np.array([np.random.default_rng(seed).normal(0, 1, 6) for seed in seeds])
        moved = np.array([shift if label.file in last_week else 0.0 for label, _ in photos])  # type: ignore[attr-defined]
        return (noise + moved[:, None]).astype(np.float32)

    monkeypatch.setattr(model_side, "look_vectors", look)
    return calls


def _of_week(ws: Workspace, week: int) -> set[str]:
    return {
        i.photo.sha256 for i in queue(ws, TECHNICIAN, limit=100) if i.photo.file_name.endswith(f"_{week}.png")
    }


def test_photos_that_look_other_than_before_are_noticed_with_what_to_do(
    three_weeks: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls = _eyes(monkeypatch, _of_week(three_weeks, 2), 3.0)
    (row,) = photo_drift(three_weeks, LEAD)
    assert (row.name, row.test.now, row.test.before, row.test.couplers) == ("north", 12, 24, 12)
    assert row.flagged
    assert "at north look other than the same couplers' photos before" in row.notice
    assert "retrain" in row.notice
    assert photo_drift(three_weeks, LEAD, by="camera")[0].name == "unknown camera"
    assert calls == [36], "what was seen once is kept"
    next((three_weeks.folder / "derived" / "looks").iterdir()).write_bytes(b"cut off")
    assert photo_drift(three_weeks, LEAD)[0].test == row.test
    assert calls == [36, 36]


def test_drift_by_camera_tells_the_phones_apart(ws: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    """Half of the last week's photos come from a new phone, and only those look other than before."""
    for unit in UNITS:
        add_unit(ws, LEAD, "north", unit, now=OPENED)
    moved = set()
    for week in range(3):
        phones = ["Phone 8" if week == 2 and n < 6 else "Phone 7" for n in range(len(UNITS))]
        files = [
            UploadSource(f"{unit}_{week}.jpg", _taken_with(phone, 100 * week + n))
            for n, (unit, phone) in enumerate(zip(UNITS, phones, strict=True))
        ]
        sent = ingest(ws, UPLOADER, files, "north", now=OPENED + timedelta(days=7 * week + 1)).files
        cameras = [file.photo.camera for file in sent if file.photo is not None]
        assert cameras == [f"Maker {phone}" for phone in phones]
        moved |= {file.photo.sha256 for file in sent if file.photo and file.photo.camera == "Maker Phone 8"}
    monkeypatch.setattr(model_side, "shipped_artefact", lambda: Path("shipped.safetensors"))
    monkeypatch.setattr("data_tools.photo_drift.rendered", lambda _path: None)
    monkeypatch.setattr("data_tools.photo_drift.MIN_COUPLERS", 6)
    _eyes(monkeypatch, moved, 5.0)
    found = {row.name: row for row in photo_drift(ws, LEAD, by="camera")}
    assert {name: row.flagged for name, row in found.items()} == {
        "Maker Phone 7": False,
        "Maker Phone 8": True,
    }
    assert "the photos taken with Maker Phone 8 look other than" in found["Maker Phone 8"].notice


def _taken_with(phone: str, seed: int) -> bytes:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Maker", phone
    buffer = BytesIO()
    Image.open(BytesIO(picture(MELTED, seed))).save(buffer, "JPEG", quality=95, exif=exif)
    return buffer.getvalue()


def test_photos_as_before_are_not_noticed_and_a_first_week_cannot_be_told(
    three_weeks: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    _eyes(monkeypatch, set(), 0.0)
    (row,) = photo_drift(three_weeks, LEAD)
    assert (row.flagged, row.lacking) == (False, "")
    first = min(p.week for p in _seen(three_weeks))
    (row,) = photo_drift(three_weeks, LEAD, week=first)
    assert row.lacking.startswith("0 of the 10 couplers needed")
    with pytest.raises(BadRequestError, match="site or camera"):
        photo_drift(three_weeks, LEAD, by="moon")
    with pytest.raises(NotAllowedError):
        photo_drift(three_weeks, TECHNICIAN)


def _seen(ws: Workspace) -> list:
    from data_tools.photo_drift import _located

    return _located(ws)


def test_it_is_told_how_many_confirmed_photos_the_limits_still_need(ws: Workspace) -> None:
    decided(ws)
    counts = learnable(ws, LEAD)
    assert (counts.learnt + counts.held_out, counts.left_out) == (31, 0)
    needs = {need.kind: need for need in limit_needs(ws, LEAD)}
    melted = needs[FindingKind.HEAT_MELTED_HOUSING]
    # ceil(1 / rate - 1): the fewest with which n / (n + 1) R + 1 / (n + 1) can stay under the rate at R = 0
    # (Angelopoulos et al. 2022, arXiv 2208.02814).
    assert (melted.needed, needs[FindingKind.MISSING_LATCH].needed) == (99, 49)
    held = sum(is_held_out(f"north/U{n:02}/A/1") for n in range(1, 30, 2))
    assert (melted.have, melted.have + melted.elsewhere) == (held, 15)
    assert f"{held} of the 99 couplers needed for a limit at 1% misses" in melted.words
    assert f"about {(99 - held) * 5} more couplers confirmed with it" in melted.words
    with pytest.raises(NotAllowedError):
        limit_needs(ws, TECHNICIAN)


def test_weekly_photos_of_one_coupler_are_one_example_for_a_limit(ws: Workspace) -> None:
    key = next(f"K{n}" for n in range(99) if is_held_out(f"north/K{n}/A/1"))
    add_unit(ws, LEAD, "north", key, now=OPENED)
    for week in range(3):
        photos = [upload(f"{key}_{week}.png", MELTED, 900 + week)]
        (file,) = ingest(ws, UPLOADER, photos, "north", now=OPENED + timedelta(days=7 * week + 1)).files
        assert file.photo is not None
        assert file.verdict is not None
        decide(ws, TECHNICIAN, file.photo.id, file.verdict.id, DecisionKind.CONFIRMED)
    need = next(need for need in limit_needs(ws, LEAD) if need.kind is FindingKind.HEAT_MELTED_HOUSING)
    assert (need.have, need.photos, need.elsewhere) == (1, 3, 0)
    assert "1 of the 99 couplers needed for a limit at 1% misses (3 photos)" in need.words


def test_the_last_look_for_drift_is_kept_and_told_stale_when_photos_came(
    three_weeks: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert latest_drift(three_weeks, LEAD) is None
    _eyes(monkeypatch, _of_week(three_weeks, 2), 3.0)
    told: list[float] = []
    found = look_for_drift(three_weeks, LEAD, progress=lambda share, _stage: told.append(share))
    assert latest_drift(three_weeks, LEAD) == found
    assert [row.group for row in found.rows] == ["site", "camera"]
    assert len(found.notices) == 2
    assert not found.stale
    ingest(three_weeks, UPLOADER, [upload("U00_new.png", CLEAR, 777)], "north")
    again = latest_drift(three_weeks, LEAD)
    assert again is not None
    assert again.stale
    (three_weeks.folder / "derived" / "drift.json").write_text("cut off")
    assert latest_drift(three_weeks, LEAD) is None
    job = jobs.open_job(three_weeks, LEAD, jobs.DRIFT)
    drift_watch.run_job(three_weeks, LEAD, job.id)
    done = jobs.latest_job(three_weeks, LEAD, jobs.DRIFT)
    assert done is not None
    assert done.message == "2 sites and phone models could be compared with before; 2 moved beyond chance."


def test_photos_unlike_all_that_was_measured_on_are_noticed_from_the_first_week(
    three_weeks: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = min(photo.week for photo in _seen(three_weeks))
    reference = [photo for photo in read_manifest(KEPT) if photo.split == "test" and photo.family]
    monkeypatch.setattr("data_tools.photo_drift.rendered", lambda _path: KEPT)
    calls = _eyes(monkeypatch, _of_week(three_weeks, 0), 9.0)
    (row,) = photo_drift(three_weeks, LEAD, week=first)
    assert row.lacking
    assert (row.unlike.unlike, row.unlike.couplers) == (12, 12)
    assert 40 <= row.unlike.reference <= len({photo.coupler for photo in reference})
    assert "unlike what the live version was measured on" in row.notice
    assert calls == [12 + MOST_REFERENCE]
    (later,) = photo_drift(three_weeks, LEAD)
    assert later.unlike.unlike <= 3
    assert "unlike what" not in later.notice


def test_what_people_differ_about_was_not_confirmed_before(
    three_weeks: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("model.drift.LEAST_REFERENCE", 5)
    _eyes(monkeypatch, set(), 0.0)
    first = [i for i in queue(three_weeks, TECHNICIAN, limit=100) if i.photo.file_name.endswith("_0.png")]
    for item in first[1:]:
        decide(three_weeks, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED)
    open_still = (DecisionKind.CANNOT_TELL, DecisionKind.CORRECTED, DecisionKind.SECOND_OPINION)
    for item, kind in zip(first, open_still, strict=False):
        decide(three_weeks, OTHER_TECHNICIAN, item.photo.id, item.verdict.id, kind)
    (row,) = photo_drift(three_weeks, LEAD)
    assert row.unlike.reference == len(UNITS) - 3
