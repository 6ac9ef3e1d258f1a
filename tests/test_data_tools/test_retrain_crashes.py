"""kill -9 of whole retrains: after each kill nothing is half done; the next start goes on or begins anew."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest

from tests.test_data_tools.store_kit import run_program

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="forks")


def _killed(kind: str, folder: Path, kills: int, seed: int, timeout_s: int) -> dict[str, Any]:
    found: dict[str, Any] = run_program("retrain_crashes", kind, folder, kills, seed, timeout_s=timeout_s)
    return found


def test_killing_retrain_promotion_and_judging_again_leaves_nothing_half_done(tmp_path: Path) -> None:
    found = _killed("quick", tmp_path / "w", 20, 1, 600)
    assert found["faults"] == []
    assert found["kills"] == 20
    assert len(found["stages"]) >= 3
    assert "promoted" in found["ends"]


@pytest.mark.slow
def test_forty_kills_of_retrains_with_real_networks(tmp_path: Path) -> None:
    found = _killed("real", tmp_path / "w", 40, 2, 7200)
    assert found["faults"] == []
    assert found["kills"] == 40
    assert {"learning", "judging again"} <= set(found["stages"])
    assert "promoted" in found["ends"]
