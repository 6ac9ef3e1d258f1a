"""What a phone makes of light: lens, sensor, denoising, tone mapping, sharpening, JPEG."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from data_tools.studios.elm.noise import Array, Rng


@dataclass(frozen=True)
class Phone:
    """One phone on one occasion; ``exposure`` in stops off the automatic one, ``shake`` in pixels."""

    exposure: float
    white: tuple[float, float, float]
    veil: float
    ghost: bool
    shake: tuple[float, float]
    noise: float
    local: float
    contrast: float
    sharpen: float
    saturation: float
    zoom: float
    qualities: tuple[int, ...]


def draw_phone(rng: Rng, dim: bool) -> Phone:
    """Return a phone; where it is ``dim`` it shakes and rustles more."""
    shaken = rng.uniform(1.0, 4.5) if rng.random() < (0.25 if dim else 0.1) else rng.uniform(0, 0.8)
    first = int(rng.integers(62, 97))
    return Phone(
        exposure=float(np.clip(rng.normal(0.1, 0.45), -1.1, 1.1)),
        white=tuple((2.0 ** rng.normal(0, [0.08, 0.02, 0.10])).tolist()),
        veil=float(rng.uniform(0.0, 0.03) if rng.random() < 0.8 else rng.uniform(0.04, 0.11)),
        ghost=bool(rng.random() < 0.08),
        shake=(float(shaken), float(rng.uniform(0, np.pi))),
        noise=float(rng.uniform(0.002, 0.012) * (2.0 if dim else 1)),
        local=float(rng.uniform(0.08, 0.38)),
        contrast=float(rng.uniform(0.02, 0.11)),
        sharpen=float(rng.uniform(0.2, 1.1)),
        saturation=float(rng.uniform(0.85, 1.3)),
        zoom=float(rng.choice([1.0, 1.0, rng.uniform(0.55, 0.95)])),
        qualities=(first, int(rng.integers(50, 90))) if rng.random() < 0.3 else (first,),
    )


def gain(light: Array, phone: Phone) -> float:
    """Return what the phone multiplies the linear picture (h x w x 3) by: it looks mostly at the middle."""
    h, w = light.shape[:2]
    y, x = np.mgrid[0:h, 0:w]
    weight = np.exp(-2.5 * (((x - w / 2) / w) ** 2 + ((y - h / 2) / h) ** 2) * 2)
    luma = np.clip(light.mean(-1), 1e-4, None)
    middle = (
        np.exp((np.log(luma) * weight).sum() / weight.sum()) * 0.4
        + np.minimum(luma, 4 * luma.mean()).mean() * 0.6
    )
    # Phones hold back before large bright areas burn out.
    bright = float(np.percentile(luma[::4, ::4], 96))
    return float(min(0.22 / middle, 1.1 / bright) * 2**phone.exposure)


def tone(light: Array) -> Array:
    """Return display values (0..1) of linear light: a shoulder, then the sRGB curve."""
    x = np.clip(light, 0, None)
    x = x * (1 + x / 9) / (1 + x * 0.55)
    x = np.clip(x, 0, 1)
    return np.asarray(np.where(x < 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055), dtype=np.float32)


def photo_of(light: Array, phone: Phone, rng: Rng) -> bytes:
    """Return the JPEG that ``phone`` stores of the linear picture ``light`` (h x w x 3)."""
    picture = np.minimum(light, 40 * max(float(np.median(light)), 1e-3)).astype(np.float32)
    picture = _despeckle(picture * gain(picture, phone))
    picture = _lens(picture, phone, rng)
    picture = _sensor(picture * np.asarray(phone.white, dtype=np.float32), phone, rng)
    picture = tone(_tone_map(picture, phone))
    picture = _finish(picture, phone)
    return _store(picture, phone)


def _despeckle(picture: Array) -> Array:
    """Clip what no neighbour supports, the renderer's fireflies, and calm its noise."""
    middle = cv2.medianBlur(picture, 3)
    picture = np.sqrt(np.clip(np.minimum(picture, middle * 1.7 + 0.05), 0, None))
    for width in (0.16, 0.10):
        picture = cv2.bilateralFilter(picture, 5, width, 1.7)
    return np.asarray(picture**2)


def _lens(picture: Array, phone: Phone, rng: Rng) -> Array:
    h, w = picture.shape[:2]
    small = cv2.resize(np.minimum(picture, 6), (max(w // 8, 8), max(h // 8, 8)), interpolation=cv2.INTER_AREA)
    haze = cv2.GaussianBlur(small, (0, 0), small.shape[1] * 0.15)
    picture = picture + phone.veil * (cv2.resize(haze, (w, h)) + 0.4 * float(small.mean()) - 0.2 * picture)
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    if phone.ghost:
        start, way = rng.uniform(0, 1, 2) * [w, h], rng.uniform(-1, 1, 2)
        for step in range(4):
            spot = start + way * step * 0.18 * w
            radius = rng.uniform(0.02, 0.08) * w
            disc = np.clip((radius - np.hypot(x - spot[0], y - spot[1])) / 4, 0, 1)
            picture = picture + disc[..., None] * rng.uniform(0, 0.10, 3).astype(np.float32)
    corner = ((x / w - 0.5) ** 2 + (y / h - 0.5) ** 2)[..., None]
    picture = picture * (1 - rng.uniform(0.1, 0.55) * corner)
    length, turn = phone.shake
    if length > 0.8:
        steps = np.linspace(-0.5, 0.5, 9)
        size = int(np.ceil(length / 2)) * 2 + 3
        kernel = np.zeros((size, size), np.float32)
        for t in steps:
            shift = np.array([[1, 0, t * length * np.cos(turn)], [0, 1, t * length * np.sin(turn)]])
            dot = np.zeros_like(kernel)
            dot[size // 2, size // 2] = 1
            kernel += cv2.warpAffine(dot, shift, (size, size))
        picture = cv2.filter2D(picture, -1, kernel / kernel.sum())
    return np.asarray(picture, dtype=np.float32)


def _sensor(picture: Array, phone: Phone, rng: Rng) -> Array:
    """Add shot and read noise, then smooth colour much and brightness a little, as phones do."""
    picture = np.clip(picture, 0, 4)
    spread = phone.noise * np.sqrt(picture + 0.02)
    picture = picture + spread * rng.standard_normal(picture.shape, dtype=np.float32)
    root = np.sqrt(np.clip(picture, 0, None))
    luma = root @ np.array([0.3, 0.55, 0.15], dtype=np.float32)
    chroma = root - luma[..., None]
    chroma = cv2.GaussianBlur(chroma, (0, 0), 1.6)
    luma = cv2.bilateralFilter(luma, 5, 0.02 + 2.2 * phone.noise, 1.6)
    return np.asarray(np.clip(luma[..., None] + chroma, 0, None) ** 2)


def _tone_map(picture: Array, phone: Phone) -> Array:
    """Lift shadows and hold highlights by regions, keeping local contrast."""
    h, w = picture.shape[:2]
    log = np.log2(picture.mean(-1) + 0.008)
    small = cv2.resize(log, (max(w // 4, 8), max(h // 4, 8)), interpolation=cv2.INTER_AREA)
    base = cv2.bilateralFilter(small, 0, 1.2, small.shape[1] * 0.05)
    base = cv2.resize(cv2.GaussianBlur(base, (0, 0), 2), (w, h))
    target = np.log2(0.18) + (base - np.log2(0.18)) * (1 - phone.local)
    lift = np.clip(target - base, -1.6, 2.2)
    return np.asarray(picture * 2 ** lift[..., None], dtype=np.float32)


def _finish(picture: Array, phone: Phone) -> Array:
    grey = picture.mean(-1, keepdims=True)
    picture = grey + (picture - grey) * phone.saturation
    picture = picture + phone.contrast * np.sin(2 * np.pi * (np.clip(picture, 0, 1) - 0.5))
    soft = cv2.GaussianBlur(picture, (0, 0), 1.1)
    return np.asarray(np.clip(picture + phone.sharpen * (picture - soft), 0, 1), dtype=np.float32)


def _store(picture: Array, phone: Phone) -> bytes:
    h, w = picture.shape[:2]
    if phone.zoom < 1:
        small = (max(int(w * phone.zoom), 8), max(int(h * phone.zoom), 8))
        picture = cv2.resize(cv2.resize(picture, small, interpolation=cv2.INTER_AREA), (w, h))
    bgr = np.round(picture[..., ::-1] * 255).astype(np.uint8)
    for quality in phone.qualities:
        data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
        bgr = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR))
    return bytes(data)
