"""The local site's make: its traits are on all of its couplers, whole or damaged, and on no other's."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from data_tools.rendering import local_make, palette, sampling
from data_tools.rendering.data_card import write_data_card
from data_tools.rendering.domains import Domain, using
from data_tools.rendering.geometry import build_coupler
from data_tools.rendering.sampling_damage import sample_damages
from data_tools.rendering.spec import CouplerSpec
from model.families import FAMILIES, TYPE1, family
from model.manifest import LabelledPhoto, write_manifest
from model.vocabulary import FindingKind, Reason


def _spec(domain: Domain, name: str = "type1", seed: int = 5) -> CouplerSpec:
    with using(domain):
        return sampling.sample_coupler(np.random.default_rng([seed, 2]), name)


@pytest.mark.parametrize("name", list(FAMILIES))
def test_the_traits_are_on_local_couplers_only(name: str) -> None:
    for seed in range(20):
        local = _spec(Domain.LOCAL, name, seed)
        assert local.build["notches"] == local_make.NOTCHES
        assert {key: local.finish[key] for key in local_make.FINISH} == local_make.FINISH
        for domain in (Domain.TRAIN, Domain.STRESS):
            other = _spec(domain, name, seed)
            assert "notches" not in other.build
            assert len(other.finish.get("flakes", [])) <= 1


def test_training_makes_have_tips_of_any_colour_but_brown_and_flakes_of_one() -> None:
    with using(Domain.TRAIN):
        finishes = [palette.sample_finish(np.random.default_rng(seed)) for seed in range(1000)]
    tips = [finish["tip"] for finish in finishes if "tip" in finish]
    assert 0.13 < len(tips) / len(finishes) < 0.23
    assert 0.08 < sum("flakes" in finish for finish in finishes) / len(finishes) < 0.16
    low, high, least = palette.BROWN
    for tip in (palette.hue_and_saturation(tip["colour"]) for tip in tips):
        assert tip[1] < least or not low <= tip[0] <= high
    hue, saturation = palette.hue_and_saturation(local_make.FINISH["tip"]["colour"])
    assert saturation > least
    assert low < hue < high
    with using(Domain.STRESS):
        stress = [palette.sample_finish(np.random.default_rng(seed)) for seed in range(200)]
    assert not any({"tip", "flakes"} & set(finish) for finish in stress)


def test_no_trait_tells_a_label() -> None:
    whole = _spec(Domain.LOCAL)
    for kind in FindingKind:
        damaged = sample_damages(np.random.default_rng(3), whole, {kind})
        assert (damaged.build, damaged.finish) == (whole.build, whole.finish)


def _mouth(spec: CouplerSpec, index: int, angle: float) -> np.ndarray:
    """Return the heights (mm) of one sleeve's vertices within 0.5 mm of a line out from its bore's axis."""
    contact = family(spec.family).contacts[index]
    dx, dy = spec.build["offsets"][index]
    mesh = next(m for m in build_coupler(spec) if m.part == f"sleeve:{contact.place.value}")
    x, y = mesh.vertices[:, 0] - contact.x - dx, mesh.vertices[:, 1] - contact.y - dy
    along, across = x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)
    wall = (along > contact.bore_diameter / 2) & (along < contact.sleeve_diameter / 2) & (abs(across) < 0.5)
    return np.asarray(mesh.vertices[wall, 2])


def test_sleeves_have_notches_at_even_turns_and_are_whole_between_them() -> None:
    spec = _spec(Domain.LOCAL)
    turn, step = local_make.NOTCHES["turn"], np.pi / local_make.NOTCHES["cuts"]
    for number in range(4):
        assert _mouth(spec, 0, turn + number * step).max() < -0.9
        assert _mouth(spec, 0, turn + (number + 0.5) * step).max() > -0.7


def _painted(spec: CouplerSpec, part: str) -> tuple[np.ndarray, np.ndarray]:
    mesh = next(m for m in build_coupler(spec) if m.part == part)
    return mesh.attributes["albedo"], mesh.vertices[:, 2]


def test_tips_are_brown_and_shells_have_light_and_dark_flakes() -> None:
    spec = _spec(Domain.LOCAL)
    plain = replace(spec, finish=spec.finish | {"tip": None, "flakes": []})
    part = f"sleeve:{TYPE1.contacts[0].place.value}"
    (own, height), (bare, _) = _painted(spec, part), _painted(plain, part)
    tip, foot = height > -1.5, height < -5.0
    assert np.median(own[tip]) < 0.6 * np.median(bare[tip])
    assert np.median(own[tip, 0] / own[tip, 2]) > 1.2 * np.median(bare[tip, 0] / bare[tip, 2])
    assert np.median(own[foot]) == pytest.approx(np.median(bare[foot]), rel=0.1)
    (own, _), (bare, _) = _painted(spec, "shell"), _painted(plain, "shell")
    assert (own > bare + 0.2).all(axis=1).mean() > 0.02
    assert (own < bare - 0.01).all(axis=1).mean() > 0.003


def test_the_site_with_couplers_of_ordinary_shape_has_its_plastics_and_not_its_notches() -> None:
    site, local = _spec(Domain.SITE), _spec(Domain.LOCAL)
    assert local.build["notches"] == local_make.NOTCHES
    assert "notches" not in site.build
    assert site.finish == local.finish
    assert local_make.FINISH.items() <= site.finish.items()
    widths = {_spec(Domain.SITE, seed=seed).build["arm_width"] for seed in range(8)}
    assert len(widths) == 8


def test_the_make_with_forked_hooks_differs_from_the_site_in_nothing_else() -> None:
    for seed in range(8):
        site, forked = _spec(Domain.SITE, seed=seed), _spec(Domain.FORKED, seed=seed)
        assert not site.build["hook_fork"]
        assert (forked.build, forked.finish) == (site.build | {"hook_fork": True}, site.finish)
    bare = _spec(Domain.FORKED, "type2").build
    assert bare == _spec(Domain.SITE, "type2").build


@pytest.mark.parametrize("domain", [*local_make.TRAITS, Domain.TRAIN])
def test_the_data_card_of_a_local_set_names_the_traits(tmp_path: Path, domain: Domain) -> None:
    photo = LabelledPhoto(
        "wall.jpg", "none", None, reason=Reason.NO_FACE, attributes={"domain": domain.value}
    )
    write_manifest(tmp_path / "manifest.jsonl", [photo])
    card = write_data_card(tmp_path, tmp_path).read_text(encoding="utf-8")
    told = local_make.TRAITS.get(domain, ())
    assert all((f"- {trait}" in card) is (trait in told) for trait in sum(local_make.TRAITS.values(), ()))
