"""Where all of what was learnt loses something, half of it is tried."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from data_tools import model_side, registry
from data_tools.retrain import retrain
from data_tools.workspace import Workspace
from model.gate import Verdict
from tests.test_data_tools.retrain_kit import Answer, Checked, fake_training, taught_workspace
from tests.test_data_tools.store_kit import LEAD

WORSE = Answer(Verdict.WORSE, "Held: the candidate is worse.", 7)


@pytest.fixture
def taught(tmp_path: Path) -> Iterator[Workspace]:
    yield from taught_workspace(tmp_path)


def _fake_halves(monkeypatch: pytest.MonkeyPatch, whole: Answer, half: Answer) -> list[str]:
    """Let the gate say one thing of all of what was learnt and another of half; return what it was shown."""
    shown: list[str] = []
    fake_training(monkeypatch, whole, [])

    def between(_live: Path, candidate: Path, out: Path) -> Path:
        out.write_text(candidate.read_text() + "-half")
        return out

    def gate(candidate: Path, *_args: object, **_options: object) -> Answer:
        shown.append(candidate.read_text())
        return half if shown[-1].endswith("-half") else whole

    monkeypatch.setattr(model_side, "half_way", between)
    monkeypatch.setattr(model_side, "compare", gate)
    return shown


def test_half_of_what_was_learnt_is_taken_where_all_of_it_loses_something(
    taught: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = _fake_halves(monkeypatch, WORSE, Answer(Verdict.PROMOTE, "Promoted: fewer misses.", 7))
    outcome = retrain(taught, LEAD)
    assert shown == ["grey-9", "grey-9-half"]
    assert outcome.promoted
    assert registry.live_version(taught).version == outcome.candidate == "grey-9-half"
    told = "Half of what was learnt is taken. Of all of it: Held: the candidate is worse."
    assert outcome.aside == told
    assert list(outcome.lines)[1] == told
    (version,) = [v for v in registry.list_versions(taught, LEAD) if v.version == "grey-9-half"]
    assert version.metrics["aside"] == told


def test_where_half_is_worse_too_all_of_it_is_held(
    taught: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = _fake_halves(monkeypatch, WORSE, replace(WORSE, reason="Held: half is worse as well."))
    outcome = retrain(taught, LEAD)
    assert shown == ["grey-9", "grey-9-half"]
    assert (outcome.promoted, outcome.candidate) == (False, "grey-9")
    assert outcome.reason == "Held: the candidate is worse."
    assert outcome.aside == "Half of what was learnt was tried too. Held: half is worse as well."


def test_half_is_not_tried_where_the_labels_are_at_fault_or_nothing_is_worse(
    taught: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    fine = Answer(Verdict.PROMOTE, "Promoted: fewer misses.", 7)
    shown = _fake_halves(monkeypatch, Answer(Verdict.NO_BETTER, "Held: no better.", 7), fine)
    assert not retrain(taught, LEAD).promoted
    assert shown == ["grey-9"]
    shown = _fake_halves(monkeypatch, WORSE, fine)
    monkeypatch.setattr(model_side, "check_labels", lambda *_a, **_k: Checked(True, "9 of 31 contradict."))
    assert not retrain(taught, LEAD).promoted
    assert shown == ["grey-9"]
