"""The demo plays its story through the public verbs; here on painted photos and a judge that reads paint."""

from collections import Counter
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from PIL import Image
from sqlalchemy import func, select

from data_tools import trends
from data_tools.access import Role
from data_tools.database.schema import DecisionRow, PhotoRow, VerdictRow
from data_tools.demo import build as building
from data_tools.demo import build_demo, demo_settings, make_demo
from data_tools.demo.people import CAREFUL, LENIENT, read
from data_tools.demo.samples import SampleBook
from data_tools.demo.story import LEAD, ONSETS, SITES, UNITS, WEEKS, WIRING_FAULT_UNIT, walker_of
from data_tools.ingest import list_rejected, list_waiting
from data_tools.queueing import queue
from data_tools.records import DecisionKind, QueueItem, UnitStatus, VerdictRecord
from data_tools.settings import Settings
from data_tools.sites import list_units
from data_tools.trend_data import load_trends
from data_tools.verify import verify
from data_tools.workspace import init_workspace
from model.errors import ConflictError, ManifestError
from model.families import FAMILIES
from model.judgement import Judgement
from model.photo import open_photo
from model.vocabulary import FindingKind, Outcome, Place
from tests.test_data_tools import painted_samples
from tests.test_data_tools.paint_judge import PaintJudge

NOW = datetime(2025, 10, 22, 15, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def samples(tmp_path_factory):
    return painted_samples.make(tmp_path_factory.mktemp("samples"))


@pytest.fixture(scope="module")
def judge():
    return PaintJudge()


@pytest.fixture(scope="module")
def demo(samples, judge, tmp_path_factory):
    settings = demo_settings(Settings(workspace=tmp_path_factory.mktemp("demo") / "store"))
    ws = init_workspace(settings, classifier=judge)
    shares: list[float] = []
    report = build_demo(ws, samples, progress=lambda share, _words: shares.append(share), now=NOW)
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    yield ws, report
    ws.close()


@pytest.fixture(scope="module")
def data(demo):
    return load_trends(demo[0], LEAD)


def test_three_sites_a_dozen_units_each_and_half_a_year(demo, data):
    _, report = demo
    assert (report.sites, report.units, report.weeks) == (3, 36, 26)
    assert Counter(data.units["site"]) == {"mill": 12, "quay": 12, "ridge": 12}
    assert data.photos["week"].nunique() == WEEKS
    assert report.photos == len(data.photos) > 600


def test_every_verdict_was_computed_by_the_model_on_its_own_photo(demo, judge):
    ws, report = demo
    with ws.read() as session:
        verdicts = session.scalar(select(func.count()).select_from(VerdictRow))
        photos = session.scalars(select(PhotoRow)).all()
        said = {row.photo_id: row.outcome for row in session.scalars(select(VerdictRow))}
    assert verdicts == len(photos) == report.photos
    assert judge.judged >= verdicts
    assert len({photo.sha256 for photo in photos}) == len(photos)
    for photo in photos[:: len(photos) // 20]:
        again = PaintJudge().judge(open_photo(ws.photos.get(photo.sha256)))
        assert again.outcome is said[photo.id]


def test_the_wiring_fault_melts_the_same_contact_of_the_next_coupler(data):
    again = trends.recurrence(data).table
    melted = again[again["kind"] == "heat_melted_housing"]
    assert melted["unit"].tolist() == [WIRING_FAULT_UNIT]
    assert melted["confirmed"].all()


def test_the_bad_part_loses_its_latch_earlier(data):
    figure = trends.time_to_first_damage(data, "part_number", FindingKind.MISSING_LATCH)
    lives = trends.coupler_lifetimes(data, FindingKind.MISSING_LATCH)
    lost = lives[lives["event"]].groupby("part_number").size()
    assert lost["T1-BIRCH"] >= 8
    assert lost.get("T1-ALDER", 0) <= 1
    assert not figure.groups.set_index("group").loc["T1-BIRCH", "needed"]


def test_the_quiet_site_is_covered_poorly(data):
    table = trends.roster_coverage(data).table
    totals = table.groupby("site")[["due", "covered"]].sum()
    covered = (totals["covered"] / totals["due"]).to_dict()
    assert covered["ridge"] < 0.75
    assert min(covered["quay"], covered["mill"]) > 0.85


def test_two_technicians_read_alike_but_not_the_same(data):
    table = trends.technicians(data).table.set_index("about")
    pair = table.loc["Mira Tolling and Osk Varren"]
    assert pair["n"] >= 20
    assert 0.7 < pair["agreed"] < 1.0


def test_the_blind_audit_is_large_enough_for_a_miss_rate(data):
    assert trends.miss_rate(data).enough


def test_the_last_rounds_wait_for_a_technician(demo):
    ws, _ = demo
    waiting = queue(ws, LEAD, limit=500)
    assert len(waiting) >= 8
    assert any(item.triage == "flag" for item in waiting)
    assert len(list_waiting(ws, LEAD)) == 1
    assert len(list_rejected(ws, LEAD)) == 1


def test_nobody_does_anything_in_the_future_and_nothing_on_a_unit_out_of_service(demo, data):
    ws, _ = demo
    with ws.read() as session:
        assert session.scalar(select(func.max(DecisionRow.decided_at))) <= NOW
        assert session.scalar(select(func.max(PhotoRow.received_at))) <= NOW + timedelta(hours=1)
    out = {unit.key for unit in list_units(ws, LEAD) if unit.status is UnitStatus.OUT_OF_SERVICE}
    last_event = data.events.groupby("unit").tail(1).set_index("unit")
    for key in out:
        photographed = data.photos.loc[data.photos["unit"] == key, "seen_at"]
        assert (photographed <= last_event.loc[key, "done_at"]).all()


def test_the_store_of_the_demo_is_sound(demo):
    assert verify(demo[0], LEAD).ok


def test_the_demo_is_not_played_twice_into_one_workspace(demo, samples):
    with pytest.raises(ConflictError):
        build_demo(demo[0], samples, now=NOW)


def test_a_build_that_is_interrupted_leaves_no_half_demo(tmp_path, samples, monkeypatch):
    monkeypatch.setattr(building, "WEEKS", 3)
    folder = tmp_path / "a demo"

    def stop(share: float, _words: str) -> None:
        if share > 0.5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        make_demo(folder, samples, now=NOW, progress=stop, classifier=PaintJudge())
    assert list(tmp_path.iterdir()) == []
    made = make_demo(folder, samples, now=NOW, classifier=PaintJudge())
    photos = len(load_trends(made, LEAD).photos)
    made.close()
    judge = PaintJudge()
    opened = make_demo(folder, samples, now=NOW, classifier=judge)
    assert len(load_trends(opened, LEAD).photos) == photos > 50
    assert judge.judged == 0
    opened.close()


def test_a_folder_that_holds_something_else_is_left_alone(tmp_path, samples):
    (tmp_path / "letter.txt").write_text("mine")
    with pytest.raises(ConflictError):
        make_demo(tmp_path, samples, classifier=PaintJudge())
    assert (tmp_path / "letter.txt").read_text() == "mine"


def test_the_same_samples_and_day_give_the_same_photos(tmp_path, samples, monkeypatch):
    monkeypatch.setattr(building, "WEEKS", 2)
    hashes = []
    for name in ("one", "two"):
        ws = make_demo(tmp_path / name, samples, now=NOW, classifier=PaintJudge())
        with ws.read() as session:
            hashes.append(sorted(session.scalars(select(PhotoRow.sha256))))
        ws.close()
    assert hashes[0] == hashes[1]


def test_samples_that_cannot_be_used_are_refused(tmp_path):
    with pytest.raises(ManifestError):
        SampleBook(painted_samples.make(tmp_path / "s", intact=0))
    with pytest.raises(ManifestError):
        SampleBook(tmp_path / "missing")
    folder = painted_samples.make(tmp_path / "gap")
    (folder / "red-1-0.jpg").unlink()
    with pytest.raises(ManifestError, match="red-1-0"):
        SampleBook(folder)


def test_a_variant_is_the_same_view_with_its_own_bytes_and_time(samples):
    book = SampleBook(samples)
    photo = book.damaged("type1", FindingKind.HEAT_MELTED_HOUSING)[0].photos[0]
    taken = datetime(2025, 5, 5, 8, 30)
    one, two = book.variant(photo, [1], taken), book.variant(photo, [2], taken)
    assert one == book.variant(photo, [1], taken) != two
    first, original = open_photo(one), open_photo(samples / photo.file)
    assert first.taken_at.replace(tzinfo=None) == taken
    assert 0.94 * original.full_width <= first.full_width <= original.full_width
    same_size = np.asarray(Image.fromarray(first.rgb).resize(original.rgb.shape[1::-1]), float)
    assert np.abs(same_size - original.rgb).mean() < 12


def _item(judgement: Judgement) -> QueueItem:
    verdict = VerdictRecord(1, 1, NOW, "v", judgement)
    return QueueItem(photo=None, verdict=verdict, unit=None, triage=None, priority=0.0, blind_audit=False)


def test_no_reader_passes_over_a_melted_housing_and_only_the_lenient_passes_breaks():
    random = np.random.default_rng(0)
    item = _item(Judgement(Outcome.SCORED, "v"))
    melted = frozenset({(FindingKind.HEAT_MELTED_HOUSING, Place.BOTTOM)})
    broken = frozenset({(FindingKind.BROKEN_PIN_HOUSING, Place.BOTTOM)})
    for reader in (CAREFUL, LENIENT):
        said = [read(reader, melted, item, random) for _ in range(300)]
        assert all(reading.findings for reading in said if reading.kind is not DecisionKind.CANNOT_TELL)
    passed = [
        sum(read(reader, broken, item, random).kind is DecisionKind.CONFIRMED for _ in range(500)) / 500
        for reader in (CAREFUL, LENIENT)
    ]
    assert passed[0] < 0.08 < 0.15 < passed[1] < 0.3


def test_the_story_names_only_what_it_has():
    keys = {unit.key for unit in UNITS}
    assert len(keys) == 36
    assert {onset.unit for onset in ONSETS} <= keys
    assert all(0 < onset.week < WEEKS for onset in ONSETS)
    assert {unit.family for unit in UNITS} <= set(FAMILIES)
    assert {site.walker.role for site in SITES} == {Role.UPLOADER}
    assert walker_of("R-03").name == SITES[2].walker.name
    assert pd.Series([onset.kind for onset in ONSETS]).nunique() == len(FindingKind)
