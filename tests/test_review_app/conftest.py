"""The app on a workspace of its own: run inside the test, or served to a browser."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import streamlit as st
from streamlit import config
from streamlit.testing.v1 import AppTest

from data_tools.access import Actor
from data_tools.workspace import Workspace
from review_app import resources
from tests.test_review_app.browsing import server_log
from tests.test_review_app.scenario import make_workspace
from tests.test_review_app.serve import APP

OpenApp = Callable[..., AppTest]
TIMEOUT_S = 60


@pytest.fixture
def ws(tmp_path: Path) -> Iterator[Workspace]:
    """A workspace with one site, six units and the fake classifier, without photos."""
    workspace = make_workspace(tmp_path / "workspace")
    yield workspace
    workspace.close()


@pytest.fixture
def open_app(ws: Workspace, monkeypatch: pytest.MonkeyPatch) -> Iterator[OpenApp]:
    """Open a screen as somebody: ``open_app(TECHNICIAN, "review")``; without anybody, the sign-in."""
    opening = [ws]
    monkeypatch.setattr(resources, "open_workspace", lambda: opening[-1])
    # Nothing is loaded ahead: it would go on beside the next test.
    monkeypatch.setattr(resources, "exists", lambda: False)
    # AppTest reads no config.toml; without this the app would (rightly) take itself to be open to everybody.
    address = config.get_option("server.address")
    config.set_option("server.address", "127.0.0.1")
    _forget()

    def opened(
        actor: Actor | None = None, screen: str | None = None, workspace: Workspace | None = None
    ) -> AppTest:
        if workspace is not None:
            opening.append(workspace)
            _forget()
        app = AppTest.from_file(str(APP), default_timeout=TIMEOUT_S)
        if actor is not None:
            app.session_state["actor"] = actor
        app.run()
        if screen is not None:
            app.switch_page(f"screens/{screen}.py").run()
        assert not app.exception
        return app

    yield opened
    config.set_option("server.address", address)
    _forget()


def _forget() -> None:
    st.cache_resource.clear()
    st.cache_data.clear()


@pytest.fixture
def folder(prepared: Path, tmp_path: Path) -> Path:
    """A copy of the module's ``prepared`` workspace: what a test changes, no other try of any test meets."""
    return Path(shutil.copytree(prepared, tmp_path / "workspace"))


@pytest.fixture
def address(folder: Path) -> Iterator[str]:
    """The address of the app, served on ``folder`` for this try alone; nothing may go wrong on the server.

    A module whose tests change nothing in the store has an ``address`` of its own, for all of them.
    """
    yield from serve(folder)
    assert "Traceback" not in server_log(folder)


def free_port() -> int:
    """Return a port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def serve(folder: Path, port: int | None = None, *options: str) -> Iterator[str]:
    """Serve the app on ``folder`` and yield its address."""
    port = port or free_port()
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    with (folder / "server.log").open("wb") as log:
        server = subprocess.Popen(
            [sys.executable, "-m", "tests.test_review_app.serve", str(folder), str(port), *options],
            stdout=log,
            stderr=subprocess.STDOUT,
            env=environment,
        )
    try:
        _wait_until_up(f"http://127.0.0.1:{port}/_stcore/health", server)
        yield f"http://127.0.0.1:{port}"
    finally:
        server.terminate()
        server.wait(20)


def _wait_until_up(address: str, server: subprocess.Popen[bytes]) -> None:
    for _ in range(TIMEOUT_S * 4):
        assert server.poll() is None, "the server ended"
        try:
            with urllib.request.urlopen(address, timeout=5):
                return
        except (urllib.error.URLError, ConnectionError):
            time.sleep(0.25)
    pytest.fail("the server did not come up")
