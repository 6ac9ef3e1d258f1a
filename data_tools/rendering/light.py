"""What surrounds and lights the coupler: a pool of numbered surroundings, the flash, who stands in the way.

Every set of surroundings has a name, so that a whole place can be held out of training. Painted ones are
made from a seed; further ones can be read from a folder of panoramas: ``.npz`` files whose ``radiance`` is
linear RGB, height x width x 3, twice as wide as high.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import lru_cache
from hashlib import sha256
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from data_tools.rendering import indoors, outdoors
from data_tools.rendering.camera import Camera
from data_tools.rendering.directions import HEIGHT, WIDTH, Floats, grid, tint
from data_tools.rendering.domains import Domain, choice, current
from data_tools.rendering.scene import Flash

PAINTED: dict[Domain, range] = {
    Domain.TRAIN: range(600),
    Domain.STRESS: range(1000, 1150),
    Domain.LOCAL: range(2016, 2018),
}
"""Numbers of the painted surroundings that each domain draws from."""
STUDIOS: dict[Domain, range] = {Domain.TRAIN: range(240), Domain.STRESS: range(0), Domain.LOCAL: range(0)}
"""Numbers of the plain studios of each domain: an even background with soft lamps."""
_STRESS_SHARE = 4
KINDS = ("clear", "overcast", "low_sun", "night", "garage", "workshop", "by_window")
_ODDS = (0.3, 0.16, 0.12, 0.13, 0.12, 0.09, 0.08)
_FLASH_ODDS = {"night": 0.85, "garage": 0.35, "workshop": 0.2, "by_window": 0.08, "low_sun": 0.1}
_DIMNESS = {"night": 1.0, "garage": 0.65, "workshop": 0.5, "by_window": 0.4, "low_sun": 0.25}

_COARSE = 4
"""Whoever stands in the way is drawn this many times coarser than the surroundings: they are blurred."""


@dataclass(frozen=True)
class Surroundings:
    """A named panorama: linear radiance (512 x 1024 x 3), its kind, and how dim it is (0 day .. 1 night)."""

    key: str
    kind: str
    radiance: Floats
    dimness: float


@dataclass(frozen=True)
class Lighting:
    """How the surroundings lie round the face, with the photographer in them, and the flash."""

    radiance: Floats
    sky_to_face: NDArray[np.float64]
    flash: Flash
    flash_share: float
    photographer: float


def sample_key(rng: np.random.Generator, folder: Path | None = None) -> str:
    """Draw the name of one set of surroundings: painted, or (one in three, where given) from ``folder``,
    or a plain studio (one in twenty, where the domain has any)."""
    if len(choice(STUDIOS)) and rng.random() < 0.05:
        return sample_studio_key(rng)
    files = [name for name in _panorama_names(folder) if panorama_domain(name) is current()] if folder else []
    if files and rng.random() < 0.33:
        return f"panorama-{files[int(rng.integers(len(files)))]}"
    return f"painted-{int(rng.choice(choice(PAINTED))):04d}"


def sample_studio_key(rng: np.random.Generator) -> str:
    """Draw the name of one plain studio of the current domain.

    Raises:
        ValueError: the domain has none.
    """
    return f"studio-{int(rng.choice(choice(STUDIOS))):04d}"


def panorama_domain(name: str) -> Domain:
    """Return the one domain that shows a panorama: by its name, one in four is for stress only."""
    return Domain.STRESS if sha256(name.encode()).digest()[0] % _STRESS_SHARE == 0 else Domain.TRAIN


@lru_cache(maxsize=6)
def surroundings(key: str, folder: Path | None = None, cache: Path | None = None) -> Surroundings:
    """Return the surroundings called ``key`` (the same on every machine).

    ``folder`` holds further panoramas, ``cache`` keeps painted ones for the other worker processes.

    Raises:
        ValueError: no such panorama, or an unknown form of name.
    """
    source, _, name = key.partition("-")
    if source == "painted":
        return _painted(key, int(name), cache)
    if source == "studio":
        return Surroundings(key, "studio", _studio(np.random.default_rng([20261, int(name)])), 0.0)
    if source == "panorama" and folder is not None and name in _panorama_names(folder):
        return _panorama(key, folder, name)
    message = f"no surroundings called {key!r}"
    raise ValueError(message)


def _painted(key: str, number: int, cache: Path | None) -> Surroundings:
    rng = np.random.default_rng([20260, number])
    kind = str(rng.choice(KINDS, p=_ODDS))
    kept = cache / f"{key}.npy" if cache else None
    if kept is None or not kept.exists():
        # Half precision on the way to the cache and past it: the picture may not depend on who painted it.
        picture = np.minimum(_levelled(_paint(rng, kind)), 6e4).astype(np.float16)
        if kept is not None:
            _keep(kept, picture)
    else:
        picture = np.load(kept)
    return Surroundings(key, kind, picture.astype(np.float32), _DIMNESS.get(kind, 0.0))


def _studio(rng: np.random.Generator) -> Floats:
    """Paint an even background, a little darker below, with up to three soft lamps or one hard one."""
    at = grid()
    value = rng.choice(
        [rng.uniform(0.75, 1.0), rng.uniform(0.15, 0.6), rng.uniform(0.01, 0.08)], p=[0.5, 0.38, 0.12]
    )
    colour = value * tint(rng, 0.03 if rng.random() < 0.7 else 0.3)
    slope = 1 + rng.uniform(0, 0.5) * at.elevation[..., None]
    picture = colour * np.clip(slope, 0.2, 2.0)
    hard = rng.random() < 0.35
    for _ in range(1 if hard else int(rng.integers(0, 4))):
        turn, lift = rng.uniform(0, 2 * np.pi), rng.uniform(0.2, 1.3)
        towards = np.array(
            [np.sin(turn) * np.cos(lift), np.sin(lift), np.cos(turn) * np.cos(lift)], np.float32
        )
        size = rng.uniform(0.02, 0.05) if hard else rng.uniform(0.2, 0.5)
        lamp = np.clip((at.vectors @ towards - np.cos(size)) / (1 - np.cos(size)) * 4, 0, 1)
        power = rng.uniform(0.5, 3.0) * value * 4 * np.pi / max(float((lamp * at.solid_angle).sum()), 1e-6)
        picture = picture + np.float32(0.3 * power) * lamp[..., None]
    return _levelled(picture.astype(np.float32))


def _keep(path: Path, picture: NDArray[np.float16]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(f"{path.stem}.{os.getpid()}.part.npy")
    np.save(draft, picture)
    draft.replace(path)


def _paint(rng: np.random.Generator, kind: str) -> Floats:
    days = {"clear": outdoors.clear, "overcast": outdoors.overcast, "low_sun": outdoors.low_sun}
    rooms = {"garage": indoors.garage, "workshop": indoors.workshop, "by_window": indoors.by_window}
    if kind in days:
        picture = outdoors.paint(rng, days[kind](rng), lamps=False)
    elif kind == "night":
        picture = outdoors.paint(rng, outdoors.night(rng), lamps=True)
    else:
        picture = indoors.paint(rng, rooms[kind](rng))
    return outdoors.soften(picture, float(rng.choice([0.0, 0.6, 1.2, 2.5])))


def _levelled(picture: Floats) -> Floats:
    """Scale to a mean radiance of 1 over the sphere: exposure is the phone's business."""
    mean = float((picture.mean(axis=2) * grid().solid_angle).sum() / (4 * np.pi))
    return np.asarray(picture / max(mean, 1e-6), np.float32)


@lru_cache(maxsize=4)
def _panorama_names(folder: Path) -> tuple[str, ...]:
    return tuple(sorted(path.stem for path in folder.glob("*.npz")))


def _panorama(key: str, folder: Path, name: str) -> Surroundings:
    with np.load(folder / f"{name}.npz") as file:
        # Some published panoramas hold negative pixels, which show as black rings around lamps.
        stored = np.maximum(file["radiance"].astype(np.float32), 0.0)
    picture = cv2.resize(stored, (WIDTH, HEIGHT), interpolation=cv2.INTER_LINEAR)
    night = "night" in name
    return Surroundings(key, "night" if night else "panorama", _levelled(picture), 1.0 if night else 0.3)


def light_up(rng: np.random.Generator, place: Surroundings, camera: Camera) -> Lighting:
    """Turn the surroundings round the face, put the photographer into them and decide on the flash.

    Mostly the phone is held upright, so that the sky is up in the photo; the face looks from slightly down
    to almost straight up.
    """
    rotation = _gravity(rng, camera)
    radiance, photographer = _with_photographer(rng, place.radiance, rotation, camera, place.kind == "studio")
    flash_on = rng.random() < _FLASH_ODDS.get(place.kind, 0.05) and place.kind != "studio"
    flash, share = (
        _flash(rng, radiance, rotation, camera, place.dimness) if flash_on else (_dark(camera), 0.0)
    )
    return Lighting(radiance, rotation, flash, share, photographer)


def _gravity(rng: np.random.Generator, camera: Camera) -> NDArray[np.float64]:
    lift = np.radians(rng.uniform(-15, 35) if rng.random() < 0.65 else rng.uniform(35, 80))
    lean = -np.radians(camera.roll_deg) + rng.normal(0, np.radians(8))
    if rng.random() < 0.1:
        lean = rng.uniform(-np.pi, np.pi)
    up = np.array([np.cos(lift) * np.sin(lean), np.cos(lift) * np.cos(lean), np.sin(lift)])
    helper = np.array([np.cos(lean), -np.sin(lean), 0.0])
    side = np.cross(helper, up)
    turn = rng.uniform(0, 2 * np.pi)
    x = np.cos(turn) * helper + np.sin(turn) * side
    return np.column_stack([x, up, np.cross(x, up)])


def _with_photographer(
    rng: np.random.Generator, radiance: Floats, rotation: NDArray[np.float64], camera: Camera, plain: bool
) -> tuple[Floats, float]:
    """Whoever holds the phone hides part of the sky behind it. Also return their brightness (0: nobody)."""
    if plain or rng.random() < 0.12:
        return radiance, 0.0
    axes = camera.axes @ rotation
    height, width = radiance.shape[0] // _COARSE, radiance.shape[1] // _COARSE
    offset = grid(height, width).vectors @ axes.T.astype(np.float32)
    behind = offset[..., 2] < -0.05
    x, y = (
        offset[..., 0] / np.maximum(-offset[..., 2], 0.05),
        offset[..., 1] / np.maximum(-offset[..., 2], 0.05),
    )
    half = rng.uniform(0.25, 0.6)
    x = x + rng.uniform(-0.4, 0.4)
    head = ((x / (0.45 * half)) ** 2 + ((y - 0.35) / 0.3) ** 2) < 1
    body = (np.abs(x) < half * np.clip(1.2 - np.abs(y + 0.6) * 0.2, 0.4, 1.2)) & (y < 0.1)
    coarse = cv2.GaussianBlur(((head | body) & behind).astype(np.float32), (0, 0), 4.0 / _COARSE)
    shape = cv2.resize(coarse, radiance.shape[1::-1], interpolation=cv2.INTER_LINEAR)
    ambient = np.median(radiance[::4, ::4].reshape(-1, 3), axis=0)
    clothes = (np.asarray(rng.uniform(0.05, 0.5), np.float32) * ambient * rng.uniform(0.6, 1.4, 3)).astype(
        np.float32
    )
    darkened = radiance.copy()
    rows = np.flatnonzero(coarse.any(axis=1))
    band = slice(max(0, (rows[0] - 1) * _COARSE), (rows[-1] + 2) * _COARSE) if len(rows) else slice(0)
    cover = shape[band]
    for channel in range(3):
        now = darkened[band, :, channel]
        now += cover * (clothes[channel] - now)
    return darkened, float(clothes.mean())


def _flash(
    rng: np.random.Generator, radiance: Floats, rotation: NDArray[np.float64], camera: Camera, dimness: float
) -> tuple[Flash, float]:
    """Return the flash and its share of the light on the face."""
    ambient = face_irradiance(radiance, rotation)
    ratio = float(np.exp(rng.normal(np.log(0.25 + 8 * dimness**2), 0.7)))
    side = rng.uniform(8, 22) * np.array([np.cos(a := rng.uniform(0, 2 * np.pi)), np.sin(a)])
    position = camera.position + side[0] * camera.axes[0] + side[1] * camera.axes[1]
    colour = np.array([1.0, rng.uniform(0.92, 1.02), rng.uniform(0.85, 1.1)])
    intensity = ratio * float(ambient.mean()) * camera.distance_mm**2 * colour
    where, power = tuple(map(float, position)), tuple(map(float, intensity))
    return Flash(where, power), ratio / (1 + ratio)  # type: ignore[arg-type]


def _dark(camera: Camera) -> Flash:
    x, y, z = (float(value) for value in camera.position)
    return Flash((x, y, z + 5.0), (0.0, 0.0, 0.0))


def face_irradiance(radiance: Floats, rotation: NDArray[np.float64]) -> Floats:
    """Return the RGB irradiance that the surroundings give a plane facing the viewer."""
    small = cv2.resize(radiance, (64, 32), interpolation=cv2.INTER_AREA)
    at = grid(32, 64)
    cosine = np.maximum(at.vectors @ rotation[2].astype(np.float32), 0.0)
    return np.asarray((small * (cosine * at.solid_angle)[..., None]).sum(axis=(0, 1)), np.float32)
