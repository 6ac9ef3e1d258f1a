"""What a phone does with linear light: exposure, white balance, blur, noise, tone curve, sharpening, JPEG."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[Any]


def _mean(light: Floats) -> Floats:
    """Return the mean of the three channels, H x W."""
    return np.asarray(cv2.transform(light, np.full((1, 3), 1 / 3)), np.float32)


def _expose(rng: np.random.Generator, light: Floats, dim: float) -> Floats:
    tall, wide = light.shape[:2]
    y, x = np.arange(tall)[:, None], np.arange(wide)
    down = np.exp(-(((y / tall - 0.5) / 0.35) ** 2)).astype(np.float32)
    weight = down * np.exp(-(((x / wide - 0.5) / 0.35) ** 2)).astype(np.float32)
    grey = _mean(light)
    level = float(np.exp(cv2.mean(weight * cv2.log(grey + np.float32(1e-4)))[0] / cv2.mean(weight)[0]))
    aim = rng.uniform(0.11, 0.24) * (1 - 0.3 * dim)
    gain = aim / max(level, 1e-5)
    bright = float(np.quantile(grey, 0.97)) * gain
    if bright > 1.1:
        gain *= (1.1 / bright) ** rng.uniform(0.35, 0.75)
    return np.asarray(light * np.float32(gain))


def _balance(rng: np.random.Generator, light: Floats) -> Floats:
    mean = np.array(cv2.mean(np.clip(light, 0, 1))[:3]) + 1e-4
    share = rng.uniform(0.2, 0.8)
    gain = (mean.mean() / mean) ** share * rng.normal(1, 0.035, 3)
    return np.asarray(light * np.clip(gain, 0.4, 2.6).astype(np.float32))


def _smooth(field: Floats, spread: float) -> Floats:
    """Return the field (H x W) blurred with a wide gaussian of deviation ``spread``, made smaller for it."""
    tall, wide = field.shape[:2]
    share = max(1, int(spread / 4))
    small = cv2.resize(field, (wide // share, tall // share), interpolation=cv2.INTER_AREA)
    blurred = cv2.GaussianBlur(small, (0, 0), spread * small.shape[1] / wide)
    return np.asarray(cv2.resize(blurred, (wide, tall), interpolation=cv2.INTER_CUBIC), np.float32)


def _optics(rng: np.random.Generator, light: Floats) -> Floats:
    """Bloom, a dirty lens's veil, shake."""
    tall = max(light.shape[:2])
    out: Any = np.minimum(light, 12.0).astype(np.float32)
    if rng.uniform() < 0.35:
        glow = _smooth(np.maximum(out - np.float32(0.8), 0), tall * rng.uniform(0.01, 0.05))
        out = out + glow * np.float32(rng.uniform(0.05, 0.4))
    if rng.uniform() < 0.10:
        veil = _smooth(out, tall * 0.08)
        share = np.float32(rng.uniform(0.05, 0.25))
        out = out * (1 - share) + veil * share
    if rng.uniform() < 0.14:
        size = int(max(3, tall * rng.uniform(0.002, 0.008))) | 1
        kernel = np.zeros((size, size), np.float32)
        turn, half = rng.uniform(0, np.pi), size // 2
        a = (round(half - half * np.cos(turn)), round(half - half * np.sin(turn)))
        b = (round(half + half * np.cos(turn)), round(half + half * np.sin(turn)))
        cv2.line(kernel, a, b, 1.0)
        out = cv2.filter2D(out, -1, kernel / kernel.sum())
    return np.asarray(cv2.GaussianBlur(out, (0, 0), rng.uniform(0.35, 0.75)), np.float32)


def _noise(rng: np.random.Generator, light: Floats, dim: float) -> Floats:
    strength = rng.uniform(0.002, 0.010) * (1 + 3 * dim * rng.uniform())
    grain = rng.normal(size=light.shape).astype(np.float32)
    coarse = cv2.GaussianBlur(rng.normal(size=light.shape).astype(np.float32), (0, 0), 1.2) * 2.2
    spread = np.sqrt(np.clip(light, 0, 1) + np.float32(0.02)) * np.float32(strength)
    return np.asarray(light + spread * (np.float32(0.7) * grain + np.float32(0.5) * coarse))


def _despike(light: Floats) -> Floats:
    """Return the picture without the single bright pixels that few light paths leave."""
    small = light.astype(np.float32)
    middle = np.asarray(cv2.medianBlur(small, 3), np.float32)
    spike = _mean(small) > 3.5 * _mean(middle) + 0.15 * float(middle.mean())
    small[spike] = middle[spike]
    return small


def _tone(rng: np.random.Generator, light: Floats) -> Floats:
    grey = np.asarray(cv2.log(np.maximum(_mean(light), np.float32(1e-4))))
    base = _smooth(grey, max(light.shape[:2]) * 0.03)
    local = cv2.exp((base - base.mean()) * np.float32(-rng.uniform(0.0, 0.35)))
    x = np.maximum(light * np.asarray(local)[..., None], 0)
    knee = rng.uniform(0.55, 0.85)
    over = x > knee
    x[over] = knee + (1 - knee) * np.tanh((x[over] - knee) / (1 - knee) * 0.8)
    curved = 1.055 * np.asarray(cv2.pow(np.maximum(x, np.float32(1e-6)), 1 / 2.4)) - 0.055
    coded = np.where(x <= 0.0031308, 12.92 * x, curved)
    bend = rng.uniform(0.0, 0.5)
    return np.asarray(coded * (1 - bend) + bend * coded * coded * (3 - 2 * np.clip(coded, 0, 1)))


def develop(rng: np.random.Generator, light: Floats, dim: float) -> bytes:
    """Return the JPEG a phone would store for linear light (H x W x 3); ``dim`` 0..1 asks for more noise."""
    x = _expose(rng, _despike(light), dim)
    x = _balance(rng, x)
    x = _noise(rng, _optics(rng, x), dim)
    x = np.clip(_tone(rng, x), 0, 1)
    grey = _mean(x)[..., None]
    x = grey + (x - grey) * rng.uniform(0.8, 1.25)
    soft = cv2.GaussianBlur(x, (0, 0), rng.uniform(0.8, 1.6))
    x = np.clip(x + rng.uniform(0.1, 1.0) * (x - soft), 0, 1)
    eight = (x[..., ::-1] * 255 + 0.5).astype(np.uint8)
    done, data = cv2.imencode(".jpg", eight, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 96))])
    if not done:
        raise RuntimeError("the picture could not be encoded")
    return bytes(data.tobytes())
