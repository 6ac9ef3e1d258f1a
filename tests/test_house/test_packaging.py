"""The package declares what it imports, and its commands stand on what the repository holds."""

from __future__ import annotations

import ast
import importlib.metadata
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests.test_house.project import PACKAGES, ROOT, python_files, read

PROJECT = tomllib.loads(read(ROOT / "pyproject.toml"))["project"]
EXTRAS = PROJECT["optional-dependencies"]


def names(requirements: list[str]) -> set[str]:
    """Return the distribution names of requirements, normalised."""
    return {re.split(r"[\[<>=~! ;]", line)[0].lower().replace("_", "-") for line in requirements}


def imported(paths: tuple[Path, ...]) -> set[str]:
    """Return the top-level names that files import from outside the standard library and ourselves, also
    by way of ``import_module``."""
    found: set[str] = set()
    for path in paths:
        for node in ast.walk(ast.parse(read(path))):
            if isinstance(node, ast.Import):
                found |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
                found.add(node.module.split(".")[0])
        found |= set(re.findall(r"""import_module\("(\w+)""", read(path)))
    return found - set(sys.stdlib_module_names) - {*PACKAGES, "tests"}


def undeclared(paths: tuple[Path, ...], declared: set[str]) -> set[str]:
    """Return imports that no declared distribution provides."""
    providers = importlib.metadata.packages_distributions()
    return {
        name
        for name in imported(paths)
        if not {owner.lower().replace("_", "-") for owner in providers.get(name, [name])} & declared
    }


def test_the_model_and_the_app_import_only_what_is_declared() -> None:
    apart = {"rendering", "studios"}
    paths = tuple(path for path in python_files(with_tests=False) if not apart & set(path.parts))
    assert undeclared(paths, names(PROJECT["dependencies"])) == set()


def test_rendering_and_tests_import_only_what_is_declared() -> None:
    declared = names(PROJECT["dependencies"] + EXTRAS["render"] + EXTRAS["dev"])
    assert undeclared(python_files(), declared) == set()


def test_an_undeclared_import_is_found(tmp_path: Path) -> None:
    path = tmp_path / "planted.py"
    path.write_text("import json\nimport pip\nfrom torch import nn\n")
    assert undeclared((path,), names(PROJECT["dependencies"])) == {"pip"}


def test_everything_declared_is_used() -> None:
    providers = importlib.metadata.packages_distributions()
    used = {
        owner.lower().replace("_", "-")
        for name in imported(python_files(with_tests=False))
        for owner in providers.get(name, [name])
    }
    unused = names(PROJECT["dependencies"] + EXTRAS["render"]) - used
    assert unused == set()


@pytest.mark.parametrize("script", [".ci/prepare", ".ci/run"])
def test_shell_scripts_are_sound(script: str) -> None:
    assert subprocess.run(["bash", "-n", script], cwd=ROOT, check=False).returncode == 0
    assert "set -euo pipefail" in read(ROOT / script)


def test_make_knows_its_two_commands() -> None:
    for target in ("demo", "test"):
        result = subprocess.run(["make", "-n", target], cwd=ROOT, capture_output=True, text=True, check=False)
        assert result.returncode == 0, result.stderr
        assert ".ci/prepare" in result.stdout


def test_the_console_script_starts() -> None:
    assert PROJECT["scripts"] == {"rounds": "data_tools.cli:main"}
    command = [sys.executable, "-m", "data_tools.cli", "--version"]
    result = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stderr
    assert PROJECT["version"] in result.stdout


def test_package_data_that_is_named_exists() -> None:
    table = tomllib.loads(read(ROOT / "pyproject.toml"))["tool"]["setuptools"]["package-data"]
    empty = [
        f"{package}/{glob}"
        for package, globs in table.items()
        for glob in globs
        if not list((ROOT / package).glob(glob))
    ]
    assert not empty
