"""Serve the app with the fake classifier: ``python -m tests.test_review_app.serve FOLDER PORT``."""

from __future__ import annotations

import functools
import sys
from pathlib import Path

from streamlit.web.cli import main as streamlit_main

import data_tools.workspace as workspace_module
import review_app
from data_tools.settings import load_settings
from tests.test_review_app.fakes import FakeClassifier

APP = Path(review_app.__file__).parent / "app.py"


def serve(folder: Path, port: int, *options: str) -> None:
    """Run until stopped."""
    real = workspace_module.open_workspace
    workspace_module.open_workspace = functools.partial(
        real, load_settings(folder), classifier=FakeClassifier()
    )
    streamlit_main(["run", str(APP), "--server.port", str(port), *options])


if __name__ == "__main__":
    serve(Path(sys.argv[1]), int(sys.argv[2]), *sys.argv[3:])
