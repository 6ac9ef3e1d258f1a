"""When a candidate may take over."""

import pytest

from model.compare import Paired, _decide

FINE = {"kinds": {"heat_melted_housing": {"ece": 0.01, "auroc": {"n": 500}}}}
SAME = Paired(100, 0, 0, 2)


def pairs(**changed: Paired) -> dict[str, Paired]:
    names = ("missing_latch", "broken_pin_housing", "heat_melted_housing", "intact")
    return {**dict.fromkeys(names, SAME), **changed}


def test_one_sided_exact_p_is_half_of_mcnemars() -> None:
    """11 against 3 gives exact McNemar p .0573730 (two-sided; shared reference value, exact binomial)."""
    assert Paired(0, 11, 3, 0).worse_p * 2 == pytest.approx(0.0573730, abs=1e-6)


def test_better_without_any_loss_is_promoted() -> None:
    result = _decide(pairs(heat_melted_housing=Paired(100, 0, 5, 3)), FINE, 400)
    assert result.promote
    assert result.better == ("heat_melted_housing",)
    assert "105 of 108, before 100" in result.reason


@pytest.mark.parametrize("loser", ["missing_latch", "heat_melted_housing", "intact"])
def test_worse_anywhere_is_held_even_when_better_elsewhere(loser: str) -> None:
    result = _decide(
        pairs(**{"broken_pin_housing": Paired(50, 0, 40, 3), loser: Paired(90, 4, 0, 1)}), FINE, 400
    )
    assert not result.promote
    assert result.worse == (loser,)
    assert result.reason.startswith("Held: the candidate is worse")


def test_a_fall_inside_the_margin_that_could_be_chance_is_allowed() -> None:
    pair = Paired(1000, 3, 1, 10)
    assert not pair.worse
    assert Paired(1000, 9, 1, 10).worse  # 0.8 points
    assert Paired(100_000, 30, 10, 10).worse  # inside the margin, beyond chance


def test_no_evidence_is_no_reason_to_promote() -> None:
    assert (
        "nothing to compare on for missing latch"
        in _decide(pairs(missing_latch=Paired(0, 0, 0, 0)), FINE, 9).reason
    )
    assert "no better" in _decide(pairs(), FINE, 400).reason


def test_wrong_probabilities_are_held() -> None:
    report = {"kinds": {"heat_melted_housing": {"ece": 0.2, "auroc": {"n": 500}}}}
    result = _decide(pairs(heat_melted_housing=Paired(100, 0, 5, 3)), report, 400)
    assert not result.promote
    assert "probabilities" in result.reason
