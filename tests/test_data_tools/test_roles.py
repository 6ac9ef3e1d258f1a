"""Every verb asks for its right before it does anything, for each of the three roles."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

import data_tools
from data_tools import (
    backup,
    closeups,
    conditions,
    coupler_family,
    drift_watch,
    evidence_view,
    export,
    held,
    history,
    ingest,
    jobs,
    limit_needs,
    next_photos,
    open_damage,
    open_observations,
    own_words,
    photo_drift,
    queueing,
    received,
    refile,
    registry,
    report,
    rescore,
    retrain,
    review,
    review_sheets,
    sites,
    training_set,
    trend_data,
    verify,
    waiting,
)
from data_tools.access import Actor, Permission, Role
from data_tools.records import DecisionKind
from data_tools.workspace import Workspace
from model.errors import NotAllowedError, RoundsError

Call = Callable[[Workspace, Actor], object]
NOWHERE = Path("does/not/exist")
NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)

VERBS: dict[str, tuple[Permission, Call]] = {
    "sites.add_site": (Permission.MANAGE_SITES, lambda ws, a: sites.add_site(ws, a, "x", "x")),
    "sites.close_site": (Permission.MANAGE_SITES, lambda ws, a: sites.close_site(ws, a, "north")),
    "sites.add_unit": (Permission.MANAGE_SITES, lambda ws, a: sites.add_unit(ws, a, "north", "x")),
    "sites.list_sites": (Permission.SEE, lambda ws, a: sites.list_sites(ws, a)),
    "sites.get_unit": (Permission.SEE, lambda ws, a: sites.get_unit(ws, a, "P3-07")),
    "sites.list_units": (Permission.SEE, lambda ws, a: sites.list_units(ws, a)),
    "sites.roster": (Permission.SEE, lambda ws, a: sites.roster(ws, a, "north")),
    "ingest.ingest": (Permission.SEND, lambda ws, a: ingest.ingest(ws, a, [], "north")),
    "ingest.assign_unit": (Permission.SEND, lambda ws, a: ingest.assign_unit(ws, a, 1, "P3-07")),
    "ingest.assigned": (Permission.SEND, lambda ws, a: ingest.assigned(ws, a, 1, "P3-07", None)),
    "own_words.say_themselves": (Permission.SEE, lambda ws, a: own_words.say_themselves(ws, a)),
    "own_words.file_as_said": (Permission.SEND, lambda ws, a: own_words.file_as_said(ws, a, [])),
    "held.held_units": (Permission.SEE, lambda ws, a: held.held_units(ws, a, "north")),
    "refile.refile": (Permission.DECIDE, lambda ws, a: refile.refile(ws, a, 1, "P3-08", "x")),
    "received.received_since": (
        Permission.SEND,
        lambda ws, a: received.received_since(ws, a, "north", NOON),
    ),
    "received.as_it_stands": (Permission.SEND, lambda ws, a: received.as_it_stands(ws, a, [])),
    "received.standing_now": (Permission.SEND, lambda ws, a: received.standing_now(ws, a, "north", [])),
    "waiting.list_waiting": (Permission.SEE, lambda ws, a: waiting.list_waiting(ws, a)),
    "waiting.list_set_aside": (Permission.SEE, lambda ws, a: waiting.list_set_aside(ws, a)),
    "waiting.set_aside": (Permission.SEND, lambda ws, a: waiting.set_aside(ws, a, 1, "x")),
    "waiting.bring_back": (Permission.SEND, lambda ws, a: waiting.bring_back(ws, a, 1)),
    "ingest.list_rejected": (Permission.SEE, lambda ws, a: ingest.list_rejected(ws, a)),
    "queueing.queue": (Permission.DECIDE, lambda ws, a: queueing.queue(ws, a)),
    "queueing.items_of": (Permission.DECIDE, lambda ws, a: queueing.items_of(ws, a, [1])),
    "queueing.queue_length": (Permission.DECIDE, lambda ws, a: queueing.queue_length(ws, a)),
    "queueing.queue_mark": (Permission.DECIDE, lambda ws, a: queueing.queue_mark(ws, a)),
    "queueing.queue_news": (
        Permission.DECIDE,
        lambda ws, a: queueing.queue_news(ws, a, {1: 1.0}, queueing.QueueMark(0, 0), above=0.0),
    ),
    "review.decide": (Permission.DECIDE, lambda ws, a: review.decide(ws, a, 1, 1, DecisionKind.CONFIRMED)),
    "review.withdraw": (Permission.DECIDE, lambda ws, a: review.withdraw(ws, a, 1)),
    "review.decisions_of": (Permission.SEE, lambda ws, a: review.decisions_of(ws, a, 1)),
    "review.last_good_photo": (Permission.SEE, lambda ws, a: review.last_good_photo(ws, a, 1, NOON)),
    "review_sheets.queue_to_csv": (
        Permission.DECIDE,
        lambda ws, a: review_sheets.queue_to_csv(ws, a, NOWHERE / "x"),
    ),
    "review_sheets.decide_from_csv": (
        Permission.DECIDE,
        lambda ws, a: review_sheets.decide_from_csv(ws, a, NOWHERE),
    ),
    "closeups.closeup": (Permission.SEE, lambda ws, a: closeups.closeup(ws, a, 1)),
    "closeups.latest_verdict": (Permission.SEE, lambda ws, a: closeups.latest_verdict(ws, a, 1)),
    "evidence_view.evidence_view": (
        Permission.DECIDE,
        lambda ws, a: evidence_view.evidence_view(ws, a, 1),
    ),
    "conditions.take_out_of_service": (
        Permission.ACT,
        lambda ws, a: conditions.take_out_of_service(ws, a, "P3-07", "x"),
    ),
    "conditions.return_to_service": (
        Permission.ACT,
        lambda ws, a: conditions.return_to_service(ws, a, "P3-07", "x"),
    ),
    "conditions.replace_coupler": (
        Permission.ACT,
        lambda ws, a: conditions.replace_coupler(ws, a, "P3-07", "A", "PN", "x"),
    ),
    "conditions.observe": (Permission.SEND, lambda ws, a: conditions.observe(ws, a, "P3-07", "other", "x")),
    "conditions.settle_observation": (
        Permission.ACT,
        lambda ws, a: conditions.settle_observation(ws, a, 1, "x"),
    ),
    "coupler_family.families_in_doubt": (
        Permission.SEE,
        lambda ws, a: coupler_family.families_in_doubt(ws, a, "north"),
    ),
    "coupler_family.correct_family": (
        Permission.ACT,
        lambda ws, a: coupler_family.correct_family(ws, a, "P3-07", "A", "type2", "x"),
    ),
    "open_damage.open_damage": (Permission.SEE, lambda ws, a: open_damage.open_damage(ws, a)),
    "open_observations.open_observations": (
        Permission.SEE,
        lambda ws, a: open_observations.open_observations(ws, a),
    ),
    "trend_data.load_trends": (Permission.PLAN, lambda ws, a: trend_data.load_trends(ws, a)),
    "trend_data.load_frame": (Permission.PLAN, lambda ws, a: trend_data.load_frame(ws, a)),
    "report.monthly_report": (Permission.PLAN, lambda ws, a: report.monthly_report(ws, a, "2200-01")),
    "history.timeline": (Permission.SEE, lambda ws, a: history.timeline(ws, a, "P3-07")),
    "registry.register": (Permission.MANAGE_MODELS, lambda ws, a: registry.register(ws, a, NOWHERE, "x")),
    "registry.list_versions": (Permission.SEE, lambda ws, a: registry.list_versions(ws, a)),
    "registry.promote": (Permission.MANAGE_MODELS, lambda ws, a: registry.promote(ws, a, "x", "x")),
    "registry.settle": (
        Permission.MANAGE_MODELS,
        lambda ws, a: registry.settle(ws, a, NOWHERE, "x", promote=False, why="x", compared_with="x"),
    ),
    "registry.version_before": (Permission.SEE, lambda ws, a: registry.version_before(ws, a)),
    "registry.go_back": (Permission.MANAGE_MODELS, lambda ws, a: registry.go_back(ws, a, "x")),
    "training_set.freeze": (Permission.MANAGE_MODELS, lambda ws, a: training_set.freeze(ws, a)),
    "retrain.retrain": (Permission.MANAGE_MODELS, lambda ws, a: retrain.retrain(ws, a)),
    "retrain.run_job": (Permission.MANAGE_MODELS, lambda ws, a: retrain.run_job(ws, a, 1)),
    "rescore.rescore": (Permission.MANAGE_MODELS, lambda ws, a: rescore.rescore(ws, a)),
    "rescore.rounds_to_judge": (Permission.MANAGE_MODELS, lambda ws, a: rescore.rounds_to_judge(ws, a)),
    "rescore.run_job": (Permission.MANAGE_MODELS, lambda ws, a: rescore.run_job(ws, a, 1)),
    "limit_needs.learnable": (Permission.PLAN, lambda ws, a: limit_needs.learnable(ws, a)),
    "limit_needs.limit_needs": (Permission.PLAN, lambda ws, a: limit_needs.limit_needs(ws, a)),
    "drift_watch.look_for_drift": (Permission.PLAN, lambda ws, a: drift_watch.look_for_drift(ws, a)),
    "drift_watch.latest_drift": (Permission.PLAN, lambda ws, a: drift_watch.latest_drift(ws, a)),
    "drift_watch.run_job": (Permission.PLAN, lambda ws, a: drift_watch.run_job(ws, a, 1)),
    "jobs.open_job": (Permission.MANAGE_MODELS, lambda ws, a: jobs.open_job(ws, a, "retrain")),
    "jobs.start_retrain": (Permission.MANAGE_MODELS, lambda ws, a: _started(jobs.start_retrain, ws, a)),
    "jobs.start_rescore": (Permission.MANAGE_MODELS, lambda ws, a: _started(jobs.start_rescore, ws, a)),
    "jobs.start_drift": (Permission.MANAGE_MODELS, lambda ws, a: _started(jobs.start_drift, ws, a)),
    "jobs.latest_job": (Permission.SEE, lambda ws, a: jobs.latest_job(ws, a)),
    "jobs.ask_stop": (Permission.MANAGE_MODELS, lambda ws, a: jobs.ask_stop(ws, a, 1)),
    "next_photos.next_photos": (Permission.DECIDE, lambda ws, a: next_photos.next_photos(ws, a)),
    "photo_drift.photo_drift": (Permission.PLAN, lambda ws, a: photo_drift.photo_drift(ws, a)),
    "verify.verify": (Permission.MANAGE_SITES, lambda ws, a: verify.verify(ws, a, repair=True)),
    "backup.backup": (Permission.MANAGE_SITES, lambda ws, a: backup.backup(ws, a, ws.folder / "inside")),
    "export.export": (Permission.PLAN, lambda ws, a: export.export(ws, a, ws.folder / "out")),
}
_OTHERS = (
    "rendering",
    "cli",
    "database",
    "statistics",
    "demo",
    "synthetic",
)


def _started(start: Call, ws: Workspace, actor: Actor) -> object:
    actor.require(Permission.MANAGE_MODELS) if actor.role is Role.LEAD else start(ws, actor)
    return None


@pytest.mark.parametrize("verb", VERBS)
@pytest.mark.parametrize("role", Role)
def test_a_verb_works_for_the_roles_that_hold_its_right_and_for_no_other(
    ws: Workspace, verb: str, role: Role
) -> None:
    permission, call = VERBS[verb]
    actor = Actor("somebody", role)
    if not actor.may(permission):
        with pytest.raises(NotAllowedError, match=r"somebody as " + role.value):
            call(ws, actor)
        return
    try:
        call(ws, actor)
    except NotAllowedError as error:
        pytest.fail(str(error))
    except RoundsError:
        pass  # allowed, and refused for another reason: there is nothing to act on


def test_the_table_above_names_every_verb_of_the_store() -> None:
    verbs = set()
    for module_info in pkgutil.iter_modules(data_tools.__path__):
        if module_info.name.startswith(_OTHERS):
            continue
        module = importlib.import_module(f"data_tools.{module_info.name}")
        for name, function in inspect.getmembers(module, inspect.isfunction):
            own = function.__module__ == module.__name__ and not name.startswith("_")
            if own and list(inspect.signature(function).parameters)[:2] == ["ws", "actor"]:
                verbs.add(f"{module_info.name}.{name}")
    assert verbs == set(VERBS)
