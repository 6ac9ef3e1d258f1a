"""What a phone does to the light it has caught: lens, exposure, white balance, tone, noise, JPEG."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from data_tools.studios.alder.mesh import Array


@dataclass(frozen=True)
class Phone:
    """One phone's habits and mishaps; all but ``quality`` (JPEG) and ``smear`` (pixels) are 0..1 or gains."""

    exposure: float
    balance: tuple[float, float, float]
    lift: float
    contrast: float
    saturation: float
    noise: float
    sharpen: float
    glare: float
    vignette: float
    smear: float
    smear_turn: float
    flare: float
    quality: int
    seed: int


def draw_phone(rng: np.random.Generator, dim: bool) -> Phone:
    """Draw a phone; in ``dim`` light there is more noise, and a moving hand shows."""
    warm, green = float(rng.normal(0, 0.09)), float(rng.normal(0, 0.03))
    moved = rng.random() < (0.3 if dim else 0.12)
    return Phone(
        exposure=float(rng.normal(0, 0.32)),
        balance=(float(np.exp(warm)), float(np.exp(green)), float(np.exp(-warm))),
        lift=float(rng.uniform(0.05, 0.5)),
        contrast=float(rng.uniform(0.95, 1.35)),
        saturation=float(rng.uniform(0.75, 1.3)),
        noise=float(rng.uniform(0.002, 0.012)) * (2.2 if dim else 1.0),
        sharpen=float(rng.uniform(0.1, 0.8)),
        glare=float(rng.choice([rng.uniform(0.005, 0.03), rng.uniform(0.03, 0.14)], p=[0.85, 0.15])),
        vignette=float(rng.uniform(0, 0.3)),
        smear=float(rng.uniform(1.5, 5.0)) if moved else 0.0,
        smear_turn=float(rng.uniform(0, np.pi)),
        flare=float(rng.uniform(0.1, 0.5)) if rng.random() < 0.06 else 0.0,
        quality=int(rng.integers(60, 96)),
        seed=int(rng.integers(1 << 30)),
    )


def developed(light: Array, phone: Phone, scale: float) -> bytes:
    """Return the JPEG of HxWx3 linear light; ``scale`` is that of the picture (1: full size)."""
    rng = np.random.default_rng(phone.seed)
    picture = np.clip(np.nan_to_num(light, nan=0.0, posinf=60.0), 0, 60).astype(np.float32)
    picture = _lens(picture, phone, scale, rng)
    picture = picture * _gain(picture) * 2.0**phone.exposure * np.array(phone.balance, np.float32)
    picture = _grey_world(picture)
    picture = _toned(picture, phone)
    smooth = cv2.bilateralFilter(picture, 5, 0.06 + 1.5 * phone.noise, 1.6)
    picture = _noisy(smooth, phone, rng)
    soft = cv2.GaussianBlur(picture, (0, 0), 1.1)
    picture = np.clip(picture + phone.sharpen * (picture - soft), 0, 1)
    stored, data = cv2.imencode(
        ".jpg", (picture[..., ::-1] * 255 + 0.5).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, phone.quality]
    )
    assert stored
    return bytes(data)


def _lens(picture: Array, phone: Phone, scale: float, rng: np.random.Generator) -> Array:
    height, width = picture.shape[:2]
    bright = np.minimum(picture, 12 * picture.mean() + 1e-6)
    wide = cv2.GaussianBlur(cv2.resize(bright, (width // 4 + 1, height // 4 + 1)), (0, 0), 0.05 * width)
    picture = picture * (1 - phone.glare) + phone.glare * cv2.resize(wide, (width, height))
    if phone.smear:
        half = max(1, round(phone.smear * scale))
        kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
        dx, dy = half * np.cos(phone.smear_turn), half * np.sin(phone.smear_turn)
        a, b = (round(half - dx / 2), round(half - dy / 2)), (round(half + dx / 2), round(half + dy / 2))
        cv2.line(kernel, a, b, 1.0)
        picture = cv2.filter2D(picture, -1, kernel / kernel.sum())
    x, y = np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32)[:, None]
    away = ((x / width - 0.5) ** 2 + (y / height - 0.5) ** 2) * 2
    picture = picture * (1 - phone.vignette * away)[..., None]
    if phone.flare:
        level = float(np.percentile(picture, 90)) * phone.flare
        for _ in range(5):
            cx, cy, radius = rng.uniform(0, width), rng.uniform(0, height), rng.uniform(0.03, 0.12) * width
            spot = np.clip((radius - np.hypot(x - cx, y - cy)) / (0.15 * radius), 0, 1)
            picture = picture + level * 0.25 * spot[..., None] * rng.uniform(0.5, 1, 3).astype(np.float32)
    return np.asarray(picture, np.float32)


def _grey(picture: Array) -> Array:
    return np.asarray(cv2.transform(picture, np.array([[0.25, 0.6, 0.15]])), np.float32)


def _gain(picture: Array) -> float:
    height, width = picture.shape[:2]
    y, x = np.arange(height)[:, None], np.arange(width)
    down = np.exp(-(((y / height - 0.5) / 0.3) ** 2) / 2).astype(np.float32)
    weight = down * np.exp(-(((x / width - 0.5) / 0.3) ** 2) / 2).astype(np.float32) + np.float32(0.5)
    grey = _grey(picture)
    floor = 1e-4 * float(grey.max()) + 1e-9
    middle = float(np.exp(cv2.mean(cv2.log(grey + floor) * weight)[0] / cv2.mean(weight)[0]))
    middle = max(middle, 0.45 * float(np.minimum(grey, 4 * grey.mean()).mean()))
    gain = 0.11 / max(middle, 1e-9)
    bright = float(np.percentile(grey, 97))
    return min(gain, 1.1 / max(bright, 1e-9))


def _grey_world(picture: Array) -> Array:
    mean = np.array(cv2.mean(np.minimum(picture, 2))[:3]) + 1e-6
    return np.asarray(picture * np.clip((mean.mean() / mean) ** 0.35, 0.8, 1.25).astype(np.float32))


def _smooth(field: Array, spread: float) -> Array:
    """Return the field (H x W) blurred with a wide gaussian of deviation ``spread``, made smaller for it."""
    height, width = field.shape
    share = max(1, int(spread / 4))
    small = cv2.resize(field, (width // share, height // share), interpolation=cv2.INTER_AREA)
    blurred = cv2.GaussianBlur(small, (0, 0), spread * small.shape[1] / width)
    return np.asarray(cv2.resize(blurred, (width, height), interpolation=cv2.INTER_CUBIC), np.float32)


def _toned(picture: Array, phone: Phone) -> Array:
    grey = _grey(picture)
    near = _smooth(np.asarray(cv2.log(grey + np.float32(0.004))), 0.03 * grey.shape[1])
    local = np.asarray(cv2.exp((near - np.float32(np.log(0.2))) * np.float32(-phone.lift * 0.5)))
    picture = np.maximum(picture * np.clip(local, 0.4, 3.5)[..., None], 0)
    curve = picture * (1 + picture / 6.0) / (1 + picture)  # shoulder, white at about 2.5
    curve = np.asarray(cv2.pow(np.clip(curve * 1.25, 0, 1), 1 / 2.2))
    curve = np.clip(0.5 + (curve - 0.46) * phone.contrast, 0, 1)
    dull = np.asarray(cv2.transform(curve, np.full((1, 3), 1 / 3)))[..., None]
    return np.asarray(np.clip(dull + (curve - dull) * phone.saturation, 0, 1), np.float32)


def _noisy(picture: Array, phone: Phone, rng: np.random.Generator) -> Array:
    fine = rng.standard_normal(picture.shape).astype(np.float32)
    blotch = cv2.GaussianBlur(rng.standard_normal(picture.shape).astype(np.float32), (0, 0), 1.1) * 2.5
    grain = (0.5 * fine + 0.6 * blotch) * phone.noise * (1.3 - 0.7 * picture)
    return np.asarray(np.clip(picture + grain, 0, 1), np.float32)
