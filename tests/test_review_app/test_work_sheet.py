"""The work sheet: all that is known of a unit's damage, in the words of who said it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from data_tools.conditions import CAUTIONS, take_out_of_service
from data_tools.history import timeline
from data_tools.records import DecisionKind
from data_tools.rescore import rescore
from data_tools.review import decide, queue
from data_tools.sites import list_sites
from data_tools.workspace import Workspace
from model.judgement import Judgement
from model.photo import Photo
from model.vocabulary import Label, Triage
from review_app.widgets.work_sheet import work_sheet
from tests.test_review_app.conftest import OpenApp
from tests.test_review_app.fakes import FakeClassifier, Scene
from tests.test_review_app.reading import page_words, sheet_of
from tests.test_review_app.scenario import BLURRED, LEAD, MELTED, TECHNICIAN, UPLOADER, send

HOSTILE = "<script>alert(1)</script> =HYPERLINK(1)"


class Newer(FakeClassifier):
    """Finds nothing."""

    version = "newer"

    def judge(self, photo: Photo) -> Judgement:
        """Judge one photo."""
        return replace(super().judge(photo), findings=(), triage=Triage.CLEAR, label=Label.INTACT)


def test_the_work_sheet_has_everything_inside_and_runs_nothing(ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    take_out_of_service(ws, TECHNICIAN, "H-01", HOSTILE)
    (site,) = list_sites(ws, LEAD)
    sheet = work_sheet(
        timeline(ws, LEAD, "H-01"), site, HOSTILE, CAUTIONS, lambda photo: ws.photos.thumbnail(photo.sha256)
    )
    assert "<script" not in sheet
    assert "&lt;script&gt;" in sheet
    assert "http://" not in sheet.replace("http://www.w3.org/2000/svg", "")
    assert "https://" not in sheet
    assert sheet.count("data:image/jpeg;base64,") == 1
    assert sheet.count("data:image/svg+xml;base64,") == 1
    assert "housing melted by heat, upper left" in sheet
    assert all(caution in sheet for caution in CAUTIONS)


@pytest.mark.parametrize(
    ("scene", "kind", "words"),
    [
        (MELTED, DecisionKind.SECOND_OPINION, "Ivo Tamm: asked for a second opinion."),
        (MELTED, DecisionKind.CANNOT_TELL, "Ivo Tamm: cannot tell from this photo."),
        (BLURRED, DecisionKind.CONFIRMED, "Ivo Tamm: this photo cannot be judged."),
        (MELTED, DecisionKind.CORRECTED, "Ivo Tamm: no damage seen."),
    ],
)
def test_no_damage_seen_is_said_only_of_who_saw_none(
    open_app: OpenApp, ws: Workspace, scene: Scene, kind: DecisionKind, words: str
) -> None:
    send(ws, "H-01", scene, 1)
    (photo,) = [entry for entry in timeline(ws, LEAD, "H-01").entries if entry.photo]
    (verdict,) = [entry.verdict for entry in timeline(ws, LEAD, "H-01").entries if entry.verdict]
    assert photo.photo is not None
    decide(ws, TECHNICIAN, photo.photo.id, verdict.id, kind)
    seen = kind is DecisionKind.CORRECTED
    app = open_app(UPLOADER)
    app.query_params["unit"] = "H-01"
    sheet, history = sheet_of(ws, "H-01"), page_words(app.switch_page("screens/unit.py").run())
    assert words in sheet
    assert ("no damage seen" in sheet.lower(), "no damage seen" in history.lower()) == (seen, seen)


def test_the_work_sheet_tells_the_verdict_that_stands(ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1)
    ws.load_judge, ws._judge = (lambda _path: Newer()), None
    assert rescore(ws, LEAD).count == 1
    assert "Model: housing melted by heat, upper left." in sheet_of(ws, "H-01")
    (item,) = queue(ws, TECHNICIAN)
    decide(ws, TECHNICIAN, item.photo.id, item.verdict.id, DecisionKind.CONFIRMED)
    assert "Model: no damage seen. Ivo Tamm: housing melted by heat" in sheet_of(ws, "H-01")
