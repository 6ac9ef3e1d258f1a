"""Draw one coupler: its dimensions within the family's tolerance, its plastics and metal, its dirt.

``sample_coupler`` never draws damage, and ``sample_damages`` never touches anything else: a damaged
coupler differs from its intact twin by the damages alone.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from data_tools.rendering import local_make
from data_tools.rendering.domains import Domain, choice, current
from data_tools.rendering.hook_shapes import draw_hook_shape
from data_tools.rendering.mouths import sample_mouths
from data_tools.rendering.palette import sample_finish, sample_hook_tip
from data_tools.rendering.sampling_soiling import sample_soiling
from data_tools.rendering.spec import CouplerSpec
from model.families import TOLERANCE_MM, Family
from model.families import family as family_row

_STYLES: dict[Domain, dict[str, tuple[float, float]]] = {
    Domain.TRAIN: {"separate": (0.52, 0.27), "webbed": (0.3, 0.18), "body": (0.18, 0.55)},
    Domain.STRESS: {"hub": (0.5, 0.4), "petal": (0.5, 0.6)},
    Domain.LOCAL: {"ring": (1.0, 1.0)},
}
"""Ways the sleeves are joined, with their odds on a narrow and on a wide nose (see ``insulator``)."""
_HANDLES: dict[Domain, dict[str, tuple[float, float]]] = {
    Domain.TRAIN: {"pistol": (1.1, 1.65), "straight": (0.0, 0.3)},
    Domain.STRESS: {"angled": (0.4, 1.0), "raised": (-0.5, -0.15)},
    Domain.LOCAL: {"steep": (1.75, 1.95)},
}
"""Handle types with the range of their bend, radians down from straight back."""
_FACETS = {Domain.TRAIN: (5, 6, 8, 12), Domain.STRESS: (7, 10), Domain.LOCAL: (9,)}
_ODD_BORES = {Domain.TRAIN: ("d", "flats"), Domain.STRESS: ("key",), Domain.LOCAL: ("round",)}
_SLOTS = {
    Domain.TRAIN: ((0, 2, 4, 4, 6), (0, 2, 2, 4)),
    Domain.STRESS: ((3, 5), (3,)),
    Domain.LOCAL: ((8,), (1,)),
}
"""Numbers of slots in large and in small sockets."""
_ODD_LATCHES = {
    Domain.TRAIN: {"fork": 0.0, "ribs": 0.3, "hole": 0.0, "metal": 0.2},
    Domain.STRESS: {"fork": 0.6, "ribs": 0.0, "hole": 0.5, "metal": 0.3},
    Domain.LOCAL: {"fork": 0.0, "ribs": 1.0, "hole": 1.0, "metal": 0.0},
}
"""Odds of a forked hook, ribs on the arm, a hole in it, a metal hook."""


def sample_coupler(rng: np.random.Generator, family: str) -> CouplerSpec:
    """Return a random intact coupler of a family.

    Raises:
        UnknownFamilyError: no such family in the table.
    """
    shape = family_row(family)
    seed = int(rng.integers(1 << 31))
    build = sample_build(rng, shape)
    # From a stream of its own: all else about a seed stays as it was before there were designs.
    build |= sample_mouths(np.random.default_rng([seed, 7]), shape, build)
    build |= _around_the_lever(seed, shape, build)
    finish = sample_finish(rng)
    if shape.has_latch:
        finish |= sample_hook_tip(np.random.default_rng([seed, 12]))
    return CouplerSpec(family, seed, build, finish, sample_soiling(rng, shape, build, finish))


def sample_build(rng: np.random.Generator, shape: Family) -> dict[str, Any]:
    """Return dimensions (mm) and style choices; every contact stays within the family's tolerance."""
    build: dict[str, Any] = {}
    for part in (_nose, _sleeves, _joints, _floor, _sockets, _latch, _head, _handle):
        part(rng, shape, build)
    return build | local_make.build_of(shape)


def _maybe(rng: np.random.Generator, chance: float) -> bool:
    return bool(rng.random() < chance)


def _uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(rng.uniform(low, high))


def _nose(rng: np.random.Generator, shape: Family, build: dict[str, Any]) -> None:
    wide = shape.nose_width > 50
    build["nose_grow"] = _uniform(rng, -TOLERANCE_MM / 2, TOLERANCE_MM / 2)
    build["nose_wall"] = _uniform(rng, 1.9, 3.6) if wide else _uniform(rng, 1.5, 2.7)
    build["nose_length"] = _uniform(rng, 22.0, 33.5)
    build["recess"] = 0.0 if _maybe(rng, 0.25) else _uniform(rng, 0.0, 4.0)
    build["lip_round"] = _uniform(rng, 0.25, 1.3)
    build["corner_round"] = _uniform(rng, 4.0, 14.0)
    faceted = _maybe(rng, 0.15)
    build["facet_count"] = int(rng.choice(choice(_FACETS))) if faceted else 0
    build["facet_depth"] = _uniform(rng, 0.1, 0.5)
    build["facet_phase"] = _uniform(rng, 0, 6.28)
    build["ridges"] = [
        [_uniform(rng, -3.14, 3.14), _uniform(rng, 0.04, 0.16), _uniform(rng, 0.5, 1.6), _uniform(rng, 0, 6)]
        for _ in range(int(rng.choice([0, 0, 1, 2, 3, 4])))
    ]
    build["grooves"] = [
        [_uniform(rng, -3.14, 3.14), _uniform(rng, 0.04, 0.2), _uniform(rng, 0.4, 1.2), _uniform(rng, 0, 8)]
        for _ in range(int(rng.choice([0, 0, 0, 1, 2, 3])))
    ]


def _sleeves(rng: np.random.Generator, shape: Family, build: dict[str, Any]) -> None:
    count, slack = len(shape.contacts), TOLERANCE_MM / 2
    build["offsets"] = [
        [float(v) for v in np.clip(rng.normal(0, 0.1, 2), -slack, slack)] for _ in range(count)
    ]
    thick, wide = _uniform(rng, -slack, slack), _uniform(rng, -slack, slack)
    build["sleeve_grow"] = [thick + _uniform(rng, -0.05, 0.05) for _ in range(count)]
    build["bore_grow"] = [wide + _uniform(rng, -0.05, 0.05) for _ in range(count)]
    uneven = _uniform(rng, 0.0, 0.5) if _maybe(rng, 0.4) else 0.05
    build["drops"] = [_uniform(rng, 0, uneven) for _ in range(count)]
    build["mouth_round"] = _uniform(rng, 0.2, 0.85)
    build["mouth_chamfer"] = 0.0 if _maybe(rng, 0.4) else _uniform(rng, 0.2, 1.0)
    build["mouth_nicks"] = _uniform(rng, 0.03, 0.2) if _maybe(rng, 0.5) else 0.0
    build["bore_round"] = _uniform(rng, 0.2, 0.8)
    build["fillet"] = _uniform(rng, 0.3, 1.6)
    kinds = ["round"] * count
    if _maybe(rng, 0.3):
        odd = str(rng.choice(choice(_ODD_BORES)))
        kinds = [odd if _maybe(rng, 0.6) else "round" for _ in range(count)]
    build["bore_shape"] = kinds
    build["bore_turn"] = [_uniform(rng, -3.14, 3.14) for _ in range(count)]
    build["bore_depth"] = _uniform(rng, 14.0, 22.0)
    build["floor_depth"] = _uniform(rng, 8.0, min(25.0, build["nose_length"] - 1.0))


def _joints(rng: np.random.Generator, shape: Family, build: dict[str, Any]) -> None:
    wide = shape.nose_width > 50
    styles = choice(_STYLES)
    odds = np.array([pair[wide] for pair in styles.values()])
    build["style"] = str(rng.choice(list(styles), p=odds / odds.sum()))
    flush = _maybe(rng, 0.45)
    build["body_top"] = -_uniform(rng, 0.0, 0.3) if flush else -_uniform(rng, 0.5, 6.0)
    build["inserts"] = _maybe(rng, 0.15)
    build["body_gap"] = _uniform(rng, 1.0, 3.2) if wide else _uniform(rng, 1.0, 2.4)
    build["body_round"] = _uniform(rng, 0.3, 1.2)
    middles, pairs = shape.contact_centres(), []
    for first in range(len(middles)):
        for second in range(first):
            gap = float(np.linalg.norm(middles[first] - middles[second]))
            if gap < 21.0 and _maybe(rng, 0.55):
                pairs.append([first, second])
    build["webs"] = pairs
    build["web_half"] = _uniform(rng, 0.6, 2.2)
    build["web_top"] = -_uniform(rng, 0.4, min(7.0, build["floor_depth"] - 1.0))


def _floor(rng: np.random.Generator, shape: Family, build: dict[str, Any]) -> None:
    middles = shape.contact_centres()
    drains: list[list[float]] = []
    for _ in range(int(rng.choice([0, 0, 1, 2, 3, 5])) * 4):
        x, y = rng.uniform(-17, 17, 2) + shape.nose_centre
        clear = np.hypot(middles[:, 0] - x, middles[:, 1] - y).min() > 7.6
        if clear and np.hypot(x, y - shape.nose_centre[1]) < shape.nose_height / 2 - 5 and len(drains) < 5:
            drains.append([float(x), float(y), _uniform(rng, 0.8, 1.9)])
    build["drains"] = drains
    count = int(rng.choice([0, 0, 0, 3, 4, 6]))
    start = _uniform(rng, 0, 6.28)
    build["ribs"] = [[start + 6.2832 * k / max(count, 1), _uniform(rng, 2.0, 6.0)] for k in range(count)]


def _sockets(rng: np.random.Generator, shape: Family, build: dict[str, Any]) -> None:
    count = len(shape.contacts)
    deep = _uniform(rng, 0.8, 7.0)
    build["contact_recess"] = [
        max(deep + _uniform(rng, -0.7, 0.7) + (1.0 if c.bore_diameter < 4 else 0.0), 0.5)
        for c in shape.contacts
    ]
    build["contact_wall"] = _uniform(rng, 0.55, 1.25)
    build["contact_play"] = _uniform(rng, 0.05, 0.45)
    build["contact_taper"] = _uniform(rng, 0.0, 0.22)
    build["contact_lip"] = _uniform(rng, 0.0, 0.35)
    slots, small = (int(rng.choice(counts)) for counts in choice(_SLOTS))
    build["slots"] = [small if c.bore_diameter < 4 else slots for c in shape.contacts]
    same = _uniform(rng, 0, 1.57)
    loose = _maybe(rng, 0.6)
    build["slot_turn"] = [_uniform(rng, 0, 3.14) if loose else same for _ in range(count)]
    build["slot_width"] = _uniform(rng, 0.3, 0.85)
    build["socket_depth"] = _uniform(rng, 4.0, 8.5)


def _latch(rng: np.random.Generator, shape: Family, build: dict[str, Any]) -> None:
    """Draw the lever. Its hook always stands above the nose and near its front (within 8 mm behind the lip),
    so high that a viewer 40 degrees below the axis still sees it over the lip."""
    if not shape.has_latch:
        return
    lip, half = float(build["recess"]), shape.nose_height / 2
    down, short = _maybe(rng, 0.75), _maybe(rng, 0.3)
    tooth = _uniform(rng, 2.0, 2.8) if short else _uniform(rng, 2.2, 4.8)
    gap, thick = _uniform(rng, 0.5, 3.0), _uniform(rng, 2.4, 4.2)
    length = _uniform(rng, 4.0, 6.0) if short else _uniform(rng, 4.5, 10.0)
    tip = lip + (_uniform(rng, -8.0, -3.0) if _maybe(rng, 0.55) else _uniform(rng, -3.0, 2.0))
    tip = max(tip, 4.0 + length - build["nose_length"])
    wanting = max(0.0, 4.4 + np.tan(np.radians(40)) * max(lip - tip, 0.0) - (gap + tooth + thick))
    gap, tooth = gap + 0.5 * wanting, tooth + 0.5 * wanting
    build["hook_down"], build["hook_tooth"], build["hook_length"] = down, tooth, length
    build["arm_base"] = half + gap + (tooth if down else 0.0)
    build["arm_thick"], build["latch_tip"] = thick, tip
    build["arm_width"] = _uniform(rng, 4.8, 12.5)
    build["hook_width"] = (
        build["arm_width"] * _uniform(rng, 0.9, 1.25) if _maybe(rng, 0.5) else build["arm_width"]
    )
    build["hook_extra"] = _uniform(rng, 0, 1.4) if _maybe(rng, 0.4) else 0.0
    build["hook_ramp"] = _uniform(rng, 0.15, 1.0)
    build["hook_round"] = _uniform(rng, 0.4, 2.2)
    build["latch_round"] = _uniform(rng, 0.3, 1.0)
    build["latch_fillet"] = _uniform(rng, 0.3, 2.0)
    build["hook_rough"] = _uniform(rng, 0.02, 0.2) if _maybe(rng, 0.4) else 0.0
    odd = choice(_ODD_LATCHES)
    build["hook_fork"] = _maybe(rng, odd["fork"])
    build["arm_ribs"] = _maybe(rng, odd["ribs"])
    build["arm_hole"] = _maybe(rng, odd["hole"])
    build["hook_metal"] = _maybe(rng, odd["metal"])
    build["pivot_seen"] = _maybe(rng, 0.6)


def _around_the_lever(seed: int, shape: Family, build: dict[str, Any]) -> dict[str, Any]:
    """Draw a lever of two bars side by side, cheeks beside it, and an outline of the hook, for some couplers
    of the training. Each from a stream of its own: all else about a seed stays as it was."""
    rng = np.random.default_rng([seed, 8])
    if not shape.has_latch or current() is not Domain.TRAIN:
        return {}
    split = _uniform(rng, 0.2, 0.5) if _maybe(rng, 0.2) else 0.0
    found: dict[str, Any] = {"arm_split": split} if split and not build["arm_hole"] else {}
    if _maybe(rng, 0.3):
        top = build["arm_base"] + build["arm_thick"] + _uniform(rng, -3.0, 5.0)
        found["posts"] = {"top": top, "length": _uniform(rng, 1.0, 10.0), "thick": _uniform(rng, 1.2, 3.0)}
    outline = draw_hook_shape(np.random.default_rng([seed, 11]))
    return found if outline is None else found | {"hook_shape": outline}


def _head(rng: np.random.Generator, shape: Family, build: dict[str, Any]) -> None:
    half_x, half_y = shape.nose_width / 2, shape.nose_height / 2
    wide = _uniform(rng, 6.0, 13.0) if _maybe(rng, 0.35) else _uniform(rng, 1.5, 6.0)
    build["collar_x"] = half_x + wide
    build["collar_y"] = half_y + wide * _uniform(rng, 0.8, 1.15)
    build["collar_power"] = _uniform(rng, 2.0, 2.2) if _maybe(rng, 0.6) else _uniform(rng, 2.4, 4.0)
    build["collar_round"] = _uniform(rng, 0.6, 4.0)
    if not shape.has_latch:
        return
    build["slot_play"] = _uniform(rng, 0.5, 1.4)
    build["slot_depth"] = _uniform(rng, 6.0, 15.0)
    build["slot_open"] = _maybe(rng, 0.35)
    build["tower_half"] = build["arm_width"] / 2 + build["slot_play"] + _uniform(rng, 1.4, 6.0)
    build["tower_top"] = build["arm_base"] + build["arm_thick"] + build["slot_play"] + _uniform(rng, 1.2, 4.5)
    if _maybe(rng, 0.22):
        build["tower_top"] = build["arm_base"] - _uniform(rng, 0.2, 1.2)
    build["tower_round"] = _uniform(rng, 0.8, 4.0)
    build["tower_lead"] = _uniform(rng, -1.0, 2.0)
    build["tower_blend"] = _uniform(rng, 0.5, 7.0)
    span = build["nose_length"] + build["latch_tip"] - build["hook_length"]
    build["hood_length"] = (
        _uniform(rng, 2.0, max(0.6 * span, 3.0))
        if _maybe(rng, 0.35) and build["tower_top"] > build["arm_base"]
        else 0.0
    )
    build["hood_open"] = _maybe(rng, 0.6)
    build["release_length"] = _uniform(rng, 10.0, 24.0)
    build["release_half"] = _uniform(rng, 5.0, 11.0)
    build["release_rise"] = _uniform(rng, 1.0, 4.5)


def _handle(rng: np.random.Generator, shape: Family, build: dict[str, Any]) -> None:
    handles = choice(_HANDLES)
    build["handle"] = str(rng.choice(list(handles)))
    build["bend"] = _uniform(rng, *handles[build["handle"]])
    build["straight"] = _uniform(rng, 5.0, 45.0)
    build["handle_length"] = _uniform(rng, 110.0, 190.0)
    build["grip_wide"] = _uniform(rng, 14.0, 23.0)
    build["grip_high"] = _uniform(rng, 15.0, 24.0)
    build["grip_square"] = _uniform(rng, 2.0, 3.4)
    build["cable_radius"] = _uniform(rng, 6.0, 9.5) if shape.has_latch else _uniform(rng, 6.5, 13.0)
    build["cable_length"] = _uniform(rng, 250.0, 600.0)
    build["cable_side"] = _uniform(rng, -0.9, 0.9)
    build["relief_length"] = _uniform(rng, 30.0, 75.0)
    build["relief_grow"] = _uniform(rng, 1.0, 5.0)
    build["relief_ribs"] = _uniform(rng, 0.3, 1.2) if _maybe(rng, 0.7) else 0.0
