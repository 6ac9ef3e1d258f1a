"""One retrain at a time, and none goes live over another version than the one it was compared with."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from data_tools import jobs, registry
from data_tools.database.schema import JobRow
from data_tools.retrain import retrain
from data_tools.workspace import Workspace
from model.errors import ConflictError
from model.gate import Verdict
from tests.test_data_tools.retrain_kit import Answer, fake_training, taught_workspace
from tests.test_data_tools.store_kit import LEAD, UPLOADER

FINE = Answer(Verdict.PROMOTE, "Promoted: fewer misses.", 7)


@pytest.fixture
def taught(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Workspace]:
    fake_training(monkeypatch, FINE, [])
    yield from taught_workspace(tmp_path)


def _silent(ws: Workspace, job_id: int) -> None:
    """Let the job not be heard of for longer than a minute."""
    with ws.write() as session:
        session.get_one(JobRow, job_id).beat_at = datetime.now(UTC) - jobs.DEAD_AFTER - timedelta(seconds=1)


def _live(ws: Workspace) -> str:
    return registry.live_version(ws).version


def test_a_version_compared_with_another_than_the_live_one_is_held(taught: Workspace, tmp_path: Path) -> None:
    """The lead goes back from a bad version while a retrain that started from it is at work."""
    bad = tmp_path / "bad.safetensors"
    bad.write_text("bad-2")
    registry.register(taught, LEAD, bad, "tried")
    registry.promote(taught, LEAD, "bad-2", "a try")

    def tell(_share: float, stage: str) -> None:
        if stage == "learning" and _live(taught) == "bad-2":
            registry.go_back(taught, LEAD, "misses melted housings")

    outcome = retrain(taught, LEAD, progress=tell)
    assert _live(taught) == registry.SHIPPED
    assert not outcome.promoted
    assert outcome.reason.startswith(
        "Held: shipped was made live meanwhile. This version was compared with bad-2"
    )
    (entered,) = [v for v in registry.list_versions(taught, LEAD) if v.version == outcome.candidate]
    assert (entered.status, entered.note) == ("held", outcome.reason)
    job = jobs.latest_job(taught, UPLOADER)
    assert job is not None
    assert job.message == outcome.reason


def test_a_retrain_from_the_command_line_is_a_job_like_any_other(taught: Workspace) -> None:
    started = jobs.open_job(taught, LEAD, jobs.RETRAIN)
    with pytest.raises(ConflictError, match="no other retrain at work"):
        retrain(taught, LEAD)
    _silent(taught, started.id)

    def tell(_share: float, stage: str) -> None:
        if stage == "learning":
            with pytest.raises(ConflictError):
                jobs.open_job(taught, LEAD, jobs.RETRAIN)

    assert retrain(taught, LEAD, progress=tell).promoted
    ended = jobs.latest_job(taught, UPLOADER)
    assert ended is not None
    assert (ended.id > started.id, ended.message, ended.alive) == (True, FINE.reason, False)


def test_a_retrain_can_be_stopped_from_the_screen_wherever_it_was_started(taught: Workspace) -> None:
    def tell(_share: float, stage: str) -> None:
        job = jobs.latest_job(taught, LEAD)
        if stage == "learning" and job is not None:
            jobs.ask_stop(taught, LEAD, job.id)

    with pytest.raises(jobs.StopAskedError):
        retrain(taught, LEAD, progress=tell)
    assert _live(taught) == registry.SHIPPED


def test_a_retrain_that_is_interrupted_on_the_command_line_has_not_failed(taught: Workspace) -> None:
    def tell(_share: float, stage: str) -> None:
        if stage == "learning":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        retrain(taught, LEAD, progress=tell)
    job = jobs.latest_job(taught, UPLOADER)
    assert job is not None
    assert job.message.startswith("Stopped by hand.")
    assert retrain(taught, LEAD).promoted


@pytest.mark.parametrize("at", ["learning", "comparing with the live version"])
def test_a_retrain_that_was_silent_and_replaced_ends_without_going_live(taught: Workspace, at: str) -> None:
    """At ``learning`` it finds out by its next beat; after the last stage no beat follows any more."""
    newer: list[int] = []

    def tell(_share: float, stage: str) -> None:
        job = jobs.latest_job(taught, LEAD)
        if stage == at and not newer and job is not None:
            _silent(taught, job.id)
            newer.append(jobs.open_job(taught, LEAD, jobs.RETRAIN).id)

    with pytest.raises(jobs.ReplacedError, match="another one that was started"):
        retrain(taught, LEAD, progress=tell)
    assert _live(taught) == registry.SHIPPED
    assert [v.version for v in registry.list_versions(taught, LEAD)] == [registry.SHIPPED]
    latest = jobs.latest_job(taught, UPLOADER)
    assert latest is not None
    assert (latest.id, latest.alive) == (newer[0], True), "the newer one is not ended by the older one's end"


def test_jobs_of_another_kind_do_not_replace_each_other(taught: Workspace) -> None:
    first = jobs.open_job(taught, LEAD, jobs.RESCORE)
    jobs.open_job(taught, LEAD, jobs.RETRAIN)
    jobs.beating(taught, first.id)(0.5, "judging")
    _silent(taught, first.id)
    jobs.open_job(taught, LEAD, jobs.RESCORE)
    with pytest.raises(jobs.ReplacedError):
        jobs.beating(taught, first.id)(0.6, "judging")
