"""When a candidate may take over."""

import pytest

from model.compare import RENDERED, SETS, Paired, _decide, drawn
from model.manifest import LabelledFinding, LabelledPhoto
from model.vocabulary import FindingKind, Place

FINE = {"kinds": {"heat_melted_housing": {"ece": 0.01, "auroc": {"n": 500}}}}
SAME, NONE = Paired(100, 0, 0, 2), Paired(0, 0, 0, 0)
HELD_OUT, NEVER_REGRESS = SETS
NAMES = ("missing_latch", "broken_pin_housing", "heat_melted_housing", "intact")


def pairs(**changed: Paired) -> dict[str, Paired]:
    return {**dict.fromkeys(NAMES, SAME), **changed}


def sets(own: dict[str, Paired], rendered: dict[str, Paired] | None = None) -> dict[str, dict[str, Paired]]:
    return {HELD_OUT: own, RENDERED: pairs() if rendered is None else rendered}


def test_one_sided_exact_p_is_half_of_mcnemars() -> None:
    """11 against 3 gives exact McNemar p .0573730 (two-sided; shared reference value, exact binomial)."""
    assert Paired(0, 11, 3, 0).worse_p * 2 == pytest.approx(0.0573730, abs=1e-6)
    assert Paired(0, 3, 11, 0).better_p * 2 == pytest.approx(0.0573730, abs=1e-6)


def test_better_without_any_loss_is_promoted() -> None:
    result = _decide(sets(pairs(heat_melted_housing=Paired(100, 0, 5, 3))), FINE, 400)
    assert result.promote
    assert result.better == ("heat_melted_housing",)
    assert "105 of 108, before 100 (exact p 0.031)" in result.reason  # 1/2 to the fifth
    assert HELD_OUT in result.reason
    assert result.notes == ()


@pytest.mark.parametrize("loser", ["missing_latch", "heat_melted_housing", "intact"])
def test_worse_anywhere_is_held_even_when_better_elsewhere(loser: str) -> None:
    own = pairs(**{"broken_pin_housing": Paired(50, 0, 40, 3), loser: Paired(90, 4, 0, 1)})
    result = _decide(sets(own), FINE, 400)
    assert not result.promote
    assert result.worse == (loser,)
    assert result.reason.startswith("Held: the candidate is worse")


def test_a_gain_on_own_couplers_does_not_pay_for_a_loss_elsewhere() -> None:
    gain, loss = (
        pairs(heat_melted_housing=Paired(50, 0, 40, 3)),
        pairs(heat_melted_housing=Paired(7, 1, 0, 0)),
    )
    for name in (RENDERED, NEVER_REGRESS):
        result = _decide({HELD_OUT: gain, name: loss}, FINE, 400)
        assert not result.promote
        assert f"on {name}: 7 of 8, before 8" in result.reason


def test_a_fall_inside_the_margin_that_could_be_chance_is_allowed() -> None:
    pair = Paired(1000, 3, 1, 10)
    assert not pair.worse()
    assert Paired(1000, 9, 1, 10).worse()  # 0.8 points
    assert Paired(100_000, 30, 10, 10).worse()  # inside the margin, beyond chance


def test_one_more_false_alarm_in_a_hundred_is_allowed_and_one_more_miss_is_not() -> None:
    gain, one_lost = Paired(50, 0, 40, 3), Paired(107, 1, 0, 2)
    assert _decide(sets(pairs(broken_pin_housing=gain, intact=one_lost)), FINE, 400).promote
    assert not _decide(sets(pairs(broken_pin_housing=gain, heat_melted_housing=one_lost)), FINE, 400).promote
    two_lost = Paired(106, 2, 0, 2)
    assert not _decide(sets(pairs(broken_pin_housing=gain, intact=two_lost)), FINE, 400).promote


def test_a_damage_that_no_own_coupler_shows_is_compared_on_the_rendered_test_alone() -> None:
    own = pairs(missing_latch=NONE, heat_melted_housing=Paired(9, 0, 2, 0))
    result = _decide(sets(own), FINE, 400)
    assert result.promote
    assert "None of your held-out couplers shows missing latch yet" in result.notes[0]
    lost = _decide(sets(own, pairs(missing_latch=Paired(5, 1, 0, 0))), FINE, 400)
    assert not lost.promote
    assert f"missing latch found on {RENDERED}: 5 of 6, before 6" in lost.reason


def test_no_evidence_is_no_reason_to_promote() -> None:
    nowhere = _decide(sets(pairs(missing_latch=NONE), pairs(missing_latch=NONE)), FINE, 9)
    assert not nowhere.promote
    assert "no photo to compare on shows missing latch" in nowhere.reason
    assert "gate_manifest" in nowhere.reason
    assert "no better" in _decide(sets(pairs()), FINE, 400).reason
    assert not _decide({}, {"kinds": {}}, 0).promote


def test_it_says_what_loss_so_few_photos_could_hide() -> None:
    """Exact: none of 30 and of 100 lost leaves .0950 and .0295 open (Eypasch 1995, BMJ 311:619)."""
    few, many = Paired(29, 0, 1, 0), Paired(100, 0, 0, 0)
    alone = {RENDERED: dict.fromkeys(NAMES, many) | {"heat_melted_housing": few}}
    result = _decide(alone, FINE, 400)
    assert result.promote
    assert len(result.notes) == 1
    assert "hardly show it: heat melted housing 10% (30 photos). Render a larger test" in result.notes[0]
    assert not _decide({RENDERED: dict.fromkeys(NAMES, many)}, FINE, 400).notes
    assert not _decide({HELD_OUT: alone[RENDERED], RENDERED: pairs()}, FINE, 400).notes
    chosen = {NEVER_REGRESS: dict.fromkeys(NAMES, many), **alone}
    assert "heat melted housing 10% (30 photos)" in _decide(chosen, FINE, 400).notes[0]


def test_wrong_probabilities_are_held() -> None:
    report = {"kinds": {"heat_melted_housing": {"ece": 0.2, "auroc": {"n": 500}}}}
    result = _decide(sets(pairs(heat_melted_housing=Paired(100, 0, 5, 3))), report, 400)
    assert not result.promote
    assert "probabilities" in result.reason


def test_of_many_own_photos_all_damaged_ones_are_compared_and_a_draw_of_the_others() -> None:
    melted = (LabelledFinding(FindingKind.HEAT_MELTED_HOUSING, Place.BOTTOM),)
    labels = [LabelledPhoto(f"{n}", f"c{n}", "type1", melted if n % 10 == 9 else ()) for n in range(500)]
    assert drawn(labels, 500) == labels
    some = drawn(labels, 120)
    assert len(some) == 120
    assert sum(bool(photo.findings) for photo in some) == 50
    assert some == sorted(some, key=lambda photo: int(photo.file))
    assert all(photo.findings for photo in drawn(labels, 30))
