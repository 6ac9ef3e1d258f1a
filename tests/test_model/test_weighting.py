"""Weights by label and by site: who counts how much, and that photos come as often as their weights say."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from model.config import TrainConfig
from model.errors import BadRequestError
from model.features import frozen_front, make_features
from model.manifest import LabelledFinding, LabelledPhoto, read_manifest
from model.schedule import own_rows, plan
from model.vocabulary import FindingKind, Place, Reason
from model.weighting import ALIKE, Weighting, dealt, photo_weights, weights_in_words

from .drawn import write_drawn_set
from .small_model import untrained

MELTED = LabelledFinding(FindingKind.HEAT_MELTED_HOUSING, Place.BOTTOM)
BROKEN = LabelledFinding(FindingKind.BROKEN_PIN_HOUSING, Place.CENTRE)


def photo(*findings: LabelledFinding, site: str = "north", reason: Reason | None = None) -> LabelledPhoto:
    return LabelledPhoto("x", "c", "type1", findings, reason, attributes={"site": site})


def test_inverse_square_root_worked_by_hand() -> None:
    """90 intact and 10 melted: 90^-.5 and 10^-.5 stand as 1 to 3; mean 1 makes that 5/6 and 5/2."""
    labels = [photo()] * 90 + [photo(MELTED)] * 10
    weights = photo_weights(labels, Weighting(0.5, 0.5, 4.0))
    np.testing.assert_allclose(weights, [5 / 6] * 90 + [2.5] * 10)
    assert weights_in_words(labels, weights) == (
        "Weights (photos x mean weight): heat melted housing 10 x 2.50, intact 90 x 0.83."
    )


def test_power_one_lets_each_label_and_each_site_count_alike() -> None:
    labels = [photo(site="big")] * 80 + [photo(MELTED, site="big")] * 16 + [photo(site="small")] * 4
    by_label = photo_weights(labels, Weighting(1.0, 0.0, 100.0))
    assert by_label[:80].sum() + by_label[96:].sum() == pytest.approx(by_label[80:96].sum())
    by_site = photo_weights(labels, Weighting(0.0, 1.0, 100.0))
    assert by_site[:96].sum() == pytest.approx(by_site[96:].sum())
    np.testing.assert_allclose(photo_weights(labels, ALIKE), 1.0)
    np.testing.assert_allclose(photo_weights(labels, Weighting(0.0, 0.0, 4.0)), 1.0)


def test_no_photo_counts_more_than_the_cap_and_the_mean_stays_one() -> None:
    labels = [photo()] * 997 + [photo(MELTED, site="south"), photo(BROKEN, site="south"), photo(site="east")]
    weights = photo_weights(labels, Weighting(1.0, 1.0, 4.0))
    assert weights.max() == pytest.approx(4.0)
    assert weights.mean() == pytest.approx(1.0)
    assert weights[-3] == weights[-2] == pytest.approx(4.0)
    assert weights[0] < 1


def test_several_damages_count_as_the_rarest_and_refused_photos_are_one_group() -> None:
    labels = [photo(MELTED)] * 40 + [photo(BROKEN)] * 4 + [photo(MELTED, BROKEN)]
    labels += [photo(reason=Reason.TOO_DARK)] * 3 + [photo(reason=Reason.HIDDEN)] * 2
    weights = photo_weights(labels, Weighting(1.0, 0.0, 100.0))
    assert weights[44] == pytest.approx(weights[40]), "melted and broken: as rare as broken"
    assert len(set(weights[45:].round(12))) == 1


def test_photos_come_as_often_as_their_weights_say() -> None:
    labels = [photo()] * 90 + [photo(MELTED)] * 10
    weights = photo_weights(labels, Weighting())
    once = Counter(dealt(0, 100, weights, seed=3))
    assert all(once[row] in (2, 3) for row in range(90, 100)), "2.5 means 2 or 3 in each pass"
    assert all(once[row] in (0, 1) for row in range(90))
    many = Counter(dealt(0, 100 * 200, weights, seed=3))
    shown = sum(many[row] for row in range(90, 100)) / (100 * 200)
    assert shown == pytest.approx(0.25, abs=0.005)
    assert min(many.values()) > 0.6 * 200 * 5 / 6


def test_the_run_is_endless_the_same_again_and_one_pass_of_equal_weights_shows_each_once() -> None:
    weights = np.ones(17)
    assert sorted(dealt(17, 17, weights, 1)) == list(range(17))
    whole = dealt(0, 60, weights, 1)
    assert [*dealt(0, 23, weights, 1), *dealt(23, 37, weights, 1)] == whole
    assert dealt(0, 60, weights, 2) != whole


@pytest.mark.parametrize("bad", [(-0.1, 0.5, 4.0), (0.5, 1.1, 4.0), (0.5, 0.5, 0.9)])
def test_weights_that_would_turn_the_purpose_round_are_refused(bad: tuple[float, float, float]) -> None:
    with pytest.raises(BadRequestError, match="powers of 0 to 1"):
        Weighting(*bad)
    assert photo_weights([], Weighting()).shape == (0,)


def test_a_rare_damage_gets_a_larger_part_of_what_is_learnt(tmp_path: Path) -> None:
    """One melted photo among eleven others: its views among those the fine-tune really makes."""
    path = write_drawn_set(tmp_path)
    labels = read_manifest(path)
    rare = next(n for n, p in enumerate(labels) if p.findings and p.findings[0].kind is MELTED.kind)
    kept = [p for n, p in enumerate(labels) if n == rare or not p.findings]
    todo = plan(len(kept), 0, 12, 4)
    shares = []
    for how in (ALIKE, Weighting(1.0, 0.0, 4.0)):
        rows = own_rows(0, todo, photo_weights(kept, how), seed=0)
        shares.append(np.mean([bool(kept[row].findings) for row in rows]))
    assert shares[1] > 1.8 * shares[0]
    photos = [(p, tmp_path) for p in kept]
    front = frozen_front(untrained().condition)
    features = make_features(front, photos, rows, 1, TrainConfig(bank_side=320))
    assert float(features.targets.photo[:, 2].mean()) == pytest.approx(shares[1])
