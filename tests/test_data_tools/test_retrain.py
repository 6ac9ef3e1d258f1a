"""Retraining as a whole, with the training itself replaced: promoted, held, stopped."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from data_tools import jobs, model_side, registry, rescore
from data_tools.retrain import RUNS_KEPT_S, retrain, run_job
from data_tools.training_set import KEPT, UNLEARNT
from data_tools.workspace import Workspace, open_workspace
from model.errors import BadRequestError, ConflictError, NotAllowedError, NotFoundError, StorageError
from model.gate import SetName, Verdict
from model.schedule import MOST_STEPS
from model.weighting import Weighting
from tests.test_data_tools.retrain_kit import Answer, Checked, Limits, Row, fake_training, taught_workspace
from tests.test_data_tools.store_kit import (
    LEAD,
    TECHNICIAN,
    UPLOADER,
    GreyJudge,
    full_disk,
    furnished,
)


def _live(ws: Workspace) -> str:
    return registry.live_version(ws).version


@pytest.fixture
def taught(tmp_path: Path) -> Iterator[Workspace]:
    yield from taught_workspace(tmp_path)


def test_retraining_promotes_what_is_not_worse(taught: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    calls: list[dict[str, object]] = []
    fake_training(monkeypatch, Answer(Verdict.PROMOTE, "Promoted: fewer misses.", 7), calls)
    seen: list[tuple[float, str]] = []
    outcome = retrain(taught, LEAD, progress=lambda share, stage: seen.append((share, stage)))
    assert (outcome.promoted, outcome.candidate, outcome.reason) == (
        True,
        "grey-9",
        "Promoted: fewer misses.",
    )
    assert _live(taught) == taught.classifier().version == "grey-9"
    assert calls[0]["live"] == calls[1]["live"] == Path("shipped.safetensors")
    assert calls[1]["sets"] == {
        SetName.HELD_OUT: outcome.training_set.held_out,
        SetName.NEVER_REGRESS: outcome.training_set.never_regress,
        SetName.RENDERED: KEPT,
    }
    assert calls[0]["replay"] == KEPT
    assert KEPT.is_file()
    assert list(dict.fromkeys(stage for _, stage in seen)) == [
        "freezing the training set",
        "checking the labels",
        "learning",
        "lowering the limits",
        "setting the limits",
        "comparing with the live version",
    ]
    assert [share for share, _ in seen] == sorted(share for share, _ in seen)
    assert list(outcome.lines) == [
        "grey-9: Promoted: fewer misses.",
        "No doubtful label among 31 photos.",
        "None of your held-out couplers shows missing latch yet.",
        "Limits: heat melted housing: 3 of the 99 couplers needed; limit kept.",
        outcome.weights,
    ]
    assert calls[0]["weighting"] == Weighting(0.5, 0.5, 4.0)
    assert calls[0]["most_steps"] == MOST_STEPS
    assert outcome.weights.startswith("Weights (photos x mean weight): cannot judge 1 x ")
    version = registry.live_version(taught)
    assert version.metrics["compared_on"] == 7
    assert version.note == "Promoted: fewer misses."


def test_retraining_holds_what_is_worse_with_the_reason(
    taught: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    fake_training(monkeypatch, Answer(Verdict.NO_BETTER, "Held: it misses more melted housings.", 7), [])
    outcome = retrain(taught, LEAD)
    assert not outcome.promoted
    assert _live(taught) == registry.SHIPPED
    (held,) = [v for v in registry.list_versions(taught, LEAD) if v.version == "grey-9"]
    assert (held.status, held.note) == ("held", "Held: it misses more melted housings.")


def test_labels_that_do_not_fit_together_hold_a_candidate_however_good(
    taught: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    fake_training(monkeypatch, Answer(Verdict.PROMOTE, "Promoted: fewer misses.", 7), [])
    said = Checked(True, "9 of 31 confirmed photos have a label that contradicts. By reviewer: Tom 9 of 30.")
    monkeypatch.setattr(model_side, "check_labels", lambda *_a, **_k: said)
    outcome = retrain(taught, LEAD)
    assert not outcome.promoted
    assert outcome.reason.startswith("Held: 9 of 31 confirmed photos")
    assert _live(taught) == registry.SHIPPED


@pytest.mark.parametrize("limits_pass", [True, False])
def test_the_file_that_goes_live_is_the_one_compared_with_the_live_version_on_every_set(
    taught: Workspace, monkeypatch: pytest.MonkeyPatch, limits_pass: bool
) -> None:
    calls: list[dict[str, object]] = []
    fine = Answer(Verdict.PROMOTE, "Promoted: fewer misses.", 7)
    fake_training(monkeypatch, fine, calls)

    def follow(candidate: Path, _held_out: Path, out: Path, *, progress: object) -> Limits:
        out.write_text(candidate.read_text() + "-limits")
        return Limits((Row("missing latch: limit 0.200 to 0.100, from 60 couplers"),), out)

    def gate(candidate: Path, live: Path, sets: dict[SetName, Path], *, progress: object) -> Answer:
        name = candidate.read_text()
        calls.append({"candidate": name, "live": live, "sets": set(sets)})
        worse = name.endswith("-limits") and not limits_pass
        return Answer(Verdict.WORSE, "Held: more damage is called clear.", 7) if worse else fine

    monkeypatch.setattr(model_side, "follow_limits", follow)
    monkeypatch.setattr(model_side, "compare", gate)
    outcome = retrain(taught, LEAD)
    assert _live(taught) == outcome.candidate == ("grey-9-limits" if limits_pass else "grey-9")
    compared = [call for call in calls if "sets" in call]
    assert compared[-1]["candidate"] == outcome.candidate
    assert all(call["live"] == Path("shipped.safetensors") for call in compared)
    assert all(call["sets"] == set(SetName) for call in compared)
    assert outcome.limits[0] == "missing latch: limit 0.200 to 0.100, from 60 couplers"
    if not limits_pass:
        assert outcome.limits[-1] == (
            "the earlier ones stay; with the new ones: Held: more damage is called clear"
        )


def test_lowered_limits_are_what_the_gate_sees_and_are_told(
    taught: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls: list[dict[str, object]] = []
    fake_training(monkeypatch, Answer(Verdict.PROMOTE, "Promoted: fewer misses.", 7), calls)

    def lower(live: Path, candidate: Path, unlearnt: Path, out: Path, *, progress: object) -> Limits:
        calls.append({"lowered_on": unlearnt, "live": live})
        out.write_text(candidate.read_text() + "-lowered")
        return Limits((Row("missing latch: lowered from 0.200 to 0.100"),), out)

    monkeypatch.setattr(model_side, "lower_limits", lower)
    outcome = retrain(taught, LEAD)
    assert _live(taught) == outcome.candidate == "grey-9-lowered"
    assert [call["lowered_on"] for call in calls if "lowered_on" in call] == [UNLEARNT]
    assert outcome.limits[0] == "missing latch: lowered from 0.200 to 0.100"
    assert "Limits: missing latch: lowered from 0.200 to 0.100." in list(outcome.lines)


def test_a_job_killed_before_promotion_leaves_the_live_version_and_can_be_run_again(
    taught: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    fake_training(monkeypatch, Answer(Verdict.PROMOTE, "Promoted.", 7), [])

    def killed(*_arguments: object, **_options: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(registry, "settle", killed)
        with pytest.raises(KeyboardInterrupt):
            retrain(taught, LEAD)
    assert _live(taught) == registry.SHIPPED
    assert retrain(taught, LEAD).promoted
    assert _live(taught) == "grey-9"


def test_a_full_disk_is_told_by_the_job_and_costs_nothing(
    taught: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    fake_training(monkeypatch, Answer(Verdict.PROMOTE, "Promoted.", 7), [])
    job = jobs.open_job(taught, LEAD, "retrain")
    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full_disk)
        with pytest.raises(StorageError):
            run_job(taught, LEAD, job.id)
    ended = jobs.latest_job(taught, UPLOADER)
    assert ended is not None
    assert (ended.alive, ended.interrupted) == (False, False)
    assert ended.message == (
        "Wanted to keep the model file; got no space left on device. "
        "Free some disk space and start again: nothing is lost, and what was live still is."
    )
    assert list(taught.models.iterdir()) == []
    assert _live(taught) == registry.SHIPPED
    run_job(taught, LEAD, jobs.open_job(taught, LEAD, "retrain").id)
    assert _live(taught) == "grey-9"


def test_too_few_confirmed_photos_are_told(ws: Workspace) -> None:
    with pytest.raises(BadRequestError, match="at least 30 confirmed"):
        retrain(ws, LEAD)
    with pytest.raises(NotAllowedError):
        retrain(ws, TECHNICIAN)


def test_a_job_shows_its_progress_its_end_and_stops_when_asked(
    taught: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    fake_training(monkeypatch, Answer(Verdict.PROMOTE, "Promoted.", 7), [])
    job = jobs.open_job(taught, LEAD, "retrain")
    assert job.alive
    with pytest.raises(ConflictError, match="Lea"):
        jobs.open_job(taught, LEAD, "retrain")
    jobs.ask_stop(taught, LEAD, job.id)
    with pytest.raises(jobs.StopAskedError):
        run_job(taught, LEAD, job.id)
    stopped = jobs.latest_job(taught, UPLOADER)
    assert stopped is not None
    assert not stopped.alive
    assert "it goes on from there" in stopped.message
    assert _live(taught) == registry.SHIPPED
    run_job(taught, LEAD, jobs.open_job(taught, LEAD, "retrain").id)
    done = jobs.latest_job(taught, UPLOADER)
    assert done is not None
    assert (done.message, done.alive) == ("Promoted.", False)
    with pytest.raises(NotFoundError):
        jobs.ask_stop(taught, LEAD, 99)


def test_a_job_that_was_killed_counts_as_dead_after_a_minute(
    ws: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    jobs.open_job(ws, LEAD, "retrain")
    now = datetime.now(UTC)
    monkeypatch.setattr(jobs, "now_or", lambda _now: now + 2 * jobs.DEAD_AFTER)
    dead = jobs.latest_job(ws, LEAD)
    assert dead is not None
    assert not dead.alive
    assert jobs.open_job(ws, LEAD, "retrain").alive


def test_a_retrain_in_a_process_of_its_own_tells_how_it_ended(ws: Workspace) -> None:
    if ws.engine.dialect.name != "sqlite":
        pytest.skip("the other process finds its database through the workspace folder")
    jobs.start_retrain(ws, LEAD)
    deadline = time.monotonic() + 60
    while (job := jobs.latest_job(ws, LEAD)) is not None and job.finished_at is None:
        assert time.monotonic() < deadline, "it never ended"
        time.sleep(0.1)
    assert job is not None
    assert (job.started_by, job.alive) == ("Lea", False)
    assert "at least 30 confirmed photos" in job.message


def test_weights_that_make_no_sense_are_refused_before_anything_starts(tmp_path: Path) -> None:
    ws = furnished(tmp_path, learn_weight_cap=0.5)
    with pytest.raises(BadRequestError, match="a cap of 1 or more"):
        retrain(ws, LEAD)
    ws.close()


def test_what_earlier_retrains_left_on_their_way_is_cleared(
    taught: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    fake_training(monkeypatch, Answer(Verdict.PROMOTE, "Promoted.", 7), [])
    for name, age_s in (("earlier", 2 * RUNS_KEPT_S), ("at work", 60.0)):
        (taught.runs / name).mkdir(parents=True)
        os.utime(taught.runs / name, (time.time() - age_s,) * 2)
    outcome = retrain(taught, LEAD)
    left = {folder.name for folder in taught.runs.iterdir()}
    assert left == {outcome.training_set.digest[:16], "at work"}


def test_judging_again_as_a_job_says_how_many_and_goes_on_after_a_stop(taught: Workspace) -> None:
    taught.close()
    taught = open_workspace(taught.settings, classifier=GreyJudge("grey-2"))
    job = jobs.open_job(taught, LEAD, jobs.RESCORE)
    jobs.ask_stop(taught, LEAD, job.id)
    with pytest.raises(jobs.StopAskedError):
        rescore.run_job(taught, LEAD, job.id)
    again = jobs.open_job(taught, LEAD, jobs.RESCORE)
    left = rescore.run_job(taught, LEAD, again.id)
    assert left.count == 30, "one of 31 was judged before the stop, and is not judged twice"
    done = jobs.latest_job(taught, LEAD, jobs.RESCORE)
    assert done is not None
    assert done.message == "30 photos judged again. By grey-2; earlier verdicts stay."
