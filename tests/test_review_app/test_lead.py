"""Trends and models: figures with their n, words instead of thin drawings, and moves of the live model."""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace

import pandas as pd
import pytest
from streamlit.testing.v1 import AppTest

from data_tools.trends import Figure
from data_tools.workspace import Workspace
from review_app.widgets import charts
from review_app.widgets.model_card import card_table
from tests.test_review_app.conftest import OpenApp
from tests.test_review_app.reading import page_words
from tests.test_review_app.scenario import INTACT, LEAD, send, send_weeks

TABS = [
    "What needs you",
    "Damage",
    "Sites and weeks",
    "Time to first damage",
    "Comes back",
    "Rounds",
    "Trust in the model",
]


def drawings(app: AppTest) -> int:
    """Return how many charts are on the page."""
    return len(app.get("arrow_vega_lite_chart"))


def test_nothing_is_drawn_from_too_little(open_app: OpenApp, ws: Workspace) -> None:
    send_weeks(ws, 2)
    app = open_app(LEAD, "trends")
    app.pills(key="trend_tab").set_value("Damage").run()
    words = page_words(app)
    assert "Not enough yet" in words
    assert "n = 6" in words
    assert drawings(app) == 0


@pytest.mark.parametrize("tab", TABS)
def test_every_tab_says_its_n(open_app: OpenApp, ws: Workspace, tab: str) -> None:
    send_weeks(ws, 2)
    app = open_app(LEAD, "trends")
    app.pills(key="trend_tab").set_value(tab).run()
    assert not app.exception
    words = page_words(app)
    assert words.count("n = ") >= 1
    assert words.count("Counted:") == words.count("n = ")


def test_an_empty_store_has_words_for_every_tab(open_app: OpenApp) -> None:
    app = open_app(LEAD, "trends")
    for tab in [*TABS, "Monthly report"]:
        app.pills(key="trend_tab").set_value(tab).run()
        assert not app.exception
        assert "went wrong" not in page_words(app)


def test_the_monthly_report_can_be_made(open_app: OpenApp, ws: Workspace) -> None:
    send_weeks(ws, 6)
    app = open_app(LEAD, "trends")
    app.pills(key="trend_tab").set_value("Monthly report").run()
    next(button for button in app.button if button.label == "Make the report").click().run()
    assert not app.exception
    assert app.get("download_button")


def test_a_row_that_is_too_thin_is_named_but_not_drawn() -> None:
    table = pd.DataFrame(
        {
            "group": ["a", "b"],
            "rate": [0.2, float("nan")],
            "low": [0.1, float("nan")],
            "high": [0.4, float("nan")],
            "n": [20, 3],
            "enough": [True, False],
        }
    )
    spec = charts.interval_chart(table).to_dict()
    rows = [row for data in spec["datasets"].values() for row in data]
    assert {row["what"] for row in rows} == {"a (n = 20)", "b (n = 3, not enough)"}
    drawn = [data for data in spec["datasets"].values() if len(data) == 1]
    assert [row["what"] for row in drawn[0]] == ["a (n = 20)"]


def test_beyond_chance_is_told_by_shape_too() -> None:
    weeks = pd.to_datetime([datetime(2026, 1, 5, tzinfo=UTC), datetime(2026, 1, 12, tzinfo=UTC)])
    table = pd.DataFrame(
        {"week": weeks, "new": [0, 4], "n": [12, 12], "rate": [0.0, 0.33], "flagged": [False, True]}
    ).assign(centre=0.05, lower=0.0, upper=0.2)
    spec = charts.control_chart(table, "week").to_dict()
    points = next(layer for layer in spec["layer"] if layer["mark"].get("type") == "point")
    assert points["encoding"]["shape"]["scale"]["range"] == ["circle", "triangle-up"]
    assert Figure("t", table, 24, "couplers").enough


def test_a_model_card_becomes_rows_with_interval_and_n() -> None:
    share = {"count": 41, "estimate": 0.76, "low": 0.62, "high": 0.87, "n": 54}
    metrics = {
        "calibrated_on": 407,
        "test": {
            "intact_flagged": share,
            "kinds": {
                "heat_melted_housing": {"flagged": share, "by_severity": {"0.3-0.6": share}, "ece": 0.06}
            },
        },
    }
    table = card_table(SimpleNamespace(metrics=metrics))
    assert list(zip(table["of"], table["measure"], strict=True)) == [
        ("All photos", "intact coupler flagged"),
        ("Housing melted by heat", "flagged"),
        ("Housing melted by heat", "not called clear, severity 0.3-0.6"),
    ]
    assert set(table["n"]) == {54}
    assert card_table(SimpleNamespace()).empty


def test_sites_are_called_by_their_names(open_app: OpenApp, ws: Workspace) -> None:
    send_weeks(ws, 5)
    app = open_app(LEAD, "trends")
    for tab in ("What needs you", "Sites and weeks", "Rounds"):
        app.pills(key="trend_tab").set_value(tab).run()
        words = page_words(app)
        assert "Harbour Deck" in words or "harbour" not in words
        assert "at harbour" not in words
        for table in app.dataframe:
            assert "harbour" not in table.value.to_string()


def test_a_notice_leads_to_its_figures(open_app: OpenApp, ws: Workspace) -> None:
    send(ws, "H-05", INTACT, 1, days_ago=20)
    app = open_app(LEAD, "trends")
    assert "**Rounds.**" in page_words(app)
    next(button for button in app.button if button.label == "See the figures: Rounds").click().run()
    assert "Overdue couplers" in page_words(app)


def test_the_rule_behind_a_flag_waits_until_it_is_asked_for(open_app: OpenApp, ws: Workspace) -> None:
    send_weeks(ws, 13)
    app = open_app(LEAD, "trends")
    app.pills(key="trend_tab").set_value("Sites and weeks").run()
    said = " ".join(caption.value for caption in app.caption)
    assert "Counted: couplers seen in the week that were undamaged before" in said
    assert "binomial" not in said
    rules = [box for box in app.expander if box.label == "Numbers and rules"]
    assert "binomial" in " ".join(text.value for box in rules for text in box.markdown)
