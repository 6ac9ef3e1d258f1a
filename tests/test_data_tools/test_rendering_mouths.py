"""Mouth designs of intact sleeves: drawn in training only, alike on all sleeves, free of neighbours."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

pytest.importorskip("skimage")

from data_tools.rendering import local_make, mouths
from data_tools.rendering.domains import Domain, using
from data_tools.rendering.geometry import build_coupler
from data_tools.rendering.insulator import centres, insulator_field, insulator_grid
from data_tools.rendering.sampling import sample_build, sample_coupler
from data_tools.rendering.sampling_damage import sample_damages, with_damages
from data_tools.rendering.sdf import surface
from data_tools.rendering.spec import CouplerSpec, Damage
from model.families import FAMILIES, TYPE1, TYPE2, family
from model.vocabulary import FindingKind, Place

pytestmark = pytest.mark.render
LEDGE = {"kind": "ledge", "turn": 0.0, "depth": 1.2, "half": 1.0, "slope": 0.8}
SIZES: dict[str, dict[str, float | bool]] = {
    "step": {"depth": 1.0, "at": 0.5, "inner": False},
    "groove": {"depth": 0.7, "at": 0.55, "half": 0.45},
    "wave": {"count": 3, "depth": 1.0},
    "dimples": {"count": 4, "depth": 0.9, "half": 0.65, "at": 0.55},
    "ledge": {"depth": 1.2, "half": 1.0, "slope": 0.8},
    "slots": {"count": 3, "depth": 1.2, "half": 0.8, "slope": 0.5},
    "crown": {"count": 3, "depth": 1.2, "share": 0.5, "slope": 0.4},
}


def _plain(key: str = "type1") -> CouplerSpec:
    """Return a coupler of separate, even, sharp sleeves with plain mouths."""
    spec = sample_coupler(np.random.default_rng(1), key)
    count = len(family(key).contacts)
    even = {"style": "separate", "mouth_round": 0.2, "bore_round": 0.2, "mouth_chamfer": 0.0, "fillet": 0.3}
    even |= {"offsets": [[0.0, 0.0]] * count, "sleeve_grow": [0.0] * count, "bore_grow": [0.0] * count}
    even |= {"drops": [0.0] * count, "bore_shape": ["round"] * count, "mouth_nicks": 0.0, "mouths": []}
    return replace(spec, build=spec.build | even, damages=())


def _with(spec: CouplerSpec, **design: object) -> CouplerSpec:
    every = {"on": list(range(len(family(spec.family).contacts))), "rule": "same", "turn": 0.0}
    return replace(spec, build=spec.build | {"mouths": [every | design]})


def _ring(spec: CouplerSpec, index: int, share: float) -> np.ndarray:
    """Return the heights (mm) of a sleeve's rim in 72 directions, ``share`` of its wall out from the bore."""
    shape = family(spec.family)
    grid = insulator_grid(shape, spec.build)
    x, y, z = grid.coordinates()
    field = insulator_field(x, y, z, grid, shape, spec.build)
    contact, (cx, cy) = shape.contacts[index], centres(shape, spec.build)[index]
    bore, radius = contact.bore_diameter / 2, contact.sleeve_diameter / 2
    away, angle = bore + share * (radius - bore), np.linspace(-np.pi, np.pi, 72, endpoint=False)
    rows = np.abs(grid.x[:, None] - (cx + away * np.cos(angle))).argmin(0)
    columns = np.abs(grid.y[:, None] - (cy + away * np.sin(angle))).argmin(0)
    heights = []
    for row, column in zip(rows, columns, strict=True):
        line = field[row, column]
        last = int(np.flatnonzero(line < 0)[-1])
        part = line[last] / (line[last] - line[last + 1])
        heights.append(grid.z[last] + part * (grid.z[last + 1] - grid.z[last]))
    return np.array(heights)


def test_half_of_the_training_couplers_have_designs_and_no_other_domain_has() -> None:
    met: Counter[int] = Counter()
    kinds: Counter[str] = Counter()
    for seed in range(900):
        for domain in Domain:
            with using(domain):
                spec = sample_coupler(np.random.default_rng([seed, 3]), list(FAMILIES)[seed % 2])
            designs = spec.build.get("mouths", [])
            if domain is not Domain.TRAIN:
                assert not designs
                continue
            json.dumps(designs)
            met[len(designs)] += 1
            kinds.update(design["kind"] for design in designs)
            assert len({design["kind"] for design in designs}) == len(designs)
    assert 0.37 < met[1] / 900 < 0.49
    assert 0.08 < met[2] / 900 < 0.16
    assert set(kinds) == {*mouths.LOWERED, *mouths.PROUD}


def test_the_designs_leave_all_else_of_a_seed_as_it_was() -> None:
    for seed in range(30):
        spec = sample_coupler(np.random.default_rng(seed), "type1")
        rng = np.random.default_rng(seed)
        rng.integers(1 << 31)
        assert {
            k: v for k, v in spec.build.items() if k not in {"mouths", "posts", "arm_split", "hook_shape"}
        } == sample_build(rng, TYPE1)
        assert sample_coupler(np.random.default_rng(seed), "type1") == spec


def test_no_design_bares_the_metal_or_touches_a_neighbour() -> None:
    for seed in range(400):
        spec = sample_coupler(np.random.default_rng([seed, 4]), list(FAMILIES)[seed % 2])
        shape, build = family(spec.family), spec.build
        for design in build.get("mouths", []):
            if design["kind"] in ("step", "wave", "ledge", "slots", "crown"):
                assert all(design["depth"] < build["contact_recess"][index] for index in design["on"])
        middles = centres(shape, build)
        radii = [c.sleeve_diameter / 2 + g for c, g in zip(shape.contacts, build["sleeve_grow"], strict=True)]
        proud = [mouths.most_proud(mouths.Mouth(shape, build, i).flank) for i in range(len(radii))]
        for first in range(len(radii)):
            for second in range(first):
                gap = np.linalg.norm(middles[first] - middles[second]) - radii[first] - radii[second]
                assert gap - proud[first] - proud[second] > -0.05


@pytest.mark.parametrize("kind", list(SIZES))
def test_a_lowered_rim_has_the_height_asked_for_and_is_alike_on_all_sleeves(kind: str) -> None:
    plain, made = _plain(), _with(_plain(), kind=kind, **SIZES[kind])
    depth = float(SIZES[kind]["depth"])
    share = 0.72 if kind == "step" else 0.55
    lowered = [_ring(plain, index, share) - _ring(made, index, share) for index in range(5)]
    for one in lowered:
        assert one.min() > -0.1
        assert one.max() == pytest.approx(depth, abs=0.3)
        whole = kind in ("step", "groove")
        assert (one.min() > 0.3 * depth) if whole else (one.min() < 0.15)
    if kind != "dimples":
        assert np.abs(lowered[0] - lowered[1]).mean() < 0.15


def test_a_ledge_is_lowered_in_its_sector_only_and_turns_by_its_rule() -> None:
    def at(rule: str, index: int, angle: float) -> float:
        return mouths.Mouth(TYPE1, _with(_plain(), **(LEDGE | {"rule": rule})).build, index).lowered_at(angle)

    for index in range(5):
        assert at("same", index, 0.0) == pytest.approx(1.2)
        assert at("same", index, np.pi) == 0.0
    assert at("mirrored", 1, 0.0) == at("mirrored", 0, np.pi) == pytest.approx(1.2)
    assert at("mirrored", 0, 0.0) == at("mirrored", 1, np.pi) == 0.0
    for index, contact in enumerate(TYPE1.contacts):
        outward = float(np.arctan2(contact.y, contact.x))
        assert at("outward", index, outward) == pytest.approx(1.2)
        assert at("outward", index, outward + np.pi) == 0.0


@pytest.mark.parametrize(
    ("design", "most"),
    [
        ({"kind": "lobes", "count": 5, "proud": 0.4}, 0.4),
        ({"kind": "ribs", "count": 4, "proud": 0.6, "half": 1.2, "start": 0.5}, 0.6),
        ({"kind": "collar", "proud": 0.6, "start": 1.5, "length": 2.0}, 0.6),
    ],
)
def test_a_flank_stands_out_as_far_as_asked_for(design: dict[str, object], most: float) -> None:
    reach = []
    for spec in (_plain("type2"), _with(_plain("type2"), **design)):
        grid = insulator_grid(TYPE2, spec.build)
        vertices, _ = surface(insulator_field(*grid.coordinates(), grid, TYPE2, spec.build), grid)
        centre = TYPE2.contacts[3]
        near = vertices[(vertices[:, 2] > -4.0) & (np.hypot(*(vertices[:, :2] - [0, 0]).T) < 8.0)]
        reach.append(float(np.hypot(near[:, 0] - centre.x, near[:, 1] - centre.y).max()))
    assert reach[1] - reach[0] == pytest.approx(most, abs=0.12)


def test_records_without_designs_and_with_an_empty_list_give_the_same_solid() -> None:
    spec = _plain()
    old = {key: value for key, value in spec.build.items() if key != "mouths"}
    grid = insulator_grid(TYPE1, old)
    fields = [insulator_field(*grid.coordinates(), grid, TYPE1, build) for build in (old, spec.build)]
    assert np.array_equal(fields[0], fields[1])


@pytest.mark.parametrize("kind", [FindingKind.BROKEN_PIN_HOUSING, FindingKind.HEAT_MELTED_HOUSING])
def test_damage_on_a_design_leaves_the_far_sleeves_as_they_were(kind: FindingKind) -> None:
    whole = _with(_plain(), kind="ledge", **SIZES["ledge"])
    mode = "sector" if kind is FindingKind.BROKEN_PIN_HOUSING else "sag"
    hurt = with_damages(whole, [Damage(kind, Place.UPPER_LEFT, 0.6, mode, 4)])
    parts = [{m.part: m.vertices for m in build_coupler(spec)} for spec in (whole, hurt)]
    far, near = (f"sleeve:{place.value}" for place in (Place.LOWER_RIGHT, Place.UPPER_LEFT))
    assert parts[0][far].shape == parts[1][far].shape
    assert np.abs(parts[0][far] - parts[1][far]).max() < 0.02
    assert parts[0][near].shape != parts[1][near].shape


def test_designs_do_not_look_at_damage() -> None:
    spec = _with(_plain(), **LEDGE)
    hurt = sample_damages(np.random.default_rng(3), spec, {FindingKind.BROKEN_PIN_HOUSING})
    assert hurt.build == spec.build


@pytest.mark.parametrize("kind", ["slots", "crown"])
def test_cuts_come_at_even_turns_and_never_in_the_local_makes_number(kind: str) -> None:
    made = mouths.Mouth(TYPE1, _with(_plain(), kind=kind, turn=0.3, rule="same", **SIZES[kind]).build, 0)
    step = 2 * np.pi / int(SIZES[kind]["count"])
    for number in range(3):
        assert made.lowered_at(0.3 + number * step) == pytest.approx(1.2)
        assert made.lowered_at(0.3 + (number + 0.5) * step) == 0.0
    assert 2 * local_make.NOTCHES["cuts"] not in mouths._CUTS
