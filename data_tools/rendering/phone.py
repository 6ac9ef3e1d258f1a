"""What a phone does to light: linear radiance in, an 8-bit photo and its file bytes out.

Each step is one function on a float32 height x width x 3 picture. ``PhoneLook`` (in ``phone_look``) fixes
one phone in one moment; ``develop`` needs only it, the picture and a random generator (for the noise).
"""

from __future__ import annotations

import io
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, features

from data_tools.rendering.camera import Camera
from data_tools.rendering.directions import Floats
from data_tools.rendering.phone_look import PhoneLook
from data_tools.rendering.tone import LUMA, balance_of, colours, luminance, spread, to_display

Pixels = NDArray[np.uint8]
ORDINARY_LIGHT = 0.3
"""Mean radiance of an ordinary scene, in units of the mean radiance of its surroundings; by eye."""


def develop(radiance: Floats, camera: Camera, look: PhoneLook, rng: np.random.Generator) -> Pixels:
    """Turn a rendered picture into the phone's 8-bit sRGB photo, still at the camera's size."""
    picture = through_lens(without_grain(without_fireflies(radiance)), camera, look)
    exposed = picture * exposure(picture, look)
    return tone(with_noise(exposed, look, rng), look)


def develop_pair(first: Floats, second: Floats, camera: Camera, look: PhoneLook) -> tuple[Floats, Floats]:
    """Develop two pictures alike (exposure of the first, no noise) for comparison; float32 in 0..1."""
    one, two = (through_lens(without_fireflies(p), camera, look) for p in (first, second))
    factor = exposure(one, look)
    balance = balance_of(one * factor, look)
    return tuple(  # type: ignore[return-value]
        to_display(colours(p * factor, look, balance), look) for p in (one, two)
    )


def without_fireflies(picture: Floats) -> Floats:
    """Pull down single pixels far brighter than all their neighbours (path-tracing outliers)."""
    around = cv2.medianBlur(picture, 3)
    limit = np.multiply(around, np.float32(3.0))
    limit += np.float32(0.02 * _mean(picture))
    # Small lamps and the sun in chrome are bright over several pixels: the median keeps those.
    np.maximum(limit, around, out=limit)
    return np.asarray(np.minimum(picture, limit, out=limit), np.float32)


def _mean(picture: Floats) -> float:
    return float(np.mean(cv2.mean(picture)[:3]))


def without_grain(picture: Floats) -> Floats:
    """Smooth what few paths a pixel leave as grain, edges kept: the camera's own noise comes later."""
    root = cv2.sqrt(np.maximum(picture, 0.0))
    fine = root[::4, ::4] - cv2.blur(root, (3, 3))[::4, ::4]
    grain = 1.6 * float(np.median(np.abs(fine, out=fine)))
    # 13 neighbours of nearly equal weight: 29 smooth no more than the eye can see and take twice the time.
    smooth = cv2.bilateralFilter(root, 5, max(3.0 * grain, 1e-4), 5.0)
    np.multiply(smooth, smooth, out=smooth)
    return _kept_above(9.0, picture, smooth)


def _kept_above(limit: float, picture: NDArray[Any], other: NDArray[Any]) -> Floats:
    """Return ``other``, in place, with the few values of ``picture`` that are ``limit`` or more put back."""
    bright = np.flatnonzero(picture >= limit)
    other.ravel()[bright] = picture.ravel()[bright]
    return np.asarray(other, np.float32)


def through_lens(picture: Floats, camera: Camera, look: PhoneLook) -> Floats:
    """Apply distortion, lateral colour, vignetting, haze from a smudged lens, and shake."""
    picture = _warp(picture, camera, look)
    height, width = picture.shape[:2]
    if look.vignette:
        y, x = np.ogrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
        across, down = np.float32(0.5 * look.vignette) * (x**2), np.float32(0.5 * look.vignette) * (y**2)
        fall = (1 - down).astype(np.float32) - across.astype(np.float32)
        picture = np.asarray(cv2.multiply(picture, spread(fall)), np.float32)
    if look.haze > 0.005:
        dimmed = np.minimum(picture, np.float32(20 * _mean(picture)))
        small = cv2.resize(dimmed, (48, 48), interpolation=cv2.INTER_AREA)
        veil = cv2.resize(cv2.GaussianBlur(small, (0, 0), 5), (width, height), interpolation=cv2.INTER_LINEAR)
        hazy = cv2.addWeighted(picture, 1 - look.haze, veil, look.haze, 0.0)
        picture = np.asarray(hazy, np.float32)
    return shaken(picture, look)


def _warp(picture: Floats, camera: Camera, look: PhoneLook) -> Floats:
    height, width = picture.shape[:2]
    if abs(camera.distortion) < 5e-4 and look.aberration < 2e-4:
        return picture
    maps = _warp_maps(height, width, camera.distortion, look.aberration)
    planes = [
        cv2.remap(source, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        for source, (map_x, map_y) in zip(cv2.split(picture), maps, strict=True)
    ]
    return np.asarray(cv2.merge(planes), np.float32)


@lru_cache(maxsize=1)
def _warp_maps(height: int, width: int, distortion: float, aberration: float) -> list[tuple[Any, Any]]:
    """Return for red, green and blue where each pixel comes from; the last ones are kept, for a pair."""
    cy, cx = height / 2, width / 2
    y, x = np.arange(height)[:, None] + 0.5 - cy, np.arange(width)[None, :] + 0.5 - cx
    bend = distortion / (cx**2 + cy**2)
    stretch = (1 + bend * y**2).astype(np.float32) + (bend * x**2).astype(np.float32)
    from_x, from_y = stretch * x.astype(np.float32), stretch * y.astype(np.float32)
    maps = []
    for side in (aberration, 0.0, -aberration):
        pair = []
        for source, middle in ((from_x, cx), (from_y, cy)):
            moved = source * np.float32(1 + side)
            moved += np.float32(middle - 0.5)
            pair.append(moved)
        maps.append((pair[0], pair[1]))
    return maps


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
    small = cv2.resize(picture, (64, 64), interpolation=cv2.INTER_AREA) @ LUMA
    y, x = np.mgrid[-1:1:64j, -1:1:64j]
    weight = np.exp(-(x**2 + y**2) / (2 * look.metering_spread**2)) + 0.15
    mean = float((np.minimum(small, 8 * np.median(small) + 1e-9) * weight).sum() / weight.sum())
    log_mean = float(np.exp((np.log(small + 1e-4 * mean + 1e-9) * weight).sum() / weight.sum()))
    metered = max(0.5 * mean + 0.5 * log_mean, 1e-9)
    ordinary = (metered / ORDINARY_LIGHT) ** look.steadiness
    if look.steadiness < 1:
        ordinary = np.clip(ordinary, 0.65, 1.2)
    key = look.exposure_key / metered * float(ordinary)
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
    grain = cv2.addWeighted(fine, 2.0 * look.noise_grain + 0.3, blotch, 0.5, 0.0, dst=fine)
    level = np.maximum(picture, 0)
    level *= np.float32(1 / 0.18)
    level += np.float32(0.15)
    noisy: NDArray[Any] = cv2.multiply(cv2.sqrt(level, dst=level), grain, dst=grain, scale=look.noise)
    noisy += picture
    np.maximum(noisy, 0, out=noisy)
    if look.smear < 0.15:
        return np.asarray(noisy, np.float32)
    root = cv2.sqrt(np.minimum(noisy, 4.0, out=level), dst=level)
    smooth = cv2.bilateralFilter(root, 5, float(0.035 + 1.2 * look.noise), 1.0 + 1.5 * look.smear)
    mixed = cv2.addWeighted(root, 1 - look.smear, smooth, look.smear, 0.0, dst=root)
    np.multiply(mixed, mixed, out=mixed)
    return _kept_above(4.0, noisy, mixed)


def _normal(height: int, width: int) -> Floats:
    field = np.empty((height, width, 3), np.float32)
    # In one channel: the same numbers, sooner.
    cv2.randn(field.reshape(height, -1), np.zeros(1), np.ones(1))
    return field


def tone(picture: Floats, look: PhoneLook) -> Pixels:
    """White balance, colour, local and global tone curve, sharpening; to 8 bits."""
    display = to_display(colours(picture, look, balance_of(picture, look)), look)
    if look.halo > 0.02:
        display += spread(look.halo * _wide_detail(display))
    amount = look.sharpen if look.sharpen > 0.02 else 0.0
    soft = cv2.GaussianBlur(display, (0, 0), look.sharpen_radius) if amount else display
    return np.asarray(
        cv2.addWeighted(display, 255 * (1 + amount), soft, -255 * amount, 0.0, dtype=cv2.CV_8U), np.uint8
    )


def _wide_detail(display: Floats) -> Floats:
    """Return how much lighter each pixel is than its wider surroundings: what leaves halos at outlines."""
    height, width = display.shape[:2]
    luma = luminance(display)
    small = cv2.GaussianBlur(
        cv2.resize(luma, (width // 4, height // 4), interpolation=cv2.INTER_AREA), (0, 0), 0.006 * width
    )
    around = cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR)
    luma -= around
    return np.asarray(np.clip(luma, -0.25, 0.25, out=luma), np.float32)


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
        image = _again(
            image, "JPEG2000", quality_mode="rates", quality_layers=[90 - 0.8 * look.first_quality]
        )
    elif look.codec == "jpeg_reduced":
        half = image.resize((image.width * 7 // 8, image.height * 7 // 8), Image.Resampling.BICUBIC)
        image = _again(half, "JPEG", quality=look.first_quality).resize(image.size, Image.Resampling.BICUBIC)
    elif look.codec in ("jpeg_twice", "jpeg_thrice"):
        image = _again(image, "JPEG", quality=look.first_quality)
        if look.codec == "jpeg_thrice":
            # Shifted by a few pixels in between, as an edit in a gallery does: the 8 x 8 blocks move.
            moved = np.pad(np.asarray(image)[5:, 3:], ((5, 0), (3, 0), (0, 0)), mode="edge")
            image = Image.fromarray(moved)
            image = _again(image, "JPEG", quality=look.first_quality - 8)
    target = io.BytesIO()
    image.save(target, "JPEG", quality=look.quality, subsampling=2 if look.chroma_half else 0)
    return target.getvalue()


def _again(image: Image.Image, kind: str, **options: Any) -> Image.Image:
    buffer = io.BytesIO()
    image.save(buffer, kind, **options)
    return Image.open(io.BytesIO(buffer.getvalue())).convert("RGB")
