"""Plastic that has run: where it may, and that what it sticks to is recorded as melted too."""

from dataclasses import replace

import numpy as np
import pytest

pytest.importorskip("skimage")

from data_tools.rendering.collapse import Pleats, Puddle, RolledRim, draw_puddle, draw_rolled_rim
from data_tools.rendering.geometry import build_coupler
from data_tools.rendering.melting import Melt, melted
from data_tools.rendering.runs import LEAST_SEVERITY, Run, Sleeve, draw_runs, joined
from data_tools.rendering.sampling import sample_coupler
from data_tools.rendering.sampling_damage import sample_damages, with_damages
from data_tools.rendering.spec import CouplerSpec, Damage
from model.families import family
from model.vocabulary import FindingKind

pytestmark = pytest.mark.render
SLEEVES = [Sleeve((0.0, 0.0), 5.0, 2.5, 12.0), Sleeve((14.0, 0.0), 5.0, 2.5, 12.0)]
DOWN = np.array([0.0, -1.0])
MELTED = FindingKind.HEAT_MELTED_HOUSING


def drawn(severity: float, sleeves: list[Sleeve] = SLEEVES) -> list[Run]:
    draws = (draw_runs(np.random.default_rng(seed), 0, sleeves, DOWN, severity) for seed in range(200))
    return [run for runs in draws for run in runs]


def test_a_bar_is_measured_from_its_round_wall() -> None:
    bar = Run((0.0, 0.0, 0.0), (10.0, 0.0, 0.0), 2.0, 1.0)
    x, y, z = (np.array([value], np.float32) for value in (5.0, 4.0, 0.0))
    assert bar.field(x, y, z)[0] == pytest.approx(4.0 - 1.5)
    assert bar.field(x, 0 * y, z)[0] == pytest.approx(-1.5)
    assert bar.field(x + 8, 0 * y, z)[0] == pytest.approx(3.0 - 1.0)


def test_what_runs_joins_two_solids() -> None:
    x = np.linspace(0, 14, 141, dtype=np.float32)
    at = (x, 0 * x, 0 * x)
    apart = np.minimum(np.abs(x) - 5, np.abs(x - 14) - 5).astype(np.float32)
    bar = Run((4.0, 0.0, 0.0), (10.0, 0.0, 0.0), 1.0, 1.0, 1)
    assert (apart > 0).any()
    assert (joined(apart, [bar], at, np.zeros_like(x)) < 0).all()
    assert (joined(apart, [], at, np.zeros_like(x)) == apart).all()


def test_plastic_that_only_softened_does_not_run() -> None:
    assert drawn(LEAST_SEVERITY - 0.01) == []
    assert len(drawn(0.9)) > 60


def test_only_near_neighbours_are_bridged() -> None:
    assert {run.to for run in drawn(0.9)} == {-1, 1}
    far = [SLEEVES[0], replace(SLEEVES[1], centre=(40.0, 0.0))]
    assert {run.to for run in drawn(0.9, far)} == {-1}


def test_drips_hang_down_within_the_nose() -> None:
    for run in drawn(1.0):
        assert run.end[2] >= -12.0
        assert run.thick > 0.3


def bridged(shape: str) -> tuple[CouplerSpec, Melt]:
    for seed in range(400):
        rng = np.random.default_rng(seed)
        spec = sample_damages(rng, sample_coupler(rng, shape), {MELTED})
        for melt in melted(spec):
            if any(run.to >= 0 for run in melt.runs):
                return spec, melt
    raise AssertionError("no bridge in 400 couplers")


@pytest.mark.parametrize("shape", ["type1", "type2"])
def test_the_neighbour_that_plastic_stuck_to_is_melted_too(shape: str) -> None:
    spec, melt = bridged(shape)
    places = {damage.place for damage in spec.damages if damage.kind is MELTED}
    reached = {family(shape).contacts[run.to].place for run in melt.runs if run.to >= 0}
    assert reached <= places


def test_a_bridge_puts_plastic_between_the_sleeves() -> None:
    spec, melt = bridged("type1")
    middle = next(run.end for run in melt.runs if run.to >= 0)

    def solid_near(damages: tuple[Damage, ...]) -> int:
        meshes = build_coupler(with_damages(spec, damages))
        plastic = [m.vertices for m in meshes if m.part == "floor" or m.part.startswith("sleeve:")]
        return int((np.linalg.norm(np.concatenate(plastic) - middle, axis=1) < 2.5).sum())

    without = tuple(damage for damage in spec.damages if damage.kind is not MELTED)
    assert solid_near((melt.damage, *without)) > solid_near(without) + 10


def test_folds_rise_and_fall_as_often_as_there_are_folds() -> None:
    around = np.linspace(0, 2 * np.pi, 361, dtype=np.float32)[:-1]
    fold = Pleats(5, 0.3, 1.0, 1.0, 0.0).fold(around)
    assert fold.max() == pytest.approx(1.0, abs=0.01)
    assert fold.min() == pytest.approx(-1.0, abs=0.01)
    assert int((np.diff(np.sign(np.append(fold, fold[0]))) != 0).sum()) == 10


def test_a_pleated_sleeve_is_drawn_onto_its_contact_and_a_plain_melt_is_not() -> None:
    drawn_in, plain = [], 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        spec = sample_coupler(rng, "type2")
        melt = Melt(Damage(MELTED, family("type2").contacts[0].place, 0.8, "soften", seed), spec)
        if melt.pleats is None:
            plain += 1
            continue
        ring = np.linspace(0, 2 * np.pi, 60, dtype=np.float32)
        x = np.float32(melt.centre[0]) + melt.radius * np.cos(ring)
        y = np.float32(melt.centre[1]) + melt.radius * np.sin(ring)
        moved = melt.displacement(x, y, 0 * ring - 0.5)
        melt.pleats = replace(melt.pleats, drawn=0.0)
        kept = melt.displacement(x, y, 0 * ring - 0.5)
        inward = (moved[0] - kept[0]) * np.cos(ring) + (moved[1] - kept[1]) * np.sin(ring)
        drawn_in.append(float(inward.mean()))
    assert 35 < plain < 55
    assert all(value < 0 for value in drawn_in)


def test_some_sleeves_sink_on_one_side_and_some_swell_into_lumps() -> None:
    spec = sample_coupler(np.random.default_rng(1), "type2")
    place = family("type2").contacts[0].place
    melts = [Melt(Damage(MELTED, place, 0.8, "soften", seed), spec) for seed in range(120)]
    sunk = [melt for melt in melts if melt.sinking is not None]
    assert 20 < len(sunk) < 55
    assert 15 < sum(melt.look["colour"] == "none" and melt.look["soot"] == 0.0 for melt in melts) < 75
    melt = sunk[0]
    assert melt.sinking is not None
    ring = np.linspace(-np.pi, np.pi, 73, dtype=np.float32)[:-1]
    x = np.float32(melt.centre[0]) + melt.radius * np.cos(ring)
    y = np.float32(melt.centre[1]) + melt.radius * np.sin(ring)
    with_it = melt.displacement(x, y, 0 * ring - 0.5)[2]
    share, melt.sinking = melt.sinking.share(ring), None
    lower = melt.displacement(x, y, 0 * ring - 0.5)[2] - with_it
    assert lower.min() > -1e-4
    assert lower[share > 0.9].mean() > lower[share < 0.1].mean() + 0.3


def test_a_rolled_rim_stands_out_of_the_wall_below_it_and_narrows_the_bore() -> None:
    rim = RolledRim(high=3.0, out=2.0, shut=1.0, lumpy=0.0, pitch=2.0)
    below, level = np.array([0.5, 6.0], np.float32), np.zeros(2, np.float32)
    assert rim.push(below, level + 1, level).tolist() == pytest.approx([2.0, 0.0])
    assert rim.push(below, level, level).tolist() == pytest.approx([-1.0, 0.0])


def test_a_puddle_lies_on_the_floor_and_ends_at_its_edge() -> None:
    puddle, still = Puddle(1.0, 2.0, wide=5.0, high=1.5), np.zeros(3, np.float32)
    x = np.array([1.0, 1.0, 9.0], np.float32)
    y, z = np.full(3, 2.0, np.float32), np.array([-11.0, -8.0, -11.0], np.float32)
    inside = puddle.field(x, y, z, 12.0, still) < 0
    assert inside.tolist() == [True, False, False]


def test_some_melts_roll_their_rim_and_some_leave_a_puddle_where_they_are_not_slight() -> None:
    rims = [draw_rolled_rim(np.random.default_rng(seed), 0.8) for seed in range(200)]
    assert 35 < sum(rim is not None for rim in rims) < 90
    draws = [np.random.default_rng(seed) for seed in range(200)]
    assert 25 < sum(draw_puddle(rng, (0.0, 0.0), 5.0, 0.8) is not None for rng in draws) < 80
    assert not any(draw_puddle(np.random.default_rng(s), (0.0, 0.0), 5.0, 0.3) for s in range(50))
