"""Fixtures and settings for all tests: two workers share two cores, so each keeps to one thread."""

from __future__ import annotations

import os
import sys

import pytest

# Read by OpenMP, OpenBLAS and MKL when they load, so set before any test imports numpy or torch.
for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    if "PYTEST_XDIST_WORKER" in os.environ:
        os.environ.setdefault(variable, "1")


@pytest.fixture(autouse=True)
def _no_settings_from_outside(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep the developer's own ``ROUNDS_...`` variables out of the tests."""
    for name in [name for name in os.environ if name.startswith("ROUNDS_")]:
        monkeypatch.delenv(name)


@pytest.fixture(scope="session")
def python() -> str:
    """The interpreter that runs the tests, for tests that start a process."""
    return sys.executable
