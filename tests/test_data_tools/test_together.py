"""Moves, disputes, versions and upgrades together: what one of them says holds in all the others."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Event
from time import sleep
from typing import Any

import pytest
from alembic import command
from sqlalchemy import delete, insert, inspect, select

from data_tools import intake
from data_tools import workspace as workspaces
from data_tools.access import Actor
from data_tools.conditions import replace_coupler
from data_tools.database import engine as engines
from data_tools.database.base import Base
from data_tools.database.schema import EventRow, PhotoRow, PhotoStateRow, VerdictRow
from data_tools.evidence_view import evidence_view
from data_tools.ingest import ingest
from data_tools.open_damage import open_damage
from data_tools.records import DecisionKind, EventKind, IngestedFile, TrueFinding
from data_tools.refile import refile
from data_tools.report import monthly_report
from data_tools.rescore import rescore
from data_tools.review import decide, queue
from data_tools.sites import get_unit
from data_tools.training_set import freeze
from data_tools.trend_data import load_trends
from data_tools.trend_memory import TrendMemory
from data_tools.trends import By, damage_rate, miss_rate
from data_tools.verify import verify
from data_tools.workspace import Workspace, open_workspace
from model.judgement import Judgement
from model.manifest import read_manifest
from model.photo import Photo
from model.vocabulary import FindingKind, Label, Place, Triage
from tests.test_data_tools.store_kit import (
    CLEAR,
    LEAD,
    MELTED,
    OTHER_TECHNICIAN,
    TECHNICIAN,
    UNSURE,
    UPLOADER,
    GreyJudge,
    furnished,
    settings_for,
    upload,
)

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)
IS_MELTED = TrueFinding(FindingKind.HEAT_MELTED_HOUSING, Place.BOTTOM)
ASK, CANNOT, CORRECTED = DecisionKind.SECOND_OPINION, DecisionKind.CANNOT_TELL, DecisionKind.CORRECTED


class Mild(GreyJudge):
    """A newer version that finds nothing."""

    def judge(self, photo: Photo) -> Judgement:
        chances = dict.fromkeys(FindingKind, 0.01)
        judged = replace(super().judge(photo), findings=(), probabilities=chances)
        return replace(judged, label=Label.INTACT, triage=Triage.CLEAR)


def _sent(ws: Workspace, grey: int, name: str = "P3-07.png", seed: int = 1) -> IngestedFile:
    (file,) = ingest(ws, UPLOADER, [upload(name, grey, seed)], "north", now=NOON).files
    return file


def _say(ws: Workspace, who: Actor, file: IngestedFile, kind: DecisionKind, *found: TrueFinding) -> None:
    assert file.photo is not None
    assert file.verdict is not None
    decide(ws, who, file.photo.id, file.verdict.id, kind, found)


@pytest.fixture
def newer(ws: Workspace) -> Iterator[Workspace]:
    """The same workspace with a newer version live."""
    opened = open_workspace(ws.settings, classifier=Mild("grey-2"))
    yield opened
    opened.close()


def test_the_report_counts_photos_that_people_spoke_of_settled_or_not(ws: Workspace) -> None:
    for seed in (1, 2, 3):
        file = _sent(ws, MELTED, f"P3-07_{seed}.png", seed)
        if seed > 1:
            _say(ws, TECHNICIAN, file, CORRECTED)
    _say(ws, OTHER_TECHNICIAN, file, CANNOT)
    report = monthly_report(ws, LEAD, "2026-03", now=NOON + timedelta(days=60))
    assert "<dt>Decisions</dt><dd>2</dd>" in report


@pytest.mark.parametrize("grey", [MELTED, UNSURE])
def test_a_person_who_saw_none_and_asks_has_confirmed_no_damage(ws: Workspace, grey: int) -> None:
    file = _sent(ws, grey)
    _say(ws, TECHNICIAN, file, CORRECTED)
    _say(ws, TECHNICIAN, file, ASK)
    data = load_trends(ws, LEAD)
    for by in (By.SITE, By.PLACE):
        table = damage_rate(data, by).table
        assert table["confirmed"].sum() == 0
        assert table["damaged"].sum() == (1 if grey == MELTED else 0)


def test_a_clear_photo_with_an_open_question_is_not_counted_as_audited(tmp_path: Path) -> None:
    ws = furnished(tmp_path, blind_audit_share=1.0)
    file = _sent(ws, CLEAR)
    _say(ws, TECHNICIAN, file, CORRECTED)
    assert miss_rate(load_trends(ws, LEAD)).n == 1
    _say(ws, TECHNICIAN, file, ASK)
    assert miss_rate(load_trends(ws, LEAD)).n == 0
    _say(ws, OTHER_TECHNICIAN, file, CORRECTED, IS_MELTED)
    assert miss_rate(load_trends(ws, LEAD)).table["missed"].iloc[0] == 1
    ws.close()


def test_a_photo_that_comes_in_while_its_coupler_is_swapped_hides_no_damage(
    ws: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    coming, swapping, real = Event(), Event(), intake.add_verdict

    def slow(*given: Any) -> VerdictRow:
        coming.set()
        swapping.wait(5)
        sleep(0.5)
        return real(*given)

    monkeypatch.setattr(intake, "add_verdict", slow)
    with ThreadPoolExecutor() as pool:
        photo = pool.submit(_sent, ws, MELTED)
        assert coming.wait(20)
        morning, evening = NOON - timedelta(hours=4), NOON + timedelta(hours=4)
        new = {"part_number": "PN-2", "reason": "worn", "swapped_at": morning, "now": evening}
        swap = pool.submit(replace_coupler, ws, TECHNICIAN, "P3-07", "A", **new)
        swapping.set()
        assert photo.result().photo is not None
        assert swap.result().new_coupler_id is not None
    assert [damage.photo.coupler_id for damage in open_damage(ws, UPLOADER)] == [swap.result().new_coupler_id]


def test_a_move_that_was_entered_late_is_in_the_kept_frames(ws: Workspace) -> None:
    """A database server may show a record after others with higher numbers."""
    file, memory = _sent(ws, MELTED), TrendMemory()
    (target,) = get_unit(ws, LEAD, "P3-08").couplers
    (unit,) = [get_unit(ws, LEAD, "P3-07")]
    assert file.photo is not None
    row = {"reason": "x", "done_by": "Tom", "done_at": NOON, "unit_id": unit.id}
    with ws.write() as session:
        session.add(EventRow(id=9, kind=EventKind.OUT_OF_SERVICE, **row))
    memory.current(ws, LEAD)
    with ws.write() as session:
        photo = session.get_one(PhotoRow, file.photo.id)
        event = EventRow(id=8, kind=EventKind.REFILED, photo_id=photo.id, coupler_id=photo.coupler_id, **row)
        event.new_coupler_id = photo.coupler_id = target.id
        session.add(event)
    assert load_trends(ws, LEAD).photos["unit"].tolist() == ["P3-08"]
    assert memory.current(ws, LEAD).photos["unit"].tolist() == ["P3-08"]


def test_damage_that_a_newer_version_calls_clear_joins_the_never_regress_list(
    ws: Workspace, newer: Workspace
) -> None:
    _sent(ws, MELTED)
    assert rescore(newer, LEAD).count == 1
    (item,) = queue(newer, TECHNICIAN)
    decide(newer, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED)
    frozen = freeze(newer, LEAD)
    assert [p.file for p in read_manifest(frozen.never_regress)] == [f"photos/{item.photo.sha256}"]


def test_evidence_is_of_the_verdict_that_stands_or_none(
    ws: Workspace, newer: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = _sent(ws, MELTED)
    assert file.photo is not None
    monkeypatch.setattr("data_tools.evidence_view._coloured", lambda *_: b"coloured")
    assert evidence_view(ws, TECHNICIAN, file.photo.id) == b"coloured"
    rescore(newer, LEAD)
    assert queue(newer, TECHNICIAN)[0].verdict.model_version == "grey-1"
    assert evidence_view(newer, TECHNICIAN, file.photo.id) is None


def _older(ws: Workspace, folder: Path, revision: str) -> None:
    """Today's records in the tables of an older revision."""
    folder.mkdir(parents=True)
    older = engines.make_engine(f"sqlite:///{folder / 'store.db'}")
    with older.begin() as target, ws.engine.connect() as source:
        engines._run(target, lambda config: command.upgrade(config, revision))
        there = set(inspect(target).get_table_names())
        for table in Base.metadata.sorted_tables:
            if table.name not in there:
                continue
            names = {column["name"] for column in inspect(target).get_columns(table.name)}
            target.execute(delete(table))
            for row in source.execute(select(table)).mappings():
                target.execute(insert(table), {name: row[name] for name in names if name in row})
    older.dispose()


def _stands(ws: Workspace) -> list[tuple[object, ...]]:
    with ws.read() as session:
        rows = session.execute(select(PhotoStateRow.__table__).order_by(PhotoStateRow.photo_id))
        return [tuple(row) for row in rows]


@pytest.mark.parametrize("revision", ["0001", "0002", "0003", "0004", "0005"])
def test_a_store_of_any_age_is_brought_up_to_date_at_once(tmp_path: Path, revision: str) -> None:
    ws = furnished(tmp_path / "now", database_url="")
    if revision >= "0002":
        for seed, grey in enumerate((MELTED, CLEAR, UNSURE, MELTED)):
            _sent(ws, grey, f"P3-07_{seed}.png", seed)
        first, second, *_ = queue(ws, TECHNICIAN)
        for who, item, kind in (
            (TECHNICIAN, first, DecisionKind.CONFIRMED),
            (OTHER_TECHNICIAN, first, CORRECTED),
            (TECHNICIAN, second, CANNOT),
        ):
            decide(ws, who, item.photo.id, item.verdict.id, kind)
    settings = settings_for(tmp_path / "older", database_url="")
    _older(ws, settings.workspace, revision)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(workspaces, "fold_missing", _killed)
        with pytest.raises(KeyboardInterrupt):
            open_workspace(settings, classifier=GreyJudge())
    for _ in range(2):
        opened = open_workspace(settings, classifier=GreyJudge())
        assert engines.is_current(opened.engine)
        assert _stands(opened) == _stands(ws)
        assert len(open_damage(opened, LEAD)) == len(open_damage(ws, LEAD))
        assert [p.kind for p in verify(opened, LEAD).problems if p.kind != "missing"] == []
        opened.close()
    opened = open_workspace(settings, classifier=GreyJudge())
    file = _sent(opened, MELTED, "P3-07.png", 77)
    assert file.photo is not None
    refile(opened, TECHNICIAN, file.photo.id, "P3-08", "wrong unit", now=NOON + timedelta(hours=1))
    assert "P3-08" in {damage.photo.unit_key for damage in open_damage(opened, LEAD)}
    opened.close()
    ws.close()


def _killed(*_given: object) -> None:
    raise KeyboardInterrupt
