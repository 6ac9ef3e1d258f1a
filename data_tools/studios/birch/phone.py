"""What a phone does with linear light: exposure, white balance, blur, noise, tone curve, sharpening, JPEG."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from data_tools.studios.birch.meshes import Floats


def _expose(rng: np.random.Generator, light: Floats, dim: float) -> Floats:
    tall, wide = light.shape[:2]
    y, x = np.mgrid[0:tall, 0:wide]
    weight = np.exp(-(((x / wide - 0.5) / 0.35) ** 2 + ((y / tall - 0.5) / 0.35) ** 2))
    grey = light.mean(-1)
    level = float(np.exp((weight * np.log(grey + 1e-4)).sum() / weight.sum()))
    aim = rng.uniform(0.11, 0.24) * (1 - 0.3 * dim)
    gain = aim / max(level, 1e-5)
    bright = float(np.quantile(grey, 0.97)) * gain
    if bright > 1.1:
        gain *= (1.1 / bright) ** rng.uniform(0.35, 0.75)
    return np.asarray(light * gain)


def _balance(rng: np.random.Generator, light: Floats) -> Floats:
    mean = np.clip(light, 0, 1).reshape(-1, 3).mean(0) + 1e-4
    share = rng.uniform(0.2, 0.8)
    gain = (mean.mean() / mean) ** share * rng.normal(1, 0.035, 3)
    return np.asarray(light * np.clip(gain, 0.4, 2.6))


def _optics(rng: np.random.Generator, light: Floats) -> Floats:
    """Bloom, a dirty lens's veil, shake."""
    tall = max(light.shape[:2])
    out: Any = np.minimum(light, 12.0).astype(np.float32)
    if rng.uniform() < 0.35:
        glow = cv2.GaussianBlur(np.maximum(out - 0.8, 0), (0, 0), tall * rng.uniform(0.01, 0.05))
        out = out + glow * np.float32(rng.uniform(0.05, 0.4))
    if rng.uniform() < 0.10:
        veil = cv2.GaussianBlur(out, (0, 0), tall * 0.08)
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
    return np.asarray(cv2.GaussianBlur(out, (0, 0), rng.uniform(0.35, 0.75)), dtype=np.float64)


def _noise(rng: np.random.Generator, light: Floats, dim: float) -> Floats:
    strength = rng.uniform(0.002, 0.010) * (1 + 3 * dim * rng.uniform())
    grain = rng.normal(size=light.shape).astype(np.float32)
    coarse = cv2.GaussianBlur(rng.normal(size=light.shape).astype(np.float32), (0, 0), 1.2) * 2.2
    spread = strength * np.sqrt(np.clip(light, 0, 1) + 0.02)
    return np.asarray(light + spread * (0.7 * grain + 0.5 * coarse))


def _despike(light: Floats) -> Floats:
    """Return the picture without the single bright pixels that few light paths leave."""
    small = light.astype(np.float32)
    middle = cv2.medianBlur(small, 3)
    spike = small.mean(-1) > 3.5 * middle.mean(-1) + 0.15 * float(middle.mean())
    return np.asarray(np.where(spike[..., None], middle, small), dtype=np.float64)


def _tone(rng: np.random.Generator, light: Floats) -> Floats:
    grey = np.clip(light.mean(-1), 1e-4, None).astype(np.float32)
    base = cv2.GaussianBlur(np.log(grey), (0, 0), max(light.shape[:2]) * 0.03)
    local = np.exp(-rng.uniform(0.0, 0.35) * (base - base.mean()))
    x = np.clip(light * local[..., None], 0, None)
    knee = rng.uniform(0.55, 0.85)
    x = np.where(x > knee, knee + (1 - knee) * np.tanh((x - knee) / (1 - knee) * 0.8), x)
    coded = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-6) ** (1 / 2.4) - 0.055)
    bend = rng.uniform(0.0, 0.5)
    return np.asarray(coded * (1 - bend) + bend * coded * coded * (3 - 2 * np.clip(coded, 0, 1)))


def develop(rng: np.random.Generator, light: Floats, dim: float) -> bytes:
    """Return the JPEG a phone would store for linear light (H x W x 3); ``dim`` 0..1 asks for more noise."""
    x = _expose(rng, _despike(light), dim)
    x = _balance(rng, x)
    x = _noise(rng, _optics(rng, x), dim)
    x = np.clip(_tone(rng, x), 0, 1)
    grey = x.mean(-1, keepdims=True)
    x = grey + (x - grey) * rng.uniform(0.8, 1.25)
    soft = cv2.GaussianBlur(x.astype(np.float32), (0, 0), rng.uniform(0.8, 1.6))
    x = np.clip(x + rng.uniform(0.1, 1.0) * (x - soft), 0, 1)
    eight = (x[..., ::-1] * 255 + 0.5).astype(np.uint8)
    done, data = cv2.imencode(".jpg", eight, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 96))])
    if not done:
        raise RuntimeError("the picture could not be encoded")
    return bytes(data.tobytes())
