"""One phone in one moment, as plain numbers: which phone, what its owner's hand and the light make of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from data_tools.rendering.domains import Domain, at_the_site, choice

TAIL = 0.15
"""Share of photos with heavy noise, with harsh sharpening and contrast, with strong compression: each."""
CURVES: dict[Domain, tuple[str, ...]] = {
    Domain.TRAIN: ("shoulder",),
    Domain.STRESS: ("filmic", "sigmoid"),
    Domain.LOCAL: ("log",),
}
"""Tone curves, see :func:`curved`."""
CODECS: dict[Domain, dict[str, float]] = {
    Domain.TRAIN: {"jpeg": 0.65, "jpeg_twice": 0.15, "heic_like": 0.2},
    Domain.STRESS: {"wavelet": 0.5, "jpeg_thrice": 0.5},
    Domain.LOCAL: {"jpeg_reduced": 1.0},
}
"""What a photo was stored as before it became the JPEG file that is kept, with odds."""
_LOCAL_PHONE: dict[str, Any] = {
    "exposure_key": 0.16, "white_balance_pull": 0.35, "white_balance_error": (1.35, 1.0, 0.55),
    "saturation": 1.2, "colour_cross": 0.03, "local_tone": 0.3, "contrast": 1.2, "vignette": 0.5,
    "aberration": 0.002, "noise_grain": 0.6, "smear": 1.0, "sharpen": 0.85,
    "sharpen_radius": 1.6, "quality": 68, "chroma_half": True, "shrink": 1.0, "black": 0.02, "halo": 0.3,
    "steadiness": 0.3,
}  # fmt: skip
"""The one phone of the local site: cheap, with a strong yellow cast, smeared and sharpened with halos."""


@dataclass(frozen=True)
class PhoneLook:
    """One phone in one moment.

    ``exposure_key`` is the mean its metering aims at (linear), ``steadiness`` how far it keeps to the
    exposure of an ordinary scene instead (0 not at all .. 1 always), so that black things stay black,
    ``exposure_ev`` the error against that in stops, ``black`` the level (display, 0..1) below which all is
    black, ``halo`` the strength of its wide sharpening, ``noise`` the standard deviation at mid grey in
    linear units, ``motion_px`` and ``motion_deg`` the shake, ``curve`` the name of the tone curve, ``codec``
    how the file was compressed.
    """

    exposure_key: float
    steadiness: float
    exposure_ev: float
    highlight_guard: float
    metering_spread: float
    white_balance_pull: float
    white_balance_error: tuple[float, float, float]
    saturation: float
    colour_cross: float
    local_tone: float
    contrast: float
    black: float
    halo: float
    curve: str
    vignette: float
    aberration: float
    haze: float
    noise: float
    noise_grain: float
    smear: float
    sharpen: float
    sharpen_radius: float
    motion_px: float
    motion_deg: float
    motion_bend: float
    codec: str
    quality: int
    first_quality: int
    chroma_half: bool
    shrink: float


def sample_look(rng: np.random.Generator, dimness: float) -> PhoneLook:
    """Draw a phone and a moment. ``dimness`` 0 (day) .. 1 (night) raises noise, smear and shake."""
    iso = dimness * rng.uniform(0.5, 1.2) + rng.uniform(0, 0.15)
    processed, harsh, grainy, squeezed = rng.random(4) < [0.8, TAIL, TAIL, TAIL]
    shake = abs(rng.normal(0, 0.5 + 1.2 * dimness)) if rng.random() < 0.6 else 0.0
    look = PhoneLook(
        exposure_key=float(rng.uniform(0.12, 0.24)),
        steadiness=float(rng.uniform(0.1, 0.4)),
        exposure_ev=float(rng.normal(0, 0.4)),
        highlight_guard=float(rng.uniform(0.2, 1.0)),
        metering_spread=float(rng.uniform(0.2, 1.0)),
        white_balance_pull=float(rng.uniform(0.25, 0.95)),
        white_balance_error=_triple(np.exp(rng.normal(0, 0.05, 3))),
        saturation=float(np.clip(rng.normal(0.92, 0.15), 0.45, 1.35)),
        colour_cross=float(rng.normal(0, 0.04)),
        local_tone=float(rng.uniform(0.02, 0.3) if processed else rng.uniform(0, 0.08)),
        contrast=float(rng.uniform(1.5, 1.85) if harsh else rng.uniform(1.0, 1.6)),
        black=float(rng.uniform(0.0, 0.045)),
        halo=float(rng.uniform(0.1, 0.45) if processed and rng.random() < 0.4 else 0.0),
        curve=str(rng.choice(choice(CURVES))),
        vignette=float(rng.uniform(0, 0.45)),
        aberration=float(abs(rng.normal(0, 0.0012))),
        haze=float(rng.uniform(0.03, 0.25) if rng.random() < 0.2 else rng.uniform(0, 0.03)),
        noise=float(0.001 + iso**1.5 * (rng.uniform(0.012, 0.03) if grainy else rng.uniform(0.002, 0.01))),
        noise_grain=float(rng.uniform(0.4, 1.1)),
        smear=float(np.clip(rng.uniform(0.2, 0.9) + 0.6 * iso, 0, 1) if processed else 0.0),
        sharpen=float(
            (rng.uniform(0.6, 1.2) if harsh else rng.uniform(0.1, 0.6)) * (1.0 if processed else 0.3)
        ),
        sharpen_radius=float(rng.uniform(0.7, 1.6)),
        motion_px=float(min(shake, 3.0)),
        motion_deg=float(rng.uniform(0, 180)),
        motion_bend=float(rng.normal(0, 0.3)),
        codec=_drawn(rng, choice(CODECS)),
        quality=int(rng.integers(45, 72) if squeezed else rng.integers(72, 98)),
        first_quality=int(rng.integers(60, 96)),
        chroma_half=bool(rng.random() < 0.75),
        shrink=float(rng.uniform(0.8, 1.0) if rng.random() < 0.4 else 1.0),
    )
    return replace(look, **_LOCAL_PHONE) if at_the_site() else look


def plain_look(rng: np.random.Generator) -> PhoneLook:
    """Draw the look of a picture that no phone took: no noise, no smear, no shake, no lens; clean colours."""
    look = sample_look(rng, 0.0)
    return replace(
        look,
        exposure_key=float(rng.uniform(0.18, 0.4)),
        steadiness=1.0,
        highlight_guard=0.5,
        exposure_ev=float(rng.normal(0, 0.2)),
        white_balance_pull=float(rng.uniform(0.0, 0.2)),
        white_balance_error=(1.0, 1.0, 1.0),
        saturation=float(rng.uniform(0.9, 1.15)),
        colour_cross=0.0,
        local_tone=0.0,
        contrast=float(rng.uniform(0.95, 1.35)),
        black=0.0,
        halo=0.0,
        vignette=0.0,
        aberration=0.0,
        haze=0.0,
        noise=0.0002,
        smear=float(rng.uniform(0.0, 0.6)),
        sharpen=0.0,
        motion_px=0.0,
        quality=int(rng.integers(80, 98)),
    )


def _drawn(rng: np.random.Generator, odds: Mapping[str, float]) -> str:
    return str(rng.choice(list(odds), p=list(odds.values())))


def _triple(values: NDArray[np.floating]) -> tuple[float, float, float]:
    first, second, third = (float(value) for value in values)
    return first, second, third
