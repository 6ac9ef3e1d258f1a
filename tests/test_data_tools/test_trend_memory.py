"""The kept frames are those of the store at any moment, and only what is new is read."""

from contextlib import suppress
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from sqlalchemy import update

from data_tools import trend_memory
from data_tools.access import Actor, Role
from data_tools.conditions import observe, replace_coupler, return_to_service, take_out_of_service
from data_tools.database.schema import CouplerRow, PhotoStateRow
from data_tools.ingest import UploadSource, ingest
from data_tools.records import DecisionKind, TrueFinding
from data_tools.refile import refile
from data_tools.rescore import rescore
from data_tools.review import decide, withdraw
from data_tools.settings import Settings
from data_tools.sites import add_site, add_unit, close_site
from data_tools.trend_data import load_trends
from data_tools.trend_memory import TrendMemory
from data_tools.trends import (
    By,
    Topic,
    TrendData,
    attention,
    between,
    damage_rate,
    miss_rate,
    overdue_units,
    recurrence,
    roster_coverage,
    technician_and_model,
    technicians,
    time_to_first_damage,
    weekly_watch,
)
from data_tools.workspace import Workspace, init_workspace
from model.errors import ConflictError, NotAllowedError
from model.vocabulary import FindingKind, Place
from tests.test_data_tools.invented_trends import two_sites
from tests.test_data_tools.paint_judge import PaintJudge, painted

LEAD, TECHNICIAN = Actor("edda", Role.LEAD), Actor("mira", Role.TECHNICIAN)
START = datetime(2025, 3, 3, 8, 0, tzinfo=UTC)
FRAMES = ("photos", "findings", "decisions", "couplers", "units", "events", "observations")
UNITS = ("u1", "u2", "u3")


class Walk:
    """A workspace in which things happen, one after the other."""

    def __init__(self, ws: Workspace, judge: PaintJudge) -> None:
        self.ws, self.judge, self.steps = ws, judge, 0
        self.photos: list[tuple[int, int]] = []
        self.decisions: list[tuple[int, Actor]] = []

    @property
    def now(self) -> datetime:
        self.steps += 1
        return START + timedelta(days=self.steps)

    def send(self, unit: str = "u1", colour: str = "red") -> tuple[int, int]:
        now = self.now
        source = UploadSource(f"{unit}_{self.steps}.jpg", painted(colour, self.steps, now))
        file = ingest(self.ws, LEAD, [source], "north", unit_key=unit, now=now).files[0]
        assert file.photo is not None
        assert file.verdict is not None
        self.photos.append((file.photo.id, file.verdict.id))
        return self.photos[-1]

    def say(self, photo: tuple[int, int], kind: DecisionKind, found: bool = False) -> None:
        findings = [TrueFinding(FindingKind.HEAT_MELTED_HOUSING, Place.BOTTOM)] if found else []
        who = LEAD if self.steps % 2 else TECHNICIAN
        self.decisions.append((decide(self.ws, who, *photo, kind, findings, now=self.now).id, who))

    def move(self, photo: int, unit: str) -> None:
        with suppress(ConflictError):  # it is there already
            refile(self.ws, TECHNICIAN, photo, unit, "x", now=self.now)

    def step(self, random: np.random.Generator) -> None:
        """Do one thing at random."""
        unit = UNITS[random.integers(3)]
        what = random.integers(10)
        if what <= 2 or not self.photos:
            self.send(unit, ("red", "green", "blue", "grey", "black")[random.integers(5)])
        elif what <= 5:
            kind = (DecisionKind.CORRECTED, DecisionKind.CANNOT_TELL, DecisionKind.SECOND_OPINION)[what - 3]
            found = kind is DecisionKind.CORRECTED and bool(random.integers(2))
            self.say(self.photos[random.integers(len(self.photos))], kind, found)
        elif what == 6 and self.decisions:
            decision, who = self.decisions.pop()
            withdraw(self.ws, who, decision, now=self.now)
        elif what == 7:
            self.move(self.photos[random.integers(len(self.photos))][0], unit)
        elif what == 8:
            observe(self.ws, LEAD, unit, "release_button_sticks", now=self.now)
        else:
            take_out_of_service(self.ws, LEAD, unit, "x", now=self.now)
            if random.integers(2):
                replace_coupler(self.ws, LEAD, unit, "A", "PN-2", "x", now=self.now)
            return_to_service(self.ws, LEAD, unit, "x", now=self.now)


@pytest.fixture
def walk(tmp_path):
    judge = PaintJudge()
    ws = init_workspace(Settings(workspace=tmp_path / "store", blind_audit_share=0.5), classifier=judge)
    add_site(ws, LEAD, "north", "North Yard", "UTC", now=START)
    for unit in UNITS:
        add_unit(ws, LEAD, "north", unit, part_number="PN-1", installed_on=date(2025, 1, 1), now=START)
    yield Walk(ws, judge)
    ws.close()


def assert_same(kept: TrendData, store: TrendData) -> None:
    for name in FRAMES:
        pd.testing.assert_frame_equal(getattr(kept, name), getattr(store, name), check_like=True)


@pytest.mark.parametrize("seed", range(3))
def test_whatever_happens_the_kept_frames_are_those_of_the_store(walk, seed):
    random, memory = np.random.default_rng(seed), TrendMemory()
    assert memory.current(walk.ws, LEAD).photos.empty
    for _ in range(30):
        walk.step(random)
        assert_same(memory.current(walk.ws, LEAD), load_trends(walk.ws, LEAD))


def test_an_unchanged_store_gives_the_same_frames_and_the_same_notices(walk):
    memory = TrendMemory()
    walk.send()
    first = memory.current(walk.ws, LEAD)
    now = START + timedelta(days=30)
    notices = memory.notices(walk.ws, LEAD, now)
    assert [notice.topic for notice in notices] == [Topic.ROUNDS]
    assert memory.current(walk.ws, LEAD) is first
    assert memory.notices(walk.ws, LEAD, now + timedelta(minutes=1)) is notices
    assert memory.notices(walk.ws, LEAD, now + timedelta(days=1)) != notices
    walk.send("u2", "green")
    assert memory.current(walk.ws, LEAD) is not first


def test_only_photos_with_new_records_are_read(walk, monkeypatch):
    memory, read = TrendMemory(), []
    real = trend_memory.photos_frame

    def counted(*given: object) -> pd.DataFrame:
        frame = real(*given)
        read.append(frame["photo_id"].tolist())
        return frame

    monkeypatch.setattr(trend_memory, "photos_frame", counted)
    sent = [walk.send(unit) for unit in UNITS]
    memory.current(walk.ws, LEAD)
    walk.say(sent[1], DecisionKind.CORRECTED)
    memory.current(walk.ws, LEAD)
    new = walk.send()
    memory.current(walk.ws, LEAD)
    observe(walk.ws, LEAD, "u1", "release_button_sticks", now=walk.now)
    memory.current(walk.ws, LEAD)
    assert read == [[photo for photo, _ in sent], [sent[1][0]], [new[0]], []]


def test_photos_judged_again_carry_the_new_version(walk):
    memory = TrendMemory()
    for unit in UNITS:
        walk.send(unit)
    memory.current(walk.ws, LEAD)
    walk.judge.version = "paint-2"
    rescore(walk.ws, LEAD)
    kept = memory.current(walk.ws, LEAD)
    assert kept.photos["model_version"].tolist() == ["paint-2"] * 3
    assert_same(kept, load_trends(walk.ws, LEAD))


@pytest.mark.parametrize(
    "change",
    [
        update(PhotoStateRow).values(judged=False),
        update(PhotoStateRow)
        .where(PhotoStateRow.photo_id == 2)
        .values(heat_melted_housing=False, findings=[]),
        update(PhotoStateRow).values(findings=[{"kind": "heat_melted_housing", "place": "bottom"}]),
        update(CouplerRow).values(part_number="PN-7"),
    ],
    ids=["states", "one flag", "places alone", "part number"],
)
def test_what_is_put_right_without_a_new_record_is_seen_too(walk, change):
    memory = TrendMemory()
    for unit in UNITS:
        walk.send(unit)
    before = memory.current(walk.ws, LEAD)
    with walk.ws.write() as session:
        session.execute(change)
    if "part_number" in str(change):
        walk.send()  # nothing in the product changes it, so that it is looked at only with new records
    kept = memory.current(walk.ws, LEAD)
    assert kept is not before
    assert_same(kept, load_trends(walk.ws, LEAD))


def test_a_closed_site_is_seen(walk):
    memory = TrendMemory()
    assert memory.current(walk.ws, LEAD).units["closed_at"].isna().sum() == len(UNITS)
    close_site(walk.ws, LEAD, "north")
    assert memory.current(walk.ws, LEAD).units["closed_at"].notna().sum() == len(UNITS)


def test_only_a_lead_sees_what_is_kept(walk):
    memory = TrendMemory()
    memory.current(walk.ws, LEAD)
    for look in (memory.current, memory.notices):
        with pytest.raises(NotAllowedError):
            look(walk.ws, TECHNICIAN)


def test_no_figure_changes_the_frames_that_all_share():
    data = two_sites(weeks=14).data()
    before = {name: getattr(data, name).copy(deep=True) for name in FRAMES}
    now = pd.Timestamp("2025-06-02", tz="UTC")
    attention(data, now)
    for by in By:
        damage_rate(data, by)
    for look in (recurrence, roster_coverage, weekly_watch, technician_and_model, technicians, miss_rate):
        look(data)
    overdue_units(data, now)
    time_to_first_damage(data)
    between(data, pd.Timestamp("2025-01-13"), now.tz_localize(None))
    for name, frame in before.items():
        pd.testing.assert_frame_equal(getattr(data, name), frame)
