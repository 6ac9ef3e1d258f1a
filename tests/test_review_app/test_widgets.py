"""Drawings, outlines and harmless text."""

from __future__ import annotations

import base64
import re
from datetime import UTC, date, datetime, timedelta
from xml.etree import ElementTree

import pandas as pd
import pytest

from data_tools.records import TrueFinding
from model.families import FAMILIES, TYPE1, Family
from model.judgement import Judgement, LocatedFace
from model.vocabulary import FindingKind, Outcome, Place, Reason, Triage
from review_app import standing, wording
from review_app.widgets.face_drawing import face_image, face_svg, place_numbers
from review_app.widgets.marks import by_place, face_box, marks_of
from review_app.widgets.signs import badge
from review_app.widgets.small_table import MOST_ROWS, long_table, percent, small_table
from review_app.widgets.text import clock, esc, md, plain
from review_app.widgets.verdict_card import card
from review_app.wording import Standing
from tests.test_review_app.fakes import CENTRE, SCALE, Scene, scored
from tests.test_review_app.scenario import MELTED

M, B = FindingKind.HEAT_MELTED_HOUSING, FindingKind.BROKEN_PIN_HOUSING
TWO = Scene((TrueFinding(B, Place.BOTTOM), TrueFinding(M, Place.BOTTOM)), Triage.FLAG)


def test_an_outline_lies_around_its_contact() -> None:
    (mark,) = marks_of(scored(MELTED, 2.0, "fake"))
    contact = next(c for c in TYPE1.contacts if c.place is Place.UPPER_LEFT)
    xs, ys = zip(*mark["points"], strict=True)
    middle = ((min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2)
    assert middle == pytest.approx(
        (2 * (CENTRE[0] + SCALE * contact.x), 2 * (CENTRE[1] - SCALE * contact.y)), abs=1
    )
    assert (max(xs) - min(xs)) / (2 * SCALE) == pytest.approx(contact.sleeve_diameter + 2, abs=0.2)


def test_two_kinds_at_one_place_are_one_outline_with_both_letters() -> None:
    (mark,) = marks_of(scored(TWO, 1.0, "fake"))
    assert mark["letter"] == "MB"
    assert by_place(TWO.findings) == {Place.BOTTOM: [M, B]}


def test_the_face_box_holds_the_whole_view() -> None:
    left, top, right, bottom = face_box(scored(MELTED, 1.0, "fake")) or [0.0] * 4
    assert (right - left, bottom - top) == pytest.approx((72 * SCALE, 72 * SCALE))


def test_without_a_known_face_nothing_is_outlined() -> None:
    unknown = Judgement(
        Outcome.SCORED, "fake", face=LocatedFace("type9", 1.0, (1.0, 0, 0, 0, 1.0, 0, 0, 0, 1.0), {})
    )
    for judgement in (unknown, Judgement(Outcome.CANNOT_JUDGE, "fake")):
        assert marks_of(judgement) == []
        assert face_box(judgement) is None


@pytest.mark.parametrize("family", FAMILIES.values(), ids=lambda family: family.key)
def test_every_family_is_drawn_with_every_place_numbered(family: Family) -> None:
    root = ElementTree.fromstring(face_svg(family))
    numbers = {
        text.text or "".join(text.itertext()) for text in root.iter("{http://www.w3.org/2000/svg}text")
    }
    wanted = {str(number) for number in place_numbers(family).values()}
    assert {re.sub(r"\D", "", number) for number in numbers} == wanted


def test_the_drawing_says_in_words_what_it_marks() -> None:
    image = face_image(TYPE1, MELTED.findings)
    assert 'alt="Coupler face: housing melted by heat, upper left"' in image
    encoded = re.search(r"base64,([^\"]+)", image)
    assert encoded is not None
    assert ">M</text>" in base64.b64decode(encoded[1]).decode()


@pytest.mark.parametrize(
    "text",
    [
        "<img src=x onerror=alert(1)>",
        "[link](https://x.example)",
        "**bold** `code` $x$ :material/home:",
        "a\nb\x00c\u202e",
    ],
)
def test_what_people_wrote_stays_text(text: str) -> None:
    assert "<" not in esc(text)
    assert "\n" not in plain(text)
    assert "\u202e" not in plain(text)
    assert not re.search(r"(?<!\\)[*`\[<$:]", md(text))


def test_long_names_are_cut() -> None:
    assert len(plain("x" * 1000)) == 200


def test_times_are_local_and_say_the_year_only_when_it_is_another() -> None:
    now = datetime.now(UTC)
    assert clock(datetime(2020, 7, 1, 12, 0, tzinfo=UTC), "Europe/Lisbon") == "Wed 1 Jul 2020, 13:00"
    assert clock(now, "No/Such_Zone").endswith(f"{now:%H:%M}")
    assert str(now.year) not in clock(now - timedelta(seconds=1), "UTC") or now.timetuple().tm_yday == 1


@pytest.mark.parametrize("state", list(Standing))
def test_every_standing_has_a_sign_and_words(state: Standing) -> None:
    for html in (badge(state), card(state)):
        assert "data:image/svg+xml" in html
        assert wording.SIGNS[state].words in html or wording.SIGNS[state].short in html
    shapes = [sign.shape for sign in wording.SIGNS.values()]
    assert len(set(shapes)) >= len(shapes) - 1


def test_every_word_of_the_vocabulary_has_a_word_on_the_screen() -> None:
    assert set(wording.KIND_WORDS) == set(wording.KIND_LETTER) == set(wording.KIND_COLOUR) == set(FindingKind)
    assert set(wording.PLACE_WORDS) == set(Place)
    assert set(wording.REASON_WORDS) == set(Reason)


def test_no_two_keys_of_the_review_are_the_same() -> None:
    numbers = {str(number) for family in FAMILIES.values() for number in place_numbers(family).values()}
    keys = [*wording.SHORTCUTS.values(), *wording.KIND_LETTER.values(), *numbers]
    assert len(keys) == len(set(keys))


def test_intact_is_never_called_safe() -> None:
    assert standing.findings_words(()) == "no damage seen"
    said = [*wording.DO_NOW, *wording.LOOK_NOW, *wording.BEFORE_NOW, wording.NO_DAMAGE_NOTE]
    said += [*wording.MORE_WORDS.values(), wording.as_before_words(1, 2)]
    said += [words for sign in wording.SIGNS.values() for words in (sign.words, sign.short)]
    assert not [words for words in said if re.search(r"\bsafe\b", words, re.IGNORECASE)]


def contrast(first: str, second: str) -> float:
    """Return the contrast ratio of two colours (WCAG 2.2, relative luminance)."""

    def luminance(colour: str) -> float:
        parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(first), luminance(second)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_signs_can_be_read_in_the_sun() -> None:
    """WCAG 2.2 asks 4.5 for text at level AA and 7 at level AAA; a phone in the sun needs the 7."""
    assert contrast("#FFFFFF", "#000000") == pytest.approx(21)
    for sign in wording.SIGNS.values():
        assert contrast(sign.ink, "#FFFFFF" if sign.filled else sign.paper) >= 7, sign.words


def test_a_small_table_says_of_each_figure_what_it_is() -> None:
    """On a phone the heads of the columns are not there: each cell carries its own."""
    table = pd.DataFrame(
        {
            "about": ["<b>any</b>", "latch"],
            "n": [63, 1200],
            "rate": [0.0159, None],
            "on": [date(2026, 3, 4)] * 2,
            "flagged": [True, False],
        }
    )
    words = {"about": "About", "n": "n", "rate": "Share", "on": "On", "flagged": "Flagged"}
    html = small_table(table, "Miss rate", words, {"rate": percent})
    assert '<th role="rowheader" scope="row">&lt;b&gt;any&lt;/b&gt;</th>' in html
    assert '<td role="cell" data-of="Share">1.59%</td>' in html
    assert '<td role="cell" data-of="Share">–</td>' in html
    assert '<td role="cell" data-of="n">1200</td>' in html
    assert '<td role="cell" data-of="On">2026-03-04</td>' in html
    assert re.findall('data-of="Flagged">([a-zA-Z]*)', html) == ["yes", "no"]
    assert [percent(share) for share in (0.0, 1.0, 0.05, 0.12345)] == ["0%", "100%", "5%", "12.35%"]


def test_a_long_table_opens_with_its_first_rows_and_names_what_is_in_the_others() -> None:
    table = pd.DataFrame({"week": [f"w{n}" for n in range(1, 51)], "n": range(50)})
    html = long_table(table, "Weeks", {"week": "Week", "n": "n"}, {})
    first, *others = html.split("<details")
    assert first.count('role="rowheader"') == 12
    assert [re.search("<summary>(.*)</summary>", part)[1] for part in others] == [  # type: ignore[index]
        "Rows 13 to 36 of 50: w13 – w36", "Rows 37 to 50 of 50: w37 – w50",
    ]  # fmt: skip
    assert html.count('role="rowheader"') == 50
    assert len(set(re.findall('aria-label="[^"]*"', html))) == 3
    one_site = long_table(table.assign(week="<Harbour>"), "Weeks", {"week": "Week", "n": "n"}, {})
    assert "Rows 13 to 36 of 50: &lt;Harbour&gt;, 12 – &lt;Harbour&gt;, 35</summary>" in one_site


def test_a_very_long_table_says_how_many_rows_it_leaves_out() -> None:
    table = pd.DataFrame({"n": range(MOST_ROWS + 7)})
    html = long_table(table, "Many", {"n": "n"}, {})
    assert html.count('role="rowheader"') == MOST_ROWS
    assert "7 more rows" in html
    assert "more rows" not in long_table(table.head(MOST_ROWS), "Many", {"n": "n"}, {})
