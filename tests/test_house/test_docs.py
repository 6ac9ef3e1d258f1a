"""The documents say what the program does: commands, settings, words, samples, versions."""

from __future__ import annotations

import ast
import json
import re
import tomllib
from pathlib import Path

import click
import pytest

from data_tools.cli import main
from data_tools.cli.frame import EXIT_CODES
from data_tools.keys import KnownKeys
from data_tools.settings import SETTINGS, Setting
from data_tools.unit_labels import unit_from_file_name
from model.families import FAMILIES
from model.judgement import Finding, Judgement
from model.photo import MAX_PIXELS
from model.vocabulary import FindingKind, Label, Outcome, Place, Reason, Triage
from tests.test_house.project import ROOT, read

README = read(ROOT / "README.md")
DEVELOPERS = read(ROOT / "DEVELOPERS.md")


def between(mark: str, text: str = README) -> str:
    """Return what stands between ``<!-- mark -->`` and the next ``<!-- end -->``."""
    match = re.search(rf"<!-- {mark} -->\n(.*?)<!-- end -->", text, re.DOTALL)
    assert match, mark
    return match[1].strip()


def commands(group: click.Command, prefix: str = "rounds") -> list[tuple[str, str]]:
    """Return (command, one-line help) of every command of a click group, groups opened."""
    here = [(prefix, group.get_short_help_str(300))]
    if not isinstance(group, click.Group):
        return here
    context = click.Context(group)
    named = [(name, group.get_command(context, name)) for name in sorted(group.list_commands(context))]
    found = [commands(command, f"{prefix} {name}") for name, command in named if command is not None]
    return (here if group.invoke_without_command else []) + [row for rows in found for row in rows]


def shown(setting: Setting) -> str:
    """Return one row of the settings table."""
    default = f"`{setting.default}`" if setting.default not in ("", None) else "empty"
    return f"| `{setting.name}` | {default} | {setting.help} |"


def test_the_job_comes_first_then_two_commands() -> None:
    title, job, heading, *_ = [part for part in README.split("\n\n") if part.strip()]
    assert title.startswith("# ")
    assert len(job.split()) > 40
    assert heading == "## Two commands"
    assert re.findall(r"```\n(.*?)```", README, re.DOTALL)[0] == "make demo\nmake test\n"


def test_every_command_is_listed_with_its_help() -> None:
    rows = [f"| `{name}` | {text} |" for name, text in commands(main)]
    expected = "\n".join(["| command | what it does |", "| --- | --- |", *rows])
    assert between("commands") == expected, expected


def test_every_exit_code_is_listed() -> None:
    rows = [f"| {code} | {meaning} |" for code, meaning in EXIT_CODES.items()]
    expected = "\n".join(["| exit code | meaning |", "| --- | --- |", *rows])
    assert between("exit codes") == expected, expected


def test_every_setting_is_listed_with_its_default_and_help() -> None:
    rows = [shown(setting) for setting in SETTINGS]
    expected = "\n".join(["| setting | default | what it is |", "| --- | --- | --- |", *rows])
    assert between("settings") == expected, expected


@pytest.mark.parametrize("word", [*Label, *FindingKind, *Place, *Reason, *Triage])
def test_every_word_of_the_vocabulary_is_explained(word: str) -> None:
    assert f"`{word}`" in README or f"| {word} |" in README


def test_the_json_sample_has_the_form_that_is_printed() -> None:
    finding = Finding(FindingKind.HEAT_MELTED_HOUSING, Place.UPPER_LEFT, 0.9731)
    scored = Judgement(
        Outcome.SCORED,
        "EXAMPLE",
        label=Label.HEAT_MELTED_HOUSING,
        triage=Triage.FLAG,
        findings=(finding,),
        probabilities=dict(zip(FindingKind, (0.0112, 0.0204, 0.9731), strict=True)),
    )
    refused = Judgement(Outcome.CANNOT_JUDGE, "EXAMPLE", Reason.NO_FACE)
    sample = re.findall(r"```json\n(.*?)```", README, re.DOTALL)[0]
    expected = [scored.to_json("round/P3-07.jpg"), refused.to_json("round/wall.jpg")]
    assert [json.loads(line) for line in sample.splitlines()] == expected


def test_the_file_name_samples_find_their_units() -> None:
    rows = re.findall(r"^\| `(\S+\.\w+)` \| `(\S+)` \|(?: `(\S+)`)? \|", README, re.MULTILINE)
    assert len(rows) == 4
    known = KnownKeys(["P3-07", "P3"])
    for name, unit, position in rows:
        hint = unit_from_file_name(name, known)
        assert hint is not None
        assert (hint.unit_key, hint.position or "") == (unit, position)


def test_the_limits_stated_are_those_in_force() -> None:
    photo_mb = next(setting.default for setting in SETTINGS if setting.name == "max_photo_mb")
    assert f"up to {MAX_PIXELS // 1_000_000} megapixels and {photo_mb} MB" in README


def test_every_screen_is_listed_by_its_title() -> None:
    titles = re.findall(r'^    \("\w+", "([^"]+)",', read(ROOT / "review_app" / "app.py"), re.MULTILINE)
    listed = re.findall(r"^\| ([^|]+) \| (?:facilities staff|technician|lead|all) \|", README, re.MULTILINE)
    assert titles
    assert listed == titles


def test_every_family_is_named_to_developers() -> None:
    assert all(family.title in DEVELOPERS for family in FAMILIES.values())


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_every_file_and_make_target_that_is_named_exists(name: str) -> None:
    text = read(ROOT / name)
    targets = re.findall(r"^([a-z-]+):", read(ROOT / "Makefile"), re.MULTILINE)
    paths = re.findall(r"`((?:model|data_tools|review_app|tests|\.ci)/[\w/.]*)`", text)
    assert [path for path in paths if not (ROOT / path).exists()] == []
    assert set(re.findall(r"`make ([a-z-]+)`", text)) <= set(targets)


def test_every_module_is_in_the_map_of_the_layers() -> None:
    for package in ("model", "data_tools"):
        modules = {path.stem for path in (ROOT / package).glob("*.py")} - {"__init__"}
        missing = sorted(name for name in modules if f"{name}.py" not in DEVELOPERS)
        assert not missing, package


@pytest.mark.parametrize("number", range(len(re.findall(r"```python\n", DEVELOPERS))))
def test_the_code_samples_run(number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    code = re.findall(r"```python\n(.*?)```", DEVELOPERS, re.DOTALL)[number]
    exec(compile(ast.parse(code), f"DEVELOPERS.md sample {number + 1}", "exec"), {"__name__": "sample"})


def test_the_changelog_starts_with_the_version_of_the_package() -> None:
    project = tomllib.loads(read(ROOT / "pyproject.toml"))["project"]
    assert re.findall(r"^## (\S+)", read(ROOT / "CHANGELOG.md"), re.MULTILINE)[0] == project["version"]


def test_the_markers_are_explained() -> None:
    config = tomllib.loads(read(ROOT / "pyproject.toml"))["tool"]["pytest"]["ini_options"]
    assert all(f"`{marker.partition(':')[0]}`" in DEVELOPERS for marker in config["markers"])
