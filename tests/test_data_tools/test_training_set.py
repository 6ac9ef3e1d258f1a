"""Frozen training sets: the rules, the held-out couplers, the same bytes again."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from data_tools.conditions import replace_coupler
from data_tools.ingest import ingest
from data_tools.limit_needs import learnable
from data_tools.records import DecisionKind, TrueFinding
from data_tools.review import decide, queue, withdraw
from data_tools.sites import add_unit
from data_tools.training_set import HELD_OUT, HELD_OUT_SHARE, LOST, TRAIN, freeze, is_held_out
from data_tools.workspace import Workspace
from model.errors import StorageError
from model.manifest import read_manifest
from model.photo import open_photo
from model.vocabulary import FindingKind, Place, Reason
from tests.test_data_tools.store_kit import (
    CLEAR,
    LEAD,
    MELTED,
    OPENED,
    OTHER_TECHNICIAN,
    TECHNICIAN,
    THIRD_TECHNICIAN,
    UPLOADER,
    decided,
    full_disk,
    furnished,
    upload,
)

NO_LATCH = TrueFinding(FindingKind.MISSING_LATCH, Place.LATCH)


def test_the_same_decisions_freeze_to_the_same_bytes_and_the_originals_come_along(tmp_path: Path) -> None:
    ws = furnished(tmp_path, blind_audit_share=1.0)
    decided(ws)
    first, second = freeze(ws, LEAD, tmp_path / "a"), freeze(ws, LEAD, tmp_path / "b")
    assert first.digest == second.digest
    assert first.manifest.read_bytes() == second.manifest.read_bytes()
    photos = read_manifest(first.manifest)
    assert len(photos) == 31
    assert [p.file for p in photos] == sorted(p.file for p in photos)
    for photo in photos:
        assert open_photo(first.manifest.parent / photo.file).sha256 == Path(photo.file).name
    refused = [p for p in photos if p.reason is not None]
    assert [(p.reason, p.findings, p.family) for p in refused] == [(Reason.TOO_DARK, (), "type1")]
    assert photos[0].attributes["confirmed_by"] == ["Tom"]
    assert photos[0].homography is not None
    assert freeze(ws, LEAD, tmp_path / "a").digest == first.digest
    assert list((tmp_path / "a").glob(".*")) == []
    ws.close()


def test_a_full_disk_leaves_no_photo_and_no_list_half_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ws = furnished(tmp_path, blind_audit_share=1.0)
    decided(ws)
    told = r"no space left .* Free some disk space and start again: nothing is lost"
    for where, name in ((os, "fsync"), (Path, "replace")):
        with monkeypatch.context() as patch:
            patch.setattr(os, "link", _no_links)
            patch.setattr(where, name, full_disk)
            with pytest.raises(StorageError, match=told):
                freeze(ws, LEAD, tmp_path / "a")
        assert [path for path in (tmp_path / "a").rglob("*") if path.is_file()] == []
    with monkeypatch.context() as patch:
        patch.setattr("data_tools.training_set.write_manifest", _half_a_list)
        with pytest.raises(StorageError, match=told):
            freeze(ws, LEAD, tmp_path / "a")
    assert [path for path in (tmp_path / "a").iterdir() if path.is_file()] == []
    with monkeypatch.context() as patch:
        patch.setattr(os, "link", _no_links)
        frozen = freeze(ws, LEAD, tmp_path / "b")
    for photo in read_manifest(frozen.manifest):
        assert open_photo(frozen.manifest.parent / photo.file).sha256 == Path(photo.file).name
    ws.close()


def _no_links(*_given: object) -> None:
    raise OSError(errno.EPERM, "this disk has no second names")


def _half_a_list(part: Path, _photos: object) -> str:
    part.write_text('{"file": "pho')
    full_disk()
    return ""


def test_held_out_couplers_are_held_out_for_ever_and_about_one_in_five(tmp_path: Path) -> None:
    share = sum(is_held_out(f"north/U{n}/A/1") for n in range(5000)) / 5000
    assert abs(share - HELD_OUT_SHARE) < 5 * (0.2 * 0.8 / 5000) ** 0.5
    ws = furnished(tmp_path, blind_audit_share=1.0)
    decided(ws)
    frozen = freeze(ws, LEAD)
    photos, held = read_manifest(frozen.manifest), read_manifest(frozen.held_out)
    assert {p.coupler for p in held} == {p.coupler for p in photos if p.split == HELD_OUT}
    assert not {p.coupler for p in held} & {p.coupler for p in photos if p.split == TRAIN}
    assert frozen.counts[TRAIN] + frozen.counts[HELD_OUT] == 31
    assert 1 <= len(held) <= 15
    ws.close()


def test_rules_for_conflicts_second_opinions_cannot_tell_and_replaced_couplers(ws: Workspace) -> None:
    greys = [MELTED] * 5
    ingest(ws, UPLOADER, [upload(f"P3-07_{n}.png", grey, n) for n, grey in enumerate(greys)], "north")
    conflict, settled, asked, cannot, taken_back = sorted(
        queue(ws, TECHNICIAN), key=lambda i: i.photo.file_name
    )

    def say(who: object, item: object, kind: DecisionKind, *findings: TrueFinding) -> int:
        return decide(ws, who, item.photo.id, item.verdict.id, kind, findings).id  # type: ignore[arg-type,attr-defined]

    for item in (conflict, settled):
        say(TECHNICIAN, item, DecisionKind.CONFIRMED)
        say(OTHER_TECHNICIAN, item, DecisionKind.CORRECTED)
    say(THIRD_TECHNICIAN, settled, DecisionKind.CORRECTED, NO_LATCH)
    say(TECHNICIAN, asked, DecisionKind.CONFIRMED)
    say(TECHNICIAN, asked, DecisionKind.SECOND_OPINION)
    say(TECHNICIAN, cannot, DecisionKind.CANNOT_TELL)
    withdraw(ws, TECHNICIAN, say(TECHNICIAN, taken_back, DecisionKind.CONFIRMED))
    frozen = freeze(ws, LEAD)
    (only,) = read_manifest(frozen.manifest)
    assert only.file == f"photos/{settled.photo.sha256}"
    assert [(f.kind, f.place) for f in only.findings] == [(FindingKind.MISSING_LATCH, Place.LATCH)]
    assert only.attributes["confirmed_by"] == ["Tess"]
    left_out = {name: count for name, count in frozen.counts.items() if name.startswith("left out")}
    assert left_out == {
        "left out: people differ": 1, "left out: second opinion awaited": 1, "left out: cannot tell": 1,
    }  # fmt: skip
    say(OTHER_TECHNICIAN, asked, DecisionKind.CONFIRMED)
    replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-2", "melted")
    ingest(ws, UPLOADER, [upload("P3-07_new.png", MELTED, 77)], "north")
    say(TECHNICIAN, queue(ws, TECHNICIAN)[0], DecisionKind.CONFIRMED)
    say(
        TECHNICIAN,
        next(i for i in queue(ws, TECHNICIAN) if i.photo.file_name == "P3-07_new.png"),
        DecisionKind.CONFIRMED,
    )
    couplers = {p.coupler for p in read_manifest(freeze(ws, LEAD).manifest)}
    assert couplers == {"north/P3-07/A/1", "north/P3-07/A/2"}


def test_damage_that_was_called_clear_joins_the_never_regress_list(tmp_path: Path) -> None:
    ws = furnished(tmp_path, blind_audit_share=1.0)
    ingest(ws, UPLOADER, [upload("P3-07.png", CLEAR, 1), upload("P3-08.png", CLEAR, 2)], "north")
    first, second = queue(ws, TECHNICIAN)
    decide(ws, TECHNICIAN, first.photo.id, first.verdict.id, DecisionKind.CORRECTED, [NO_LATCH])
    decide(ws, TECHNICIAN, second.photo.id, second.verdict.id, DecisionKind.CONFIRMED)
    frozen = freeze(ws, LEAD)
    assert [p.file for p in read_manifest(frozen.never_regress)] == [f"photos/{first.photo.sha256}"]
    assert frozen.counts["never_regress"] == 1
    ws.close()


def test_a_photo_whose_original_is_lost_is_left_out_and_counted(tmp_path: Path) -> None:
    ws = furnished(tmp_path / "w", blind_audit_share=1.0)
    decided(ws)
    before = freeze(ws, LEAD, tmp_path / "before")
    lost = next(photo for photo in read_manifest(before.manifest) if photo.split == TRAIN)
    ws.photos.path(Path(lost.file).name).unlink()
    after = freeze(ws, LEAD, tmp_path / "after")
    assert after.counts[LOST] == 1
    assert after.counts[TRAIN] == before.counts[TRAIN] - 1
    assert lost.file not in {photo.file for photo in read_manifest(after.manifest)}
    again = freeze(ws, LEAD, tmp_path / "before")
    assert again == before, "an earlier training set has a name of its own for it"
    ws.close()


def test_counts_say_what_is_in_the_set(tmp_path: Path) -> None:
    ws = furnished(tmp_path, blind_audit_share=1.0)
    decided(ws)
    frozen = freeze(ws, LEAD)
    ws.close()
    assert frozen.counts["intact"] == 15
    assert frozen.counts["heat-melted housing"] == 15
    assert frozen.counts["cannot judge: too_dark"] == 1


def test_a_face_seen_as_another_family_is_not_taught_at_the_registered_one_s_places(ws: Workspace) -> None:
    learnt = next(f"U{n}" for n in range(99) if not is_held_out(f"north/U{n}/A/1"))
    held = next(f"V{n}" for n in range(99) if is_held_out(f"north/V{n}/A/1"))
    for unit in (learnt, held):
        add_unit(ws, LEAD, "north", unit, family="type2", now=OPENED)
    greys = {f"{learnt}_0": CLEAR, f"{learnt}_1": MELTED, f"{held}_0": CLEAR}
    report = ingest(
        ws, UPLOADER, [upload(f"{name}.png", g, n) for n, (name, g) in enumerate(greys.items())], "north"
    )
    for file in report.files:
        assert file.photo is not None
        assert file.verdict is not None
        decide(ws, TECHNICIAN, file.photo.id, file.verdict.id, DecisionKind.CONFIRMED)
    frozen = freeze(ws, LEAD)
    # Where a Type 1 lies tells of no Type 2's housings, and a Type 2 has none at the bottom.
    intact, other = sorted(read_manifest(frozen.manifest), key=lambda photo: str(photo.split), reverse=True)
    assert [(p.split, p.family, p.homography, p.places) for p in (intact, other)] == [
        (TRAIN, "type2", None, {}), (HELD_OUT, "type2", None, {}),
    ]  # fmt: skip
    assert frozen.counts[TRAIN] == 0
    assert frozen.counts[HELD_OUT] == 1
    assert frozen.counts["left out: where the face lies is not known"] == 1
    assert frozen.counts["left out: damage where this coupler has no such place"] == 1
    assert learnable(ws, LEAD).left_out == 2
