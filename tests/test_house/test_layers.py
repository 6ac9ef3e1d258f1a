"""Imports go one way, and the low layers load without torch."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.test_house.project import PACKAGES, ROOT

LINT = """import sys
from importlinter.cli import lint_imports
sys.exit(lint_imports(no_logo=True, no_cache=True))"""


def lint(folder: Path) -> subprocess.CompletedProcess[str]:
    """Run import-linter on the packages in ``folder`` by the contracts in its pyproject.toml."""
    return subprocess.run(
        [sys.executable, "-c", LINT],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(folder), "NO_COLOR": "1"},
        capture_output=True,
        text=True,
        check=False,
    )


def test_our_packages_keep_the_contracts() -> None:
    result = lint(ROOT)
    assert result.returncode == 0, result.stdout
    assert "0 broken" in result.stdout


@pytest.fixture
def small_house(tmp_path: Path) -> Path:
    """A project of three near-empty packages under our contracts."""
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    for package in PACKAGES:
        (tmp_path / package).mkdir()
        (tmp_path / package / "__init__.py").write_text("")
    return tmp_path


def test_the_small_house_is_sound(small_house: Path) -> None:
    (small_house / "review_app" / "page.py").write_text("import data_tools, model, streamlit, json\n")
    assert lint(small_house).returncode == 0


@pytest.mark.parametrize(
    ("package", "code"),
    [
        ("model", "import data_tools"),
        ("model", "import review_app"),
        ("data_tools", "import review_app"),
        ("model", "import sqlalchemy"),
        ("model", "import streamlit"),
        ("review_app", "import torch"),
        ("review_app", "import cv2"),
        ("review_app", "import sqlalchemy"),
    ],
)
def test_each_planted_violation_is_caught(small_house: Path, package: str, code: str) -> None:
    (small_house / package / "planted.py").write_text(code + "\n")
    result = lint(small_house)
    assert result.returncode == 1, result.stdout
    assert "BROKEN" in result.stdout


HEAVY = {"torch", "torchvision", "cv2", "sqlalchemy", "streamlit", "pandas", "pillow_heif"}
LIGHT = ("vocabulary", "families", "errors", "judgement", "manifest", "photo")


@pytest.mark.parametrize("module", LIGHT)
def test_words_families_and_photos_load_without_the_heavy_libraries(module: str) -> None:
    code = (
        f"import sys, model.{module}; "
        f"heavy = {HEAVY!r} & set(sys.modules); "
        "sys.exit(f'loaded: {heavy}' if heavy else 0)"
    )
    result = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT
    )
    assert result.returncode == 0, result.stderr


def test_no_module_of_the_app_hides_a_package() -> None:
    # Streamlit puts the folder of app.py first on the path: review_app/model.py would shadow ``model``.
    here = {path.stem for path in (ROOT / "review_app").iterdir()}
    assert not here & {*PACKAGES, "pages", "tests"}


def test_every_test_folder_is_a_package() -> None:
    folders = {path.parent for path in (ROOT / "tests").rglob("*.py")}
    assert all((folder / "__init__.py").exists() for folder in folders)
