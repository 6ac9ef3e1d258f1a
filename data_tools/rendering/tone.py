"""A phone's colours: white balance, colour matrix, local tone mapping, tone curve, sRGB encoding.

Pictures are float32 height x width x 3, linear light unless said.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from data_tools.rendering.directions import Floats
from data_tools.rendering.phone_look import PhoneLook

LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)
"""Luminance weights of linear sRGB (IEC 61966-2-1)."""


def balance_of(picture: Floats, look: PhoneLook) -> Floats:
    """Partial grey world: pull the mean colour of the well exposed part towards grey."""
    small = cv2.resize(picture, (64, 64), interpolation=cv2.INTER_AREA).reshape(-1, 3)
    luma = small @ LUMA
    middle = small[(luma > 0.02) & (luma < 0.9)]
    mean = (middle if len(middle) > 50 else small).mean(axis=0) + 1e-4
    gain = (mean[1] / mean) ** look.white_balance_pull * np.asarray(look.white_balance_error)
    return np.asarray(np.clip(gain, 0.35, 3.0), np.float32)


def colours(picture: Floats, look: PhoneLook, balance: Floats) -> Floats:
    """Apply the white balance and the phone's colour matrix (saturation and a little crosstalk)."""
    matrix = look.saturation * np.eye(3) + (1 - look.saturation) * np.tile(LUMA, (3, 1))
    matrix = matrix + look.colour_cross * (np.roll(np.eye(3), 1, axis=1) - np.eye(3))
    full = (matrix * balance[None, :]).astype(np.float32)
    mixed = cv2.transform(picture, full)
    return np.asarray(np.maximum(mixed, 0.0, out=mixed), np.float32)


def luminance(picture: Floats) -> Floats:
    """Return the luminance (H x W) of a linear picture."""
    return np.asarray(cv2.transform(picture, LUMA[None, :]), np.float32)


def spread(field: NDArray[Any]) -> Floats:
    """Return one value a pixel (H x W) for all three channels: arithmetic on two pictures of the same layout
    is several times faster than broadcasting along the last axis."""
    return np.asarray(cv2.merge([field, field, field]), np.float32)


def to_display(picture: Floats, look: PhoneLook) -> Floats:
    """Compress light into 0..1: local tone mapping in stops, a shoulder, contrast, black level, sRGB."""
    luma = luminance(picture)
    height, width = luma.shape
    stops = cv2.log(np.maximum(luma, 1e-4, out=luma))
    small = cv2.resize(stops, (width // 8, height // 8), interpolation=cv2.INTER_AREA) * _STOPS_OF_LOG
    even = cv2.GaussianBlur(cv2.bilateralFilter(small, 9, 1.2, 3.0), (0, 0), 0.8)
    base: NDArray[Any] = cv2.resize(even, (width, height), interpolation=cv2.INTER_LINEAR)
    base -= np.float32(np.log2(0.2))
    base *= np.float32(-look.local_tone)
    gain = cv2.exp(np.clip(base, -2.0, 2.2, out=base) / _STOPS_OF_LOG)
    return _looked_up(cv2.multiply(picture, spread(gain)), look)


def _looked_up(linear: NDArray[Any], look: PhoneLook) -> Floats:
    """Apply curve and contrast through a table (in the square root of light, fine in the shadows)."""
    table = _table(look.curve, round(look.contrast, 3), round(look.black, 3))
    index: NDArray[Any] = cv2.sqrt(linear)
    index *= np.float32(_STEPS / _TOP)
    np.minimum(index, _STEPS, out=index)
    return np.asarray(table.take(index.astype(np.int32)), np.float32)


_STOPS_OF_LOG = np.float32(1 / np.log(2.0))
_STEPS, _TOP = 8191, 6.0
"""Number of the table's last entry, and the square root of light it stands for."""


@lru_cache(maxsize=64)
def _table(curve: str, contrast: float, black: float) -> Floats:
    light = (np.arange(_STEPS + 1) * (_TOP / _STEPS)) ** 2
    even = encoded(np.clip(curved(light.astype(np.float32), curve), 0, 1))
    mid = 0.46
    low = mid * (np.minimum(even, mid) / mid) ** contrast
    high = 1 - (1 - mid) * ((1 - np.maximum(even, mid)) / (1 - mid)) ** contrast
    bent = np.where(even < mid, low, high)
    return np.asarray(np.clip((bent - black) / (1 - black), 0, 1), np.float32)


def curved(light: Floats, curve: str) -> Floats:
    """Compress linear light to 0..1 (still linear): ``shoulder`` and ``filmic`` roll off the highlights,
    ``sigmoid`` also lifts no shadow, ``log`` is flat as a log profile."""
    if curve == "filmic":
        bright = _film(np.full(1, 11.0, np.float32))
        return np.asarray(_film(2.2 * light) / bright, np.float32)
    if curve == "sigmoid":
        power = light**1.25
        return np.asarray(1.05 * power / (power + 0.6), np.float32)
    if curve == "log":
        return np.asarray(np.log1p(5 * light) / np.log1p(np.float32(5 * 2.8)), np.float32)
    return np.asarray(light * (1 + light / 4.0) / (1 + light * 0.9), np.float32)


def _film(light: Floats) -> Floats:
    """Return a rational curve with a toe and a shoulder, the form of film."""
    x = light
    return np.asarray((x * (0.22 * x + 0.03) + 0.002) / (x * (0.22 * x + 0.3) + 0.06) - 0.0333, np.float32)


def encoded(linear: Floats) -> Floats:
    """Apply the sRGB transfer function (IEC 61966-2-1) to linear light, 0..1 to 0..1."""
    return np.asarray(
        np.where(linear < 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055), np.float32
    )
