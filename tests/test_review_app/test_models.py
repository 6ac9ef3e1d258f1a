"""The Models screen: what it shows of the live version, what it offers to teach, every move of versions."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from data_tools import jobs, registry
from data_tools.drift_watch import look_for_drift
from data_tools.next_photos import next_photos
from data_tools.photo_drift import DriftRow
from data_tools.records import DecisionKind
from data_tools.review import decide, queue
from data_tools.workspace import Workspace
from model.drift import Drift
from tests.test_review_app.conftest import OpenApp
from tests.test_review_app.fakes import FakeClassifier
from tests.test_review_app.reading import page_words
from tests.test_review_app.scenario import LEAD, TECHNICIAN, send_weeks

NOTICE = "Week 47 of 2026: the photos taken with Phone 3 look other than before. Then retrain."


def tab(app: AppTest, name: str) -> AppTest:
    """Choose a tab of the screen."""
    return app.pills(key="model_tab").set_value(name).run()


def press(app: AppTest, label: str) -> AppTest:
    """Press the button of that label."""
    return next(button for button in app.button if button.label == label).click().run()


def bars(app: AppTest) -> str:
    """Return what stands beside the progress bars."""
    return " ".join(bar.proto.text for bar in app.get("progress"))


def labels(app: AppTest) -> list[str]:
    """Return what the buttons say."""
    return [button.label for button in app.button]


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """The commands of the processes that would have been started."""
    commands: list[list[str]] = []

    class Child:
        def __init__(self, command: list[str], **_options: object) -> None:
            commands.append(command)

        def poll(self) -> None:
            return None

    monkeypatch.setattr(jobs.subprocess, "Popen", Child)
    return commands


@pytest.fixture
def two(ws: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Workspace:
    """A workspace whose second version is live."""
    file = tmp_path / "second.safetensors"
    file.write_bytes(b"second")

    class Second(FakeClassifier):
        version = "second"

    monkeypatch.setattr(ws, "load_judge", lambda path: Second() if path else FakeClassifier())
    registry.settle(
        ws, LEAD, file, "tuned", promote=True, why="Promoted: fewer misses.", compared_with="shipped",
        metrics=FOUND,
    )  # fmt: skip
    return ws


FOUND = {
    "labels": "No doubtful label among 31 photos.",
    "limits": ["missing latch: 3 of 49"],
    "compared_on": 7,
}


def test_without_an_earlier_version_there_is_no_way_back(open_app: OpenApp) -> None:
    app = open_app(LEAD, "models")
    assert "Live: **shipped**" in page_words(app)
    assert not [label for label in labels(app) if label.startswith("Go back")]


def test_going_back_is_one_click(open_app: OpenApp, two: Workspace) -> None:
    app = open_app(LEAD, "models")
    assert "Live: **second**" in page_words(app)
    press(app, "Go back to shipped")
    assert registry.live_version(two).version == "shipped"
    assert "shipped is live again" in page_words(app)


def test_a_version_is_made_live_only_with_a_reason_and_what_was_found_is_told(
    open_app: OpenApp, two: Workspace
) -> None:
    app = tab(open_app(LEAD, "models"), "Versions")
    words = page_words(app)
    assert "No doubtful label among 31 photos" in words
    assert "3 of 49" in words
    press(app, "Make it live")
    assert "Write the reason." in page_words(app)
    assert registry.live_version(two).version == "second"
    app.text_input[0].set_value("too many false alarms")
    press(app, "Make it live")
    assert registry.live_version(two).version == "shipped"


def test_a_training_that_runs_is_shown_can_be_stopped_and_is_not_started_twice(
    open_app: OpenApp, ws: Workspace
) -> None:
    job = jobs.open_job(ws, LEAD, jobs.RETRAIN)
    jobs.beating(ws, job.id)(0.4, "learning")
    app = tab(open_app(LEAD, "models"), "Teach it")
    assert "learning" in bars(app)
    assert "Train now" not in labels(app)
    press(app, "Stop")
    latest = jobs.latest_job(ws, LEAD)
    assert latest is not None
    assert latest.id == job.id
    assert latest.stop_asked


def test_a_training_that_was_killed_says_that_it_goes_on(
    open_app: OpenApp, ws: Workspace, started: list[list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    job = jobs.open_job(ws, LEAD, jobs.RETRAIN)
    jobs.beating(ws, job.id)(0.4, "learning")
    later = datetime.now(UTC) + timedelta(minutes=5)
    monkeypatch.setattr(jobs, "now_or", lambda _now: later)
    app = tab(open_app(LEAD, "models"), "Teach it")
    assert "interrupted at 40%" in page_words(app)
    press(app, "Train now")
    assert [command[-3:-1] for command in started] == [["retrain", "--job"]]


def test_what_to_review_next_lies_on_the_review_desk_in_that_order(open_app: OpenApp, ws: Workspace) -> None:
    send_weeks(ws, 3)  # of the six units only the last is none of those held out for ever
    app = open_app(LEAD, "review")
    app.selectbox(key="every_site").set_value("harbour").run()  # what is chosen there does not matter here
    app = tab(app.switch_page("screens/models.py").run(), "Teach it")
    words = page_words(app)
    assert "the model would learn most from" in words
    assert "0 of the 99 couplers needed" in bars(app)
    assert "0 of the 49 couplers needed" in bars(app)
    press(app, "Review these now")
    assert not app.exception
    key, desk = app.session_state["desk"]
    assert key is None
    assert [item.photo.id for item in desk.items] == [photo.id for photo in next_photos(ws, LEAD, 20)]
    assert len(desk.items) == desk.waiting > 1
    assert "Review" in page_words(app)


def test_photos_that_moved_are_told_with_what_to_do(
    open_app: OpenApp, ws: Workspace, started: list[list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    app = open_app(LEAD, "models")
    assert "Nobody has looked yet" in page_words(app)
    press(app, "Look now")
    assert [command[-3:-1] for command in started] == [["drift", "--job"]]
    rows = (DriftRow("camera", "Phone 3", Drift(0.0001, 1.2, 40, 160, 40), "", NOTICE),)
    monkeypatch.setattr(
        "data_tools.drift_watch.photo_drift", lambda *_a, by, **_k: rows if by == "camera" else ()
    )
    look_for_drift(ws, LEAD)
    words = page_words(open_app(LEAD, "models"))
    assert "the photos taken with Phone 3 look other than before" in words
    assert "1 moved beyond chance" in words
    assert "Since then photos have come" not in words
    send_weeks(ws, 1)
    assert "Since then photos have come" in page_words(open_app(LEAD, "models"))


def test_the_exact_upper_bound_of_the_miss_rate_stands_out(open_app: OpenApp, tmp_path: Path) -> None:
    from tests.test_review_app.scenario import make_workspace

    ws = make_workspace(tmp_path / "audited", blind_audit_share=1.0)
    send_weeks(ws, 12)
    for item in queue(ws, TECHNICIAN, limit=200):
        decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED)
    app = open_app(LEAD, "models", workspace=ws)
    (metric,) = app.metric
    assert metric.label == "Clear verdicts that hide damage, at most (exact, 95 %)"
    n = int(metric.help.split(" of ")[1].split()[0])
    # None missed of n: the exact one-sided bound is 1 - 0.05^(1/n) (Clopper and Pearson 1934).
    assert metric.value == f"{1 - 0.05 ** (1 / n):.1%}"
    ws.close()


def test_past_rounds_are_judged_again_in_the_background(
    open_app: OpenApp, ws: Workspace, started: list[list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    send_weeks(ws, 1)
    app = tab(open_app(LEAD, "models"), "Versions")
    assert "has judged every photo" in page_words(app)
    assert "Judge again" not in labels(app)

    class Newer(FakeClassifier):
        version = "fake-2"

    monkeypatch.setattr(ws, "_judge", (None, Newer()))
    app = tab(open_app(LEAD, "models"), "Versions")
    choice = app.selectbox(key="rescore_round")
    assert [option.startswith("harbour, week") for option in choice.options] == [True, True, False]
    press(app, "Judge again")
    assert started[0][-5:-3] == ["rescore", "--round"]
