"""Units and Act say what holds a unit up, and which couplers are entered as another family than they show."""

from __future__ import annotations

import pytest

from data_tools.coupler_family import FamilyDoubt
from data_tools.sites import get_unit
from data_tools.workspace import Workspace
from review_app.errands import family_doubt
from tests.test_review_app.conftest import OpenApp
from tests.test_review_app.reading import page_words
from tests.test_review_app.scenario import INTACT, LEAD, MELTED, TECHNICIAN, UNSURE, UPLOADER, send
from tests.test_review_app.test_act_and_unit import submit, write


def test_act_counts_the_units_in_doubt_that_review_holds(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", UNSURE, 1)
    assert "1** in doubt, not to be used until a technician has looked" in page_words(
        open_app(TECHNICIAN, "act")
    )


def test_a_coupler_entered_as_another_family_is_told_and_corrected(
    open_app: OpenApp, ws: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = [FamilyDoubt("H-01", "A", "type1", "type2"), FamilyDoubt("H-02", "A", "type1", "type2")]
    monkeypatch.setattr(family_doubt, "families_in_doubt", lambda *_given: found)
    words = page_words(open_app(UPLOADER, "unit"))
    assert "Coupler A is entered as Type 1, but its last photos look like Type 2." in words
    assert "tell the technician" in words
    app = open_app(TECHNICIAN, "unit")
    assert any("look like another connector family than entered: H" in c.value for c in app.caption)
    submit(app, family_doubt.CORRECT)
    assert "Write how you know." in page_words(app)
    write(app, "two rows of contacts", "family_why")
    submit(app, family_doubt.CORRECT)
    assert get_unit(ws, LEAD, "H-01").couplers[0].family == "type2"
    assert app.success[0].value.startswith("Corrected")


def test_units_says_that_a_unit_in_service_is_not_to_be_used(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-01", MELTED, 1, days_ago=2)
    send(ws, "H-01", INTACT, 2)
    words = page_words(open_app(UPLOADER, "unit"))
    assert words.index("Do not use") < words.index("Then and now")
    assert "not yet confirmed or ruled out" in words.replace("\\", "")
