"""What surfaces look like: colours at the corners of triangles, and maps of dirt and grain over the face."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from data_tools.studios.fir.heat import Melt, hottest
from data_tools.studios.fir.make import Finish, linear
from data_tools.studios.fir.noise import Noise, cloud
from data_tools.studios.fir.solids import Floats, Skin

MAP_MM = 100.0
"""Width of what one tile of the maps covers."""
_SIDE = 768
Map = NDArray[Any]


@dataclass(frozen=True)
class Coat:
    """Dirt (linear RGB and how much it covers, H x W x 4) and relief (mm, H x W) over the face."""

    dirt: Map
    relief: Map


def boxed(skin: Skin, tile: float) -> Floats:
    """Return places on maps that repeat every ``tile`` mm (N x 2), laid on from the side that fits best."""
    flat = np.array([[1, 2], [0, 2], [0, 1]])[np.abs(skin.normals).argmax(1)]
    return np.asarray(np.take_along_axis(skin.points, flat, 1) / tile)


def coordinates(skin: Skin) -> Floats:
    """Return places on the maps (N x 2): walls are folded out, so that nothing smears along z."""
    return np.asarray((skin.points[:, :2] + skin.points[:, 2:] * skin.normals[:, :2]) / MAP_MM + 0.5)


def colours(
    rng: np.random.Generator, skin: Skin, finish: Finish, melts: list[Melt], fresh: Finish
) -> tuple[Floats, Floats, Floats]:
    """Return colour (N x 3, linear), roughness and metalness of each corner."""
    points = skin.points
    uneven = Noise(rng, 9.0, 3)(points)
    colour = np.asarray(finish.colour) * (1 + 0.06 * uneven)[:, None]
    rough = finish.rough + 0.05 * uneven
    metal = np.full(len(points), finish.metal)
    for name, warm in hottest(melts, points).items():
        if not warm.max(initial=0) > 0.02:
            continue
        patch = np.clip(warm * 1.5 + 0.35 * Noise(rng, 3.0, 3)(points) * (warm > 0.05) - 0.15, 0, 1)
        tint, gloss = {
            "none": (None, None), "glaze": (None, 0.13), "brown": ((96, 52, 26), 0.4),
            "char": ((14, 12, 11), 0.85),
            "yellow": ((150, 112, 52), 0.35), "soot": ((22, 20, 19), 0.9),
        }[name]  # fmt: skip
        if tint is not None:
            deep = patch[:, None] * (0.9 if name in ("char", "soot") else 0.75)
            colour = colour * (1 - deep) + linear(tint) * deep * (1 + 0.3 * uneven)[:, None]
            metal = metal * (1 - 0.8 * patch)
        if gloss is not None:
            rough = rough * (1 - patch) + gloss * patch
    broken = skin.fresh
    colour[broken] = np.asarray(fresh.colour) * (1 + 0.15 * uneven[broken])[:, None]
    rough[broken] = fresh.rough
    return np.clip(colour, 0.003, 0.9), np.clip(rough, 0.08, 0.95), np.clip(metal, 0, 1)


def fresh_face(rng: np.random.Generator, finish: Finish) -> Finish:
    """Return what a plastic looks like where it broke: paler, darker or aged to the same colour."""
    colour = np.asarray(finish.colour)
    mean = colour.mean()
    way = rng.random()
    if way < 0.6:
        colour = 0.65 * colour + 0.35 * mean + rng.uniform(0.01, 0.11)
    elif way < 0.8:
        colour = colour * rng.uniform(0.4, 0.8)
    return Finish(tuple(np.clip(colour, 0.004, 0.85)), float(rng.uniform(0.55, 0.9)))


def draw_coat(rng: np.random.Generator, spots: Floats, grain: float) -> Coat:
    """Draw the dirt and the relief of one coupler; ``spots``: the contacts' centres (N x 2 mm)."""
    dirt, relief = np.zeros((_SIDE, _SIDE, 4), np.float32), _grain(rng, grain)
    dose = rng.beta(1.0, 1.8)
    chances = (
        (_film, 0.85), (_mud, 0.25), (_rust, 0.12), (_soot, 0.22), (_grease, 0.25), (_scale, 0.22),
        (_specks, 0.6), (_drops, 0.2), (_insects, 0.06), (_worn, 0.4),
    )  # fmt: skip
    for layer, chance in chances:
        if rng.random() < chance * (0.35 + 0.9 * dose):
            colour, cover = layer(rng, spots, dose)
            _lay(dirt, colour, cover)
    for _ in range(rng.poisson(9 * dose)):
        line = _scratch(rng)
        relief -= 0.03 * line
        if rng.random() < 0.5:
            _lay(dirt, linear(rng.uniform(120, 220) * np.ones(3)), line * rng.uniform(0.1, 0.45))
    return Coat(dirt, relief)


def _lay(dirt: Map, colour: Floats, cover: Map) -> None:
    cover = np.clip(cover, 0, 0.97)[..., None].astype(np.float32)
    dirt[..., :3] = np.where(dirt[..., 3:] > 0, dirt[..., :3] * (1 - cover), 0) + colour * np.where(
        dirt[..., 3:] > 0, cover, 1
    )
    dirt[..., 3:] = dirt[..., 3:] + cover * (1 - dirt[..., 3:])


Layer = tuple[Floats, Map]


def _tone(rng: np.random.Generator, *palette: tuple[int, int, int]) -> Floats:
    return linear(palette[rng.integers(len(palette))]) * rng.uniform(0.75, 1.25)


def _film(rng: np.random.Generator, spots: Floats, dose: float) -> Layer:
    field = cloud(rng, _SIDE, rng.uniform(2, 7))
    tone = _tone(rng, (172, 160, 140), (150, 146, 140), (198, 194, 186), (128, 112, 90))
    return tone, np.clip(dose * (0.35 + 0.4 * field), 0, 0.75)


def _mud(rng: np.random.Generator, spots: Floats, dose: float) -> Layer:
    field = cloud(rng, _SIDE, rng.uniform(4, 14), 6) + 0.5 * cloud(rng, _SIDE, 2, 2)
    edge = rng.uniform(0.8, 1.9) - 0.8 * dose
    return _tone(rng, (96, 74, 50), (120, 100, 76), (70, 60, 48)), np.clip(
        (field - edge) * 1.3 + 0.25 * cloud(rng, _SIDE, 60, 3) * (field > edge - 0.3), 0, 0.93
    )


def _rust(rng: np.random.Generator, spots: Floats, dose: float) -> Layer:
    cover = np.zeros((_SIDE, _SIDE), np.float32)
    for x, y in spots[rng.permutation(len(spots))[: rng.integers(1, 3)]]:
        row, column = _pixel(x, y)
        turn = rng.uniform(-0.3, 0.3)
        for _ in range(rng.integers(2, 7)):
            start = (int(column + rng.normal(0, 20)), int(row))
            end = (int(start[0] + 90 * turn), int(row - rng.uniform(30, 200)))
            cv2.line(cover, start, end, float(rng.uniform(0.2, 0.8)), int(rng.integers(2, 9)), cv2.LINE_AA)
    cover = cv2.GaussianBlur(cover, (0, 0), 3) * (0.8 + 0.4 * cloud(rng, _SIDE, 30))
    return _tone(rng, (122, 62, 24), (150, 86, 40)), cover


def _soot(rng: np.random.Generator, spots: Floats, dose: float) -> Layer:
    x, y = spots[rng.integers(len(spots))] + rng.normal(0, 4, 2)
    cover = _blob(x, y, rng.uniform(4, 16)) * np.clip(0.8 + 0.5 * cloud(rng, _SIDE, 12), 0, 1.4)
    return _tone(rng, (16, 14, 13), (40, 28, 18), (86, 54, 28), (30, 30, 32)), cover * rng.uniform(0.4, 1)


def _grease(rng: np.random.Generator, spots: Floats, dose: float) -> Layer:
    field = cloud(rng, _SIDE, rng.uniform(2, 5), 3)
    return _tone(rng, (14, 13, 11), (36, 28, 18)), np.clip((field - 0.5) * 2, 0, 0.8)


def _scale(rng: np.random.Generator, spots: Floats, dose: float) -> Layer:
    field = cloud(rng, _SIDE, rng.uniform(6, 16), 5)
    return _tone(rng, (206, 206, 200), (160, 190, 170)), np.clip((field - 0.7) * 1.2, 0, 0.5 * dose + 0.1)


def _specks(rng: np.random.Generator, spots: Floats, dose: float) -> Layer:
    cover = np.zeros((_SIDE, _SIDE), np.float32)
    for x, y in rng.uniform(0, _SIDE, (int(20 + 260 * dose * rng.random()), 2)):
        size = min(rng.exponential(1.6) + 0.5, 9)
        cv2.circle(cover, (int(x), int(y)), int(np.ceil(size)), float(rng.uniform(0.2, 1)), -1, cv2.LINE_AA)
    tones = ((190, 186, 176), (60, 48, 36), (120, 104, 80), (226, 224, 216))
    return _tone(rng, *tones), cv2.GaussianBlur(cover, (0, 0), 0.8)


def _drops(rng: np.random.Generator, spots: Floats, dose: float) -> Layer:
    """Dried drops: rings."""
    cover = np.zeros((_SIDE, _SIDE), np.float32)
    for x, y in rng.uniform(0, _SIDE, (int(rng.integers(10, 70)), 2)):
        spot, size = (int(x), int(y)), int(rng.integers(4, 22))
        cv2.circle(cover, spot, size, 0.12, -1, cv2.LINE_AA)
        cv2.circle(cover, spot, size, 0.5, 1, cv2.LINE_AA)
    return _tone(rng, (190, 186, 176), (150, 140, 120)), cv2.GaussianBlur(cover, (0, 0), 1.0)


def _insects(rng: np.random.Generator, spots: Floats, dose: float) -> Layer:
    x, y = rng.uniform(-22, 22, 2)
    row, column = _pixel(x, y)
    cover = np.zeros((_SIDE, _SIDE), np.float32)
    for _ in range(14):
        end = (int(column + rng.normal(0, 26)), int(row + rng.normal(0, 26)))
        cv2.line(cover, (int(column), int(row)), end, 0.9, 1, cv2.LINE_AA)
    cv2.ellipse(
        cover, (int(column), int(row)), (14, 8), float(rng.uniform(0, 180)), 0, 360, 0.95, -1, cv2.LINE_AA
    )
    return _tone(rng, (30, 24, 18), (190, 186, 180)), cover


def _worn(rng: np.random.Generator, spots: Floats, dose: float) -> Layer:
    """Plastic rubbed pale in an arc round a place."""
    x, y = rng.uniform(-30, 30, 2)
    field = np.abs(_distance(x, y) - rng.uniform(8, 30)) / rng.uniform(0.5, 3)
    return _tone(rng, (120, 120, 122), (150, 148, 146)), np.clip(1 - field, 0, 1) * np.clip(
        0.1 + 0.3 * cloud(rng, _SIDE, 20), 0, 0.4
    )


def _pixel(x: float, y: float) -> tuple[float, float]:
    """Return row and column of a spot on the face; rows of the maps run with y."""
    return (y / MAP_MM + 0.5) * _SIDE, (x / MAP_MM + 0.5) * _SIDE


def _distance(x: float, y: float) -> Map:
    row, column = _pixel(x, y)
    i, j = np.mgrid[:_SIDE, :_SIDE].astype(np.float32)
    return np.asarray(np.hypot(i - row, j - column) * MAP_MM / _SIDE, np.float32)


def _blob(x: float, y: float, size: float) -> Map:
    return np.exp(-((_distance(x, y) / size) ** 2))


def _scratch(rng: np.random.Generator) -> Map:
    line = np.zeros((_SIDE, _SIDE), np.float32)
    start, turn = rng.uniform(0, _SIDE, 2), rng.uniform(0, 2 * np.pi)
    steps = np.linspace(0, rng.uniform(20, 260), 12)
    bend = turn + rng.normal(0, 0.002) * steps
    path = start + np.stack([np.cos(bend), np.sin(bend)], 1) * steps[:, None]
    cv2.polylines(line, [path.astype(np.int32)], False, float(rng.uniform(0.3, 1)), 1, cv2.LINE_AA)
    return line


def _grain(rng: np.random.Generator, grain: float) -> Map:
    """The tool's texture: smooth, eroded or leathery, up to some hundredths of a millimetre."""
    fine = cv2.GaussianBlur(rng.normal(size=(_SIDE, _SIDE)).astype(np.float32), (0, 0), rng.uniform(0.7, 1.8))
    wavy = cloud(rng, _SIDE, rng.uniform(3, 12), 2)
    return np.asarray(0.016 * grain**2 * fine / fine.std() + 0.01 * wavy, np.float32)
