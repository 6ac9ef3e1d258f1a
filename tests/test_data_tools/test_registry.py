"""Model versions: kept as they came, one pointer moves, judging again only adds."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from sqlalchemy import select

from data_tools import registry
from data_tools.database.schema import VerdictRow
from data_tools.ingest import ingest
from data_tools.rescore import JudgedAgain, rescore
from data_tools.review import queue
from data_tools.verify import verify
from data_tools.workspace import Workspace, open_workspace
from model.errors import ArtefactError, BadRequestError, ConflictError, NotAllowedError, NotFoundError
from tests.test_data_tools.store_kit import (
    CLEAR,
    LEAD,
    MELTED,
    TECHNICIAN,
    UPLOADER,
    GreyJudge,
    upload,
)


@pytest.fixture
def versions(ws: Workspace, tmp_path: Path) -> list[Path]:
    """Two model files; their content is their version."""
    ws.load_judge = lambda path: GreyJudge(path.read_text() if path else "shipped")
    files = [tmp_path / "one.safetensors", tmp_path / "two.safetensors"]
    for number, file in enumerate(files, 1):
        file.write_text(f"grey-{number + 1}")
    return files


def _live(ws: Workspace) -> str:
    return registry.live_version(ws).version


def test_versions_are_kept_promoted_and_gone_back_from(ws: Workspace, versions: list[Path]) -> None:
    one, two = (
        registry.register(ws, LEAD, file, "fine-tuned", metrics={"n": 3}).version for file in versions
    )
    assert (_live(ws), ws.classifier().version) == (registry.SHIPPED, "shipped")
    registry.promote(ws, LEAD, one, "better")
    assert (_live(ws), ws.classifier().version) == ("grey-2", "grey-2")
    registry.promote(ws, LEAD, two, "better still")
    assert registry.go_back(ws, LEAD, "worse in rain").version == one
    assert registry.go_back(ws, LEAD, "worse in sun").version == registry.SHIPPED
    assert ws.classifier().version == "shipped"
    with pytest.raises(ConflictError, match="earlier version"):
        registry.go_back(ws, LEAD, "again")
    assert [v.version for v in registry.list_versions(ws, UPLOADER)] == [registry.SHIPPED, one, two]
    registry.promote(ws, LEAD, two, "after all")
    assert [v.live for v in registry.list_versions(ws, LEAD)] == [False, False, True]
    assert (ws.folder / registry.live_version(ws).path).read_text() == "grey-3"


def test_registering_twice_enters_once_and_another_file_of_the_same_name_is_refused(
    ws: Workspace, versions: list[Path]
) -> None:
    registry.register(ws, LEAD, versions[0], "first")
    registry.register(ws, LEAD, versions[0], "second")
    assert len(registry.list_versions(ws, LEAD)) == 2
    ws.load_judge = lambda _path: GreyJudge("grey-2")
    with pytest.raises(ConflictError, match="names another file"):
        registry.register(ws, LEAD, versions[1], "impostor")


def test_an_altered_or_missing_file_never_goes_live(ws: Workspace, versions: list[Path]) -> None:
    one, two = (registry.register(ws, LEAD, file, "x") for file in versions)
    (ws.folder / one.path).write_text("altered")
    (ws.folder / two.path).unlink()
    for version in (one.version, two.version):
        with pytest.raises(ArtefactError):
            registry.promote(ws, LEAD, version, "x")
    assert _live(ws) == registry.SHIPPED
    assert {p.kind for p in verify(ws, LEAD).problems} == {"model"}


def test_promoting_what_is_live_or_unknown_or_without_a_reason_is_refused(
    ws: Workspace, versions: list[Path]
) -> None:
    version = registry.register(ws, LEAD, versions[0], "x").version
    registry.promote(ws, LEAD, version, "x")
    with pytest.raises(ConflictError):
        registry.promote(ws, LEAD, version, "x")
    with pytest.raises(NotFoundError):
        registry.promote(ws, LEAD, "v9", "x")
    with pytest.raises(BadRequestError):
        registry.go_back(ws, LEAD, " ")
    with pytest.raises(NotAllowedError):
        registry.go_back(ws, TECHNICIAN, "x")


def test_judging_again_adds_verdicts_and_changes_none(ws: Workspace) -> None:
    ingest(ws, UPLOADER, [upload("P3-07.png", MELTED, 1), upload("P3-08.png", CLEAR, 2)], "north")
    with ws.read() as session:
        before = [json.dumps(row.judgement, sort_keys=True) for row in session.scalars(select(VerdictRow))]
    newer = open_workspace(ws.settings, classifier=GreyJudge("grey-2"))
    assert rescore(newer, LEAD) == JudgedAgain(2)
    assert rescore(newer, LEAD) == JudgedAgain(0)
    with ws.read() as session:
        rows = list(session.scalars(select(VerdictRow).order_by(VerdictRow.id)))
    assert [json.dumps(row.judgement, sort_keys=True) for row in rows[:2]] == before
    assert [row.model_version for row in rows] == ["grey-1", "grey-1", "grey-2", "grey-2"]
    assert queue(ws, TECHNICIAN)[0].verdict.model_version == "grey-2"
    assert verify(ws, LEAD).ok
    newer.close()


def test_a_lost_or_damaged_original_is_passed_over_and_named(ws: Workspace) -> None:
    sources = [upload(f"P3-07_{n}.png", MELTED, n) for n in range(4)]
    kept = [file.photo for file in ingest(ws, UPLOADER, sources, "north").files if file.photo is not None]
    ws.photos.path(kept[1].sha256).unlink()
    ws.photos.path(kept[2].sha256).write_bytes(b"cut off")
    newer = open_workspace(ws.settings, classifier=GreyJudge("grey-2"))
    done = rescore(newer, LEAD)
    assert (done.count, done.lost) == (2, ("P3-07_1.png of P3-07", "P3-07_2.png of P3-07"))
    assert (
        "2 photos judged again. Passed over, since the original is lost or damaged: 2 (P3-07_1.png"
        in done.words
    )
    content = sources[1].content
    assert isinstance(content, bytes)
    ws.photos.put(content)
    assert rescore(newer, LEAD) == JudgedAgain(1, ("P3-07_2.png of P3-07",))
    newer.close()


@pytest.mark.parametrize("promote", [True, False])
def test_entering_and_deciding_are_one_step(ws: Workspace, versions: list[Path], promote: bool) -> None:
    assert registry.version_before(ws, LEAD) is None
    settled = [
        registry.settle(
            ws, LEAD, versions[0], "tuned", promote=promote, why="Because.", compared_with="shipped"
        )
        for _ in range(2)
    ]
    assert settled[0].live is promote
    assert settled[0].status == ("live" if promote else "held")
    assert settled[0].note == "Because."
    assert settled[0].version == settled[1].version
    assert registry.version_before(ws, LEAD) == (registry.SHIPPED if promote else None)


def test_what_cannot_be_promoted_is_not_entered_either(
    ws: Workspace, versions: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_arguments: object) -> None:
        raise ConflictError("x", "x", "x")

    monkeypatch.setattr(registry, "_move", fails)
    with pytest.raises(ConflictError):
        registry.settle(ws, LEAD, versions[0], "tuned", promote=True, why="Because.", compared_with="shipped")
    assert [v.version for v in registry.list_versions(ws, LEAD)] == [registry.SHIPPED]
