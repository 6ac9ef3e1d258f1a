"""The trials of the learning half: what they deal, say and count; small runs with real networks are slow."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from data_tools.records import DecisionKind, VerdictRecord
from data_tools.trials import cost, new_site, review_order
from data_tools.trials.operator import said_of
from model.judgement import Finding, Judgement
from model.manifest import LabelledFinding, LabelledPhoto
from model.photo import open_photo
from model.vocabulary import FindingKind, Label, Outcome, Place, Reason, Triage
from tests.test_data_tools.paint_judge import PaintJudge, painted
from tests.test_data_tools.store_kit import OPENED

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "synthetic_samples" / "manifest.jsonl"
MELTED = LabelledFinding(FindingKind.HEAT_MELTED_HOUSING, Place.BOTTOM)
FAINT = LabelledFinding(FindingKind.HEAT_MELTED_HOUSING, Place.LEFT, visible=0.02)
UNSEEN = LabelledFinding(FindingKind.HEAT_MELTED_HOUSING, Place.LEFT, visible=0.0)


def photo(
    number: int, *findings: LabelledFinding, coupler: int = 0, reason: Reason | None = None
) -> LabelledPhoto:
    return LabelledPhoto(f"{number:03}", f"c{coupler}", "type1", findings, reason, (1.0,) * 9)


def verdict(*places: Place, outcome: Outcome = Outcome.SCORED) -> VerdictRecord:
    found = tuple(Finding(FindingKind.HEAT_MELTED_HOUSING, place, 0.9) for place in places)
    return VerdictRecord(1, 1, OPENED, "m", Judgement(outcome, "m", findings=found))


def test_the_technician_of_a_trial_says_what_a_person_would_see() -> None:
    refused = verdict(outcome=Outcome.CANNOT_JUDGE)
    assert said_of(photo(0), verdict()) == (DecisionKind.CONFIRMED, ())
    assert said_of(photo(0, MELTED), verdict(Place.BOTTOM))[0] is DecisionKind.CONFIRMED
    assert said_of(photo(0, FAINT), verdict())[0] is DecisionKind.CONFIRMED
    kind, findings = said_of(photo(0, MELTED), verdict(Place.LEFT))
    assert kind is DecisionKind.CORRECTED
    assert [f.place for f in findings] == [Place.BOTTOM]
    assert said_of(photo(0), refused) == (DecisionKind.CORRECTED, ())
    assert said_of(photo(0, reason=Reason.HIDDEN), refused)[0] is DecisionKind.CONFIRMED
    assert said_of(photo(0, reason=Reason.HIDDEN), verdict())[0] is DecisionKind.CANNOT_TELL


def test_no_coupler_is_confirmed_and_measured() -> None:
    labels = [photo(n, coupler=n // 3) for n in range(60)]
    labels += [photo(90, coupler=30, reason=Reason.HIDDEN)]
    parts = new_site.split(labels, 10, 300)
    assert len(parts.confirmed) == 10
    couplers = [{p.coupler for p in part} for part in (parts.confirmed, parts.measured)]
    assert not couplers[0] & couplers[1]
    assert "c30" not in couplers[1]
    assert len(new_site.split(labels, 10, 5).measured) == 15
    assert new_site.split(labels, 10, 300) == parts


@pytest.mark.parametrize("option", ["--limits", "--replay", "--frozen-test"])
def test_what_a_version_is_made_with_is_not_measured_on(tmp_path: Path, option: str) -> None:
    """Limits set on the photos of a coupler, say, say nothing of how well it is judged unseen."""
    arguments = [str(SAMPLES), str(tmp_path / "out"), "--confirm", "20", option, str(SAMPLES)]
    run = CliRunner().invoke(new_site.main, arguments)
    assert run.exit_code != 0
    assert "couplers to measure on that no version is made with; got " in str(run.exception or run.output)
    assert not (tmp_path / "out").exists()


def answers(wrong: list[bool]) -> new_site.Answers:
    rows = np.array(wrong)
    return new_site.Answers(rows, *([np.zeros(len(rows), bool)] * 4))


def test_errors_before_and_after_are_counted_once_for_each_coupler() -> None:
    """11 against 3 gives exact McNemar p .0573730 (shared reference value, exact binomial)."""
    photos = [photo(2 * n + k, coupler=n) for n in range(20) for k in range(2)]
    before, after = ([False] * 40 for _ in range(2))
    for n in range(11):
        before[2 * n] = True
    for n in range(11, 14):
        after[2 * n] = True
    before[39] = True  # the second photo of a coupler
    found = new_site.compared(answers(before), answers(after), photos)
    assert (found["wrong"]["before"]["count"], found["wrong"]["after"]["count"]) == (11, 3)
    assert found["wrong"]["before"]["n"] == 20
    assert found["wrong"]["all_photos"] == [12, 3, 40]
    assert found["mcnemar"]["p_two_sided"] == pytest.approx(0.0573730, abs=1e-6)
    assert found["fall_of_errors"]["one_photo_each"] == pytest.approx(8 / 11)
    assert found["fall_of_errors"]["low"] < 8 / 11 < found["fall_of_errors"]["high"]


def test_all_photos_have_a_test_in_which_each_coupler_counts_once() -> None:
    """Of 15 couplers 12 better and 3 worse: two-sided 2 * 576 / 2 ** 15, by algebra. One coupler's six photos
    gained are one coupler: by photos they would be p = 2 / 2 ** 6."""
    photos = [photo(2 * n + k, coupler=n) for n in range(20) for k in range(2)]
    before, after = ([False] * 40 for _ in range(2))
    for n in range(12):
        before[2 * n + 1] = True
    for n in range(12, 15):
        after[2 * n] = after[2 * n + 1] = True
    before[38] = after[39] = True  # one gained and one lost of a coupler: neither better nor worse
    found = new_site.compared(answers(before), answers(after), photos)
    assert found["wrong"]["by_coupler"] == {
        "better_on": 12, "worse_on": 3, "couplers": 20, "p_two_sided": pytest.approx(576 / 2**14),
    }  # fmt: skip
    assert found["missed"]["by_coupler"]["p_two_sided"] == 1.0
    assert "coupler" in found["tests"]["by_coupler"]
    assert "one photo of each coupler" in found["tests"]["mcnemar"]
    alike = [photo(n, coupler=0) for n in range(6)] + [photo(6, coupler=1)]
    gained = new_site.compared(answers([True] * 6 + [False]), answers([False] * 7), alike)
    assert gained["wrong"]["all_photos"] == [6, 0, 7]
    assert gained["wrong"]["by_coupler"]["p_two_sided"] == 1.0


def test_a_refusal_of_a_usable_photo_is_an_error_and_so_is_another_label() -> None:
    def said(label: Label | None, triage: Triage | None) -> Judgement:
        outcome = Outcome.SCORED if label else Outcome.CANNOT_JUDGE
        return Judgement(outcome, "m", label=label, triage=triage)

    right = new_site._answer(photo(0, MELTED), said(Label.HEAT_MELTED_HOUSING, Triage.FLAG))
    assert right == (False, False, False, False, False)
    missed = new_site._answer(photo(0, MELTED), said(Label.INTACT, Triage.CLEAR))
    assert missed == (True, True, False, False, False)
    alarm = new_site._answer(photo(0), said(Label.MISSING_LATCH, Triage.FLAG))
    assert alarm == (True, False, True, False, False)
    assert new_site._answer(photo(0), said(None, None)) == (True, False, False, False, True)


def test_pools_and_tests_share_no_coupler_and_refused_photos_leave_the_pool() -> None:
    labels = [photo(n, coupler=n // 2) for n in range(40)]
    judged = [
        verdict(outcome=Outcome.CANNOT_JUDGE if n % 5 == 0 else Outcome.SCORED).judgement for n in range(40)
    ]
    dealt = review_order.deal(labels, judged, 1)
    assert not {p.coupler for p in dealt.pool} & {p.coupler for p in dealt.test}
    assert len(dealt.test) == 20
    assert all(j.outcome is Outcome.SCORED for j in dealt.judged)


def test_a_photo_with_damage_that_is_hardly_seen_has_no_plain_truth() -> None:
    plain, faint, hidden = photo(0, MELTED, UNSEEN), photo(1, MELTED, FAINT), photo(2, reason=Reason.HIDDEN)
    assert review_order.usable([plain, faint, hidden]) == [plain]
    assert [p for p in (plain, faint, hidden) if new_site._usable(p)] == [plain]


def test_an_order_drawn_up_again_goes_on_from_what_is_labelled() -> None:
    pool = [photo(n, coupler=n // 2) for n in range(6)]
    dealt = review_order.Deal(pool, [verdict().judgement] * 6, [])
    first = review_order.proposed(dealt, [0.0, 1.0, 5.0, 4.0, 2.0, 3.0])
    assert first == [2, 5, 1, 3, 4, 0]
    assert review_order.proposed(dealt, [9.0, 8.0, 5.0, 4.0, 2.0, 3.0], first[:1]) == [2, 0, 5, 1, 3, 4]
    assert sorted(review_order.orders(dealt, 3)["random"]) == list(range(6))


def test_half_the_labels_are_compared_deal_by_deal() -> None:
    rows = [
        {"deal": d, "order": order, "labels": size, "wrong": wrong + 0.01 * d}
        for d in range(4)
        for order, size, wrong in [("chosen", 30, 0.1), ("random", 60, 0.12), ("random", 30, 0.2)]
    ]
    rows += [{"deal": d, "order": "renewed", "labels": 30, "wrong": 0.13 + 0.01 * d} for d in range(4)]
    found, renewed = review_order.compare_orders(rows)
    assert renewed["more_wrong"] == pytest.approx(0.01)
    assert (found["chosen_labels"], found["random_labels"], found["deals"]) == (30, 60, 4)
    assert found["more_wrong"] == pytest.approx(-0.02)
    assert found["low"] == pytest.approx(found["high"])
    truth = np.array([[True, False, False]])
    assert review_order.errors(np.array([[0.4, 0.6, 0.1]]), truth)["wrong"] == pytest.approx(2 / 3)


@pytest.mark.slow
def test_the_trials_run_on_the_samples(tmp_path: Path) -> None:
    run = CliRunner().invoke
    out = tmp_path / "site"
    done = run(new_site.main, [str(SAMPLES), str(out), "--confirm", "60", "--couplers", "20"])
    assert done.exit_code == 0, done.output
    report = json.loads((out / "new-site.json").read_text())
    assert report["confirmed"]["photos"] == 60
    assert report["new_site"]["wrong"]["before"]["n"] == report["measured"]["couplers"] > 0
    done = run(review_order.main, [str(SAMPLES), str(tmp_path), "--deals", "2"])
    assert done.exit_code == 0, done.output
    assert json.loads((tmp_path / "review-order.json").read_text())["half_the_labels"]


def test_a_comment_makes_another_file_of_the_same_picture() -> None:
    jpeg = painted("red")
    other = cost.commented(jpeg, "copy 1")
    assert other != jpeg
    assert np.array_equal(open_photo(other, max_side=64).rgb, open_photo(jpeg, max_side=64).rgb)
    with pytest.raises(ValueError, match="JPEG"):
        cost.commented(b"PNG", "x")


def test_copies_are_of_couplers_of_their_own_and_judged_once(tmp_path: Path) -> None:
    for number in range(2):
        (tmp_path / f"{number:03}").write_bytes(painted("red", number))
    made = cost.copies([photo(0), photo(1, coupler=1)], tmp_path, 5, tmp_path / "sent")
    assert [p.coupler for p in made] == ["c0-0", "c1-0", "c0-1", "c1-1", "c0-2"]
    assert len({(tmp_path / "sent" / p.file).read_bytes() for p in made}) == 5
    judge = PaintJudge()
    remembering = cost.Remembering(judge)
    opened = (open_photo((tmp_path / "sent" / p.file).read_bytes(), max_side=64) for p in made)
    assert len(list(remembering.judge_many(opened))) == 5
    assert judge.judged == 2
    assert remembering.version == judge.version


@pytest.mark.slow
def test_the_cost_of_a_retrain_is_measured_by_stage(tmp_path: Path) -> None:
    done = CliRunner().invoke(cost.main, [str(SAMPLES), str(tmp_path), "--photos", "60"])
    assert done.exit_code == 0, done.output
    (row,) = json.loads((tmp_path / "cost.json").read_text())
    assert row["counts"]["train"] + row["counts"]["held_out"] == 60
    assert row["seconds"]["learning"] > 1
    assert 100 < row["most_mb"]["VmRSS"] < 4000
