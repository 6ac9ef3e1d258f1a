"""What a phone makes of the light: exposure, white balance, tone, blur, noise, sharpening, JPEG."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.random import Generator

from data_tools.studios.dogwood.mesh import Floats


@dataclass(frozen=True)
class Look:
    """How the phone shows light: gain by channel, contrast, how much it smooths, blur (sigma, pixels)."""

    gain: Floats
    contrast: float
    calm: float
    blur: float

    def show(self, radiance: Floats) -> Floats:
        """The picture (H, W, 3), 0 to 1, before grain and sharpening."""
        picture = _tone(_without_fireflies(radiance) * self.gain, self.contrast)
        picture = _calmed(picture, self.calm)
        return np.asarray(
            cv2.GaussianBlur(picture, (0, 0), self.blur) if self.blur > 0.05 else picture, np.float32
        )


def draw_look(rng: Generator, radiance: Floats, face: Floats, samples: int) -> Look:
    """Draw how ``radiance`` (H, W, 3, linear) is shown; ``face`` (H, W) is 1 where the phone meters most.

    The fewer ``samples`` a pixel, the more is smoothed: their grain is not a phone's.
    """
    luma = radiance.mean(axis=2)
    weight = 0.1 + face
    metered = np.exp((np.log(luma + 1e-4) * weight).sum() / weight.sum())
    bright = np.quantile(luma[::2, ::2], 0.97)
    gain = min(rng.uniform(0.13, 0.3) / metered, rng.uniform(1.1, 2.2) / bright)
    if (near := luma[face > 0.4]).size:  # dark bores must not burn a pale face out
        gain = min(gain, rng.uniform(0.6, 1.0) / np.quantile(near, 0.9))
    mean = radiance.mean(axis=(0, 1)) + 1e-6
    # half-hearted grey-world white balance, and a cast of its own
    balance = (mean.mean() / mean) ** rng.uniform(0.1, 0.6) * (1 + rng.normal(0, 0.035, 3))
    blur = rng.choice([0.0, rng.uniform(0.3, 0.7), rng.uniform(0.7, 1.6)], p=[0.35, 0.4, 0.25])
    return Look(
        np.asarray(gain * balance, np.float32),
        float(rng.uniform(0.9, 1.2)),
        float(rng.uniform(0.7, 1.3) * np.clip((32 / samples) ** 0.5, 0.6, 1.6)),
        float(blur * max(radiance.shape) / 900),
    )


def develop(rng: Generator, picture: Floats, mood: str) -> bytes:
    """Turn what a look shows into a JPEG: shake, grain, halos, vignette."""
    long = max(picture.shape)
    if rng.random() < 0.1:
        picture = _shaken(rng, picture, long)
    grain = rng.uniform(0.0, 0.014) * (2.0 if mood in ("flash", "garage") else 1.0)
    noise = rng.standard_normal(picture.shape, np.float32)
    noise = 0.6 * noise + 1.2 * cv2.GaussianBlur(noise, (0, 0), 1.0)
    picture = picture + grain * noise * (1.2 - picture)
    if (halo := rng.uniform(-0.3, 0.8)) > 0:
        picture = picture + halo * (picture - cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.8, 1.8)))
    if rng.random() < 0.6:
        picture = picture * _vignette(picture.shape[:2], rng.uniform(0, 0.3))
    stored = (np.clip(picture, 0, 1) * 255 + 0.5).astype(np.uint8)
    quality = int(rng.choice([rng.integers(55, 80), rng.integers(80, 97)], p=[0.35, 0.65]))
    _, encoded = cv2.imencode(".jpg", stored[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    return encoded.tobytes()


def _without_fireflies(picture: Floats) -> Floats:
    """Clamp single pixels far above their neighbours: too few paths, not light."""
    calm = cv2.medianBlur(np.ascontiguousarray(picture, np.float32), 3)
    return np.asarray(np.clip(picture, calm * 0.6, calm * 1.5 + 0.01), np.float32)


def _calmed(picture: Floats, strength: float) -> Floats:
    """A phone's own smoothing, which also takes most of the grain of too few paths."""
    near = cv2.bilateralFilter(np.ascontiguousarray(picture, np.float32), 5, 0.22 * strength, 1.3)
    return np.asarray(cv2.bilateralFilter(near, 5, 0.08 * strength, 1.6), np.float32)


def _tone(linear: Floats, contrast: float) -> Floats:
    """Roll the highlights off, then encode as sRGB with some contrast."""
    rolled = np.where(linear < 0.6, linear, 0.6 + 0.4 * (1 - np.exp(-(linear - 0.6) / 0.4)))
    coded = np.where(
        rolled < 0.0031308, rolled * 12.92, 1.055 * np.maximum(rolled, 1e-6) ** (1 / 2.4) - 0.055
    )
    return np.asarray(np.clip(0.45 + (coded - 0.45) * contrast, 0, 1), np.float32)


def _shaken(rng: Generator, picture: Floats, long: int) -> Floats:
    """Motion blur: a straight line of a few pixels."""
    reach = rng.uniform(2, 6) * long / 900
    kernel = np.zeros((15, 15), np.float32)
    way = rng.uniform(0, np.pi)
    for t in np.linspace(-0.5, 0.5, 31):
        kernel[round(7 + reach * t * np.sin(way)), round(7 + reach * t * np.cos(way))] += 1
    return np.asarray(cv2.filter2D(picture, -1, kernel / kernel.sum()), np.float32)


def _vignette(shape: tuple[int, int], strength: float) -> Floats:
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    far = ((x / shape[1] - 0.5) ** 2 + (y / shape[0] - 0.5) ** 2) * 2
    return np.asarray(1 - strength * far[..., None], np.float32)
