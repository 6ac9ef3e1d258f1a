"""Fixtures of the store's tests."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from data_tools.workspace import Workspace
from tests.test_data_tools.store_kit import furnished


@pytest.fixture
def ws(tmp_path: Path) -> Iterator[Workspace]:
    """A workspace with two sites and three units, judged by ``GreyJudge``."""
    workspace = furnished(tmp_path)
    yield workspace
    workspace.close()
