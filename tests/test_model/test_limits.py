"""Clear limits set again on the operator's own photos."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import torch

from model.artefact import SHIPPED, load_model, save_model
from model.calibration import MISS_RATES
from model.limits import FEWEST_TO_LOWER, Limits, follow_limits, limit_rows, lower_limits, lowered_limits
from model.manifest import LabelledFinding, LabelledPhoto, read_manifest, write_manifest
from model.vocabulary import FindingKind, Place

LIMITS = dict.fromkeys(FindingKind, (0.2, 0.5))


def _shown(count: int, low: float = 0.0, seed: int = 0) -> dict[FindingKind, list[float]]:
    rng = np.random.default_rng(seed)
    return {kind: rng.uniform(low, 1, count).tolist() for kind in FindingKind}


def test_too_few_couplers_keep_the_limit_and_say_how_many_are_needed() -> None:
    """A miss rate of 1 % needs 99 examples, of 2 % 49 (Angelopoulos et al. 2022: 1/(n+1) <= rate)."""
    rows = {row.kind: row for row in limit_rows(_shown(48), LIMITS)}
    assert {kind: row.needed for kind, row in rows.items()} == {
        FindingKind.MISSING_LATCH: 49,
        FindingKind.BROKEN_PIN_HOUSING: 49,
        FindingKind.HEAT_MELTED_HOUSING: 99,
    }
    assert all(row.after == row.before == 0.2 and not row.enough for row in rows.values())
    assert rows[FindingKind.HEAT_MELTED_HOUSING].words == (
        "heat melted housing: 48 of the 99 couplers needed; limit kept"
    )


def test_the_expected_share_missed_stays_under_the_stated_rate() -> None:
    """Over many draws the share of fresh damaged photos below the limit is at most the rate (the theorem)."""
    for kind, rate in MISS_RATES.items():
        missed = []
        for seed in range(400):
            row = next(r for r in limit_rows(_shown(150, seed=seed), LIMITS) if r.kind is kind)
            missed.append(row.after)  # scores are uniform on 0..1: the limit is the share below it
        assert np.mean(missed) <= rate + 3 * np.std(missed) / 20


def _book(photos_of: dict[str, list[float]], kind: FindingKind) -> list[Any]:
    """Judgements of photos that show ``kind``, by coupler, with these probabilities."""
    return [
        SimpleNamespace(
            good=True,
            scored=True,
            label=SimpleNamespace(coupler=coupler),
            truth=lambda asked: asked is kind,
            judgement=SimpleNamespace(
                probabilities=dict.fromkeys(FindingKind, said),
                face=SimpleNamespace(visible={Place.LATCH: said > 0}),
            ),
        )
        for coupler, answers in photos_of.items()
        for said in answers
    ]


def test_a_coupler_counts_once_by_its_least_suspicious_photo(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fifty weekly photos of one coupler are one example; sixty couplers with two photos are sixty."""
    kind, flag_from = FindingKind.MISSING_LATCH, 0.75
    gone = (LabelledFinding(kind, Place.LATCH),)
    judged: list[int] = []

    def follow(photos_of: dict[str, list[float]]) -> Limits:
        labels = [
            LabelledPhoto(f"{c}-{n}", c, "type1", gone)
            for c, said in photos_of.items()
            for n in range(len(said))
        ]
        write_manifest(tmp_path / "held_out.jsonl", labels)

        def score(_classifier: object, shown: list[LabelledPhoto], *_a: object, **_k: object) -> list[Any]:
            judged.append(len(shown))
            return _book(photos_of, kind)

        monkeypatch.setattr("model.limits.score_labelled", score)
        return follow_limits(SHIPPED, tmp_path / "held_out.jsonl", tmp_path / "out.safetensors")

    alone = follow({"one": [0.97] * 50})
    assert (alone.artefact, judged) == (None, []), "nothing is judged where it can move no limit"
    assert next(row for row in alone.rows if row.kind is kind).words == (
        "missing latch: 1 of the 49 couplers needed; limit kept"
    )
    many = follow({f"c{n}": [0.97, 0.2 + n / 1000] for n in range(60)})
    assert judged == [120]
    assert many.artefact is not None
    after = load_model(many.artefact).card.calibration.kinds[kind]
    # floor(61 * 0.02) - 1 = 0: the lowest of the sixty lowest answers.
    assert (after.clear_below, after.flag_from) == (pytest.approx(0.2), flag_from)
    assert "from 60 couplers" in next(row for row in many.rows if row.kind is kind).words


def test_a_photo_without_the_latch_in_sight_moves_no_limit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its probability is 0 and it is not called clear, whatever the limit: it counts for nothing."""
    kind = FindingKind.MISSING_LATCH
    gone = (LabelledFinding(kind, Place.LATCH),)
    labels = [LabelledPhoto(f"{n}", f"c{n}", "type1", gone) for n in range(61)]
    write_manifest(tmp_path / "m.jsonl", labels)
    first = {f"c{n}": [0.4 + n / 1000] for n in range(60)}
    fallen = {f"c{n}": [0.01 + n / 1000] for n in range(60)}

    def score(books: list[dict[str, list[float]]]) -> None:
        turns = iter(books)
        monkeypatch.setattr("model.limits.score_labelled", lambda *_a, **_k: _book(next(turns), kind))

    rows = []
    for hidden in ({}, {"c60": [0.0]}):
        score([first | hidden])
        followed = follow_limits(SHIPPED, tmp_path / "m.jsonl", tmp_path / "out.safetensors")
        rows.append(next(row for row in followed.rows if row.kind is kind))
    assert rows[0] == rows[1]
    assert rows[1].after == pytest.approx(0.4)
    lowered = []
    for old, new in (([], []), ([0.0], [0.0]), ([0.0], [0.5]), ([0.5], [0.0])):
        score([first | ({"c60": old} if old else {}), fallen | ({"c60": new} if new else {})])
        lowered.append(
            lower_limits(SHIPPED, SHIPPED, tmp_path / "m.jsonl", tmp_path / "low.safetensors").rows
        )
    assert lowered[0]
    assert all(rows == lowered[0] for rows in lowered)


@pytest.mark.parametrize("low", [0.6, 0.95])
def test_a_limit_never_rises_above_the_flag(low: float) -> None:
    assert all(row.after == 0.5 and row.enough for row in limit_rows(_shown(120, low), LIMITS))


MELT, BREAK = FindingKind.HEAT_MELTED_HOUSING, FindingKind.BROKEN_PIN_HOUSING


def _lowered(old: list[float], new: list[float], limit: float = 0.2) -> float:
    """The limit of melts where every photo shows one, and nothing else is suspected."""
    said = [[{MELT: p, BREAK: 0.0} for p in version] for version in (old, new)]
    limits = {MELT: limit, BREAK: 0.1}
    return lowered_limits(limits, {MELT: range(len(old)), BREAK: ()}, *said)[MELT]


def test_no_more_damage_is_called_clear_than_before_and_no_limit_rises() -> None:
    """Worked by hand: 2 of 20 lay below 0.2; of the new answers the third smallest is 0.06."""
    old = [0.1, 0.15, *np.linspace(0.3, 0.9, 18)]
    new = [0.03, 0.05, 0.06, 0.07, *np.linspace(0.3, 0.9, 16)]
    assert _lowered(old, new) == pytest.approx(0.06)
    assert _lowered(new, old) == 0.2
    assert _lowered(old, old) == 0.2


def test_what_is_surely_damaged_moves_no_limit_and_neither_do_a_few_photos() -> None:
    old = [0.1, *np.linspace(0.3, 0.9, FEWEST_TO_LOWER - 1)]
    assert _lowered(old, [0.1, *np.linspace(0.25, 0.5, FEWEST_TO_LOWER - 1)]) == 0.2
    fallen = [0.05] * len(old)
    assert _lowered(old[:-1], fallen[:-1]) == 0.2
    assert _lowered(old, fallen) == pytest.approx(0.05)


def test_a_photo_is_clear_by_all_its_limits_together() -> None:
    """Melts are suspected as often as before, but what was doubted for a break no longer is."""
    count = FEWEST_TO_LOWER
    old = [{MELT: 0.1, BREAK: 0.3} if n < 2 else {MELT: 0.9, BREAK: 0.9} for n in range(count)]
    new = [{MELT: 0.1, BREAK: 0.05} if n < 2 else {MELT: 0.9, BREAK: 0.9} for n in range(count)]
    after = lowered_limits({MELT: 0.2, BREAK: 0.1}, {MELT: range(count), BREAK: ()}, old, new)
    assert after[BREAK] == 0.1  # too few photos show one
    assert 0.09 < after[MELT] <= 0.1  # no farther than it takes


def test_answers_of_none_and_of_all_are_survived() -> None:
    assert 0 <= _lowered([1.0] * 20, [1e-9] * 20) < 1e-6
    assert lowered_limits({MELT: 0.2}, {MELT: ()}, [], []) == {MELT: 0.2}


def _logit(probability: float) -> float:
    return float(np.log(probability / (1 - probability)))


def _damaged_elsewhere(folder: Path, every: int) -> Path:
    """A manifest of one in so many damaged photos of other renderers, with enough of each kind."""
    all_of_them = Path(__file__).parents[2] / "synthetic_samples" / "elsewhere" / "manifest.jsonl"
    damaged = [photo for photo in read_manifest(all_of_them) if photo.findings and photo.reason is None]
    chosen = [replace(photo, file=str(all_of_them.parent / photo.file)) for photo in damaged[::every]]
    shown = Counter(kind for photo in chosen for kind in {finding.kind for finding in photo.findings})
    assert all(shown[kind] >= FEWEST_TO_LOWER for kind in FindingKind)
    path = folder / f"every-{every}.jsonl"
    write_manifest(path, chosen)
    return path


def test_a_version_that_suspects_less_gets_lower_limits_in_a_file_of_its_own(tmp_path: Path) -> None:
    """Its answers are those of the shipped model, less one logit for every missing latch. Which photos are in
    doubt, and so looked at twice, changes with that: the other damages may move a little."""
    candidate = tmp_path / "candidate.safetensors"
    bolder = load_model(SHIPPED)
    for network in (bolder.condition, bolder.second):
        assert network is not None
        with torch.no_grad():
            network.mix[0, 2] -= 1.0
    save_model(candidate, bolder)
    elsewhere = _damaged_elsewhere(tmp_path, 4)
    told: list[int] = []
    limits = lower_limits(
        SHIPPED, candidate, elsewhere, tmp_path / "lowered.safetensors", lambda done, _: told.append(done)
    )
    assert limits.artefact is not None
    before, after = (load_model(file).card.calibration.kinds for file in (SHIPPED, limits.artefact))
    steps = {kind: _logit(after[kind].clear_below) - _logit(before[kind].clear_below) for kind in FindingKind}
    latch = steps.pop(FindingKind.MISSING_LATCH)
    # No farther than its answers fell, as what lies next to the limit has to fall below it first.
    assert -1.1 / before[FindingKind.MISSING_LATCH].temperature < latch < -0.3
    assert all(-0.25 < step <= 0 for step in steps.values())
    assert FindingKind.MISSING_LATCH in {row.kind for row in limits.rows}
    for kind in FindingKind:
        assert replace(after[kind], clear_below=before[kind].clear_below) == before[kind]
    assert "limit lowered from" in limits.rows[0].words
    assert told == sorted(told)
    same = lower_limits(SHIPPED, SHIPPED, _damaged_elsewhere(tmp_path, 8), tmp_path / "same.safetensors")
    assert same.artefact is None
    assert not (tmp_path / "same.safetensors").exists()
