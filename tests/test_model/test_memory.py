"""Memory that large tensors leave goes back to the system."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
import torch

from model.memory import hand_back


def resident_mb() -> float:
    """Return what this process holds that lies in no file, MB."""
    lines = Path("/proc/self/status").read_text(encoding="utf-8").splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("RssAnon"))


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_what_was_let_go_of_is_handed_back() -> None:
    torch.set_num_threads(torch.get_num_threads())
    before = resident_mb()
    # Pieces small enough that the C library keeps them, with one held at the end of the heap.
    pieces = [torch.ones(12_000) for _ in range(4_000)]
    held = torch.ones(12_000)
    assert resident_mb() > before + 150
    pieces.clear()
    hand_back()
    assert resident_mb() < before + 60
    assert held.sum() == 12_000


def test_a_system_without_it_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("model.memory.ctypes.CDLL", lambda _name: object())
    hand_back()
