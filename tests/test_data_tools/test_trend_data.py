"""The frames come out of a real store as the trends expect them, and fast."""

import time
from datetime import UTC, date, datetime, timedelta

import pandas as pd
import pytest

from data_tools.access import Actor, Role
from data_tools.conditions import observe, replace_coupler, return_to_service, take_out_of_service
from data_tools.ingest import UploadSource, ingest
from data_tools.records import DecisionKind, TrueFinding
from data_tools.rescore import rescore
from data_tools.review import decide, withdraw
from data_tools.settings import Settings
from data_tools.sites import add_site, add_unit, close_site
from data_tools.trend_data import load_frame, load_trends
from data_tools.trends import overdue_units, roster_coverage
from data_tools.trends.frames import BIT_OF_KIND
from data_tools.workspace import Workspace, init_workspace
from model.errors import NotAllowedError
from model.vocabulary import FindingKind, Place
from tests.test_data_tools.big_store import fill
from tests.test_data_tools.paint_judge import PaintJudge, painted

LEAD, SECOND = Actor("edda", Role.LEAD), Actor("mira", Role.TECHNICIAN)
START = datetime(2025, 3, 3, 8, 0, tzinfo=UTC)
MELTED, BROKEN = BIT_OF_KIND[FindingKind.HEAT_MELTED_HOUSING], BIT_OF_KIND[FindingKind.BROKEN_PIN_HOUSING]


@pytest.fixture
def ws(tmp_path):
    workspace = init_workspace(
        Settings(workspace=tmp_path / "store", blind_audit_share=1.0), classifier=PaintJudge()
    )
    add_site(workspace, LEAD, "north", "North Yard", "Etc/GMT-10", now=START)
    for unit in ("u1", "u2"):
        add_unit(workspace, LEAD, "north", unit, part_number="PN-1", installed_on=date(2025, 1, 1), now=START)
    yield workspace
    workspace.close()


def send(ws: Workspace, unit: str, colour: str, at: datetime, seed: int = 0):
    """One photo through the public verb; returns (photo id, verdict id)."""
    name = f"{unit}_{colour}_{seed}_{at:%m%d}.jpg"
    report = ingest(ws, LEAD, [UploadSource(name, painted(colour, seed))], "north", unit_key=unit, now=at)
    file = report.files[0]
    assert file.photo is not None, file.message
    return file.photo.id, file.verdict.id


def test_each_photo_carries_its_coupler_round_and_age(ws):
    late_sunday = datetime(2025, 3, 9, 20, 0, tzinfo=UTC)  # Monday 06:00 at the site
    send(ws, "u1", "green", late_sunday)
    row = load_frame(ws, LEAD).iloc[0]
    assert (row["site"], row["unit"], row["position"], row["family"]) == ("north", "u1", "A", "type1")
    assert row["week"] == pd.Timestamp("2025-03-10")
    assert row["seen_at"] == pd.Timestamp(late_sunday)
    assert row["age_days"] == 67
    assert (row["outcome"], row["triage"], row["model_version"]) == ("scored", "clear", "paint-1")
    assert row["blind_audit"]


def test_what_stands_is_the_latest_decision_else_the_verdict(ws):
    flagged = send(ws, "u1", "red", START)
    corrected = send(ws, "u1", "red", START, seed=1)
    taken_back = send(ws, "u1", "red", START, seed=2)
    unsure = send(ws, "u2", "grey", START)
    told = send(ws, "u2", "grey", START, seed=1)
    dark = send(ws, "u2", "black", START)
    cannot = send(ws, "u2", "blue", START)
    decide(ws, LEAD, *corrected, DecisionKind.CORRECTED)
    withdraw(ws, LEAD, decide(ws, LEAD, *taken_back, DecisionKind.CORRECTED).id)
    decide(ws, LEAD, *told, DecisionKind.CONFIRMED)
    decide(ws, LEAD, *cannot, DecisionKind.CANNOT_TELL)
    photos = load_frame(ws, LEAD).set_index("photo_id")
    kinds = {
        name: photos.loc[ids[0], "kinds"]
        for name, ids in {"f": flagged, "c": corrected, "t": taken_back}.items()
    }
    assert kinds == {"f": MELTED, "c": 0, "t": MELTED}
    assert photos.loc[[unsure[0], told[0], dark[0], cannot[0]], "kinds"].tolist() == [-1, BROKEN, -1, -1]
    assert photos.loc[[unsure[0], told[0], dark[0], cannot[0]], "judged"].tolist() == [
        False,
        True,
        False,
        False,
    ]
    assert photos.loc[[unsure[0], told[0], dark[0], cannot[0]], "usable"].tolist() == [
        True,
        True,
        False,
        False,
    ]
    assert photos.loc[dark[0], ["outcome", "reason"]].tolist() == ["cannot_judge", "too_dark"]
    decisions = load_trends(ws, LEAD).decisions.set_index("photo_id")
    assert decisions.loc[[corrected[0], told[0], cannot[0]], "kinds"].tolist() == [0, BROKEN, -1]
    assert decisions.loc[[corrected[0], told[0], cannot[0]], "model_kinds"].tolist() == [
        MELTED,
        BROKEN,
        BROKEN,
    ]


def test_a_person_can_find_what_the_model_called_clear(ws):
    photo = send(ws, "u1", "green", START)
    decide(
        ws,
        SECOND,
        *photo,
        DecisionKind.CORRECTED,
        [TrueFinding(FindingKind.HEAT_MELTED_HOUSING, Place.BOTTOM)],
    )
    data = load_trends(ws, LEAD)
    row = data.photos.iloc[0]
    assert (row["kinds"], row["decided"]) == (MELTED, True)
    assert data.decisions.iloc[0][["kinds", "model_kinds"]].tolist() == [MELTED, 0]
    assert data.findings.to_dict("records") == [
        {"photo_id": photo[0], "kind": "heat_melted_housing", "place": "bottom", "confirmed": True}
    ]


def test_decisions_that_count_leave_out_the_withdrawn(ws):
    photo = send(ws, "u1", "blue", START)
    decide(ws, LEAD, *photo, DecisionKind.CONFIRMED, seconds=3.5)
    withdraw(ws, SECOND, decide(ws, SECOND, *photo, DecisionKind.CORRECTED).id)
    decisions = load_trends(ws, LEAD).decisions
    assert decisions["decided_by"].tolist() == ["edda"]
    assert decisions[["kinds", "seconds"]].iloc[0].tolist() == [BROKEN, 3.5]


def test_decisions_keep_the_verdict_that_the_person_saw(ws):
    refused, clear = send(ws, "u1", "black", START), send(ws, "u2", "green", START)
    melted = [TrueFinding(FindingKind.HEAT_MELTED_HOUSING, Place.BOTTOM)]
    for photo in (refused, clear):
        decide(ws, LEAD, *photo, DecisionKind.CORRECTED, melted)
    before = load_trends(ws, LEAD).decisions
    assert before[["verdict_id", "model_version", "triage", "kinds", "model_kinds"]].values.tolist() == [
        [refused[1], "paint-1", "", MELTED, -1],
        [clear[1], "paint-1", "clear", MELTED, 0],
    ]
    ws.classifier().version = "paint-2"
    rescore(ws, LEAD)
    data = load_trends(ws, LEAD)
    assert data.photos["model_version"].tolist() == ["paint-2", "paint-2"]
    pd.testing.assert_frame_equal(data.decisions, before)


def test_photos_after_a_replacement_belong_to_the_new_coupler(ws):
    send(ws, "u1", "red", START)
    when = START + timedelta(days=3)
    take_out_of_service(ws, LEAD, "u1", "melted", now=when)
    replace_coupler(ws, LEAD, "u1", "A", "PN-2", "melted", now=when)
    return_to_service(ws, LEAD, "u1", "new coupler", now=when)
    observe(ws, LEAD, "u1", "release_button_sticks", now=when)
    send(ws, "u1", "green", START + timedelta(days=7), seed=1)
    data = load_trends(ws, LEAD)
    assert data.photos["part_number"].tolist() == ["PN-1", "PN-2"]
    assert data.photos["age_days"].tolist() == [61, 4]
    assert data.couplers["number"].tolist() == [1, 1, 2]
    assert data.events["kind"].tolist() == ["out_of_service", "replaced", "returned_to_service"]
    assert data.observations["what"].tolist() == ["release_button_sticks"]
    assert data.units["closed_at"].isna().all()


def test_only_what_was_seen_since(ws):
    send(ws, "u1", "green", START)
    send(ws, "u1", "red", START + timedelta(days=14), seed=1)
    data = load_trends(ws, LEAD, since=START + timedelta(days=1))
    assert len(data.photos) == len(data.findings) == 1


def test_a_closed_site_keeps_its_past_rounds_and_owes_no_more(ws):
    send(ws, "u1", "green", START)
    send(ws, "u2", "green", START + timedelta(days=7), seed=1)
    later = pd.Timestamp(START + timedelta(days=30))

    def due() -> list[list[int]]:
        return roster_coverage(load_trends(ws, LEAD), later).table[["due", "covered"]].values.tolist()

    assert due() == [[2, 1], [2, 1], *[[2, 0]] * 3]
    close_site(ws, LEAD, "north", now=START + timedelta(days=15))
    assert due() == [[2, 1], [2, 1]]
    assert overdue_units(load_trends(ws, LEAD), later).table.empty


def test_an_empty_store_has_the_same_columns(ws):
    empty = load_trends(ws, LEAD)
    send(ws, "u1", "red", START)
    full = load_trends(ws, LEAD)
    for name in ("photos", "findings", "decisions", "couplers", "units", "events"):
        assert list(getattr(empty, name).columns) == list(getattr(full, name).columns), name


def test_only_a_lead_sees_trends(ws):
    with pytest.raises(NotAllowedError):
        load_frame(ws, SECOND)


@pytest.mark.slow
def test_100000_photos_load_within_two_seconds(tmp_path):
    workspace = init_workspace(Settings(workspace=tmp_path / "store"), classifier=PaintJudge())
    fill(workspace, photos=100_000, units=5_000)
    load_frame(workspace, LEAD)
    spent = time.process_time()
    photos = load_frame(workspace, LEAD)
    assert len(photos) == 100_000
    assert time.process_time() - spent < 2.0
    workspace.close()
