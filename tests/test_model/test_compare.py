"""What of two versions' judgements is counted, and on which photos."""

from types import SimpleNamespace
from typing import Any

import pytest

from model.compare import count_pairs, drawn, uncalibrated
from model.gate import INTACT, Asked, Measure, SetName, Verdict, decide
from model.judgement import Finding, Judgement
from model.manifest import LabelledFinding, LabelledPhoto
from model.paired import Paired
from model.vocabulary import FindingKind, Outcome, Place, Reason, Triage

MELTED = FindingKind.HEAT_MELTED_HOUSING
REFUSED = Judgement(Outcome.CANNOT_JUDGE, "v", Reason.HIDDEN)
CLEAR = Judgement(Outcome.SCORED, "v", triage=Triage.CLEAR)


def _said(triage: Triage, kind: FindingKind = MELTED) -> Judgement:
    return Judgement(Outcome.SCORED, "v", triage=triage, findings=(Finding(kind, Place.BOTTOM, 0.6),))


def _book(*cases: tuple[FindingKind | None, Judgement]) -> list[Any]:
    """Judgements of usable photos that show the damage given, or none."""
    return [
        SimpleNamespace(
            good=True,
            judgement=judgement,
            label=SimpleNamespace(findings=(kind,) if kind else (), coupler=f"c{number // 2}"),
            visible_findings=lambda asked, kind=kind: [asked] if asked is kind else [],
        )
        for number, (kind, judgement) in enumerate(cases)
    ]


def test_damage_is_counted_as_found_not_cleared_and_flagged_apart() -> None:
    live = _book((MELTED, _said(Triage.FLAG)), (MELTED, REFUSED), (MELTED, CLEAR))
    candidate = _book((MELTED, _said(Triage.UNSURE)), (MELTED, CLEAR), (MELTED, _said(Triage.FLAG)))
    counted = count_pairs(candidate, live)
    assert counted[Asked(MELTED.value, Measure.FOUND)] == Paired(1, 0, 1, 1)
    assert counted[Asked(MELTED.value, Measure.NOT_CLEARED)] == Paired(1, 1, 1, 0)
    assert counted[Asked(MELTED.value, Measure.FLAGGED)] == Paired(0, 1, 1, 1)
    assert counted[Asked(MELTED.value, Measure.FOUND)].couplers == 2
    assert counted[Asked("missing_latch", Measure.FOUND)].n == counted[Asked(INTACT, Measure.CLEARED)].n == 0


def test_a_refusal_of_an_intact_coupler_is_no_clearing() -> None:
    live = _book((None, CLEAR), (None, CLEAR), (None, CLEAR))
    candidate = _book((None, REFUSED), (None, _said(Triage.UNSURE)), (None, _said(Triage.FLAG)))
    counted = count_pairs(candidate, live)
    assert counted[Asked(INTACT, Measure.CLEARED)] == Paired(0, 3, 0, 0)
    assert counted[Asked(INTACT, Measure.JUDGED)] == Paired(2, 1, 0, 0)
    assert counted[Asked(INTACT, Measure.NOT_FLAGGED)] == Paired(2, 1, 0, 0)


@pytest.mark.parametrize("answer", [_said(Triage.UNSURE), REFUSED, _said(Triage.FLAG)])
def test_one_answer_for_everything_never_goes_live(answer: Judgement) -> None:
    truth: list[FindingKind | None] = [*FindingKind, None]
    live = [(kind, _said(Triage.FLAG, kind) if kind else CLEAR) for kind in truth for _ in range(100)]
    missed = [(kind, CLEAR) for kind in FindingKind]
    same = [(kind, answer) for kind, _ in (*live, *missed)]
    sets = {SetName.RENDERED: count_pairs(_book(*same), _book(*live, *missed))}
    assert decide(sets).verdict is Verdict.WORSE


def test_probabilities_are_held_against_enough_photos_only() -> None:
    def report(ece: float, n: int) -> dict[str, object]:
        return {"kinds": {MELTED.value: {"ece": ece, "auroc": {"n": n}}}}

    assert uncalibrated(report(0.2, 500)) == (MELTED.value,)
    assert uncalibrated(report(0.2, 100)) == uncalibrated(report(0.01, 500)) == ()


def test_of_many_own_photos_all_damaged_ones_are_compared_and_a_draw_of_the_others() -> None:
    melted = (LabelledFinding(MELTED, Place.BOTTOM),)
    labels = [LabelledPhoto(f"{n}", f"c{n}", "type1", melted if n % 10 == 9 else ()) for n in range(500)]
    assert drawn(labels, 500) == labels
    some = drawn(labels, 120)
    assert len(some) == 120
    assert sum(bool(photo.findings) for photo in some) == 50
    assert some == sorted(some, key=lambda photo: int(photo.file))
    assert all(photo.findings for photo in drawn(labels, 30))


def test_a_coupler_counts_once_however_many_photos_there_are_of_it() -> None:
    """One coupler with 13 photos gains, twelve with one each lose: by photos more is gained."""
    cases = [(MELTED, CLEAR, "one")] * 13 + [(MELTED, _said(Triage.FLAG), f"c{n}") for n in range(12)]
    live, candidate = _book(*(case[:2] for case in cases)), _book(*(case[:2] for case in cases))
    for new, old, (_, was, coupler) in zip(candidate, live, cases, strict=True):
        new.label.coupler = old.label.coupler = coupler
        new.judgement = _said(Triage.FLAG) if was is CLEAR else CLEAR
    pair = count_pairs(candidate, live)[Asked(MELTED.value, Measure.FOUND)]
    assert (pair.n, pair.couplers, pair.worse_on, pair.better_on) == (25, 13, 12, 1)
    assert pair.drop < 0
    assert pair.worse_p == pytest.approx(14 / 2**13)  # twelve or thirteen of thirteen
    assert decide({SetName.RENDERED: count_pairs(candidate, live)}).worse
