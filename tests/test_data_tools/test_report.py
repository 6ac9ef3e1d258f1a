"""The monthly report: complete, self-contained, and harmless whatever people typed."""

import base64
import re
from datetime import UTC, date, datetime, timedelta
from html.parser import HTMLParser

import pandas as pd
import pytest

from data_tools import report_charts
from data_tools.access import Actor, Role
from data_tools.conditions import replace_coupler, take_out_of_service
from data_tools.ingest import UploadSource, ingest
from data_tools.records import DecisionKind
from data_tools.report import month_weeks, monthly_report
from data_tools.report_page import cell
from data_tools.review import decide
from data_tools.settings import Settings
from data_tools.sites import add_site, add_unit
from data_tools.workspace import init_workspace
from model.errors import BadRequestError, NotAllowedError
from tests.test_data_tools.paint_judge import PaintJudge, painted

LEAD = Actor("<img src=x onerror=alert(1)>", Role.LEAD)
START = datetime(2025, 3, 4, 8, 0, tzinfo=UTC)
NOW = datetime(2025, 6, 16, tzinfo=UTC)
HOSTILE_PART = '=HYPERLINK("http://x","$\\frac{1}$")<script>alert(2)</script>'
NORTH = "&lt;script&gt;alert(3)&lt;/script&gt; Yard 🔌"


class Tags(HTMLParser):
    """Collects tags and attributes, as a browser would see them."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note one tag."""
        self.tags.append(tag)
        self.attributes += attrs


@pytest.fixture(scope="module")
def ws(tmp_path_factory):
    """Twelve units of one site over 14 weeks; one melts, is replaced, and melts again."""
    folder = tmp_path_factory.mktemp("report")
    settings = Settings(workspace=folder, blind_audit_share=0.0)
    workspace = init_workspace(settings, classifier=PaintJudge())
    add_site(workspace, LEAD, "north", "<script>alert(3)</script> Yard 🔌", now=START)
    for unit in range(12):
        part = HOSTILE_PART if unit % 2 else "PN-1"
        add_unit(
            workspace,
            LEAD,
            "north",
            f"u{unit:02d}",
            part_number=part,
            installed_on=date(2025, 1, 1),
            now=START,
        )
    for week in range(14):
        _walk(workspace, week)
    yield workspace
    workspace.close()


def _walk(ws, week: int) -> None:
    when = START + timedelta(weeks=week)
    melted = {4, 10}
    for unit in range(12):
        key, colour = f"u{unit:02d}", "red" if unit == 3 and week in melted else "green"
        source = UploadSource(f"{key}.jpg", painted(colour, 100 * week + unit))
        file = ingest(ws, LEAD, [source], "north", unit_key=key, now=when).files[0]
        if colour == "red":
            decide(ws, LEAD, file.photo.id, file.verdict.id, DecisionKind.CONFIRMED, now=when)
    if week in melted:
        replace_coupler(ws, LEAD, "u03", "A", "PN-1", "melted", now=when + timedelta(days=1))
    if week == 11:
        take_out_of_service(ws, LEAD, "u05", "waiting for parts", now=when)


@pytest.fixture(scope="module")
def html(ws):
    return monthly_report(ws, LEAD, "2025-05", now=NOW)


def test_the_month_is_said_and_counted(html):
    assert "Weeks from 05 May 2025 to 01 June 2025" in html
    facts = dict(re.findall(r"<dt>(.*?)</dt><dd>(.*?)</dd>", html))
    assert facts["Photos"] == "48"
    assert facts["Couplers seen"] == "13"  # twelve units, one of which got a new coupler in the month
    assert facts["… heat-melted housing"] == "1"
    assert facts["Couplers replaced"] == "1"
    assert facts["Units out of service at the end"] == "1"
    assert facts["Model versions"] == "paint-1"


def test_a_contact_that_melts_again_comes_first(html):
    first = re.findall(r'<p class="notice">(.*?)</p>', html)[0]
    assert first.startswith(f"u03 at {NORTH}, heat-melted housing, upper left")
    assert "licensed electrician" in first


def test_every_figure_says_its_n(html):
    figures = html.count("<section>")
    assert figures >= 15
    assert html.count('<p class="small">n = ') == figures


def test_too_little_data_is_said_in_words(html):
    assert "Not enough yet: 2 decided photos, 20 needed (18 more)." in html
    assert "Not enough yet: 0 audited clear verdicts, 59 needed (59 more)." in html


def test_drawings_are_inline_and_show_what_is_known(html):
    assert html.count("<svg") >= 4
    assert f"New damage at {NORTH}, week by week" in html
    assert "<image" not in html


def test_nothing_that_people_typed_runs_or_loads(html):
    page = Tags()
    page.feed(html)
    assert "script" not in page.tags
    assert "img" not in page.tags
    assert not [name for name, _ in page.attributes if name.startswith("on")]
    links = [value for name, value in page.attributes if name in ("href", "src", "xlink:href") and value]
    assert all(link.startswith(("data:text/csv;base64,", "#")) for link in links)
    assert "&lt;script&gt;alert(3)&lt;/script&gt; Yard 🔌" in html
    assert "default-src 'none'" in html


def test_csv_in_the_report_holds_no_formula(html):
    documents = [
        base64.b64decode(data).decode("utf-8")
        for data in re.findall(r"data:text/csv;base64,([A-Za-z0-9+/=]*)", html)
    ]
    by_part = [text for text in documents if "HYPERLINK" in text]
    assert by_part
    for text in by_part:
        assert text.startswith("\ufeff"), "by it a spreadsheet knows that this is UTF-8"
        assert not re.search(r"(^|,)\"?[=+@]", text, re.MULTILINE)
        assert "'=HYPERLINK" in text


def test_later_weeks_do_not_leak_into_an_earlier_month(ws):
    early = monthly_report(ws, LEAD, "2025-03", now=NOW)
    assert "licensed electrician check it" not in early.split("Read this with care")[0]
    assert dict(re.findall(r"<dt>(.*?)</dt><dd>(.*?)</dd>", early))["Units out of service at the end"] == "0"


def test_the_same_month_gives_the_same_report(ws, html):
    assert monthly_report(ws, LEAD, "2025-05", now=NOW) == html


def test_the_default_is_the_last_full_month(ws):
    assert "Weeks from 05 May 2025" in monthly_report(ws, LEAD, now=NOW)


def test_a_month_without_photos_is_still_a_report(ws):
    empty = monthly_report(ws, LEAD, "2024-12", now=NOW)
    assert "Not enough yet" in empty
    assert "<svg" not in empty


@pytest.mark.parametrize(
    ("made", "weeks"),
    [
        ("2025-06-16T00:00", ("2025-05-05", "2025-06-02")),
        ("2025-12-01T08:00", ("2025-10-06", "2025-11-03")),  # the last week of November has only begun
        ("2026-08-02T23:00", ("2026-06-01", "2026-07-06")),
        ("2026-08-03T06:00", ("2026-06-01", "2026-07-06")),  # it is Sunday still in Honolulu
        ("2026-08-03T12:00", ("2026-07-06", "2026-08-03")),
    ],
)
def test_the_last_full_month_is_over(made, weeks):
    moment = datetime.fromisoformat(made).replace(tzinfo=UTC)
    assert month_weeks(None, moment) == tuple(pd.Timestamp(week) for week in weeks)


@pytest.mark.parametrize(
    "month", ["2025-13", "May", "2030-01", "'; drop table", "", "0001-01", "1677-09", "1989-12", "9999-12"]
)
def test_a_month_that_is_none_is_refused(ws, month):
    with pytest.raises(BadRequestError):
        monthly_report(ws, LEAD, month, now=NOW)


def test_only_a_lead_gets_the_report(ws):
    with pytest.raises(NotAllowedError):
        monthly_report(ws, Actor("mira", Role.TECHNICIAN), "2025-05")


def test_every_week_belongs_to_exactly_one_month():
    months = [month_weeks(f"2025-{number:02d}", NOW.replace(year=2026)) for number in range(1, 13)]
    assert [end for _, end in months[:-1]] == [start for start, _ in months[1:]]
    assert all(day.weekday() == 0 for pair in months for day in pair)


@pytest.mark.parametrize(
    ("column", "value", "shown"),
    [
        ("rate", 0.0312, "3.1%"),
        ("rate", float("nan"), "–"),
        ("kind", "heat_melted_housing", "heat-melted housing"),
        ("place", "upper_left", "upper left"),
        ("group", "snake_case_part", "snake_case_part"),
        ("flagged", True, "yes"),
        ("last_photo", pd.NaT, "–"),
        ("p_value", 4.2e-5, "4.2e-05"),
        ("n", 1200, "1,200"),
    ],
)
def test_cells_read_as_people_write(column, value, shown):
    assert cell(column, value) == shown


def test_a_label_in_another_script_draws_without_a_warning():
    table = pd.DataFrame(
        {"label": ["电缆", "$x^2$ 🔌"], "rate": [0.1, 0.2], "low": [0.0, 0.1], "high": [0.3, 0.4], "n": 9}
    )
    drawing = report_charts.svg(report_charts.intervals, table)
    assert "电缆" in drawing
    assert "$x^2$" in drawing
