"""The figures of the model card, on invented answers whose counts are known by hand."""

from __future__ import annotations

import json
import re
from collections import Counter
from pathlib import Path

import pytest
from PIL import Image
from statsmodels.stats.contingency_tables import mcnemar
from statsmodels.stats.proportion import proportion_confint

from model.against import against, matched_limit
from model.bars import BARS, bars
from model.baseline import PlainScore, save_scores
from model.errors import ManifestError
from model.evaluate import Report, chosen, evaluate, evaluate_file
from model.examine import Examination
from model.judgement import Finding, Judgement
from model.manifest import LabelledFinding, LabelledPhoto
from model.metrics import proportion
from model.model_card import model_card, percent, summary_lines, write_card
from model.predict import Classifier
from model.scorebook import Scored, save_book
from model.summary_tables import said_label, true_label
from model.vocabulary import LABEL_OF_KIND, FindingKind, Label, Outcome, Place, Reason, Triage

from .small_model import untrained

LATCH, BROKEN, MELTED = FindingKind
PLACE = {LATCH: Place.LATCH, BROKEN: Place.UPPER_LEFT, MELTED: Place.UPPER_RIGHT}
# The plain calibration of ``untrained``: clear below 0.2, flagged from 0.5.
FLAG, DOUBT, CLEAR = 0.9, 0.3, 0.05


@pytest.fixture(scope="module")
def classifier() -> Classifier:
    return Classifier(untrained())


def scored(
    number: int,
    true: FindingKind | None = None,
    *,
    says: float = CLEAR,
    about: FindingKind | None = None,
    severity: float = 0.8,
    visible: float = 1.0,
    family: str | None = "type1",
    reason: Reason | None = None,
    refused: Reason | None = None,
    split: str = "test",
    place: Place | None = None,
    **attributes: object,
) -> Scored:
    """One photo that truly shows ``true``, of which ``about`` (by default that) is said with this
    probability, at ``place``."""
    findings = (LabelledFinding(true, PLACE[true], severity, visible),) if true else ()
    label = LabelledPhoto(
        f"{number}.jpg", f"c{number // 2}", family, findings, reason, split=split, attributes=attributes
    )
    if refused:
        said = Judgement(Outcome.CANNOT_JUDGE, "v", refused)
        return Scored(label, Examination(None, refused), said)
    about = about or true or BROKEN
    probabilities = dict.fromkeys(FindingKind, 0.01) | {about: says}
    triage = Triage.FLAG if says >= 0.5 else Triage.CLEAR if says < 0.2 else Triage.UNSURE
    named = (Finding(about, place or PLACE[about], says),) if triage is not Triage.CLEAR else ()
    word = LABEL_OF_KIND[about] if triage is Triage.FLAG else Label.INTACT
    said = Judgement(
        Outcome.SCORED, "v", label=word, triage=triage, findings=named, probabilities=probabilities
    )
    return Scored(label, Examination(None, None), said)


def invented() -> list[Scored]:
    """20 melted (16 flagged, 3 unsure, 1 cleared), 10 intact (1 flagged, 2 unsure), and the rest."""
    book = [scored(n, MELTED, says=FLAG, light="sun", px_per_mm=5.0) for n in range(16)]
    book += [scored(n, MELTED, says=DOUBT, light="night", px_per_mm=2.0) for n in range(16, 19)]
    book += [scored(19, MELTED, says=CLEAR, light="night", px_per_mm=2.0)]
    book += [scored(20, says=FLAG, light="sun", px_per_mm=3.0)]
    book += [scored(n, says=DOUBT, light="sun", px_per_mm=12.0) for n in (21, 22)]
    book += [scored(n, says=CLEAR, light="night", px_per_mm=5.0) for n in range(23, 30)]
    book += [scored(30, BROKEN, says=FLAG, severity=0.2, confounders=["mud", "flash"])]
    book += [scored(31, BROKEN, says=DOUBT, visible=0.08)]  # neither visible nor not
    book += [scored(32, says=CLEAR, refused=Reason.TOO_DARK)]  # a good photo refused
    book += [scored(n, family=None, reason=Reason.NO_FACE, refused=Reason.NO_FACE) for n in (33, 34)]
    book += [scored(35, reason=Reason.TOO_BLURRED, refused=Reason.TOO_SMALL)]
    book += [scored(36, MELTED, says=FLAG, place=Place.LOWER_LEFT, family="type2")]
    return book


def counts(figure: Report) -> tuple[int, int]:
    return figure["count"], figure["n"]


@pytest.fixture(scope="module")
def report(classifier: Classifier) -> Report:
    return evaluate(classifier, invented())


def test_the_damages_are_counted_as_by_hand(report: Report) -> None:
    melted = report["kinds"]["heat_melted_housing"]
    assert counts(melted["flagged"]) == (17, 21)
    assert counts(melted["not_called_clear"]) == (20, 21)
    assert counts(melted["place_right"]) == (19, 20)  # the last one names another place
    assert counts(melted["intact_flagged"]) == (0, 10)
    assert counts(melted["flag_right"]) == (17, 17)
    broken = report["kinds"]["broken_pin_housing"]
    assert counts(broken["flagged"]) == (0, 0)  # one is slight, one hardly visible
    assert counts(broken["by_severity"]["0.0 to 0.3"]["flagged"]) == (1, 1)
    assert counts(broken["intact_flagged"]) == (1, 10)
    assert counts(broken["flag_right"]) == (1, 2)
    assert sum(row["flagged"]["n"] for row in melted["by_visibility"].values()) == 21
    # A Type 2 has no latch, and tells nothing of how well missing ones are found.
    assert report["kinds"]["missing_latch"]["auroc"]["n"] == melted["auroc"]["n"] - 1


def test_the_photo_as_a_whole(report: Report) -> None:
    wanted = {
        "damaged_flagged": (17, 21),
        "damaged_unsure": (3, 21),
        "damaged_clear": (1, 21),
        "intact_flagged": (1, 10),
        "intact_unsure": (2, 10),
        "unsure": (6, 33),
        "good_refused": (1, 34),
        "strangers_refused": (2, 2),
        "unusable_refused": (1, 1),
    }
    assert {name: counts(report[name]) for name in wanted} == wanted
    assert report["refusals"]["too_blurred"] == {"too_small": 1}
    assert counts(report["refused_by_reason"]["no_coupler_face"]["reason_right"]) == (2, 2)
    assert counts(report["refused_by_reason"]["too_blurred"]["reason_right"]) == (0, 1)


def test_confusion_has_a_row_for_each_truth_and_a_column_for_each_answer(report: Report) -> None:
    table = report["confusion"]
    found = {
        (row, column): count
        for row, line in zip(table["rows"], table["counts"], strict=True)
        for column, count in zip(table["columns"], line, strict=True)
        if count
    }
    assert found == Counter((true_label(s), said_label(s)) for s in invented())
    assert found[("heat-melted housing", "heat-melted housing")] == 17
    assert found[("heat-melted housing", "unsure")] == 3
    assert found[("heat-melted housing", "intact")] == 1
    assert found[("damage barely visible", "unsure")] == 1
    assert found[("intact", "cannot judge")] == 1
    assert found[("unusable photo of a face", "cannot judge")] == 1
    assert sum(found.values()) == report["photos"] == len(invented())


def test_risk_is_the_share_of_wrong_labels_among_the_surest(report: Report) -> None:
    """Wrong: 3 melted unsure and 1 cleared (said intact), 1 intact flagged; the barely visible left out."""
    curve = report["risk_coverage"]
    assert counts(curve["wrong_at"]["100%"]) == (5, 32)
    assert curve["n"] == 32
    assert curve["risk"][-1] == pytest.approx(5 / 32)
    assert counts(curve["decided"]) == (27, 32)
    assert counts(curve["wrong_of_decided"]) == (2, 27)
    assert 0 < curve["area"] < 5 / 32


def test_slices_are_by_family_light_resolution_and_confounder(report: Report) -> None:
    slices = report["slices"]
    assert counts(slices["light"]["night"]["not_called_clear"]) == (3, 4)
    assert counts(slices["light"]["sun"]["intact_flagged"]) == (1, 3)
    assert list(slices["resolution"]) == [
        "under 3 px/mm", "3 to 4 px/mm", "4 to 6 px/mm", "10 px/mm and more", "unknown"
    ]  # fmt: skip
    assert slices["resolution"]["4 to 6 px/mm"]["photos"] == 23
    assert counts(slices["family"]["type2"]["flagged"]) == (1, 1)
    assert slices["confounder"]["mud"]["photos"] == slices["confounder"]["flash"]["photos"] == 1
    assert "source" not in slices  # all are rendered: no part of the set
    assert counts(report["places"]["upper_right"]["heat_melted_housing"]["named"]) == (19, 21)


def test_what_has_fewer_than_five_cases_is_not_given_as_a_share(report: Report) -> None:
    assert percent(proportion([True, False, True, True])) == "too few (3 of 4)"
    assert percent(proportion([])) == "no cases"
    low, high = proportion_confint(4, 5, method="beta")  # statsmodels as the reference
    assert percent(proportion([True] * 4 + [False])) == f"80.0% ({low:.1%} to {high:.1%}, n 5)"
    card = model_card(report)
    assert "| night | 11 | too few (3 of 4)" in card
    assert {bar["title"]: bar["verdict"] for bar in report["bars"]}[BARS[2].title] == "too few"


def test_a_bar_is_met_only_where_the_whole_interval_is() -> None:
    def verdict(right: int, of: int) -> str:
        figure = proportion([True] * right + [False] * (of - right))
        return BARS[0].verdict({"kinds": {MELTED.value: {"flagged": figure}}})

    assert verdict(1000, 1000) == "met"
    assert verdict(100, 100) == "met by the estimate alone"
    assert verdict(97, 100) == "not met"
    assert verdict(4, 4) == "too few"


def test_the_card_begins_with_what_it_means_and_its_tables_are_whole(report: Report, tmp_path: Path) -> None:
    write_card(report, tmp_path)
    text = (tmp_path / "card.md").read_text(encoding="utf-8")
    assert text.index('"Intact" never means safe') < text.index("|")
    assert "licensed electrician" in text
    assert json.loads((tmp_path / "card.json").read_text(encoding="utf-8")) == report
    for block in re.findall(r"(?:^\|.*\n)+", text, flags=re.MULTILINE):
        lines = block.strip().split("\n")
        assert len({line.count("|") for line in lines}) == 1, block
        assert len(lines) > 2, block
    pictures = re.findall(r"!\[.*\]\((.*)\)", text)
    assert {"severity.png", "confusion.png", "calibration.png", "risk_coverage.png", "slices.png"} == set(
        pictures
    )
    for name in pictures:
        with Image.open(tmp_path / name) as picture:
            assert min(picture.size) > 300
    assert "1 (" not in summary_lines(report)[0]
    assert len(summary_lines(report)) == len(bars(report)) + 1


def test_labels_cannot_break_the_tables(classifier: Classifier) -> None:
    book = [scored(n, MELTED, says=FLAG, light="a|b\n# c" if n % 2 else "d") for n in range(12)]
    assert "| a/b # c | 6 |" in model_card(evaluate(classifier, book))


def plain(s: Scored, p: float, split: str = "test") -> PlainScore:
    intact = s.good and not s.label.findings
    return PlainScore(s.label.file, split, intact, dict.fromkeys(FindingKind, p))


def test_the_baseline_is_matched_on_calibration_and_tested_in_pairs(classifier: Classifier) -> None:
    """16 melted flagged by ours; the baseline finds 6 of these, and 1 of the 4 that ours does not."""
    book = [scored(n, MELTED, says=FLAG) for n in range(16)]
    book += [scored(n, MELTED, says=DOUBT) for n in range(16, 20)]
    book += [scored(n, says=FLAG, about=MELTED) for n in (20, 21)] + [scored(n) for n in range(22, 40)]
    calibration = [scored(100 + n, split="calibration") for n in range(20)]
    scores = [plain(s, n / 20, "calibration") for n, s in enumerate(calibration)]  # 0, 0.05 ... 0.95
    scores += [plain(s, 0.95 if n < 6 or n == 16 else 0.4) for n, s in enumerate(book)]
    row = against(classifier, book, scores)["kinds"]["heat_melted_housing"]
    assert row["plain_limit"] == pytest.approx(0.85)  # 2 of 20 lie above, as ours flags 2 of 20
    assert (row["only_ours"], row["only_plain"]) == (10, 1)
    assert counts(row["ours"]) == (16, 20)
    assert counts(row["plain"]) == (7, 20)
    assert counts(row["plain_intact_flagged"]) == (0, 20)
    reference = mcnemar([[6, 10], [1, 3]], exact=True)  # statsmodels as the reference
    assert row["p"] == pytest.approx(reference.pvalue, rel=1e-9)
    # The answers on the photos evaluated do not move the limit.
    moved = [*scores[:20], *(plain(s, 0.1) for s in book)]
    assert (
        against(classifier, book, moved)["kinds"]["heat_melted_housing"]["plain_limit"] == row["plain_limit"]
    )


def test_a_matched_limit_lies_above_the_rest() -> None:
    assert matched_limit([0.1, 0.4, 0.2, 0.3], 0.25) == 0.3
    assert matched_limit([0.1, 0.4, 0.2, 0.3], 0.0) == 0.4
    assert matched_limit([0.1, 0.2], 1.0) == 0.1


def test_a_baseline_without_calibration_photos_is_refused(classifier: Classifier) -> None:
    book = invented()
    with pytest.raises(ManifestError, match="calibration"):
        evaluate(classifier, book, [plain(s, 0.5) for s in book])


def test_the_card_of_a_saved_book_with_a_baseline(classifier: Classifier, tmp_path: Path) -> None:
    """From files alone: the book and the baseline's answers; the split named by the labels is taken."""
    from model.artefact import save_model

    model = classifier.model
    save_model(tmp_path / "m.safetensors", model)
    book = [*invented(), *[scored(200 + n, split="calibration") for n in range(6)]]
    save_book(book, tmp_path / "book.jsonl.gz", classifier)
    save_scores([plain(s, 0.5, s.label.split or "") for s in book], tmp_path / "plain.jsonl")
    report = evaluate_file(
        tmp_path / "m.safetensors", tmp_path / "book.jsonl.gz", baseline=[tmp_path / "plain.jsonl"]
    )
    assert report["splits"] == ["test"]
    assert report["photos"] == len(invented())
    assert report["baseline"]["calibrated_on_intact"] == 6
    write_card(report, tmp_path / "card")
    assert "## Beside the plain way" in (tmp_path / "card" / "card.md").read_text(encoding="utf-8")
    assert (tmp_path / "card" / "baseline.png").exists()


def test_which_photos_are_evaluated() -> None:
    mixed = [LabelledPhoto("a", "a", "type1", split="train"), LabelledPhoto("b", "b", "type1", split="test")]
    own = [LabelledPhoto("a", "a", "type1"), LabelledPhoto("b", "b", "type1")]
    assert [p.file for p in chosen(mixed, None)] == ["b"]
    assert [p.file for p in chosen(mixed, "all")] == ["a", "b"]
    assert [p.file for p in chosen(mixed, "train")] == ["a"]
    assert chosen(own, None) == own


def test_an_empty_set_gives_a_card_that_says_so(classifier: Classifier, tmp_path: Path) -> None:
    write_card(evaluate(classifier, []), tmp_path)
    assert "too few to say, n 0" in (tmp_path / "card.md").read_text(encoding="utf-8")
