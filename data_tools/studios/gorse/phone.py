"""What a phone makes of the light: shake, exposure, local tone mapping, colour, noise, sharpening, JPEG."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from data_tools.studios.gorse.solids import Array

DENOISING = 0.09
"""Steps of brightness (0..1) that the phone takes for noise and smooths."""


@dataclass(frozen=True)
class Processing:
    """How one phone treats one photo; ``exposure`` scales the light so that the middle is ``1``."""

    brightness: float
    local: float
    warmth: float
    tint: float
    grey_world: float
    saturation: float
    contrast: float
    grain: float
    sharpening: float
    shake: float
    shake_way: float
    portrait: bool
    haze: float
    qualities: tuple[int, ...]
    resend: float
    seed: int


def draw_processing(rng: np.random.Generator, mood: str) -> Processing:
    """Draw a phone and its luck with a photo."""
    dim = mood in ("dusk", "room", "flash")
    resent = rng.uniform() < 0.35
    return Processing(
        brightness=float(np.exp(rng.normal(0, 0.22)) * (0.8 if dim else 1)),
        local=float(rng.uniform(0.1, 0.75)),
        warmth=float(rng.normal(0, 0.07)),
        tint=float(rng.normal(0, 0.025)),
        grey_world=float(rng.uniform(0.2, 0.9)),
        saturation=float(rng.uniform(0.95, 1.5)),
        contrast=float(rng.uniform(0.9, 1.35)),
        grain=float(rng.uniform(0.002, 0.012) * (2.6 if dim else 1)),
        sharpening=float(rng.uniform(0.1, 1.1)),
        shake=float(rng.exponential(1.6) if rng.uniform() < (0.5 if dim else 0.2) else 0),
        shake_way=float(rng.uniform(0, np.pi)),
        portrait=bool(rng.uniform() < 0.15),
        haze=float(rng.uniform(0, 0.05) if rng.uniform() < 0.3 else 0),
        qualities=(int(rng.integers(80, 96)), int(rng.integers(45, 75)))
        if resent
        else (int(rng.integers(62, 95)),),
        resend=float(rng.uniform(0.6, 1.0) if resent else 1.0),
        seed=int(rng.integers(2**31)),
    )


def exposure(linear: Array, work: Processing, middle: Any) -> tuple[float, Array]:
    """Return the gain that the phone chooses for a picture whose face is at ``middle`` (pixels), and its
    white balance (three gains)."""
    height, width = linear.shape[:2]
    y, x = np.mgrid[0:height, 0:width]
    near = np.exp(-(((x - middle[0]) ** 2 + (y - middle[1]) ** 2) / (0.3 * max(width, height)) ** 2))
    light = linear @ np.asarray([0.25, 0.6, 0.15], np.float32) + 1e-5
    mean = float(np.exp((np.log(light) * (near + 0.15)).sum() / (near + 0.15).sum()))
    gain = 0.15 / mean * work.brightness
    bright = float(np.quantile(light, 0.97))
    gain = min(gain, max(2.2 / max(bright, 1e-4), gain * 0.45))
    grey = linear.reshape(-1, 3).mean(0) + 1e-5
    balance = (grey.mean() / grey) ** (0.6 * work.grey_world)
    balance *= np.exp([work.warmth, work.tint, -work.warmth])
    return gain, balance.astype(np.float32)


def developed(linear: Array, work: Processing, metered: tuple[float, Array], relative: float = 1.0) -> Array:
    """Return the display picture, 0..1, without noise and sharpening; ``relative`` scales pixels."""
    picture = np.minimum(linear, 60.0) * metered[1] * np.float32(metered[0])
    picture = _shaken(picture, work, relative)
    light = picture @ np.asarray([0.25, 0.6, 0.15], np.float32) + 1e-4
    broad = cv2.GaussianBlur(np.log(light), (0, 0), max(1.0, max(light.shape) / 22))
    picture = picture * np.exp(-0.45 * work.local * (broad - np.log(0.22)))[..., None]
    picture = picture * (1 + picture / 6.0) / (1 + picture)
    shown = np.clip(picture * 1.35, 0, 1) ** np.float32(1 / 2.2)
    bent = shown + (work.contrast - 1) * (shown - 0.5) * (4 * shown * (1 - shown)) ** 0.5
    grey = bent @ np.asarray([0.3, 0.59, 0.11], np.float32)
    rich = grey[..., None] + work.saturation * (bent - grey[..., None])
    return np.asarray(np.clip(rich + work.haze * (0.8 - rich), 0, 1), np.float32)


def _shaken(picture: Array, work: Processing, relative: float) -> Array:
    length = work.shake * relative
    if length < 0.4:
        return picture
    size = 2 * int(np.ceil(length)) + 1
    kernel = np.zeros((size, size), np.float32)
    for t in np.linspace(-0.5, 0.5, 33):
        x, y = np.array([np.cos(work.shake_way), np.sin(work.shake_way)]) * t * length + size // 2
        kernel[int(round(y)), int(round(x))] += 1
    return np.asarray(cv2.filter2D(picture, -1, kernel / kernel.sum()), np.float32)


def stored(shown: Array, work: Processing, subject: Array | None, scale: float) -> tuple[bytes, float]:
    """Return the JPEG as the phone, and perhaps a messenger, stored it, and how much smaller it became.

    ``subject`` (H x W, 0..1) is what the portrait mode keeps sharp."""
    rng = np.random.default_rng(work.seed)
    if work.portrait and subject is not None:
        soft: Any = cv2.GaussianBlur(shown, (0, 0), max(0.5, max(shown.shape) / 110))
        shown = soft + subject[..., None] * (shown - soft)
    shown = np.asarray(cv2.bilateralFilter(shown, 5, DENOISING, 1.6))
    raw = rng.normal(0, 1, shown.shape).astype(np.float32)
    soft_noise = cv2.GaussianBlur(raw, (0, 0), 0.8) * 2
    noisy = shown + work.grain * (0.5 * raw + soft_noise) * (1.3 - shown)
    fine = noisy - cv2.GaussianBlur(noisy, (0, 0), 1.0)
    sharp = np.clip(noisy + work.sharpening * fine, 0, 1)
    pixels: Any = np.round(sharp * 255).astype(np.uint8)
    height, width = pixels.shape[:2]
    longest = max(height, width)
    share = max(work.resend, min(1.0, 512 * scale / longest))
    if share < 1:
        size = (round(width * share), round(height * share))
        pixels = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    data = b""
    for quality in work.qualities:
        _, packed = cv2.imencode(".jpg", pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
        data = packed.tobytes()
        again: Any = cv2.imdecode(packed, cv2.IMREAD_COLOR)
        pixels = again[..., ::-1]
    return data, pixels.shape[1] / width
