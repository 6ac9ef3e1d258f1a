"""What takes long is loaded while the first page is looked at, once, and only for those who may use it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import streamlit as st

from data_tools.access import Actor
from data_tools.model_side import Judge
from data_tools.trend_memory import TrendMemory
from data_tools.workspace import Workspace
from model.errors import ArtefactError
from review_app import resources
from tests.test_review_app.scenario import LEAD, TECHNICIAN, UPLOADER


@pytest.fixture
def served(ws: Workspace, monkeypatch: pytest.MonkeyPatch) -> Iterator[Workspace]:
    """As if the app ran on a server, without the pause for the first page."""
    st.cache_resource.clear()
    monkeypatch.setattr(resources, "exists", lambda: True)
    monkeypatch.setattr(resources, "workspace", lambda: ws)
    monkeypatch.setattr(resources, "_AFTER_FIRST_PAGE_S", 0.0)
    yield ws
    st.cache_resource.clear()


@pytest.fixture
def loads(served: Workspace, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What was loaded, in order."""
    found: list[str] = []
    real = served.classifier

    def classifier() -> Judge:
        found.append("model")
        return real()

    monkeypatch.setattr(served, "classifier", classifier)
    monkeypatch.setattr(TrendMemory, "notices", lambda *_given: found.append("trends"))
    return found


def wait(ws: Workspace, actor: Actor) -> None:
    resources._ready_to_judge(ws, resources._ready_for_all()).join(60)
    if actor is LEAD:
        resources._ready_for_leads(ws, actor).join(60)


@pytest.mark.parametrize("actor", [UPLOADER, TECHNICIAN, LEAD], ids=lambda actor: actor.role.value)
def test_the_model_is_loaded_for_all_and_the_trends_for_leads(
    served: Workspace, loads: list[str], actor: Actor
) -> None:
    for _ in range(3):
        resources.get_ready(actor)
    wait(served, actor)
    # A lead opens the trends sooner than a photo is sent.
    assert loads == (["trends", "model"] if actor is LEAD else ["model"])


def test_nobody_signed_in_loads_no_model(served: Workspace, loads: list[str]) -> None:
    resources.get_ready(None)
    resources._ready_for_all().join(60)
    assert loads == []


def test_a_model_that_cannot_be_read_is_told_later_where_it_is_needed(
    served: Workspace, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    def broken() -> Judge:
        raise ArtefactError("a model file", "half of one", "Go back to the version before.")

    monkeypatch.setattr(served, "classifier", broken)
    resources.get_ready(TECHNICIAN)
    wait(served, TECHNICIAN)
    assert "Traceback" not in capfd.readouterr().err
