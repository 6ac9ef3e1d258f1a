"""What a phone makes of the light: good phones, old and cheap ones, dirty lenses, fingers before them."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from data_tools.studios.fir.noise import cloud

Picture = NDArray[Any]
_FULL = 800.0
"""Long side (pixels) that sizes of blurs and haloes are given for."""


@dataclass(frozen=True)
class Phone:
    """One phone in one hand: strengths mostly 0..1, lengths as pixels of a picture 800 long."""

    exposure: float
    balance: Picture
    curve: float
    local: float
    shadows: float
    noise: float
    chroma: float
    smooth: float
    sharpen: float
    halo: float
    shake: Picture
    veil: float
    flare: float
    smear: float
    smear_turn: float
    vignette: float
    finger: tuple[float, float, float] | None
    saturation: float
    quality: int
    again: int
    seed: int


def draw_phone(rng: np.random.Generator, light: str) -> Phone:
    """Draw a phone and how steadily it was held, for a kind of light."""
    dark = {"sodium": 1.0, "flash": 0.5, "dusk": 0.6, "garage": 0.35, "canopy": 0.3, "rain": 0.2}.get(
        light, 0.0
    )
    cheap = rng.beta(1.1, 1.5)
    shaken = rng.random() < 0.12 + 0.25 * dark
    turn = rng.uniform(0, 2 * np.pi)
    finger = None
    if rng.random() < 0.07:
        finger = (rng.uniform(0, 2 * np.pi), rng.uniform(0.03, 0.22), rng.uniform(0.25, 0.6))
    return Phone(
        exposure=float(np.exp2(rng.normal(0, 0.35) - 0.25 * dark)),
        balance=np.exp(rng.normal(0, 0.05 + 0.06 * dark, 3)).astype(np.float32),
        curve=rng.uniform(0.2, 1.5), local=rng.uniform(0, 0.6) if rng.random() < 0.6 else 0.0,
        shadows=rng.uniform(0, 0.5), noise=(0.003 + 0.02 * cheap**2) * (1 + 1.6 * dark),
        chroma=rng.uniform(0.2, 1.6), smooth=rng.uniform(0.25, 0.6) + 0.5 * dark * rng.random(),
        sharpen=rng.uniform(0, 1.5) * (0.25 + 0.75 * cheap), halo=rng.uniform(0.6, 2.6),
        shake=rng.uniform(1.5, 3.5 + 4 * dark) * shaken * np.array([np.cos(turn), np.sin(turn)]),
        veil=rng.beta(1, 7) * 0.3, flare=rng.uniform(0, 0.5) if rng.random() < 0.25 else 0.0,
        smear=rng.uniform(0.1, 0.6) if rng.random() < 0.2 else 0.0, smear_turn=rng.uniform(0, np.pi),
        vignette=rng.uniform(0, 0.45), finger=finger,
        saturation=float(np.clip(rng.normal(1.05, 0.18), 0.5, 1.5)),
        quality=int(rng.integers(42, 96)), again=int(rng.integers(40, 90)) if rng.random() < 0.3 else 0,
        seed=int(rng.integers(2**31)),
    )  # fmt: skip


def calmed(light: Picture) -> Picture:
    """Return the light without the single bright pixels that too few paths leave."""
    middle = cv2.medianBlur(light, 3)
    return np.asarray(np.minimum(light, 2.5 * middle + 0.3 * float(np.median(light))))


def metered(light: Picture, phone: Phone) -> float:
    """Return the gain with which this phone takes this light: weighed to the middle, highlights guarded."""
    high, wide = light.shape[:2]
    y, x = np.mgrid[:high, :wide]
    weight = np.exp(-(((x / wide - 0.5) / 0.33) ** 2 + ((y / high - 0.5) / 0.33) ** 2))
    grey = light.mean(2)
    level = float(np.exp((np.log(grey + 1e-4) * weight).sum() / weight.sum()))
    bright = float(np.quantile(grey, 0.97))
    return float(phone.exposure * min(0.16 / max(level, 1e-5), 2.2 / max(bright, 1e-5)))


def seen(light: Picture, phone: Phone, gain: float) -> Picture:
    """Return the picture (sRGB, 0..1) without noise and what fights it: lens, shake, tone."""
    rng = np.random.default_rng(phone.seed)
    scale = max(light.shape[:2]) / _FULL
    mean = light.mean((0, 1))
    tint = (mean.mean() / np.maximum(mean, 1e-6)) ** 0.55  # grey world, half believed
    image = np.minimum(light * gain * tint * phone.balance, 12).astype(np.float32)
    image = _lens(rng, image, phone, scale)
    image = _shaken(image, phone.shake * scale)
    high, wide = image.shape[:2]
    grey = image.mean(2)
    if phone.local > 0:  # what phones call HDR: shadows up, lamps down, haloes between
        around = cv2.GaussianBlur(np.log(grey + 0.01), (0, 0), 0.045 * max(high, wide))
        image = image * np.exp(-phone.local * 0.6 * (around - np.log(0.14)))[..., None]
    image = image * (1 + phone.shadows * np.exp(-image.mean(2, keepdims=True) / 0.05))
    image = np.where(image > 0.6, 0.6 + 0.4 * (1 - np.exp(-(image - 0.6) / 0.4)), image)
    image = np.clip(image, 0, 1)
    image = np.where(image < 0.0031308, 12.92 * image, 1.055 * np.maximum(image, 1e-6) ** (1 / 2.4) - 0.055)
    image = image + phone.curve * 0.35 * (image * image * (3 - 2 * image) - image)
    grey = image @ np.array([0.3, 0.59, 0.11], np.float32)
    vivid = grey[..., None] + phone.saturation * (image - grey[..., None])
    return np.asarray(np.clip(vivid, 0, 1), np.float32)


def finger_mask(phone: Phone, size: tuple[int, int]) -> Picture:
    """Return how much of each pixel (height x width, 0..1) a finger on the lens covers."""
    wide, high = size
    if phone.finger is None:
        return np.zeros((high, wide), np.float32)
    turn, reach, soft = phone.finger
    x, y = np.meshgrid((np.arange(wide) + 0.5) / wide - 0.5, (np.arange(high) + 0.5) / high - 0.5)
    along = x * np.cos(turn) + y * np.sin(turn)
    across = -x * np.sin(turn) + y * np.cos(turn)
    edge = 0.5 * (abs(np.cos(turn)) + abs(np.sin(turn))) - reach + 1.2 * across**2
    return np.asarray(np.clip((along - edge) / (0.25 * soft) + 0.3, 0, 1) ** 1.3, np.float32)


def _lens(rng: np.random.Generator, image: Picture, phone: Phone, scale: float) -> Picture:
    high, wide = image.shape[:2]
    long = max(high, wide)
    small = cv2.resize(image, (max(8, wide // 8), max(8, high // 8)), interpolation=cv2.INTER_AREA)
    glow = cv2.GaussianBlur(small, (0, 0), long / 8 * 0.06)
    wash = cv2.GaussianBlur(small, (0, 0), long / 8 * 0.3)
    image = image * (1 - phone.veil) + phone.veil * cv2.resize(0.5 * glow + 0.5 * wash, (wide, high))
    if phone.smear > 0:  # a thumb-print: lamps draw out across it
        size = int(2 * (0.13 * long / 8) + 3) | 1
        turn = cv2.getRotationMatrix2D((size / 2 - 0.5, size / 2 - 0.5), np.degrees(phone.smear_turn), 1)
        line: Picture = np.zeros((size, size), np.float32)
        line[size // 2] = 1
        line = cv2.GaussianBlur(cv2.warpAffine(line, turn, (size, size)), (0, 0), 1.0)
        drawn = cv2.filter2D(np.maximum(small - 0.35, 0), -1, line / line.sum())
        patch = np.clip(cv2.resize(cloud(rng, 64, 3), (wide, high)) + 0.4, 0, 1)[..., None]
        soft = cv2.GaussianBlur(image, (0, 0), 2.2 * scale)
        image = image + patch * phone.smear * (0.45 * (soft - image) + cv2.resize(drawn, (wide, high)))
    x, y = np.meshgrid(
        (np.arange(wide) + 0.5) / long - wide / long / 2, (np.arange(high) + 0.5) / long - high / long / 2
    )
    if phone.flare > 0:  # ghosts of a lamp outside the picture
        tint = np.array([1.0, rng.uniform(0.6, 1), rng.uniform(0.3, 1)])
        axis = rng.normal(size=2)
        axis /= np.linalg.norm(axis)
        for _ in range(rng.integers(1, 5)):
            at, ghost = axis * rng.uniform(-0.5, 0.5), rng.uniform(0.02, 0.12)
            away = np.hypot(x - at[0], y - at[1]) / ghost
            image = image + (0.07 * phone.flare * np.clip(6 - 6 * away, 0, 1))[..., None] * tint
        beam = np.clip(1 - np.hypot(x - 0.7 * axis[0], y - 0.7 * axis[1]) / 0.9, 0, 1) ** 2
        image = image + (0.3 * phone.flare * beam)[..., None] * tint
    image = image * (1 - phone.vignette * 1.6 * (x * x + y * y))[..., None]
    cover = finger_mask(phone, (wide, high))[..., None]
    skin_tone = np.array([0.20, 0.075, 0.045]) * rng.uniform(0.2, 1.4)
    return np.asarray(image * (1 - cover) + cover * skin_tone, np.float32)


def _shaken(image: Picture, shake: NDArray[np.float32]) -> Picture:
    length = float(np.hypot(*shake))
    if length < 0.7:
        return image
    steps = np.linspace(-0.5, 0.5, int(2 * length) + 2)
    high, wide = image.shape[:2]
    moved = [
        cv2.warpAffine(image, np.array([[1, 0, s * shake[0]], [0, 1, s * shake[1]]]), (wide, high),
                       borderMode=cv2.BORDER_REPLICATE) for s in steps
    ]  # fmt: skip
    return np.asarray(np.mean(moved, axis=0), np.float32)


def photo(light: Picture, phone: Phone, gain: float) -> bytes:
    """Return the JPEG file of a picture (linear, H x W x 3)."""
    rng = np.random.default_rng(phone.seed + 1)
    image = cv2.bilateralFilter(seen(light, phone, gain), 5, 0.07 + 0.05 * phone.smooth, 1.6)
    high, wide = image.shape[:2]
    scale = max(high, wide) / _FULL
    fine: Picture = rng.normal(size=(high, wide, 3)).astype(np.float32)
    fine = cv2.GaussianBlur(fine, (0, 0), 0.7) / 0.45
    grain = fine.mean(2, keepdims=True) * 1.7 + phone.chroma * 2 * cv2.GaussianBlur(
        fine - fine.mean(2, keepdims=True), (0, 0), 1.4
    )
    image = image + phone.noise * grain * (0.35 + 1.1 * np.sqrt(np.clip(image, 0, 1)) * (1 - 0.6 * image))
    eight = (np.clip(image, 0, 1) * 255).astype(np.uint8)
    if phone.smooth > 0.05:  # night mode: wipes small things flat, keeps edges
        flat = cv2.bilateralFilter(eight, 7, 18 + 45 * phone.smooth, 1.5 + 2.5 * phone.smooth * scale)
        eight = cv2.addWeighted(flat, min(1.0, 0.4 + phone.smooth), eight, max(0.0, 0.6 - phone.smooth), 0)
    blurred = cv2.GaussianBlur(eight, (0, 0), max(phone.halo * scale, 0.5))
    eight = cv2.addWeighted(eight, 1 + phone.sharpen, blurred, -phone.sharpen, 0)
    picture = Image.fromarray(eight)
    for quality in [q for q in (phone.again, phone.quality) if q]:
        buffer = io.BytesIO()
        picture.save(buffer, "JPEG", quality=quality, subsampling=2 if quality < 85 else 0)
        picture = Image.open(io.BytesIO(buffer.getvalue()))
    return buffer.getvalue()
