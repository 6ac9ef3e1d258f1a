"""A phone's processing: from linear radiance to a JPEG."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from data_tools.studios.cedar.meshes import Array


@dataclass(frozen=True)
class Phone:
    """One phone and moment; ``grain`` relative noise, ``smear`` pixels of motion, ``quality`` of the JPEG."""

    target: float
    balance: tuple[float, float, float]
    adapt: float
    contrast: float
    saturation: float
    grain: float
    smoothing: float
    sharpen: float
    smear: float
    smear_angle: float
    veil: float
    streak: bool
    vignette: float
    quality: int


def draw_phone(rng: np.random.Generator, dark: bool) -> Phone:
    """Draw one phone; ``dark`` scenes are noisier."""
    warm, green = rng.normal(0, 0.07), rng.normal(0, 0.025)
    return Phone(
        target=float(rng.uniform(0.11, 0.24)),
        balance=(float(1 + warm), float(1 + green), float(1 - warm)),
        adapt=float(rng.uniform(0.1, 0.6)),
        contrast=float(rng.uniform(0.95, 1.5)),
        saturation=float(rng.uniform(0.8, 1.3)),
        grain=float(rng.uniform(0.004, 0.02) * (2.2 if dark else 1.0)),
        smoothing=float(rng.uniform(0.0, 0.9)),
        sharpen=float(rng.uniform(0.0, 1.1)),
        smear=float(rng.uniform(2, 5)) if rng.random() < 0.12 else 0.0,
        smear_angle=float(rng.uniform(0, 180)),
        veil=float(rng.choice([0.01, 0.02, 0.04, 0.12])),
        streak=bool(rng.random() < 0.08),
        vignette=float(rng.uniform(0, 0.35)),
        quality=int(rng.integers(60, 96)),
    )


def _meter(picture: Array, face: tuple[float, float, float]) -> float:
    """Return the metered luminance: the whole picture, and more so the face (x, y, radius in pixels)."""
    h, w = picture.shape[:2]
    reach = 2 * max(face[2] * 0.6, 8.0) ** 2
    down = np.exp(-((np.arange(h)[:, None] - face[1]) ** 2) / reach).astype(np.float32)
    across = np.exp(-((np.arange(w) - face[0]) ** 2) / reach).astype(np.float32)
    weight = np.float32(0.25) + down * across
    grey = _mean(picture)
    light = np.minimum(grey, np.float32(np.percentile(grey, 97)))
    return float(cv2.mean(light * weight)[0] / cv2.mean(weight)[0])


def _mean(picture: Array) -> Array:
    """Return the mean of the three channels, H x W."""
    return np.asarray(cv2.transform(picture, np.full((1, 3), 1 / 3)), np.float32)


def _expose(picture: Array, phone: Phone, face: tuple[float, float, float]) -> Array:
    gain = phone.target / max(_meter(picture, face), 1e-5)
    bright = float(np.percentile(picture, 98)) * gain
    if bright > 3.0:
        gain *= (3.0 / bright) ** 0.35
    means = np.array(cv2.mean(picture)[:3]) + 1e-6
    grey = (means.mean() / means) ** phone.adapt * np.array(phone.balance)
    return np.asarray(picture * (gain * grey).astype(np.float32))


def _optics(picture: Array, phone: Phone) -> Array:
    h, w = picture.shape[:2]
    small = cv2.resize(
        np.minimum(picture, 12.0), (max(w // 8, 4), max(h // 8, 4)), interpolation=cv2.INTER_AREA
    )
    small = cv2.GaussianBlur(small, (0, 0), max(min(h, w) * 0.05 / 8, 0.8))
    wide = cv2.resize(small, (w, h), interpolation=cv2.INTER_LINEAR)
    picture = picture * (1 - phone.veil) + wide * phone.veil
    if phone.streak:
        smear = np.array(
            [
                cv2.GaussianBlur(np.clip(picture[..., i] - 1.0, 0, 8), (0, 0), w * 0.12, sigmaY=1.2)
                for i in range(3)
            ]
        )
        picture = picture + 0.8 * np.moveaxis(smear, 0, -1)
    y, x = (np.linspace(-1, 1, n, dtype=np.float32) for n in (h, w))
    picture = picture * (1 - phone.vignette * 0.5 * (x * x + (y * y)[:, None]))[..., None]
    if phone.smear:
        length = max(phone.smear * max(h, w) / 1000, 1.0)
        size = int(np.ceil(length)) * 2 + 3
        kernel = np.zeros((size, size), np.float32)
        way = np.array([np.cos(np.radians(phone.smear_angle)), np.sin(np.radians(phone.smear_angle))])
        a, b = size / 2 - way * length / 2, size / 2 + way * length / 2
        cv2.line(kernel, tuple(int(v) for v in a), tuple(int(v) for v in b), 1.0, 1, cv2.LINE_AA)
        picture = np.asarray(cv2.filter2D(np.asarray(picture, np.float32), -1, kernel / kernel.sum()))
    return np.asarray(picture, np.float32)


def _curve(picture: Array, contrast: float) -> Array:
    """Compress highlights, apply the display's gamma and a contrast about middle grey."""
    shoulder = picture * (1 + picture / 9) / (1 + picture * 0.62)
    display = np.asarray(cv2.pow(np.clip(shoulder * 1.12, 0, 1), 1 / 2.2))
    return np.asarray(np.clip(0.45 + (display - 0.45) * contrast - 0.02 * (contrast - 1), 0, 1), np.float32)


def develop(
    radiance: Array, phone: Phone, face: tuple[float, float, float], rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Return the 8-bit RGB picture of linear ``radiance``; ``face``: centre x, y and radius in pixels."""
    picture = _optics(_expose(radiance, phone, face), phone)
    noise = rng.normal(0, 1, picture.shape).astype(np.float32)
    noise = 0.6 * noise + 0.8 * cv2.GaussianBlur(noise, (0, 0), 0.9)
    picture = picture + noise * phone.grain * np.sqrt(np.clip(picture, 0, None) * 0.6 + 0.02)
    picture = _curve(np.clip(picture, 0, None), phone.contrast)
    if phone.smoothing > 0.2:
        soft = cv2.bilateralFilter(picture, 5, 0.09, 2.0)
        picture = picture + (soft - picture) * phone.smoothing
    picture = picture + phone.sharpen * (picture - cv2.GaussianBlur(picture, (0, 0), 1.1))
    grey = _mean(picture)[..., None]
    picture = grey + (picture - grey) * phone.saturation
    return np.asarray(np.clip(picture * 255 + 0.5, 0, 255), np.uint8)


def jpeg(picture: NDArray[np.uint8], quality: int) -> bytes:
    """Return the JPEG bytes of an RGB picture."""
    done, data = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    assert done
    return bytes(data)
