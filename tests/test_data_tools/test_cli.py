"""The console script: each verb end to end, JSON for machines, exit codes, and never a traceback."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result
from sqlalchemy.exc import OperationalError

from data_tools import model_side, workspace
from data_tools.cli import main
from data_tools.cli.decide import GROUPS
from data_tools.cli.frame import EXIT_CODES, one_line, plain
from data_tools.settings import SETTINGS
from data_tools.trends import By
from model.errors import ArtefactError
from model.vocabulary import FindingKind
from tests.hostile_files import encode, scene, zip_of
from tests.test_data_tools.conftest import Rounds
from tests.test_data_tools.store_kit import CLEAR, DARK, MELTED, GreyJudge, picture


def _json(result: Result) -> list[dict[str, object]]:
    return [json.loads(line) for line in result.stdout.splitlines()]


def test_the_main_job_from_init_to_history(furnished_rounds: Rounds, tmp_path: Path) -> None:
    rounds = furnished_rounds
    taken = rounds("ingest", "round", "--site", "north")
    assert "Do not use this coupler" in taken.output
    assert "3 files: 3 stored" in taken.output
    assert "done" in rounds("roster", "north").output
    rounds("review", "--write", "queue.csv")
    sheet = tmp_path / "queue.csv"
    lines = sheet.read_text("utf-8-sig").splitlines()
    filled = [line.removesuffix(",,,,") + ",confirmed,,,5" if "melted" in line else line for line in lines]
    sheet.write_text("\n".join(filled), "utf-8")
    assert "1 decisions kept, 0 refused" in rounds("review", "queue.csv").output
    out = rounds("act", "out", "P3-07", "--reason", "melted")
    assert "licensed electrician" in out.output
    rounds("act", "replace", "P3-07", "--part-number", "PN-2", "--reason", "melted")
    rounds("act", "observe", "P3-07", "indicator_shows_fault", "--blinks", "4")
    assert "4 blinks" in rounds("act", "open", "--site", "north").output
    rounds("act", "settle", "1", "--how", "fault cleared at the unit")
    assert not rounds("act", "open").output.strip()
    rounds("act", "return", "P3-07", "--reason", "wiring checked")
    told = rounds("history", "P3-07").output
    for word in ("P3-07_1.png", "heat-melted housing", "confirmed", "out_of_service", "replaced", "4 blinks"):
        assert word in told
    assert "0 problems" in rounds("verify").output
    rounds("backup", "copy")
    assert "decisions.csv: 1 rows" in rounds("export", "out").output


def test_ingest_json_names_each_file_and_says_when_a_person_is_needed(
    furnished_rounds: Rounds, tmp_path: Path
) -> None:
    (tmp_path / "more.zip").write_bytes(zip_of({"IMG_1.png": picture(CLEAR, 8), "note.txt": b"text"}))
    lines = _json(furnished_rounds("ingest", "round", "more.zip", "--site", "north", "--json", code=1))
    assert [line["status"] for line in lines] == ["stored", "stored", "stored", "needs_unit", "rejected"]
    assert lines[2]["reason"] == "too_dark"
    verdict = lines[0]["verdict"]
    assert isinstance(verdict, dict)
    assert verdict["label"] == "heat-melted housing"
    (waits,) = _json(furnished_rounds("waiting", "--json"))[0]
    assert waits["file_name"] == "IMG_1.png"  # type: ignore[index]
    furnished_rounds("assign", str(lines[3]["waiting"]), "P3-07")
    assert "note.txt" in furnished_rounds("rejected").output
    assert [x["status"] for x in _json(furnished_rounds("ingest", "round", "--site", "north", "--json"))] == [
        "already_here"
    ] * 3


def test_score_prints_the_stable_form_in_the_order_given(rounds: Rounds, tmp_path: Path) -> None:
    greys = [MELTED, DARK, CLEAR] * 12
    names = [f"{n:02}.png" for n in range(36)]
    for number, (name, grey) in enumerate(zip(names, greys, strict=True)):
        (tmp_path / name).write_bytes(picture(grey, number))
    (tmp_path / "text.jpg").write_bytes(b"no photo")
    order = [*reversed(names), "text.jpg", "missing.jpg"]
    lines = _json(rounds("score", "--json", *order, "--batch", "5"))
    assert [line["file"] for line in lines] == order
    assert [line["label"] for line in lines[:3]] == ["intact", None, "heat-melted housing"]
    for line in lines:
        assert list(line) == [
            "file", "outcome", "reason", "label", "findings", "probabilities", "triage", "model_version",
        ]  # fmt: skip
        if line["outcome"] == "scored":
            assert list(line["probabilities"]) == [kind.value for kind in FindingKind]  # type: ignore[call-overload]
    assert [line["reason"] for line in lines[-2:]] == ["unreadable_file"] * 2
    assert not (tmp_path / "store").exists(), "scoring needs no store"
    (tmp_path / "other.model").write_text("grey-7")
    assert (
        _json(rounds("score", "--json", names[0], "--model", "other.model"))[0]["model_version"] == "grey-7"
    )


def test_score_opens_folders_and_phone_formats(rounds: Rounds, tmp_path: Path) -> None:
    (tmp_path / "photos" / "inner").mkdir(parents=True)
    for name, kind in {"b.heic": "HEIF", "inner/a.jpg": "JPEG", "c.webp": "WEBP"}.items():
        (tmp_path / "photos" / name).write_bytes(encode(scene(), kind))
    (tmp_path / "photos" / "notes.txt").write_text("not a picture")
    lines = _json(rounds("score", "--json", "photos"))
    assert [line["file"] for line in lines] == ["photos/b.heic", "photos/c.webp", "photos/inner/a.jpg"]
    assert {line["outcome"] for line in lines} == {"scored"}


def test_refusals_have_their_codes_and_words(
    furnished_rounds: Rounds, monkeypatch: pytest.MonkeyPatch
) -> None:
    rounds = furnished_rounds
    assert "Wanted a unit that exists" in rounds("history", "P9", code=3).output
    rounds("add-site", "north", code=3)
    rounds("ingest", "round", "--site", "north", "--unit", "P9", code=3)
    rounds("ingest", "nowhere.jpg", "--site", "north", code=1)
    rounds("review", "none.csv", code=3)
    assert (
        "Ask your lead" in rounds("--role", "uploader", "act", "out", "P3-07", "--reason", "x", code=3).output
    )
    rounds("no-such-verb", code=2)
    rounds("ingest", code=2)

    def broken(*_arguments: object, **_options: object) -> None:
        raise ZeroDivisionError("a fault")

    monkeypatch.setattr("data_tools.history.timeline", broken)
    told = rounds("history", "P3-07", code=70)
    assert "did not foresee" in told.output


def test_storage_trouble_is_code_four(
    furnished_rounds: Rounds, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def locked(*_arguments: object, **_options: object) -> None:
        raise OperationalError("INSERT", {}, Exception("database is locked"))

    with monkeypatch.context() as patch:
        patch.setattr("data_tools.sites.site_row", locked)
        assert "database is locked" in furnished_rounds("roster", "north", code=4).output
    (tmp_path / "file").write_text("x")
    assert "rounds:" in furnished_rounds("export", "file/inside", code=4).output


def test_an_unopened_workspace_says_what_to_do(rounds: Rounds) -> None:
    assert "rounds init" in rounds("sites", code=3).output


def test_models_from_the_command_line(furnished_rounds: Rounds, tmp_path: Path) -> None:
    rounds = furnished_rounds
    rounds("ingest", "round", "--site", "north")
    (tmp_path / "new.safetensors").write_text("grey-5")
    rounds("models", "add", "new.safetensors", "--note", "trial")
    rounds("models", "promote", "grey-5", "--why", "better")
    assert "grey-5  live  better" in rounds("models").output
    assert "3 photos judged again" in rounds("rescore").output
    rounds("models", "back", "--why", "worse")
    assert [v["live"] for v in _json(rounds("models", "--json"))[0]] == [True, False]  # type: ignore[index,union-attr]
    assert "at least 30 confirmed" in rounds("retrain", code=3).output


def test_verify_reports_and_repairs(furnished_rounds: Rounds, tmp_path: Path) -> None:
    furnished_rounds("ingest", "round", "--site", "north")
    stray = workspace.open_workspace(workspace.load_settings(tmp_path / "store"))
    stray.photos.put(picture(CLEAR, 44))
    stray.close()
    found = _json(furnished_rounds("verify", "--json", code=1))[0]
    assert (found["ok"], found["photos"], found["originals"]) == (False, 3, 4)
    assert "(repaired)" in furnished_rounds("verify", "--repair").output
    furnished_rounds("verify")


def test_trends_and_the_monthly_report(furnished_rounds: Rounds, tmp_path: Path) -> None:
    rounds = furnished_rounds
    rounds("ingest", "round", "--site", "north")
    for group in By:
        figure = _json(rounds("trends", "--by", group.value, "--json"))[0]
        assert {"title", "n", "counted", "rows", "notices", "not_enough"} == set(figure)
    assert set(GROUPS) == {group.value for group in By}
    assert "n = " in rounds("trends", "--kind", "heat_melted_housing").output
    rounds("trends", "--report", "report.html")
    assert "<html" in (tmp_path / "report.html").read_text("utf-8")
    rounds("trends", "--report", "no/such/folder.html", code=4)
    rounds("trends", "--report", "report.html", "--month", "soon", code=3)
    assert "Ask your lead" in rounds("--role", "technician", "trends", code=3).output


def test_settings_are_listed(furnished_rounds: Rounds) -> None:
    told = furnished_rounds("settings").output
    for setting in SETTINGS:
        assert setting.variable in told
        assert setting.help in told


def test_help_lists_every_command_and_exit_code() -> None:
    told = CliRunner().invoke(main, ["--help"]).output
    for code in EXIT_CODES:
        assert f"  {code} " in told
    assert len(main.commands) > 30, "the help asks for all of them"
    for name, command in main.commands.items():
        assert name in told
        assert command.help, name


def test_a_verdict_waits_for_no_database(tmp_path: Path) -> None:
    script = (
        "import sys; from data_tools.cli import main\n"
        f"try: main(['score', {str(tmp_path / 'none.jpg')!r}])\n"
        "except SystemExit as ended: print(ended.code, 'torch' in sys.modules, 'sqlalchemy' in sys.modules)"
    )
    told = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout
    assert told.split()[-3:] == ["0", "True", "False"]


def test_a_refusal_is_all_that_a_command_says(tmp_path: Path) -> None:
    """Libraries write of their own at the end of a process that keeps what they made."""
    asked = [sys.executable, "-m", "data_tools.cli", "--workspace", str(tmp_path), "roster", "nowhere"]
    told = subprocess.run(asked, capture_output=True, text=True, check=False)
    assert (told.returncode, told.stdout) == (3, "")
    assert len(told.stderr.splitlines()) == 1, told.stderr


def test_every_command_stays_short() -> None:
    """A command is one call of a verb: ten lines of body at most."""
    import ast
    import inspect

    def leaves(group: click.Group) -> list[click.Command]:
        found = []
        context = click.Context(group)
        for name in group.list_commands(context):
            command = group.get_command(context, name)
            assert command is not None
            found += leaves(command) if isinstance(command, click.Group) else [command]
        return found

    for command in leaves(main):
        callback = command.callback
        assert callback is not None
        tree = ast.parse(inspect.getsource(inspect.unwrap(callback)))
        function = tree.body[0]
        assert isinstance(function, ast.FunctionDef)
        body = function.body[1:]
        assert not body or (body[-1].end_lineno or 0) - body[0].lineno < 10, command.name


def test_terminal_output_keeps_control_characters_out() -> None:
    assert one_line("a\x1b[2Jb\nc") == "a\ufffd[2Jb\ufffdc"
    assert plain({FindingKind.MISSING_LATCH: (Path("a"), 1.0)}) == {"missing_latch": ["a", 1.0]}


def test_a_missing_model_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(_path: Path | None) -> None:
        raise ArtefactError("a model file", "none", "Install the product again.")

    monkeypatch.setattr("data_tools.cli.score.load_judge", missing)
    result = CliRunner().invoke(main, ["score", str(tmp_path)])
    assert result.exit_code == 3
    assert "model file" in result.output


def test_the_module_runs_as_the_script_does() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "data_tools.cli", "--version"], capture_output=True, text=True, check=True
    )
    assert "version" in done.stdout


def test_importing_the_command_line_loads_no_torch() -> None:
    names = ("torch", "streamlit", "pandas")
    code = f"import sys, data_tools.cli; print(*[name in sys.modules for name in {names}])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False"] * 3


def test_model_side_names_exist() -> None:
    """The heavy half is imported only when used; its names must be there all the same."""
    assert model_side.judging_side(GreyJudge()) == 640
    assert model_side.shipped_artefact().suffix == ".safetensors"
