"""House style that a machine can check: size, words, typing, formatting."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.test_house.project import PACKAGES, ROOT, python_files, read, short, text_files

MAX_FILE_LINES = 300
MAX_FUNCTION_LINES = 50
Function = ast.FunctionDef | ast.AsyncFunctionDef


def functions(path: Path) -> Iterator[Function]:
    """Yield every function and method of a file."""
    for node in ast.walk(ast.parse(read(path))):
        if isinstance(node, Function):
            yield node


def too_long_files(paths: tuple[Path, ...]) -> list[str]:
    """Return the files over the limit, with their length."""
    sizes = {path: len(read(path).splitlines()) for path in paths}
    return [f"{path.name} {lines}" for path, lines in sizes.items() if lines > MAX_FILE_LINES]


def too_long_functions(paths: tuple[Path, ...]) -> list[str]:
    """Return the functions over the limit, with their place."""
    return [
        f"{path.name}:{node.lineno} {node.name}"
        for path in paths
        for node in functions(path)
        if (node.end_lineno or 0) - node.lineno + 1 > MAX_FUNCTION_LINES
    ]


def test_no_file_is_long() -> None:
    found = too_long_files(python_files())
    assert not found, found


def test_no_function_is_long() -> None:
    found = too_long_functions(python_files())
    assert not found, found


def test_the_length_checks_can_fail(tmp_path: Path) -> None:
    path = tmp_path / "long.py"
    path.write_text("def long():\n" + "    pass\n" * 300)
    assert too_long_files((path,)) == ["long.py 301"]
    assert too_long_functions((path,)) == ["long.py:1 long"]


def public_functions(path: Path) -> Iterator[Function]:
    """Yield the public functions and methods of a file; what is defined inside a function is private."""
    tree = ast.parse(read(path))
    classes = [node for node in tree.body if isinstance(node, ast.ClassDef)]
    for node in [*tree.body, *(member for owner in classes for member in owner.body)]:
        if isinstance(node, Function) and not node.name.startswith("_"):
            yield node


def test_public_functions_and_modules_say_what_they_do() -> None:
    bare = [
        short(path)
        for path in python_files()
        if (text := read(path)) and not ast.get_docstring(ast.parse(text))
    ]
    bare += [
        f"{short(path)}:{node.lineno} {node.name}"
        for path in python_files(with_tests=False)
        for node in public_functions(path)
        if not ast.get_docstring(node) and (node.end_lineno or 0) - node.lineno >= 5
    ]
    assert not bare, bare


# Put together from halves, so that this file does not hold the words it looks for.
BANNED = {
    "a registry or model host": r"\b(py"
    r"pi\.org|files\.python"
    r"hosted|registry\.npm"
    r"js|download\.py"
    r"torch)",
    "a machine path": r"(?<![\w.])/(wo" r"rk|fa" r"rm|ro" r"ot|ho" r"me|t" r"mp)/\w",
    "a left-over mark": r"\b(TO" r"DO|FIX" r"ME|X" r"XX|HA" r"CK)\b|raise NotImplemented" r"Error",
    "a promise of safety": r"\b(is|are|it's) safe to (use|charge|plug)",
    "where the demo came from": r"seed docu" r"ment",
}
# The licence text is not ours to word.
EXEMPT = {"LICENSE"}


@pytest.mark.parametrize("what", BANNED)
def test_no_file_holds(what: str) -> None:
    pattern = re.compile(BANNED[what], re.IGNORECASE if what != "a left-over mark" else 0)
    hits = [
        f"{short(path)}:{number}: {line.strip()[:80]}"
        for path in text_files()
        if path.name not in EXEMPT
        for number, line in enumerate(read(path).splitlines(), 1)
        if pattern.search(line)
    ]
    assert not hits, hits


@pytest.mark.parametrize(
    ("what", "text"),
    [
        ("a registry or model host", "pip install --index-url https://py" + "pi.org/simple"),
        ("a machine path", "open('/t" + "mp/photo.jpg')"),
        ("a machine path", "/wo" + "rk/shared"),
        ("a left-over mark", "# TO" + "DO later"),
        ("a promise of safety", "the coupler is sa" + "fe to use"),
        ("where the demo came from", "from the seed docu" + "ment"),
    ],
)
def test_the_word_checks_can_fail(what: str, text: str) -> None:
    assert re.search(BANNED[what], text, re.IGNORECASE)


def test_no_tracked_file_is_large() -> None:
    large = [short(path) for path in text_files() if path.stat().st_size > 1_000_000]
    assert not large


def run_tool(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run one of our tools as ``make lint`` does."""
    command = [sys.executable, "-m", *arguments]
    environment = {**os.environ, "NO_COLOR": "1"}
    return subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)


def test_ruff_finds_nothing() -> None:
    result = run_tool("ruff", "check", "--output-format", "concise", ".")
    assert result.returncode == 0, result.stdout


def test_ruff_would_format_nothing_differently() -> None:
    result = run_tool("ruff", "format", "--check", ".")
    assert result.returncode == 0, result.stdout


def test_mypy_finds_nothing() -> None:
    result = run_tool("mypy")
    assert result.returncode == 0, result.stdout


def test_packages_are_typed_strictly() -> None:
    config = read(ROOT / "pyproject.toml")
    assert "strict = true" in config
    assert all(f'"{package}"' in config for package in PACKAGES)
