"""Memory that large tensors leave goes back to the system; what is loaded is not gone through for garbage."""

from __future__ import annotations

import contextlib
import gc
import json
import subprocess
import sys

import pytest

from model.memory import hand_back, loading

# In a process of its own: what other tests left in this one's heap would be handed back too.
_SCRIPT = """
import json
from pathlib import Path
import torch
from model.memory import hand_back

def resident_mb():
    lines = Path("/proc/self/status").read_text(encoding="utf-8").splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("RssAnon"))

told = [resident_mb()]
# Pieces so small that the C library keeps them, and one held behind them, at the end of the heap.
pieces = [torch.ones(12_000) for _ in range(4_000)]
held = torch.ones(12_000)
told.append(resident_mb())
pieces.clear()
hand_back()
told.append(resident_mb())
print(json.dumps([*told, float(held.sum())]))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_what_was_let_go_of_is_handed_back() -> None:
    run = subprocess.run([sys.executable, "-c", _SCRIPT], capture_output=True, text=True, check=True)
    before, held, after, ones = json.loads(run.stdout)
    assert held > before + 150
    assert after < before + 60
    assert ones == 12_000


def test_a_system_without_it_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("model.memory.ctypes.CDLL", lambda _name: object())
    hand_back()


@pytest.mark.parametrize("collecting", [True, False])
@pytest.mark.parametrize("fails", [True, False])
def test_garbage_is_looked_for_after_loading_as_before(collecting: bool, fails: bool) -> None:
    before, frozen = gc.isenabled(), gc.get_freeze_count()
    (gc.enable if collecting else gc.disable)()
    try:
        with contextlib.suppress(ImportError), loading():
            assert not gc.isenabled()
            stays: list[list[int]] = [[] for _ in range(1000)]
            if fails:
                raise ImportError
        assert gc.isenabled() is collecting
        assert gc.get_freeze_count() >= frozen + len(stays)
    finally:
        (gc.enable if before else gc.disable)()
        gc.unfreeze()
