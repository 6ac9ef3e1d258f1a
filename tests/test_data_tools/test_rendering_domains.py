"""Domains share nothing: places, plastics, builds, hands, tone curves, codecs; ids and splits name them."""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from data_tools.rendering import hand_finish, light, palette, phone, phone_look, plan, sampling, tone
from data_tools.rendering.domains import Domain, choice, current, using
from model.families import FAMILIES

_PANORAMAS = ("apartment", "bridge", "city", "dawn", "hall", "lobby", "night", "park", "sunset", "venice")


WORLDS = (Domain.TRAIN, Domain.STRESS, Domain.LOCAL)
"""``SITE`` shows what ``LOCAL`` shows but for the shape of its couplers."""


def _drawn(
    domain: Domain, count: int, draw: Callable[[np.random.Generator], Iterable[object]]
) -> set[object]:
    with using(domain):
        return {item for seed in range(count) for item in draw(np.random.default_rng([seed, 9]))}


def _build_styles(rng: np.random.Generator) -> list[object]:
    build = sampling.sample_coupler(rng, list(FAMILIES)[int(rng.integers(2))]).build
    odd = {str(shape) for shape in build["bore_shape"]} - {"round"}
    facets = {("facets", build["facet_count"])} - {("facets", 0)}
    return [("style", build["style"]), ("handle", build["handle"]), *(("bore", b) for b in odd), *facets]


def _phone_style(rng: np.random.Generator) -> list[object]:
    look = phone_look.sample_look(rng, 0.2)
    return [look.curve, look.codec]


def _hands(rng: np.random.Generator) -> list[object]:
    return [glove for glove in [hand_finish.sample_wear(rng).glove] if glove]


@pytest.mark.parametrize("draw", [_build_styles, _phone_style, _hands])
def test_no_style_is_met_in_two_domains(draw: Callable[[np.random.Generator], Iterable[object]]) -> None:
    met = {domain: _drawn(domain, 150, draw) for domain in Domain}
    assert met[Domain.TRAIN]
    assert met[Domain.STRESS]
    for first, second in combinations(WORLDS, 2):
        assert not met[first] & met[second], (first, second)


def test_no_surroundings_are_met_in_two_domains(tmp_path: Path) -> None:
    for name in _PANORAMAS:
        (tmp_path / f"{name}.npz").touch()
    met = {d: _drawn(d, 400, lambda rng: [light.sample_key(rng, tmp_path)]) for d in Domain}
    for first, second in combinations(WORLDS, 2):
        assert not met[first] & met[second]
    assert len(met[Domain.LOCAL]) == 2
    for domain in (Domain.TRAIN, Domain.STRESS):
        assert any(str(key).startswith("panorama") for key in met[domain])


def test_plain_pictures_and_studios_are_met_in_training_only() -> None:
    styles = {
        domain: Counter(
            plan.plan_photo(item, number).style
            for item in plan.assignments(4, 3000, domain=domain)
            for number in range(item.photos)
        )
        for domain in Domain
    }
    assert set(styles[Domain.STRESS]) == set(styles[Domain.LOCAL]) == {"phone"}
    plain = 1 - styles[Domain.TRAIN]["phone"] / styles[Domain.TRAIN].total()
    assert 0.13 < plain < 0.19
    for domain in (Domain.STRESS, Domain.LOCAL):
        keys = _drawn(domain, 200, lambda rng: [light.sample_key(rng).split("-")[0]])
        assert keys == {"painted"}


def test_a_studio_is_even_finite_and_repeatable() -> None:
    place = light.surroundings("studio-0003")
    assert place.kind == "studio"
    assert np.isfinite(place.radiance).all()
    light.surroundings.cache_clear()
    assert np.array_equal(place.radiance, light.surroundings("studio-0003").radiance)
    spread = np.median(np.abs(place.radiance / np.median(place.radiance, axis=(0, 1)) - 1))
    assert spread < 0.4


def test_skin_tones_do_not_overlap_and_reach_from_light_to_deep_in_both_large_domains() -> None:
    bands = hand_finish.SKIN_BANDS
    for first, second in combinations(WORLDS, 2):
        for low, high in bands[first]:
            assert all(high <= other_low or other_high <= low for other_low, other_high in bands[second])
    for domain in (Domain.TRAIN, Domain.STRESS):
        assert min(low for low, _ in bands[domain]) < 1 < 4 < max(high for _, high in bands[domain])


def _plastics(domain: Domain) -> list[list[float]]:
    with using(domain):
        finishes = [palette.sample_finish(np.random.default_rng(seed)) for seed in range(250)]
    parts = ("shell", "sleeve", "odd_sleeve", "head", "latch", "floor", "handle", "release", "cable")
    return [finish[part] for finish in finishes for part in parts]


def _in_held_out_hue(colour: list[float]) -> bool:
    hue, _ = palette.hue_and_saturation(colour)
    return any(low <= hue <= high for low, high in palette.HELD_OUT_HUES)


def test_no_training_plastic_has_a_hue_of_another_domain() -> None:
    coloured = [c for c in _plastics(Domain.TRAIN) if palette.hue_and_saturation(c)[1] >= 0.3]
    assert len(coloured) > 250
    assert not any(_in_held_out_hue(colour) for colour in coloured)
    for domain in (Domain.STRESS, Domain.LOCAL):
        colours = _plastics(domain)
        assert all(palette.hue_and_saturation(c)[1] >= 0.3 and _in_held_out_hue(c) for c in colours)
    assert not set(palette.CONTACT_METALS[Domain.TRAIN]) & set(palette.CONTACT_METALS[Domain.STRESS])


def test_ids_and_splits_name_the_domain_and_streams_differ() -> None:
    drawn = {domain: plan.assignments(1, 40, domain=domain) for domain in Domain}
    train, stress = drawn[Domain.TRAIN], drawn[Domain.STRESS]
    assert {item.split for item in train} == {None}
    assert {item.split for item in stress} == {"stress"}
    for name in (Domain.LOCAL, Domain.SITE, Domain.FORKED):
        assert all(i.name.startswith(f"{name}-1-") and i.split == name for i in drawn[name])
    assert [item.kinds for item in train] != [item.kinds for item in stress]
    assert len({plan.photo_file(items[0], 0) for items in drawn.values()}) == len(Domain)


def test_the_domain_is_left_again() -> None:
    table = {Domain.TRAIN: 1, Domain.STRESS: 2, Domain.LOCAL: 3}
    with using(Domain.STRESS):
        assert choice(table) == 2
        for domain in (Domain.LOCAL, Domain.SITE, Domain.FORKED):
            with using(domain):
                assert choice(table) == 3
        assert current() is Domain.STRESS
    assert current() is Domain.TRAIN


def test_the_local_site_has_one_phone() -> None:
    with using(Domain.LOCAL):
        looks = [phone_look.sample_look(np.random.default_rng(seed), 0.0) for seed in range(20)]
    assert (
        len({(look.contrast, look.saturation, look.sharpen, look.quality, look.codec) for look in looks}) == 1
    )


@pytest.mark.parametrize("codec", [name for odds in phone_look.CODECS.values() for name in odds])
def test_every_codec_of_every_domain_ends_as_a_jpeg_of_the_same_size(codec: str) -> None:
    rng = np.random.default_rng(3)
    pixels = np.kron(rng.integers(0, 255, (12, 16, 3)), np.ones((10, 10, 1))).astype(np.uint8)
    look = replace(phone_look.sample_look(rng, 0.0), codec=codec)
    image = Image.open(io.BytesIO(phone.encode_file(pixels, look)))
    assert (image.format, image.size) == ("JPEG", (160, 120))
    assert np.abs(np.asarray(image).astype(float) - pixels).mean() < 30


@pytest.mark.parametrize("curve", [name for names in phone_look.CURVES.values() for name in names])
def test_tone_curves_rise_from_black_to_white(curve: str) -> None:
    light_in = np.linspace(0, 20, 500).astype(np.float32)
    out = tone.curved(light_in, curve)
    assert out[0] == pytest.approx(0, abs=2e-3)
    assert (np.diff(out) > 0).all()
    assert out[-1] > 0.9
