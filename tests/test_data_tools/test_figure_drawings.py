"""Pictures of figures: each has the drawing that fits it, with title and n; too little data has none."""

import io

import numpy as np
import pytest
from PIL import Image

from data_tools import trends
from data_tools.figure_drawings import drawing_of, png_of, svg_of
from data_tools.report_charts import against_limits, curves, intervals, lines, weeks_chart
from data_tools.trends import By, Figure
from tests.test_data_tools.invented_trends import MONDAY, Scene
from tests.test_data_tools.test_trends_charts import burst


def scene() -> Scene:
    """One site with bursts, and a second one, long enough for every chart."""
    made = burst([0, 1, 0, 0, 1, 0, 0, 0, 8, 0, 0, 0, 1, 0])
    for unit in range(30):
        coupler = made.coupler(f"s{unit}", "south", part="PN-2")
        for week in range(15):
            made.photo(coupler, week, by="ada" if week == 1 else "", audit=week == 1)
    return made


FIGURES = {
    "site": (lambda data: trends.damage_rate(data, By.SITE), intervals),
    "place": (lambda data: trends.damage_rate(data, By.PLACE), intervals),
    "age": (lambda data: trends.damage_rate(data, By.AGE), intervals),
    "week": (lambda data: trends.damage_rate(data, By.WEEK), lines),
    "sites": (trends.sites_compared, against_limits),
    "one site": (lambda data: trends.site_over_weeks(data, "north"), weeks_chart),
    "lifetimes": (trends.time_to_first_damage, curves),
    "coverage": (trends.roster_coverage, lines),
    "watch": (trends.weekly_watch, lines),
    "recurrence": (trends.recurrence, None),
    "overdue": (lambda data: trends.overdue_units(data, MONDAY.tz_localize("UTC")), None),
    "technicians": (trends.technicians, None),
}


@pytest.mark.parametrize("name", FIGURES)
def test_each_figure_has_the_drawing_that_fits_it(name):
    make, draw = FIGURES[name]
    figure = make(scene().data())
    fits = drawing_of(figure)
    assert (fits.draw if fits else None) is draw, figure.not_enough
    picture, drawn = png_of(figure), svg_of(figure)
    if draw is None:
        assert picture is None
        assert drawn == ""
        return
    assert drawn.startswith("<svg")
    pixels = np.asarray(Image.open(io.BytesIO(picture)).convert("L"))
    assert pixels.shape[1] > 1000
    assert (pixels < 128).mean() > 0.002, "an empty picture"


def test_a_picture_carries_title_and_n(monkeypatch):
    said = {}

    def kept(draw, table, *, title, footer, height):
        said.update(title=title, footer=footer)
        return b"png"

    monkeypatch.setattr("data_tools.report_charts.png", kept)
    figure = trends.damage_rate(scene().data(), By.SITE)
    assert png_of(figure) == b"png"
    assert said["title"] == "Share with damage by site"
    assert said["footer"].startswith(f"n = {figure.n}. Counted: couplers seen")


def test_too_little_data_is_not_drawn():
    thin = burst([0, 1]).data()
    for figure in (trends.site_over_weeks(thin, "north"), trends.miss_rate(thin)):
        assert not figure.enough
        assert png_of(figure) is None
        assert svg_of(figure) == ""


def test_hostile_words_are_drawn_as_words():
    table = trends.damage_rate(scene().data(), By.SITE).table.assign(group=["=$\\frac{1}$", "<b>x</b>"])
    figure = Figure("$\\alpha$ <script>", table, 3, "x" * 2000)
    assert png_of(figure)
    assert "<script" not in svg_of(figure)
    assert "<b>" not in svg_of(figure)
