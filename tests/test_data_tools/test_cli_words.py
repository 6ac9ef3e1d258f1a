"""What the console script says where a wrong word could hurt: of doubt, of damage, of a newer store."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy import text

from data_tools.cli import main
from data_tools.ingest import ingest
from data_tools.workspace import Workspace, open_workspace
from model.errors import BadRequestError
from model.judgement import Finding, Judgement
from model.photo import Photo
from model.vocabulary import FindingKind, Label, Place, Triage
from tests.test_data_tools.store_kit import CLEAR, MELTED, UPLOADER, GreyJudge, picture, upload

Told = Callable[..., str]


class Doubting(GreyJudge):
    """Is sure of nothing; in dark photos it suspects a melt, less likely than not."""

    def judge(self, photo: Photo) -> Judgement:
        """Judge one photo."""
        doubt = Finding(FindingKind.HEAT_MELTED_HOUSING, Place.BOTTOM, 0.2)
        found = () if photo.rgb.mean() > 150 else (doubt,)
        return replace(super().judge(photo), label=Label.INTACT, triage=Triage.UNSURE, findings=found)


@pytest.fixture
def told(ws: Workspace, monkeypatch: pytest.MonkeyPatch) -> Told:
    """What ``rounds`` prints on ``ws``, judged by ``Doubting``."""
    if ws.engine.dialect.name != "sqlite":
        pytest.skip("the console script finds the database in the workspace")
    for place in ("data_tools.workspace.load_judge", "data_tools.cli.score.load_judge"):
        monkeypatch.setattr(place, lambda _path: Doubting())

    def run(*arguments: object, code: int = 0) -> str:
        result = CliRunner().invoke(main, ["--workspace", str(ws.folder), *map(str, arguments)])
        assert result.exit_code == code, result.output
        return result.output

    return run


def test_what_a_person_must_look_at_is_never_printed_as_intact(
    told: Told, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for name, grey in (("P3-07_1.png", MELTED), ("P3-07_2.png", CLEAR)):
        Path(name).write_bytes(picture(grey))
    assert told("score", "P3-07_1.png", "P3-07_2.png").splitlines() == [
        "P3-07_1.png: unsure, perhaps heat-melted housing, a technician must look",
        "P3-07_2.png: unsure, a technician must look",
    ]
    told("ingest", "P3-07_2.png", "--site", "north")
    history = told("history", "P3-07")
    assert ": unsure (model" in history
    assert "intact" not in history


def test_a_workspace_of_a_newer_version_is_refused_in_words(ws: Workspace, told: Told) -> None:
    with ws.engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    for command in ("sites", "init"):
        words = told(command, code=3)
        assert "newer version has changed" in words
        assert "Update the product" in words
    with pytest.raises(BadRequestError, match="newer version"):
        open_workspace(ws.settings)


def test_a_backup_of_a_damaged_original_needs_a_person(ws: Workspace, told: Told, tmp_path: Path) -> None:
    (file,) = ingest(ws, UPLOADER, [upload("P3-07.png")], "north").files
    assert file.photo is not None
    original = ws.photos.path(file.photo.sha256)
    whole = original.read_bytes()
    original.write_bytes(whole[:-1])
    assert file.photo.sha256 in told("backup", tmp_path / "copy", code=1)
    original.write_bytes(whole)
    assert "1 files copied" in told("backup", tmp_path / "copy")
