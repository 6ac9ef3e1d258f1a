"""Plan and phone: the mix, independence of confounders from labels, the same plan everywhere, photo files."""

from __future__ import annotations

import io
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from data_tools.rendering import phone, phone_look, plan, tone
from data_tools.rendering.camera import sample_camera
from model.families import TYPE1
from model.vocabulary import FindingKind, Reason


def _many(count: int = 4000) -> list[plan.Assignment]:
    return [plan.assign(5, index) for index in range(count)]


def test_the_mix_is_as_stated() -> None:
    items = _many()
    couplers = [item for item in items if item.subject is plan.Subject.COUPLER]
    assert np.isclose(1 - len(couplers) / len(items), 0.12, atol=0.02)
    assert np.isclose(np.mean([item.family == "type1" for item in couplers]), 0.65, atol=0.03)
    assert np.isclose(np.mean([not item.kinds for item in couplers]), 0.32, atol=0.03)
    damaged = [item for item in couplers if item.kinds]
    several = np.mean([len(item.kinds) > 1 for item in damaged])
    assert np.isclose(several, 0.15, atol=0.03)
    counts = Counter(kind for item in damaged for kind in item.kinds)
    assert set(counts) == set(FindingKind)
    assert counts.most_common(1)[0][0] is FindingKind.BROKEN_PIN_HOUSING
    assert max(counts.values()) < 2.5 * min(counts.values())


def test_type_2_never_misses_a_latch_it_does_not_have() -> None:
    assert not any(FindingKind.MISSING_LATCH in item.kinds for item in _many() if item.family == "type2")


def test_photos_add_up_and_a_longer_run_starts_like_a_shorter_one() -> None:
    short, long = plan.assignments(3, 50), plan.assignments(3, 200)
    assert sum(item.photos for item in short) == 50
    assert long[: len(short) - 1] == short[:-1]


def test_what_covers_or_spoils_a_photo_does_not_depend_on_the_damage() -> None:
    """The same photo is planned whatever is broken: only (seed, index, number) count."""
    item = next(item for item in _many() if item.kinds)
    intact = replace(item, kinds=frozenset())
    assert [plan.plan_photo(item, n) for n in range(5)] == [plan.plan_photo(intact, n) for n in range(5)]


def test_every_fault_is_planned_and_rare() -> None:
    items = [item for item in _many() if item.subject is plan.Subject.COUPLER]
    faults = Counter(plan.plan_photo(item, n).fault for item in items for n in range(item.photos))
    assert {Reason.TOO_BLURRED, Reason.TOO_DARK, Reason.TOO_BRIGHT, Reason.TOO_SMALL} <= set(faults)
    assert {Reason.OUT_OF_FRAME, Reason.HIDDEN, Reason.SEVERAL_FACES} <= set(faults)
    assert 0.05 < 1 - faults[None] / sum(faults.values()) < 0.09


def test_file_names_do_not_collide() -> None:
    names = [plan.photo_file(item, n) for item in _many() for n in range(item.photos)]
    assert len(set(names)) == len(names)


def _developed(**changes: float) -> np.ndarray:
    rng = np.random.default_rng(2)
    camera = replace(sample_camera(rng, TYPE1), distortion=0.0).resized(160, 120)
    look = replace(phone_look.sample_look(rng, 0.0), motion_px=0.0, **changes)
    picture = np.full((120, 160, 3), 0.3, np.float32)
    picture[40:80, 50:100] = 0.05
    return phone.develop(picture, camera, look, np.random.default_rng(1))


def test_exposure_error_makes_the_photo_darker_or_brighter() -> None:
    dark, right, bright = (_developed(exposure_ev=ev).mean() for ev in (-5.0, 0.0, 4.0))
    assert dark < 40 < right < 215 < bright


def test_noise_and_shake_do_what_they_say() -> None:
    calm, noisy = (_developed(noise=level, smear=0.0)[:30, :40].std() for level in (0.001, 0.08))
    assert noisy > 5 * max(calm, 0.5)
    still = np.zeros((60, 60, 3), np.float32)
    still[30, 30] = 1
    look = replace(
        phone_look.sample_look(np.random.default_rng(0), 0.0), motion_px=9.0, motion_deg=0.0, motion_bend=0.0
    )
    streak = phone.shaken(still, look)[..., 0]
    assert np.isclose(streak.sum(), 1, atol=1e-4)
    assert 7 <= (streak.sum(axis=0) > 1e-6).sum() <= 11
    assert (streak.sum(axis=1) > 1e-6).sum() == 1


@pytest.mark.parametrize("codec", ["jpeg", "jpeg_twice", "heic_like"])
def test_every_codec_ends_as_a_jpeg_of_the_same_size(codec: str) -> None:
    pixels = _developed(exposure_ev=0.0)
    look = replace(phone_look.sample_look(np.random.default_rng(0), 0.0), codec=codec)
    image = Image.open(io.BytesIO(phone.encode_file(pixels, look)))
    assert (image.format, image.size) == ("JPEG", (160, 120))


def test_srgb_encoding_agrees_with_the_standard() -> None:
    """Published source: IEC 61966-2-1 (sRGB): 0.0031308 -> 0.04045, 0.214041 -> 0.5 (to 4 places)."""
    values = tone.encoded(np.array([0.0, 0.0031308, 0.214041, 1.0], np.float32))
    assert np.allclose(values, [0.0, 0.04045, 0.5, 1.0], atol=1e-4)


def test_a_steady_phone_leaves_a_black_scene_darker_and_black_levels_crush_shadows() -> None:
    look = phone_look.sample_look(np.random.default_rng(0), 0.0)
    scene = np.full((64, 64, 3), 0.03, np.float32)
    eager, steady = (phone.exposure(scene, replace(look, steadiness=s)) for s in (0.0, 0.5))
    assert steady < 0.8 * eager
    dim = np.full((64, 64, 3), 0.02, np.float32)
    open_, crushed = (tone.to_display(dim, replace(look, black=b, local_tone=0.0)) for b in (0.0, 0.04))
    assert crushed.mean() < open_.mean() - 0.02


def test_halos_are_lighter_and_darker_along_an_edge_only() -> None:
    plain, halo = (_developed(halo=strength, sharpen=0.0, noise=0.0).astype(float) for strength in (0.0, 0.5))
    difference = np.abs(halo - plain).mean(axis=2)
    assert difference[38:42, 60:90].mean() > 3 * difference[100:115, 10:40].mean() + 0.5


def test_photos_from_before_the_damage_are_of_the_same_coupler() -> None:
    damaged = next(a for a in plan.assignments(5, 60, before=2) if a.kinds)
    whole = damaged.undamaged
    assert whole is not None
    assert (whole.name, whole.kinds) == (damaged.name, frozenset())
    assert damaged.numbers == (range(damaged.photos), range(damaged.photos, damaged.photos + 2))
    # The coupler itself is drawn from a stream that knows nothing of its damages.
    assert whole.random(3).random() == damaged.random(3).random()


def test_an_intact_coupler_has_no_photos_from_before() -> None:
    intact = next(a for a in plan.assignments(5, 60, before=2) if not a.kinds)
    assert intact.undamaged is None
    assert intact.numbers == (range(intact.photos), range(intact.photos, intact.photos))
