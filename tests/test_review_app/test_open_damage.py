"""Damage that stands on a coupler, and the only three ways by which it goes."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from data_tools.conditions import replace_coupler, return_to_service, take_out_of_service
from data_tools.open_damage import OpenDamage, open_damage
from data_tools.records import DecisionKind
from data_tools.review import decide, queue
from data_tools.workspace import Workspace
from model.errors import NotFoundError
from tests.test_review_app.fakes import Scene
from tests.test_review_app.scenario import BLURRED, BROKEN, INTACT, MELTED, TECHNICIAN, UNSURE, UPLOADER, send


def standing(ws: Workspace) -> list[OpenDamage]:
    """Return what an uploader is told stands open."""
    return open_damage(ws, UPLOADER, "harbour")


def say(ws: Workspace, photo_id: int, kind: DecisionKind = DecisionKind.CORRECTED) -> None:
    """Let the technician decide on a queued photo, without findings."""
    entry = next(entry for entry in queue(ws, TECHNICIAN) if entry.photo.id == photo_id)
    decide(ws, TECHNICIAN, entry.photo.id, entry.verdict.id, kind)


@pytest.mark.parametrize("later", [INTACT, BLURRED, UNSURE], ids=["clear", "refused", "unsure"])
def test_damage_outlasts_later_photos(ws: Workspace, later: Scene) -> None:
    send(ws, "H-01", MELTED, 1, days_ago=7)
    send(ws, "H-01", later, 2)
    (damage,) = standing(ws)
    assert damage.findings == MELTED.findings
    assert damage.sure
    assert not damage.confirmed
    assert damage.photo.unit_key == "H-01"


def test_findings_of_several_photos_come_together_and_since_is_the_first(ws: Workspace) -> None:
    send(ws, "H-01", BROKEN, 1, days_ago=14)
    send(ws, "H-01", MELTED, 2, days_ago=7)
    (damage,) = standing(ws)
    assert set(damage.findings) == {*BROKEN.findings, *MELTED.findings}
    assert damage.since < (damage.photo.seen_at or damage.since)


def test_a_person_rules_it_out(ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    say(ws, standing(ws)[0].photo.id)
    assert standing(ws) == []


def test_a_person_who_looked_at_a_later_photo_rules_out_the_earlier_ones(ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1, days_ago=7)
    send(ws, "H-01", MELTED, 2)
    say(ws, standing(ws)[0].photo.id)
    assert standing(ws) == []


def test_a_person_who_could_not_tell_rules_nothing_out(ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1, days_ago=7)
    send(ws, "H-01", MELTED, 2)
    say(ws, standing(ws)[0].photo.id, DecisionKind.CANNOT_TELL)
    (damage,) = standing(ws)
    assert damage.findings == MELTED.findings


def test_a_confirmed_damage_says_so(ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    say(ws, standing(ws)[0].photo.id, DecisionKind.CONFIRMED)
    (damage,) = standing(ws)
    assert damage.confirmed


def test_a_new_coupler_starts_without(ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    replace_coupler(ws, TECHNICIAN, "H-01", "A", "K-33", "melted")
    assert standing(ws) == []


def test_returning_the_unit_closes_it_and_a_later_photo_opens_it_again(ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1, days_ago=1)
    take_out_of_service(ws, TECHNICIAN, "H-01", "melted")
    assert len(standing(ws)) == 1
    an_hour_ago = datetime.now(UTC) - timedelta(hours=1)
    return_to_service(ws, TECHNICIAN, "H-01", "repaired", now=an_hour_ago)
    assert standing(ws) == []
    send(ws, "H-01", MELTED, 2)
    assert len(standing(ws)) == 1


def test_an_unsure_verdict_is_open_but_not_sure(ws: Workspace) -> None:
    send(ws, "H-01", UNSURE, 1)
    (damage,) = standing(ws)
    assert not damage.sure


def test_nothing_is_open_on_intact_couplers_or_at_an_unknown_site(ws: Workspace) -> None:
    send(ws, "H-01", INTACT, 1)
    assert standing(ws) == []
    with pytest.raises(NotFoundError):
        open_damage(ws, UPLOADER, "elsewhere")
