"""kill -9 at steps and at random moments, and two processes at once: nothing confirmed is ever lost.

A killed process leaves the page cache to the system, so this shows the order of writes, not what a disk
does when the power goes; for that, ``test_photo_store`` checks that every file is flushed before its
name."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest

from tests.test_data_tools.store_kit import run_program

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="forks")


def _run(scenario: str, folder: Path, count: int, seed: int = 1, timeout_s: int = 300) -> dict[str, Any]:
    found: dict[str, Any] = run_program("crash_runner", scenario, folder, count, seed, timeout_s=timeout_s)
    return found


def test_killing_the_taking_in_at_fifty_points_and_more_loses_nothing(tmp_path: Path) -> None:
    found = _run("ingest", tmp_path, 80)
    assert found["faults"] == []
    assert found["kills"] >= 50
    assert found["photos"] == found["expected"]
    assert found["ok"]


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(5))
def test_killing_the_taking_in_at_many_more_points(tmp_path: Path, seed: int) -> None:
    found = _run("ingest", tmp_path, 200, seed, timeout_s=1200)
    assert found["faults"] == []
    assert found["kills"] >= 120
    assert found["photos"] == found["expected"]


def test_killing_a_technician_loses_no_confirmed_decision(tmp_path: Path) -> None:
    found = _run("decide", tmp_path, 8)
    assert found["faults"] == []
    assert found["kills"] >= 4


def test_killing_promotion_and_judging_again_leaves_nothing_half_done(tmp_path: Path) -> None:
    found = _run("models", tmp_path, 14)
    assert found["faults"] == []
    assert found["kills"] >= 10


def test_two_processes_taking_in_the_same_photos_keep_each_once(tmp_path: Path) -> None:
    found = _run("twins", tmp_path, 30)
    assert found["codes"] == [0, 0]
    assert (found["photos"], found["verdicts"], found["ok"]) == (30, 30, True)
    pairs = list(zip(*found["answers"], strict=True))
    assert len(pairs) == 30
    assert all(sorted(pair) == ["k", "s"] for pair in pairs)
