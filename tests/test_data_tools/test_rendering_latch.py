"""The latch of Type 1: intact hooks and missing ones never look alike from the front; what counts as seen.

Where hooks stand and latches end are rules of the generator itself (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

pytest.importorskip("skimage")

from data_tools.rendering import ground_truth as truth
from data_tools.rendering.geometry import build_coupler, build_with_twin
from data_tools.rendering.latch_failure import SHORTEST_HOOK_MM, LatchFailure
from data_tools.rendering.renderer import FirstHits
from data_tools.rendering.sampling import sample_coupler
from data_tools.rendering.sampling_damage import MODES, sample_damages, with_damages
from data_tools.rendering.spec import CouplerSpec, Damage
from model.families import TYPE1
from model.vocabulary import FindingKind, Place
from tests.test_data_tools.test_rendering_truth import _frontal

pytestmark = pytest.mark.render
LATCH, BREAK, MELT = (
    FindingKind.MISSING_LATCH,
    FindingKind.BROKEN_PIN_HOUSING,
    FindingKind.HEAT_MELTED_HOUSING,
)


def _spec(seed: int) -> CouplerSpec:
    return sample_coupler(np.random.default_rng([seed, 3]), "type1")


def _lost(spec: CouplerSpec, mode: str, severity: float, seed: int = 5) -> CouplerSpec:
    return with_damages(spec, [Damage(LATCH, Place.LATCH, severity, mode, seed)])


def _sheared(count: int) -> Iterator[tuple[CouplerSpec, LatchFailure, CouplerSpec]]:
    """Yield couplers, how each lost its hook, and what is left."""
    for seed in range(count):
        spec = _spec(seed)
        lost = _lost(spec, "hook_sheared", 0.5, seed)
        yield spec, LatchFailure(lost.damages[0], lost), lost


def _latch(spec: CouplerSpec) -> np.ndarray:
    meshes = [m.vertices for m in build_coupler(spec) if m.part.startswith("latch")]
    return np.concatenate(meshes) if meshes else np.zeros((0, 3))


def test_every_intact_hook_shows_over_the_lip_even_from_40_degrees_below() -> None:
    for seed in range(12):
        spec = _spec(seed)
        hook = _latch(spec)
        front = hook[hook[:, 2] > spec.build["latch_tip"] - spec.build["hook_length"]]
        behind = spec.build["recess"] - front[:, 2]
        assert behind.min() < 8.5
        seen = front[:, 1] - np.tan(np.radians(40)) * np.maximum(behind, 0) - TYPE1.nose_height / 2
        assert seen.max() > 1.0
        assert np.ptp(front[:, 1]) > SHORTEST_HOOK_MM - 0.5


@pytest.mark.parametrize("mode", ["hook_sheared", "arm_stub", "arm_gone"])
def test_a_latch_lost_at_severity_03_or_more_ends_behind_every_hook_or_is_thinner_than_any(mode: str) -> None:
    for seed in range(8):
        spec = _spec(seed)
        for severity in (0.3, 0.6, 1.0):
            lost = _lost(spec, mode, severity, seed)
            failure = LatchFailure(lost.damages[0], lost)
            if failure.torn_short or failure.split:
                continue
            left = _latch(lost)
            in_front = left[left[:, 2] > spec.build["recess"] - 8.6]
            assert in_front.size == 0 or np.ptp(in_front[:, 1]) < SHORTEST_HOOK_MM - 0.3
            assert left.size == 0 or left[:, 2].max() < spec.build["latch_tip"] - spec.build["hook_length"]


def test_a_stump_that_ends_far_forward_has_lost_most_of_its_hook_and_is_torn() -> None:
    torn = 0
    for spec, failure, lost in _sheared(40):
        torn += failure.torn_short
        if not failure.torn_short:
            continue
        tip, hook = spec.build["latch_tip"], spec.build["hook_length"]
        left = _latch(lost)
        assert left[:, 2].max() < tip - 0.3 * hook
        whole = _latch(spec)
        assert _unevenness(left) > _unevenness(whole) + 0.25
    assert 8 <= torn <= 20


def _unevenness(latch: np.ndarray) -> float:
    """How much the front of a latch steps forward and back across its width, mm."""
    slices = [latch[np.abs(latch[:, 0] - x) < 0.5, 2] for x in np.arange(-2.0, 2.1, 0.5)]
    return float(np.std([part.max() for part in slices if part.size]))


def test_some_hooks_are_sheared_at_their_root_and_some_fractures_show_another_core() -> None:
    sheared = list(_sheared(60))
    behind = [f.end - (spec.build["latch_tip"] - spec.build["hook_length"]) for spec, f, _ in sheared]
    assert sum(-4.1 < end < -0.9 for end in behind) > 10
    assert any(failure.core for _, failure, _ in sheared)
    assert any(failure.teeth for _, failure, _ in sheared)


def test_some_hooks_split_lengthways_and_keep_one_side() -> None:
    split = 0
    for spec, failure, lost in _sheared(60):
        if failure.split is None:
            continue
        split += 1
        side, at = failure.split
        left = _latch(lost)
        across, edge = side * left[:, 0], 0.45 * spec.build["hook_width"]
        kept, gone = left[across < at - 0.8, 2], left[across > edge, 2]
        assert kept.max() > spec.build["latch_tip"] - 0.4 * spec.build["hook_length"]
        assert gone.size == 0 or gone.max() < kept.max() - 0.5 * spec.build["hook_length"]
    assert 1 < split < 16


def test_some_levers_snap_anywhere_and_a_clean_face_is_even_and_fresh() -> None:
    shares, clean = [], 0
    for seed in range(60):
        spec = _spec(seed)
        lost = _lost(spec, "arm_stub", 0.5, seed)
        failure = LatchFailure(lost.damages[0], lost)
        if not failure.snapped:
            continue
        root = spec.build["latch_tip"] - spec.build["hook_length"]
        slot = -spec.build["nose_length"]
        shares.append((failure.end - slot) / (root - slot))
        if failure.rough <= 0.25:
            clean += 1
            assert failure.splinters == failure.teeth == 0.0
            assert failure.old <= 0.5
            assert failure.core is not None or failure.lighter >= 0.4
    assert 12 < len(shares) < 36
    assert max(shares) < 1.0
    assert max(shares) - min(shares) > 0.5
    assert 2 < clean < len(shares)


def test_the_worse_the_less_is_left() -> None:
    spec = _spec(1)
    ends = [LatchFailure(_lost(spec, mode, s).damages[0], spec).end for mode in ("arm_stub", "hook_sheared")
            for s in (0.3, 0.65, 1.0)]  # fmt: skip
    assert ends[:3] == sorted(ends[:3], reverse=True)
    assert ends[3:] == sorted(ends[3:], reverse=True)


def test_most_lost_latches_are_gone_or_stubs_and_few_are_slight() -> None:
    rng = np.random.default_rng(0)
    drawn = [sample_damages(rng, _spec(0), {LATCH}).damages[0] for _ in range(600)]
    assert np.mean([damage.mode in ("arm_gone", "arm_stub") for damage in drawn]) > 0.6
    slight = [damage for damage in drawn if damage.severity < 0.3]
    assert {damage.mode for damage in slight} == {"hook_worn", "hook_sheared"}
    assert len(slight) < 0.2 * len(drawn)


def test_a_hook_that_still_looks_like_one_is_marked() -> None:
    spec = _spec(2)
    slight, gone = (_lost(spec, "hook_sheared", s).damages[0] for s in (0.1, 0.4))
    assert LatchFailure(slight, spec).passes_for_intact
    assert not LatchFailure(gone, spec).passes_for_intact
    worn = LatchFailure(_lost(spec, "hook_worn", 0.29).damages[0], spec)
    assert worn.passes_for_intact


@pytest.mark.parametrize("kinds", [{LATCH}, {BREAK}, {MELT}])
def test_a_twin_made_together_is_the_twin_made_alone(kinds: set[FindingKind]) -> None:
    spec = sample_damages(np.random.default_rng(4), _spec(3), kinds)
    together = build_with_twin(spec)
    for meshes, alone in zip(together, (build_coupler(spec), build_coupler(_spec(3))), strict=True):
        assert [mesh.part for mesh in meshes] == [mesh.part for mesh in alone]
        for mesh, other in zip(meshes, alone, strict=True):
            assert np.array_equal(mesh.vertices, other.vertices)
            assert np.array_equal(mesh.attributes["albedo"], other.attributes["albedo"])


def _hits(rows: slice, depth: float) -> FirstHits:
    part, distance = np.zeros((384, 384), np.int32), np.full((384, 384), 150.0, np.float32)
    part[rows, 100:200], distance[rows, 100:200] = 1, depth
    return FirstHits(part, distance, ("shell", "latch_hook"))


def test_the_hook_is_looked_for_where_the_twin_shows_it() -> None:
    from data_tools.rendering.camera import sample_camera

    camera = _frontal(sample_camera(np.random.default_rng(4), TYPE1))
    twin = _hits(slice(40, 60), 140.0)
    gone, area = truth.hook_region(_hits(slice(0, 0), 0.0), twin, camera, 1.0)
    assert (gone.sum(), area) == (2000, 2000.0)
    half, _ = truth.hook_region(_hits(slice(50, 60), 140.5), twin, camera, 1.0)
    assert half.sum() == 1000
    back, doubled = truth.hook_region(_hits(slice(40, 60), 146.0), twin, camera, 0.5)
    assert (back.sum(), doubled) == (2000, 4000.0)


def test_breaks_count_by_a_smaller_share_and_slight_damage_beside_another_is_left_open() -> None:
    chip = Damage(BREAK, Place.BOTTOM, 0.2, "chip", 1)
    melt = Damage(MELT, Place.BOTTOM, 0.8, "sag", 2)
    assert truth.of_damage(chip, 0.1, [chip]) == pytest.approx(0.1 / truth.BREAK_SHARE)
    assert truth.of_damage(chip, 0.9, [chip, melt]) == truth.PASSES_FOR_INTACT
    assert truth.of_damage(melt, 0.9, [chip, melt]) == 0.9


def test_of_two_damages_at_one_place_the_milder_is_left_open() -> None:
    gone = Damage(BREAK, Place.CENTRE, 0.9, "sleeve_gone", 1)
    mild, worse = (Damage(MELT, Place.CENTRE, severity, "soften", 2) for severity in (0.4, 0.95))
    elsewhere = Damage(MELT, Place.BOTTOM, 0.4, "soften", 3)
    assert truth.of_damage(mild, 0.9, [gone, mild]) == truth.PASSES_FOR_INTACT
    assert truth.of_damage(gone, 0.9, [gone, mild]) == 1.0
    assert truth.of_damage(worse, 0.9, [gone, worse]) == 0.9
    assert truth.of_damage(gone, 0.9, [gone, worse]) == truth.PASSES_FOR_INTACT
    assert truth.of_damage(elsewhere, 0.9, [gone, elsewhere]) == 0.9


def test_every_way_to_lose_a_latch_has_odds() -> None:
    from data_tools.rendering.sampling_damage import _LATCH_ODDS

    assert tuple(_LATCH_ODDS) == MODES[LATCH]
    assert sum(share for share, _ in _LATCH_ODDS.values()) == pytest.approx(1.0)
