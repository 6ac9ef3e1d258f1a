"""Couplers grown from a specification: positions, the mesh contract, sameness, twins, damage.

Reference positions and sizes: the family table, measured from open drawings of IEC 62196-2
configurations (allow +-0.5 mm); Type 1 nose diameter 43.8 mm: public encyclopaedia entry on SAE J1772.
Areas and volumes of solids: trimesh, and the sphere's formula.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

pytest.importorskip("skimage")
trimesh = pytest.importorskip("trimesh")

from data_tools.rendering.geometry import build_coupler  # noqa: E402
from data_tools.rendering.noise import noise  # noqa: E402
from data_tools.rendering.sampling import sample_coupler  # noqa: E402
from data_tools.rendering.sampling_damage import MODES, sample_damages, with_damages  # noqa: E402
from data_tools.rendering.sampling_soiling import MARKS  # noqa: E402
from data_tools.rendering.sdf import Grid, surface  # noqa: E402
from data_tools.rendering.spec import CouplerSpec, Damage, Mesh  # noqa: E402
from model.families import FAMILIES, TOLERANCE_MM, family  # noqa: E402
from model.vocabulary import FindingKind, Place  # noqa: E402

pytestmark = pytest.mark.render
LATCH, BREAK, MELT = (
    FindingKind.MISSING_LATCH,
    FindingKind.BROKEN_PIN_HOUSING,
    FindingKind.HEAT_MELTED_HOUSING,
)


def _coupler(seed: int, key: str = "type1") -> CouplerSpec:
    return sample_coupler(np.random.default_rng(seed), key)


def _by_part(meshes: list[Mesh]) -> dict[str, Mesh]:
    return {mesh.part: mesh for mesh in meshes}


def _area_centre(mesh: Mesh) -> np.ndarray:
    solid = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    return np.asarray(solid.area_faces @ solid.triangles_center / solid.area)


@pytest.mark.parametrize("key", sorted(FAMILIES))
def test_contacts_stand_where_the_family_table_says(key: str) -> None:
    for seed in range(3):
        spec = _coupler(seed, key)
        parts = _by_part(build_coupler(spec))
        for contact, offset in zip(family(key).contacts, spec.build["offsets"], strict=True):
            centre = _area_centre(parts[f"contact:{contact.place.value}"])[:2]
            assert np.hypot(*(centre - (contact.x, contact.y))) <= TOLERANCE_MM
            assert centre == pytest.approx(np.add((contact.x, contact.y), offset), abs=0.03)


@pytest.mark.parametrize("key", sorted(FAMILIES))
def test_nose_is_as_large_as_the_family_table_says(key: str) -> None:
    row = family(key)
    for seed in range(4):
        rim = _by_part(build_coupler(_coupler(seed, key)))["rim"]
        spec = _coupler(seed, key)
        front = rim.vertices[rim.vertices[:, 2] > spec.build["recess"] - 3.0]
        size = front.max(axis=0) - front.min(axis=0)
        slack = 2 * TOLERANCE_MM + 2 * spec.build["facet_depth"]
        assert size[0] == pytest.approx(row.nose_width, abs=slack)
        assert size[1] == pytest.approx(row.nose_height, abs=slack)


@pytest.mark.parametrize("key", sorted(FAMILIES))
@pytest.mark.parametrize("kinds", [set(), {LATCH}, {BREAK}, {MELT}, {LATCH, BREAK, MELT}])
def test_every_mesh_keeps_the_contract(key: str, kinds: set[FindingKind]) -> None:
    rng = np.random.default_rng(len(kinds))
    spec = sample_damages(rng, sample_coupler(rng, key), kinds)
    meshes = build_coupler(spec)
    wanted = {f"{part}:{c.place.value}" for c in family(key).contacts for part in ("sleeve", "contact")}
    assert wanted | {"rim", "shell", "body", "cable"} <= {mesh.part for mesh in meshes}
    assert 40_000 < sum(len(mesh.faces) for mesh in meshes) < 250_000
    for mesh in meshes:
        assert np.isfinite(mesh.vertices).all()
        assert mesh.faces.max() < len(mesh.vertices)
        assert {name: value.shape[1] for name, value in mesh.attributes.items()} == {
            "albedo": 3,
            "roughness": 1,
            "metallic": 1,
        }
        for value in mesh.attributes.values():
            assert len(value) == len(mesh.vertices)
            assert value.dtype == np.float32
            assert 0.0 <= value.min() <= value.max() <= 1.0


def test_same_record_gives_the_same_coupler() -> None:
    rng = np.random.default_rng(5)
    spec = sample_damages(rng, sample_coupler(rng, "type1"), {LATCH, BREAK, MELT})
    told = json.loads(json.dumps(spec.to_json()))
    damages = tuple(
        Damage(FindingKind(d["kind"]), Place(d["place"]), d["severity"], d["mode"], d["seed"])
        for d in told.pop("damages")
    )
    again = CouplerSpec(**told, damages=damages)
    for first, second in zip(build_coupler(spec), build_coupler(again), strict=True):
        assert first.part == second.part
        assert np.array_equal(first.vertices, second.vertices)
        assert np.array_equal(first.attributes["albedo"], second.attributes["albedo"])


@pytest.mark.parametrize("kind", [BREAK, MELT])
def test_twin_differs_only_about_the_damaged_place(kind: FindingKind) -> None:
    spec = _coupler(8)
    mode = {BREAK: "sector", MELT: "soften"}[kind]
    hurt = with_damages(spec, [Damage(kind, Place.UPPER_LEFT, 0.3, mode, 77)])
    whole, damaged = _by_part(build_coupler(spec)), _by_part(build_coupler(hurt))
    for part in ("sleeve:lower_right", "contact:lower_right", "rim", "shell", "latch_hook", "cable"):
        assert np.array_equal(whole[part].vertices, damaged[part].vertices), part
    for part in ("sleeve:lower_right", "latch_hook", "shell"):
        # Paint may shift by less than one grey level: sums over the whole mesh see other vertex numbers.
        assert whole[part].attributes["albedo"] == pytest.approx(damaged[part].attributes["albedo"], abs=2e-3)
    near, near_hurt = whole["sleeve:upper_left"].vertices, damaged["sleeve:upper_left"].vertices
    assert near.shape != near_hurt.shape or not np.allclose(near, near_hurt, atol=0.05)


@pytest.mark.parametrize("kind", [BREAK, MELT])
@pytest.mark.parametrize("key", sorted(FAMILIES))
def test_gross_damage_moves_more_of_the_sleeve_than_slight_damage(kind: FindingKind, key: str) -> None:
    from scipy.spatial import cKDTree

    place = family(key).housing_places[0]
    spec = _coupler(3, key)
    whole = _by_part(build_coupler(spec))[f"sleeve:{place.value}"].vertices
    for mode in MODES[kind]:
        moved = []
        for severity in (0.1, 0.95):
            parts = _by_part(build_coupler(with_damages(spec, [Damage(kind, place, severity, mode, 4)])))
            left = parts[f"sleeve:{place.value}"].vertices
            gone, _ = cKDTree(left).query(whole)
            come, _ = cKDTree(whole).query(left)
            moved.append(float(np.clip(gone - 0.3, 0, None).sum() + np.clip(come - 0.3, 0, None).sum()))
        assert moved[1] > 1.5 * moved[0], mode
        assert moved[1] > 5.0, mode


@pytest.mark.parametrize("mode", ["hook_sheared", "arm_stub", "arm_gone"])
def test_a_missing_latch_ends_further_back(mode: str) -> None:
    spec = _coupler(2)
    hurt = with_damages(spec, [Damage(LATCH, Place.LATCH, 0.6, mode, 9)])

    def front(meshes: list[Mesh]) -> float:
        return max((m.vertices[:, 2].max() for m in meshes if m.part.startswith("latch")), default=-99.0)

    assert front(build_coupler(hurt)) < front(build_coupler(spec)) - 1.0


def test_a_family_without_latch_never_loses_one() -> None:
    rng = np.random.default_rng(0)
    for _ in range(20):
        spec = sample_damages(rng, sample_coupler(rng, "type2"), {LATCH, MELT})
        assert {damage.kind for damage in spec.damages} == {MELT}
    assert not any(mesh.part.startswith("latch") for mesh in build_coupler(spec))


def test_damages_name_valid_places_once_for_each_kind() -> None:
    rng = np.random.default_rng(1)
    for _ in range(60):
        spec = sample_damages(rng, sample_coupler(rng, "type1"), {LATCH, BREAK, MELT})
        named = [(damage.kind, damage.place) for damage in spec.damages]
        assert len(named) == len(set(named))
        assert {kind for kind, _ in named} == {LATCH, BREAK, MELT}
        for kind, place in named:
            assert (place is Place.LATCH) == (kind is LATCH)
        assert all(0.0 < damage.severity <= 1.0 for damage in spec.damages)


def test_dirt_and_colours_are_drawn_without_looking_at_damage() -> None:
    """Brown, soot and white marks, scuffs and wear must be met on intact couplers as well."""
    drawn = [_coupler(seed) for seed in range(300)]
    marked = [mark[0] for spec in drawn for mark in spec.soiling["marks"]]
    assert set(marked) == set(MARKS)
    assert sum(name in ("brown", "rust", "soot") for name in marked) / len(drawn) > 0.4
    spec = drawn[0]
    hurt = sample_damages(np.random.default_rng(3), spec, {MELT})
    assert (hurt.build, hurt.finish, hurt.soiling) == (spec.build, spec.finish, spec.soiling)


def test_nearly_half_of_the_melts_keep_the_colour_of_the_plastic() -> None:
    from data_tools.rendering.melting import Melt

    rng, spec = np.random.default_rng(2), _coupler(0)
    found = [Melt(d, spec) for _ in range(300) for d in sample_damages(rng, spec, {MELT}).damages]
    kept = np.mean([melt.look["colour"] == "none" for melt in found])
    assert 0.38 < kept < 0.55


def test_surface_of_a_sphere_matches_its_formula() -> None:
    axis = np.linspace(-6, 6, 60).astype(np.float32)
    grid = Grid(axis, axis, axis)
    x, y, z = grid.coordinates()
    vertices, faces = surface(np.sqrt(x * x + y * y + z * z) - np.float32(5.0), grid)
    solid = trimesh.Trimesh(vertices, faces)
    assert solid.is_watertight
    assert solid.volume == pytest.approx(4 / 3 * np.pi * 125, rel=0.01)
    assert solid.area == pytest.approx(4 * np.pi * 25, rel=0.02)


def test_noise_is_the_same_at_the_same_place_and_spans_its_range() -> None:
    points = np.random.default_rng(0).uniform(-40, 40, (3, 5000)).astype(np.float32)
    first = noise(*points, 2.0, 7, 2)
    assert np.array_equal(first, noise(*points, 2.0, 7, 2))
    assert np.array_equal(first[:100], noise(*points[:, :100], 2.0, 7, 2))
    assert not np.allclose(first, noise(*points, 2.0, 8, 2))
    assert -1.0 <= first.min() < -0.4
    assert 0.4 < first.max() <= 1.0
