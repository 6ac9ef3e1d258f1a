"""Fixtures of the store's tests."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from data_tools.cli import main
from data_tools.workspace import Workspace
from tests.test_data_tools.store_kit import CLEAR, DARK, MELTED, GreyJudge, furnished, picture

Rounds = Callable[..., Result]


@pytest.fixture
def ws(tmp_path: Path) -> Iterator[Workspace]:
    """A workspace with two sites and three units, judged by ``GreyJudge``."""
    workspace = furnished(tmp_path)
    yield workspace
    workspace.close()


@pytest.fixture
def rounds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Rounds:
    """Run ``rounds`` in this process with ``GreyJudge`` as the shipped model."""
    for place in ("data_tools.workspace.load_judge", "data_tools.cli.score.load_judge"):
        monkeypatch.setattr(place, lambda path: GreyJudge(path.read_text() if path else "grey-1"))
    monkeypatch.chdir(tmp_path)

    def run(*arguments: object, code: int = 0) -> Result:
        result = CliRunner().invoke(main, ["--workspace", "store", "--as", "Lea", *map(str, arguments)])
        assert result.exit_code == code, result.output
        assert "Traceback" not in result.output
        return result

    return run


@pytest.fixture
def furnished_rounds(rounds: Rounds, tmp_path: Path) -> Rounds:
    rounds("init")
    rounds("add-site", "north", "--name", "North yard", "--timezone", "Europe/Zurich")
    rounds("add-unit", "P3-07", "--site", "north", "--part-number", "PN-1", "--installed-on", "2026-01-05")
    photos = tmp_path / "round"
    photos.mkdir()
    for name, grey in {"P3-07_1.png": MELTED, "P3-07_2.png": CLEAR, "P3-07_3.png": DARK}.items():
        (photos / name).write_bytes(picture(grey))
    return rounds
