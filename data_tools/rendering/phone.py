"""What a phone does to light: linear radiance in, an 8-bit photo and its file bytes out.

Each step is one function on a float32 height x width x 3 picture. ``PhoneLook`` fixes one phone in one
moment; ``develop`` needs only it, the picture and a random generator (for the noise).
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps, features

from data_tools.rendering.camera import Camera
from data_tools.rendering.directions import Floats
from data_tools.rendering.domains import Domain, choice, current

Pixels = NDArray[np.uint8]
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
    "exposure_key": 0.16, "white_balance_pull": 0.6, "white_balance_error": (1.05, 1.0, 0.94),
    "saturation": 1.3, "colour_cross": 0.03, "local_tone": 0.3, "contrast": 1.2, "vignette": 0.2,
    "aberration": 0.0008, "noise_grain": 0.6, "smear": 0.6, "sharpen": 0.5, "sharpen_radius": 1.1,
    "quality": 84, "chroma_half": True, "shrink": 1.0,
}  # fmt: skip
"""The one phone of the local site."""


@dataclass(frozen=True)
class PhoneLook:
    """One phone in one moment.

    ``exposure_key`` is the mean its metering aims at (linear), ``exposure_ev`` the error against that in
    stops, ``noise`` the standard deviation at mid grey in linear units, ``motion_px`` and ``motion_deg`` the
    shake, ``curve`` the name of the tone curve, ``codec`` how the file was compressed.
    """

    exposure_key: float
    exposure_ev: float
    highlight_guard: float
    metering_spread: float
    white_balance_pull: float
    white_balance_error: tuple[float, float, float]
    saturation: float
    colour_cross: float
    local_tone: float
    contrast: float
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
        exposure_key=float(rng.uniform(0.1, 0.21)),
        exposure_ev=float(rng.normal(0, 0.4)),
        highlight_guard=float(rng.uniform(0.2, 1.0)),
        metering_spread=float(rng.uniform(0.2, 1.0)),
        white_balance_pull=float(rng.uniform(0.25, 0.95)),
        white_balance_error=_triple(np.exp(rng.normal(0, 0.05, 3))),
        saturation=float(np.clip(rng.normal(1.12, 0.18), 0.55, 1.6)),
        colour_cross=float(rng.normal(0, 0.04)),
        local_tone=float(rng.uniform(0.05, 0.38) if processed else rng.uniform(0, 0.1)),
        contrast=float(rng.uniform(1.3, 1.55) if harsh else rng.uniform(1.0, 1.35)),
        curve=str(rng.choice(choice(CURVES))),
        vignette=float(rng.uniform(0, 0.45)),
        aberration=float(abs(rng.normal(0, 0.0012))),
        haze=float(rng.uniform(0.03, 0.25) if rng.random() < 0.2 else rng.uniform(0, 0.03)),
        noise=float(0.001 + iso**1.5 * (rng.uniform(0.012, 0.03) if grainy else rng.uniform(0.002, 0.01))),
        noise_grain=float(rng.uniform(0.4, 1.1)),
        smear=float(np.clip(rng.uniform(0.2, 0.9) + 0.6 * iso, 0, 1) if processed else 0.0),
        sharpen=float((rng.uniform(0.6, 1.2) if harsh else rng.uniform(0.1, 0.6)) * (1.0 if processed else 0.3)),
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
    return replace(look, **_LOCAL_PHONE) if current() is Domain.LOCAL else look


def _drawn(rng: np.random.Generator, odds: Mapping[str, float]) -> str:
    return str(rng.choice(list(odds), p=list(odds.values())))


def _triple(values: NDArray[np.floating]) -> tuple[float, float, float]:
    first, second, third = (float(value) for value in values)
    return first, second, third


def develop(radiance: Floats, camera: Camera, look: PhoneLook, rng: np.random.Generator) -> Pixels:
    """Turn a rendered picture into the phone's 8-bit sRGB photo, still at the camera's size."""
    picture = through_lens(without_grain(without_fireflies(radiance)), camera, look)
    exposed = picture * exposure(picture, look)
    return tone(with_noise(exposed, look, rng), look)


def develop_pair(first: Floats, second: Floats, camera: Camera, look: PhoneLook) -> tuple[Floats, Floats]:
    """Develop two pictures alike (exposure of the first, no noise) for comparison; float32 in 0..1."""
    one, two = (through_lens(without_fireflies(p), camera, look) for p in (first, second))
    factor = exposure(one, look)
    balance = _balance(one * factor, look)
    return tuple(  # type: ignore[return-value]
        to_display(colours(p * factor, look, balance), look) for p in (one, two)
    )


def without_fireflies(picture: Floats) -> Floats:
    """Pull down single pixels far brighter than all their neighbours (path-tracing outliers)."""
    around = cv2.medianBlur(picture, 3)
    limit = 3.0 * around + 0.02 * float(picture.mean())
    # Small lamps and the sun in chrome are bright over several pixels: the median keeps those.
    return np.asarray(np.minimum(picture, np.maximum(limit, around)), np.float32)


def without_grain(picture: Floats) -> Floats:
    """Smooth what few paths a pixel leave as grain, edges kept: the camera's own noise comes later."""
    root = cv2.sqrt(np.maximum(picture, 0.0))
    fine = root - cv2.blur(root, (3, 3))
    grain = 1.6 * float(np.median(np.abs(fine[::2, ::2])))
    smooth = cv2.bilateralFilter(root, 5, max(2.5 * grain, 1e-4), 1.4)
    return np.asarray(np.where(picture < 9.0, smooth * smooth, picture), np.float32)


def through_lens(picture: Floats, camera: Camera, look: PhoneLook) -> Floats:
    """Apply distortion, lateral colour, vignetting, haze from a smudged lens, and shake."""
    picture = _warp(picture, camera, look)
    height, width = picture.shape[:2]
    y, x = np.ogrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
    fall = 1 - look.vignette * 0.5 * (x**2 + y**2)
    picture = picture * fall[..., None].astype(np.float32)
    if look.haze > 0.005:
        small = cv2.resize(np.minimum(picture, 20 * picture.mean()), (48, 48), interpolation=cv2.INTER_AREA)
        veil = cv2.resize(cv2.GaussianBlur(small, (0, 0), 5), (width, height), interpolation=cv2.INTER_LINEAR)
        picture = picture * (1 - look.haze) + veil * look.haze
    return shaken(picture, look)


def _warp(picture: Floats, camera: Camera, look: PhoneLook) -> Floats:
    height, width = picture.shape[:2]
    if abs(camera.distortion) < 5e-4 and look.aberration < 2e-4:
        return picture
    cy, cx = height / 2, width / 2
    y, x = np.meshgrid(np.arange(height) + 0.5 - cy, np.arange(width) + 0.5 - cx, indexing="ij")
    stretch = 1 + camera.distortion * (x**2 + y**2) / (cx**2 + cy**2)
    planes = []
    for channel, side in enumerate((look.aberration, 0.0, -look.aberration)):
        factor = stretch * (1 + side)
        map_x, map_y = (cx + x * factor - 0.5).astype(np.float32), (cy + y * factor - 0.5).astype(np.float32)
        source = np.ascontiguousarray(picture[..., channel])
        planes.append(cv2.remap(source, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
    return np.asarray(np.stack(planes, axis=2), np.float32)


def shaken(picture: Floats, look: PhoneLook) -> Floats:
    """Blur along a slightly bent path of ``motion_px`` pixels."""
    if look.motion_px < 0.6:
        return picture
    size = 2 * int(np.ceil(look.motion_px / 2 + 1)) + 1
    kernel = np.zeros((size, size), np.float32)
    angle = np.radians(look.motion_deg)
    for t in np.linspace(-0.5, 0.5, 8 * size):
        bend = look.motion_bend * (t * t - 0.08)
        dx = look.motion_px * (t * np.cos(angle) - bend * np.sin(angle))
        dy = look.motion_px * (t * np.sin(angle) + bend * np.cos(angle))
        column, row = int(round(size // 2 + dx)), int(round(size // 2 + dy))
        if 0 <= row < size and 0 <= column < size:
            kernel[row, column] += 1
    return np.asarray(cv2.filter2D(picture, -1, kernel / kernel.sum()), np.float32)


def exposure(picture: Floats, look: PhoneLook) -> float:
    """Return the factor a phone's centre-weighted metering with a highlight guard would choose."""
    small = cv2.resize(picture, (64, 64), interpolation=cv2.INTER_AREA) @ _LUMA
    y, x = np.mgrid[-1:1:64j, -1:1:64j]
    weight = np.exp(-(x**2 + y**2) / (2 * look.metering_spread**2)) + 0.15
    mean = float((np.minimum(small, 8 * np.median(small) + 1e-9) * weight).sum() / weight.sum())
    log_mean = float(np.exp((np.log(small + 1e-4 * mean + 1e-9) * weight).sum() / weight.sum()))
    key = look.exposure_key / max(0.5 * mean + 0.5 * log_mean, 1e-9)
    bright = float(np.percentile(small, 98))
    guard = min(1.0, 0.95 / max(bright * key, 1e-9))
    return float(key * max(guard, 0.15) ** look.highlight_guard * 2**look.exposure_ev)


def with_noise(picture: Floats, look: PhoneLook, rng: np.random.Generator) -> Floats:
    """Add correlated luminance and colour noise (shot noise grows with the square root of the signal), then
    smooth it as a phone does, edges kept."""
    height, width = picture.shape[:2]
    cv2.setRNGSeed(int(rng.integers(1 << 31)))
    fine = cv2.GaussianBlur(_normal(height, width), (0, 0), look.noise_grain)
    blotch = cv2.resize(
        _normal(height // 2 + 1, width // 2 + 1), (width, height), interpolation=cv2.INTER_LINEAR
    )
    grain = fine * (2.0 * look.noise_grain + 0.3) + 0.5 * blotch
    level = look.noise * cv2.sqrt(np.maximum(picture, 0) * np.float32(1 / 0.18) + np.float32(0.15))
    noisy = np.maximum(picture + level * grain, 0).astype(np.float32)
    if look.smear < 0.15:
        return noisy
    root = cv2.sqrt(np.minimum(noisy, 4.0))
    smooth = cv2.bilateralFilter(root, 5, float(0.035 + 1.2 * look.noise), 1.0 + 1.5 * look.smear)
    mixed = root + look.smear * (smooth - root)
    return np.asarray(np.where(noisy > 4.0, noisy, mixed * mixed), np.float32)


def _normal(height: int, width: int) -> Floats:
    field = np.empty((height, width, 3), np.float32)
    cv2.randn(field, (0, 0, 0), (1, 1, 1))
    return field


def tone(picture: Floats, look: PhoneLook) -> Pixels:
    """White balance, colour, local and global tone curve, sharpening; to 8 bits."""
    display = to_display(colours(picture, look, _balance(picture, look)), look)
    if look.sharpen > 0.02:
        display = display + look.sharpen * (display - cv2.GaussianBlur(display, (0, 0), look.sharpen_radius))
    return np.asarray(np.clip(display * 255 + 0.5, 0, 255), np.uint8)


_LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)
"""Luminance weights of linear sRGB (IEC 61966-2-1)."""


def _balance(picture: Floats, look: PhoneLook) -> Floats:
    """Partial grey world: pull the mean colour of the well exposed part towards grey."""
    small = cv2.resize(picture, (64, 64), interpolation=cv2.INTER_AREA).reshape(-1, 3)
    luma = small @ _LUMA
    middle = small[(luma > 0.02) & (luma < 0.9)]
    mean = (middle if len(middle) > 50 else small).mean(axis=0) + 1e-4
    gain = (mean[1] / mean) ** look.white_balance_pull * np.asarray(look.white_balance_error)
    return np.asarray(np.clip(gain, 0.35, 3.0), np.float32)


def colours(picture: Floats, look: PhoneLook, balance: Floats) -> Floats:
    """Apply the white balance and the phone's colour matrix (saturation and a little crosstalk)."""
    matrix = look.saturation * np.eye(3) + (1 - look.saturation) * np.tile(_LUMA, (3, 1))
    matrix = matrix + look.colour_cross * (np.roll(np.eye(3), 1, axis=1) - np.eye(3))
    full = (matrix * balance[None, :]).astype(np.float32)
    return np.asarray(np.maximum(picture @ full.T, 0.0), np.float32)


def to_display(picture: Floats, look: PhoneLook) -> Floats:
    """Compress light into 0..1: local tone mapping in stops, a shoulder, contrast, sRGB encoding."""
    luma = np.maximum(picture @ _LUMA, 1e-4)
    height, width = luma.shape
    stops = np.log2(luma)
    small = cv2.resize(stops, (width // 8, height // 8), interpolation=cv2.INTER_AREA)
    base = cv2.bilateralFilter(small, 9, 1.2, 3.0)
    base = cv2.resize(cv2.GaussianBlur(base, (0, 0), 0.8), (width, height), interpolation=cv2.INTER_LINEAR)
    gain = np.exp2(np.clip(look.local_tone * (np.log2(0.2) - base), -2.0, 2.2))
    mapped = picture * gain[..., None].astype(np.float32)
    return _looked_up(mapped, look)


def _looked_up(linear: Floats, look: PhoneLook) -> Floats:
    """Apply curve and contrast through a table (in the square root of light, fine in the shadows)."""
    table = _table(look.curve, round(look.contrast, 3))
    index = np.minimum(cv2.sqrt(linear) * (_STEPS / _TOP), _STEPS).astype(np.uint16)
    return np.asarray(table[index], np.float32)


_STEPS, _TOP = 8191, 6.0
"""Number of the table's last entry, and the square root of light it stands for."""


@lru_cache(maxsize=64)
def _table(curve: str, contrast: float) -> Floats:
    light = (np.arange(_STEPS + 1) * (_TOP / _STEPS)) ** 2
    even = encoded(np.clip(curved(light.astype(np.float32), curve), 0, 1))
    mid = 0.46
    bent = np.where(even < mid, mid * (even / mid) ** contrast, mid + (even - mid) * contrast)
    return np.asarray(np.clip(bent, 0, 1), np.float32)


def curved(light: Floats, curve: str) -> Floats:
    """Compress linear light to 0..1 (still linear): ``shoulder`` and ``filmic`` roll off the highlights,
    ``sigmoid`` also lifts no shadow, ``log`` is flat as a log profile."""
    if curve == "filmic":
        # The form of Hable's film curve: a rational function with toe and shoulder.
        def film(x: Floats) -> Floats:
            return (x * (0.22 * x + 0.03) + 0.002) / (x * (0.22 * x + 0.3) + 0.06) - 0.0333

        return np.asarray(film(2.2 * light) / film(np.float32(11.0)), np.float32)
    if curve == "sigmoid":
        power = light**1.25
        return np.asarray(1.05 * power / (power + 0.6), np.float32)
    if curve == "log":
        return np.asarray(np.log1p(9 * light) / np.log1p(np.float32(9 * 2.5)), np.float32)
    return np.asarray(light * (1 + light / 4.0) / (1 + light * 0.9), np.float32)


def encoded(linear: Floats) -> Floats:
    """Apply the sRGB transfer function (IEC 61966-2-1) to linear light, 0..1 to 0..1."""
    return np.asarray(
        np.where(linear < 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055), np.float32
    )


def shrunk(pixels: Pixels, look: PhoneLook) -> Pixels:
    """Reduce the photo as messengers and uploads do."""
    if look.shrink > 0.995:
        return pixels
    width, height = round(pixels.shape[1] * look.shrink), round(pixels.shape[0] * look.shrink)
    return np.asarray(cv2.resize(pixels, (width, height), interpolation=cv2.INTER_AREA), np.uint8)


def encode_file(pixels: Pixels, look: PhoneLook) -> bytes:
    """Return the bytes of the JPEG file, after the losses of whatever the photo was stored as before."""
    image = Image.fromarray(pixels)
    if look.codec == "heic_like" and features.check("webp"):
        image = _again(image, "WEBP", quality=look.first_quality, method=0)
    elif look.codec == "wavelet" and features.check("jpg_2000"):
        image = _again(image, "JPEG2000", quality_mode="rates", quality_layers=[180 - 1.6 * look.first_quality])
    elif look.codec == "jpeg_reduced":
        half = image.resize((image.width * 7 // 8, image.height * 7 // 8), Image.Resampling.BICUBIC)
        image = _again(half, "JPEG", quality=look.first_quality).resize(image.size, Image.Resampling.BICUBIC)
    elif look.codec in ("jpeg_twice", "jpeg_thrice"):
        image = _again(image, "JPEG", quality=look.first_quality)
        if look.codec == "jpeg_thrice":
            # Cut by a few pixels in between, as an edit in a gallery does: the 8 x 8 blocks move.
            image = ImageOps.expand(image.crop((3, 5, image.width, image.height)), (3, 5, 0, 0))
            image = _again(image, "JPEG", quality=look.first_quality - 8)
    target = io.BytesIO()
    image.save(target, "JPEG", quality=look.quality, subsampling=2 if look.chroma_half else 0)
    return target.getvalue()


def _again(image: Image.Image, kind: str, **options: Any) -> Image.Image:
    buffer = io.BytesIO()
    image.save(buffer, kind, **options)
    return Image.open(io.BytesIO(buffer.getvalue())).convert("RGB")
