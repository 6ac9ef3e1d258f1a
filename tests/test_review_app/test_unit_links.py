"""Units: the unit that the page's address asks for is shown, or it is said that it is another one."""

from __future__ import annotations

import pytest
from streamlit.testing.v1 import AppTest

from data_tools.sites import add_site, add_unit
from data_tools.workspace import Workspace
from tests.test_review_app.conftest import OpenApp
from tests.test_review_app.reading import page_words
from tests.test_review_app.scenario import LEAD, TECHNICIAN


def _linked(open_app: OpenApp, **link: str) -> AppTest:
    app = open_app(TECHNICIAN)
    app.query_params.pop("site", None)
    for name, value in link.items():
        app.query_params[name] = value
    app.switch_page("screens/unit.py").run()
    assert not app.exception
    return app


@pytest.fixture(autouse=True)
def _two_sites(ws: Workspace) -> None:
    add_site(ws, LEAD, "alp", "Alp Ridge", "UTC")
    add_unit(ws, LEAD, "alp", "R-01")


@pytest.mark.parametrize(
    ("link", "site", "unit"),
    [
        ({"unit": "R-01"}, "alp", "R-01"),
        ({"unit": "h-03"}, "harbour", "H-03"),
        ({"site": "harbour", "unit": "H-04"}, "harbour", "H-04"),
    ],
)
def test_a_link_with_a_unit_alone_finds_its_site(
    open_app: OpenApp, link: dict[str, str], site: str, unit: str
) -> None:
    app = _linked(open_app, **link)
    assert (app.selectbox(key="site").value, app.selectbox(key="unit").value) == (site, unit)
    assert "Another one is shown" not in page_words(app)


@pytest.mark.parametrize("link", [{"unit": "Z-99"}, {"site": "alp", "unit": "H-01"}])
def test_another_unit_is_never_shown_in_silence(open_app: OpenApp, link: dict[str, str]) -> None:
    app = _linked(open_app, **link)
    asked = link["unit"].replace("-", "\\-")
    assert f"There is no unit {asked} at this site. Another one is shown." in page_words(app)
    app.selectbox(key="unit").select_index(0).run()
    assert "Another one is shown" not in page_words(app)
