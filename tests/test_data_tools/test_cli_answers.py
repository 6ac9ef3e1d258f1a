"""The console script never answers wrong input as if all were well: what matches nothing is refused with what
there is, an option without effect is refused, and ``--json`` prints JSON."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from data_tools.demo import make_demo
from data_tools.sites import list_sites
from model.errors import ConflictError, ManifestError
from model.evaluate import chosen
from model.manifest import LabelledPhoto
from tests.test_data_tools import painted_samples
from tests.test_data_tools.conftest import Rounds
from tests.test_data_tools.paint_judge import PaintJudge
from tests.test_data_tools.store_kit import CLEAR, LEAD, picture


def test_a_split_that_no_photo_is_of_is_refused_with_those_there_are() -> None:
    labels = [LabelledPhoto(f"{n}.jpg", f"c{n}", "type1", split=split) for n, split in enumerate("abb")]
    assert chosen(labels, "b") == labels[1:]
    with pytest.raises(ManifestError, match=r"of the split nosuch; got none in 3 photos\. Its splits: a, b"):
        chosen(labels, "nosuch")
    with pytest.raises(ManifestError, match="none in 0 photos"):
        chosen([], None)


def test_evaluate_writes_no_card_of_nothing(rounds: Rounds, tmp_path: Path) -> None:
    samples = Path(__file__).parents[2] / "synthetic_samples"
    told = rounds("evaluate", samples, "--split", "nosuch", "--out", "card", code=3)
    assert "Its splits: " in told.output
    assert not (tmp_path / "card").exists()


def test_a_round_that_does_not_exist_is_refused_with_those_that_do(furnished_rounds: Rounds) -> None:
    furnished_rounds("ingest", "round", "--site", "north")
    told = furnished_rounds("rescore", "--round", 999, code=3)
    assert "a round that exists; got number 999. The latest rounds: 1 (north, " in told.output
    assert "0 photos judged again" in furnished_rounds("rescore", "--round", 1).output


def test_a_site_that_does_not_exist_has_no_empty_list(furnished_rounds: Rounds) -> None:
    assert "Known sites: north" in furnished_rounds("waiting", "--site", "nosuch", code=3).output


def test_a_report_is_told_as_json_and_takes_no_options_of_the_rates(furnished_rounds: Rounds) -> None:
    assert json.loads(furnished_rounds("trends", "--report", "r.html", "--json").stdout) == {"file": "r.html"}
    assert "--month goes with --report" in furnished_rounds("trends", "--month", "2026-01", code=2).output
    for option, value in {"--since": "2026-01-01", "--by": "week", "--kind": "missing_latch"}.items():
        told = furnished_rounds("trends", "--report", "other.html", option, value, code=2)
        assert f"{option} goes without --report" in told.output
    assert not Path("other.html").exists()


@pytest.mark.parametrize("option", [("--site", "north"), ("--limit", "3")])
def test_reading_a_sheet_takes_no_options_of_writing_one(
    furnished_rounds: Rounds, option: tuple[str, str]
) -> None:
    furnished_rounds("review", "--write", "queue.csv")
    assert f"{option[0]} goes with --write" in furnished_rounds("review", "queue.csv", *option, code=2).output


def test_options_that_would_be_passed_over_are_refused(furnished_rounds: Rounds) -> None:
    told = furnished_rounds("ingest", "round", "--site", "north", "--position", "Z", code=2)
    assert "--position goes with --unit" in told.output
    furnished_rounds("ingest", "round", "--site", "north")
    told = furnished_rounds("refile", 1, "P3-07", "--reason", "x", "--position", "A", "--coupler", 1, code=2)
    assert "--position goes without --coupler" in told.output
    told = furnished_rounds(
        "add-unit", "P3-07", "--site", "north", "--position", "B", "--name", "Other", code=3
    )
    assert "got 'Other'" in told.output
    furnished_rounds("add-unit", "P3-07", "--site", "north", "--position", "B", "--name", "P3-07")


def test_json_before_a_subcommand_is_heard(furnished_rounds: Rounds) -> None:
    assert len(json.loads(furnished_rounds("models", "--json", "limits").stdout)) == 3
    assert "needed" in furnished_rounds("models", "limits").output


@pytest.mark.parametrize("command", [("score", "bare"), ("ingest", "bare", "--site", "north")])
def test_a_folder_without_a_photo_is_not_done(
    furnished_rounds: Rounds, tmp_path: Path, command: tuple[str, ...]
) -> None:
    (tmp_path / "bare").mkdir()
    for more in ((), ("--json",)):
        told = furnished_rounds(*command, *more, code=3)
        assert "got none in bare" in told.output
        assert not told.stdout
    (tmp_path / "bare" / "P3-07.png").write_bytes(picture(CLEAR, 7))
    furnished_rounds(*command)


def test_the_demo_is_no_other_workspace(furnished_rounds: Rounds) -> None:
    told = furnished_rounds("demo", "store", code=3)
    assert "an empty or a demo folder; got store, a workspace of your own" in told.output


@pytest.fixture
def samples(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr("data_tools.demo.build.WEEKS", 2)
    monkeypatch.setattr("data_tools.workspace.load_judge", lambda _path: PaintJudge())
    return painted_samples.make(tmp_path / "samples")


def test_the_demo_can_be_made_in_the_folder_one_is_in(
    rounds: Rounds, samples: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("data_tools.workspace.load_judge", lambda _path: PaintJudge())
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    assert "The demo is made" in rounds("demo", ".", "--samples", samples).output
    assert (Path() / "store.db").is_file(), "the folder that was there holds it, not another of its name"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["here", "samples"]
    told = rounds("demo", ".", "--samples", samples, "--json")
    assert json.loads(told.stdout) == {"workspace": ".", "made": False}
    assert "was there already" in rounds("demo", ".").output


def test_an_empty_workspace_is_no_demo(samples: Path, rounds: Rounds) -> None:
    rounds("init")
    with pytest.raises(ConflictError, match="a workspace of your own"):
        make_demo(Path("store"), samples)


def test_a_demo_with_a_site_more_is_still_the_demo(samples: Path, rounds: Rounds, tmp_path: Path) -> None:
    rounds("demo", "d", "--samples", samples)
    rounds("--workspace", "d", "add-site", "extra")
    opened = make_demo(tmp_path / "d", samples)
    assert len(list_sites(opened, LEAD)) == 4
    opened.close()


def test_an_empty_folder_is_fine_only_where_that_was_said(furnished_rounds: Rounds, tmp_path: Path) -> None:
    """A cron job tells "nothing there" from "something failed": a folder that is not there always fails."""
    (tmp_path / "inbox").mkdir()
    assert "none in inbox" in furnished_rounds("ingest", "inbox", "--site", "north", code=3).output
    told = furnished_rounds("ingest", "inbox", "--site", "north", "--may-be-empty").output
    assert told == "0 files: nothing there\n"
    assert furnished_rounds("ingest", "inbox", "--site", "north", "--may-be-empty", "--json").output == ""
    furnished_rounds("ingest", "inbocks", "--site", "north", "--may-be-empty", code=1)
    furnished_rounds("ingest", "inbox", "--site", "nroth", "--may-be-empty", code=3)


def test_in_service_does_not_stand_where_a_unit_is_not_to_be_used(furnished_rounds: Rounds) -> None:
    for unit in ("P3-08", "P3-09"):
        furnished_rounds("add-unit", unit, "--site", "north")
    furnished_rounds("ingest", "round", "--site", "north")
    furnished_rounds("act", "observe", "P3-08", "indicator_shows_fault", "--blinks", "3")
    flagged, noted, fine = furnished_rounds("roster", "north").output.splitlines()
    why = "heat melted housing at bottom (not yet confirmed or ruled out)"
    assert flagged == f"P3-07  DO NOT USE  done  {why}"
    assert (
        noted == "P3-08  DO NOT USE UNTIL A TECHNICIAN HAS LOOKED  missing: A  noted: indicator shows fault"
    )
    assert fine == "P3-09  in service  missing: A"
    assert f"Unit P3-07 at north: DO NOT USE: {why}\n" in furnished_rounds("history", "P3-07").output
    furnished_rounds("act", "out", "P3-07", "--reason", "melted")
    assert furnished_rounds("roster", "north").output.startswith(f"P3-07  out of service  done  {why}")


def test_json_says_what_is_not_to_be_used_as_the_text_does(furnished_rounds: Rounds) -> None:
    """A program that reads "in service" of a flagged coupler would leave it in use."""
    for unit in ("P3-08", "P3-09"):
        furnished_rounds("add-unit", unit, "--site", "north")
    furnished_rounds("ingest", "round", "--site", "north")
    furnished_rounds("act", "observe", "P3-08", "indicator_shows_fault", "--blinks", "3")
    flagged, noted, fine = json.loads(furnished_rounds("roster", "north", "--json").stdout)
    assert [line["stands"] for line in (flagged, noted, fine)] == [
        "do not use", "do not use until a technician has looked", "in service",
    ]  # fmt: skip
    held = flagged["held"]
    assert held["why"] == "heat melted housing at bottom (not yet confirmed or ruled out)"
    (damage,) = held["damage"]
    assert damage["findings"] == [{"kind": "heat_melted_housing", "place": "bottom"}]
    assert (damage["stand"], damage["photo"]["unit_key"]) == ("suspected", "P3-07")
    assert (held["hold"], held["noted"]) == ("do not use", [])
    assert [event["blinks"] for event in noted["held"]["noted"]] == [3]
    assert fine["held"] is None
    told = json.loads(furnished_rounds("history", "P3-07", "--json").stdout)
    assert (told["stands"], told["held"]) == ("do not use", held)
    furnished_rounds("act", "out", "P3-07", "--reason", "melted")
    first = json.loads(furnished_rounds("roster", "north", "--json").stdout)[0]
    assert (first["stands"], first["held"]["why"]) == ("out of service", held["why"])
