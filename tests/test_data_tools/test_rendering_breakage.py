"""What an impact takes out of a sleeve: where, how deep, how ragged. Rules of the generator (invented)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

pytest.importorskip("skimage")

from data_tools.rendering.breakage import EVEN_FROM, EVENLY, MODES, Break
from data_tools.rendering.sampling import sample_coupler
from data_tools.rendering.spec import CouplerSpec, Damage
from model.families import family
from model.vocabulary import FindingKind

pytestmark = pytest.mark.render
BROKEN = FindingKind.BROKEN_PIN_HOUSING
TYPE2 = family("type2")


def _spec(seed: int = 1) -> CouplerSpec:
    spec = sample_coupler(np.random.default_rng([seed, 4]), "type2")
    return replace(spec, build=spec.build | {"mouths": [], "style": "separate"})


def _hit(mode: str, severity: float, seed: int) -> Break:
    return Break(Damage(BROKEN, TYPE2.contacts[0].place, severity, mode, seed), _spec())


def _removed(hit: Break) -> np.ndarray:
    """Which places of the sleeve's wall are gone: rows around it (2 degrees), columns down from its mouth
    (0.1 mm)."""
    around = np.linspace(-np.pi, np.pi, 181, dtype=np.float32)[:-1, None]
    below = np.arange(0.05, 12.0, 0.1, dtype=np.float32)[None]
    wall = np.float32(0.5 * (hit.bore + hit.radius))
    x = np.float32(hit.centre[0]) + wall * np.cos(around) + 0 * below
    y = np.float32(hit.centre[1]) + wall * np.sin(around) + 0 * below
    return hit.cut(x, y, np.float32(hit.top) - below + 0 * x) < 0


@pytest.mark.parametrize("mode", MODES)
def test_the_worse_a_break_the_more_is_gone(mode: str) -> None:
    share = [np.mean([_removed(_hit(mode, s, seed)).mean() for seed in range(12)]) for s in (0.2, 0.5, 1.0)]
    assert share == sorted(share)
    assert 0 < share[0] < share[2]


def test_a_break_is_measured_from_its_own_sleeve_and_spares_the_others() -> None:
    hit = _hit("sleeve_gone", 0.9, 3)
    other = TYPE2.contacts[-1]
    x, y, z = (np.array([value], np.float32) for value in (other.x, other.y, -1.0))
    assert hit.cut(x, y, z)[0] > 0


def test_some_sleeves_snap_off_evenly_and_slight_ones_never_do() -> None:
    gone = [_hit("sleeve_gone", 0.9, seed) for seed in range(60)]
    even = [hit for hit in gone if hit.ragged["sleeve"] == EVENLY]
    assert 12 < len(even) < 36
    assert all(_hit("sleeve_gone", EVEN_FROM - 0.01, s).ragged["sleeve"] > EVENLY for s in range(20))

    def unevenness(hit: Break) -> float:
        """How far the broken edge strays from a plane, mm."""
        depth = _removed(hit).sum(axis=1) * 0.1
        around = np.linspace(-np.pi, np.pi, 181)[:-1]
        plane = np.stack([np.ones_like(around), np.cos(around), np.sin(around)], axis=1)
        left = depth - plane @ np.linalg.lstsq(plane, depth, rcond=None)[0]
        return float(np.std(left))

    ragged = [hit for hit in gone if hit not in even]
    assert np.median([unevenness(h) for h in even]) < 0.5 * np.median([unevenness(h) for h in ragged])


def test_some_chips_are_wedges_that_narrow_downwards() -> None:
    chipped = [_hit("chip", 0.6, seed) for seed in range(60)]
    wedges = [hit for hit in chipped if {bite.kind for bite in hit.bites} == {"wedge"}]
    assert 4 < len(wedges) < 40
    for hit in wedges:
        hit.rough = 0.0
        hit.bites = hit.bites[:1]
        wide = _removed(hit).sum(axis=0)
        depth = int(hit.bites[0].depth / 0.1)
        assert wide[0] > wide[depth // 2] > 0
        assert wide[depth + 2 :].sum() == 0
