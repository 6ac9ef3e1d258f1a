"""Where the project is, and its files, for the tests of the house rules."""

from __future__ import annotations

import subprocess
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("model", "data_tools", "review_app")
SKIPPED_FOLDERS = frozenset(
    {".venv", "venv", "build", "dist", "workspace", "demo_workspace", "runs", "artefacts"}
)


@cache
def python_files(*, with_tests: bool = True) -> tuple[Path, ...]:
    """Return our Python files, sorted; migrations are left out, because Alembic writes them."""
    folders = [*PACKAGES, "tests"] if with_tests else [*PACKAGES]
    found = (path for folder in folders for path in (ROOT / folder).rglob("*.py"))
    return tuple(sorted(path for path in found if path.parent.name != "versions"))


@cache
def text_files() -> tuple[Path, ...]:
    """Return every text file that is ours: those git tracks, or, without git, all outside build folders."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode == 0 and listed.stdout:
        paths = [ROOT / name for name in listed.stdout.split("\0") if name]
    else:
        paths = [path for path in ROOT.rglob("*") if not SKIPPED_FOLDERS & set(path.relative_to(ROOT).parts)]
    return tuple(path for path in paths if path.is_file() and _is_text(path))


def read(path: Path) -> str:
    """Return the text of one of our files."""
    return path.read_text(encoding="utf-8")


def short(path: Path) -> str:
    """Return ``path`` relative to the project."""
    return path.relative_to(ROOT).as_posix()


def _is_text(path: Path) -> bool:
    with path.open("rb") as file:
        return b"\0" not in file.read(4096)
