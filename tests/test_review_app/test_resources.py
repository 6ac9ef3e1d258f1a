"""What all tabs share is never older than the store."""

from __future__ import annotations

from dataclasses import replace

import pytest
import streamlit as st

from data_tools.history import timeline
from data_tools.rescore import rescore
from data_tools.review import queue
from data_tools.workspace import Workspace
from model.judgement import Judgement
from model.photo import Photo
from review_app import resources
from tests.test_review_app.fakes import FakeClassifier
from tests.test_review_app.scenario import INTACT, LEAD, MELTED, TECHNICIAN, send


class Blind(FakeClassifier):
    """Finds no face."""

    version = "blind"

    def judge(self, photo: Photo) -> Judgement:
        """Judge one photo."""
        return replace(super().judge(photo), face=None)


class Seeing(FakeClassifier):
    """Finds it again."""

    version = "seeing"


def test_a_face_that_only_a_later_version_found_is_shown(ws: Workspace) -> None:
    st.cache_data.clear()
    send(ws, "H-01", INTACT, 1)
    (photo,) = [entry.photo for entry in timeline(ws, LEAD, "H-01").entries if entry.photo]
    for judge, finds in ((Blind(), False), (Seeing(), True)):
        ws.load_judge, ws._judge = (lambda _path, judge=judge: judge), None
        rescore(ws, LEAD)
        assert (resources.face_of(ws, LEAD, photo, 96) is not None) is finds


def test_where_the_model_looked_is_asked_again_where_it_could_not_be_told(
    ws: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    st.cache_data.clear()
    send(ws, "H-01", MELTED, 1)
    (item,) = queue(ws, TECHNICIAN)
    asked: list[str] = []
    monkeypatch.setattr("data_tools.evidence_view._coloured", lambda *_: asked.append("once") or b"coloured")

    def looked(judge: FakeClassifier) -> bytes | None:
        ws.load_judge, ws._judge = (lambda _path: judge), None
        return resources.evidence(ws, TECHNICIAN, item.photo.id, item.verdict.id)

    assert looked(Seeing()) is None, "another version is live"
    assert looked(FakeClassifier()) == b"coloured", "it went back to the version of the verdict"
    assert looked(FakeClassifier()) == b"coloured"
    assert asked == ["once"]
