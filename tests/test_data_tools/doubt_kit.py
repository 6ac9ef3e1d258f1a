"""What the tests of photos in doubt share: a judge with two shades of doubt, photos sent and ruled on."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from data_tools.access import Actor
from data_tools.history import timeline
from data_tools.ingest import ingest
from data_tools.queueing import queue
from data_tools.records import DecisionKind, DecisionRecord, IngestedFile, TrueFinding
from data_tools.review import decide
from data_tools.standing import Stand, State
from data_tools.verify import verify
from data_tools.workspace import Workspace, open_workspace
from model.judgement import Judgement
from model.photo import Photo
from model.vocabulary import FindingKind, Place, Triage
from tests.test_data_tools.store_kit import (
    LEAD,
    OTHER_TECHNICIAN,
    TECHNICIAN,
    UNSURE,
    UPLOADER,
    GreyJudge,
    upload,
)

MORE = 145
"""A grey that is unsure too, and more suspicious than ``UNSURE``."""
_OPENED: list[Workspace] = []
NOON = datetime(2026, 11, 3, 12, tzinfo=UTC)
WEEK = timedelta(days=7)
IS_MELTED = TrueFinding(FindingKind.HEAT_MELTED_HOUSING, Place.BOTTOM)
CANNOT, ASK = DecisionKind.CANNOT_TELL, DecisionKind.SECOND_OPINION
CORRECTED = DecisionKind.CORRECTED


class DoubtJudge(GreyJudge):
    """As ``GreyJudge``, with two shades of doubt."""

    def judge(self, photo: Photo) -> Judgement:
        judged = super().judge(photo)
        if judged.triage is Triage.UNSURE and float(photo.rgb.mean()) > (UNSURE + MORE) / 2:
            chances = {**judged.probabilities, FindingKind.HEAT_MELTED_HOUSING: 0.6}
            return replace(judged, probabilities=chances)
        return judged


def again(ws: Workspace, version: str = "grey-1", **changes: object) -> Workspace:
    ws.close()
    settings = replace(ws.settings, **changes)  # type: ignore[arg-type]
    opened = open_workspace(settings, classifier=DoubtJudge(version))
    _OPENED.append(opened)
    return opened


def close_again() -> None:
    """Close what ``again`` opened."""
    while _OPENED:
        _OPENED.pop().close()


def send_at(
    ws: Workspace, grey: int, seed: int, weeks: float = 0, unit: str = "P3-07", site: str = "north"
) -> IngestedFile:
    sources = [upload(f"{unit}_{seed}.png", grey, seed)]
    (file,) = ingest(ws, UPLOADER, sources, site, now=NOON + weeks * WEEK).files
    return file


def say_of(
    ws: Workspace,
    file: IngestedFile,
    kind: DecisionKind = CORRECTED,
    *found: TrueFinding,
    who: Actor = TECHNICIAN,
) -> DecisionRecord:
    assert file.photo is not None
    assert file.verdict is not None
    return decide(ws, who, file.photo.id, file.verdict.id, kind, found)


def ruled_intact(ws: Workspace, grey: int = UNSURE, seed: int = 1, weeks: float = 0) -> IngestedFile:
    file = send_at(ws, grey, seed, weeks)
    say_of(ws, file)
    return file


def state_now(ws: Workspace, file: IngestedFile) -> State:
    assert file.photo is not None
    entries = [
        e for unit in ("P3-07", "P3-08", "Q1") for e in timeline(ws, UPLOADER, unit).entries if e.photo
    ]
    (state,) = [e.state for e in entries if e.photo and e.photo.id == file.photo.id]
    assert state is not None
    return state


def stand_now(ws: Workspace, file: IngestedFile) -> Stand:
    state = state_now(ws, file)
    assert verify(ws, LEAD).ok
    assert state.queued == (state.stand in (Stand.DOUBTED, Stand.SUSPECTED, Stand.DISPUTED))
    assert [item.photo.id for item in queue(ws, OTHER_TECHNICIAN)].count(number_of(file)) == state.queued
    return state.stand


def number_of(file: IngestedFile) -> int:
    assert file.photo is not None
    return file.photo.id
