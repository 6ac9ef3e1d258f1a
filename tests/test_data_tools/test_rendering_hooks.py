"""Outlines of hooks: whole and clean whatever their shape, so that shape alone never means damage.

Shapes are rules of the generator itself (invented, no source).
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

pytest.importorskip("skimage")

from data_tools.rendering.domains import Domain, using
from data_tools.rendering.hook_shapes import KINDS, PLAIN, carve, draw_hook_shape, widened
from data_tools.rendering.palette import DYED_HOOKS
from data_tools.rendering.sampling import sample_coupler

pytestmark = pytest.mark.render
LOW, HIGH, HALF = 0.0, 6.0, 4.0


def _block() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    x, y = np.meshgrid(np.linspace(-6, 6, 121, dtype=np.float32), np.linspace(-2, 8, 101, dtype=np.float32))
    field = np.maximum(np.abs(x) - HALF, np.abs(y - 3.0) - 3.0)
    return field.astype(np.float32), x, y


def _shape(kind: str) -> dict[str, object]:
    return {"kind": kind, "wide": 0.4, "deep": 0.4, "side": 1}


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "wide"])
def test_every_outline_takes_some_of_the_block_and_keeps_its_height_and_most_of_it(kind: str) -> None:
    block, x, y = _block()
    left = carve(block, x, y, LOW, HIGH, HALF, _shape(kind))
    solid, whole = left < 0, block < 0
    assert not (solid & ~whole).any()
    assert 0.5 < solid.sum() / whole.sum() < 0.99
    assert np.ptp(y[solid]) == pytest.approx(np.ptp(y[whole]), abs=0.25)


def test_a_window_is_closed_all_round_and_a_groove_is_open_above() -> None:
    block, x, y = _block()
    in_the_middle = np.abs(x) < 0.05
    window = carve(block, x, y, LOW, HIGH, HALF, _shape("window"))[in_the_middle] < 0
    groove = carve(block, x, y, LOW, HIGH, HALF, _shape("groove"))[in_the_middle] < 0
    assert np.count_nonzero(np.diff(window.astype(int))) == 4
    assert np.count_nonzero(np.diff(groove.astype(int))) == 2
    assert y[in_the_middle][groove].max() < HIGH - 1.5


def test_a_wide_hook_is_wider_and_a_plain_one_is_not() -> None:
    block, x, y = _block()
    assert widened(4.0, _shape("wide")) == pytest.approx(5.6)
    assert widened(4.0, None) == widened(4.0, _shape("step")) == 4.0
    assert carve(block, x, y, LOW, HIGH, HALF, None) is block


def test_all_outlines_are_drawn_and_nearly_half_of_the_hooks_are_plain() -> None:
    rng = np.random.default_rng(0)
    drawn = Counter(shape["kind"] if (shape := draw_hook_shape(rng)) else "plain" for _ in range(2000))
    assert set(drawn) == {*KINDS, "plain"}
    assert drawn["plain"] / 2000 == pytest.approx(PLAIN, abs=0.04)


@pytest.mark.parametrize("domain", [Domain.STRESS, Domain.LOCAL, Domain.SITE])
def test_outlines_are_met_in_training_alone(domain: Domain) -> None:
    with using(domain):
        builds = [sample_coupler(np.random.default_rng([s, 3]), "type1").build for s in range(30)]
    assert not any("hook_shape" in build for build in builds)
    trained = [sample_coupler(np.random.default_rng([s, 3]), "type1").build for s in range(30)]
    assert 5 < sum("hook_shape" in build for build in trained) < 26
    assert not any(build["hook_fork"] for build in trained)


def test_a_few_training_hooks_are_dyed_all_round_and_none_of_another_world() -> None:
    specs = [sample_coupler(np.random.default_rng([s, 3]), "type1") for s in range(300)]
    dyed = [spec for spec in specs if "hook_tip" in spec.finish]
    assert len(dyed) / len(specs) == pytest.approx(DYED_HOOKS, abs=0.06)
    assert "hook_tip" not in sample_coupler(np.random.default_rng(0), "type2").finish
    with using(Domain.SITE):
        assert not any(
            "hook_tip" in sample_coupler(np.random.default_rng([s, 3]), "type1").finish for s in range(60)
        )
