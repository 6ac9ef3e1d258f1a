"""Where the photo is taken: which way is up, the light, the ground, what stands behind."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_tools.studios.cedar import ground, sky
from data_tools.studios.cedar.meshes import Array, rotation
from data_tools.studios.cedar.sky import Light
from data_tools.studios.cedar.stage import Plane

Floats = NDArray[np.float64]
GRID = 110


@dataclass(frozen=True)
class Setting:
    """One place; ``world`` (3x3) turns world axes (y up, z to the viewer) into the coupler's frame."""

    kind: str
    snow: bool
    world: Floats
    light: Light
    ground: Plane
    wall: Plane
    names: tuple[str, str]

    @property
    def up(self) -> Floats:
        """The unit vector against gravity, in the coupler's frame."""
        return np.asarray(self.world[:, 1])


def _world(rng: np.random.Generator, kind: str) -> Floats:
    if kind == "down":
        up = rotation((0, 0, 1.0), rng.uniform(0, 6.28)) @ np.array(
            [np.sin(t := rng.uniform(0, 0.6)), 0, np.cos(t)]
        )
    else:
        roll = rng.normal(0, 0.22) if rng.random() < 0.86 else rng.uniform(-np.pi, np.pi)
        up = (
            rotation((0, 0, 1.0), roll) @ rotation((1.0, 0, 0), rng.normal(0.1, 0.25)) @ np.array([0, 1.0, 0])
        )
    ahead = np.array([0, 0, 1.0]) if kind != "down" else np.array([0, -1.0, 0.2])
    z = ahead - up * (ahead @ up)
    z = rotation(up, rng.normal(0, 0.3)) @ (z / np.linalg.norm(z))
    return np.stack([np.cross(up, z), up, z], axis=1)


def _plane(
    surface: ground.Surface,
    centre: Floats,
    across: Floats,
    along: Floats,
    size: float,
    repeat: int,
    amplitude: float,
) -> Plane:
    """Lay a surface out as a sheet; ``repeat``: mirrored copies each way; amplitude of its heights in mm."""
    colour, height, rough = surface
    tall = (
        np.pad(
            height, ((0, height.shape[0] * (repeat - 1)), (0, height.shape[1] * (repeat - 1))), "symmetric"
        )
        if repeat > 1
        else height
    )
    colour = (
        np.pad(
            colour,
            ((0, colour.shape[0] * (repeat - 1)), (0, colour.shape[1] * (repeat - 1)), (0, 0)),
            "symmetric",
        )
        if repeat > 1
        else colour
    )
    rows = np.linspace(0, tall.shape[0] - 1, GRID).astype(int)
    lift = tall[np.ix_(rows, rows)][..., None] * amplitude
    v, u = np.meshgrid(np.linspace(0.5, -0.5, GRID), np.linspace(-0.5, 0.5, GRID), indexing="ij")
    normal = np.cross(across, along)
    points = centre + size * (u[..., None] * across + v[..., None] * along) + lift * normal
    return Plane(points.reshape(-1, 3).astype(np.float32), GRID, GRID, colour, rough)


def _nowhere(rng: np.random.Generator) -> Plane:
    blank: Array = rng.uniform(0.1, 0.3, (ground.SIZE, ground.SIZE, 3))
    flat: Array = np.zeros((ground.SIZE, ground.SIZE), np.float32)
    return _plane(
        (blank, flat, 0.8), np.array([0, 0, -5e4]), np.array([1.0, 0, 0]), np.array([0, 1.0, 0]), 1.0, 1, 0
    )


def draw_setting(rng: np.random.Generator, reach: float) -> Setting:
    """Draw a place; ``reach``: mm from the face centre to the underside of a coupler that lies there."""
    kind = str(rng.choice(["held", "held", "held", "down", "down", "lying", "wall", "wall"]))
    snow = bool(rng.random() < 0.35)
    world = _world(rng, kind)
    x, up, z = world.T
    light = sky.draw_light(rng, snow)
    names = list(ground.GROUNDS)
    floor = "snow" if snow and rng.random() < 0.6 else names[int(rng.integers(len(names)))]
    behind = list(ground.WALLS)[int(rng.integers(len(ground.WALLS)))]
    below = {
        "held": rng.uniform(300, 1300),
        "down": rng.uniform(120, 900),
        "lying": reach + rng.uniform(0, 6),
        "wall": rng.uniform(300, 1200),
    }[kind]
    size = {"lying": 900.0, "down": 3.2 * (below + 250)}.get(kind, 5000.0)
    grain = {"gravel": 6.0, "snow": 9.0, "mud": 9.0, "asphalt": 1.0, "grass": 10.0, "wood": 1.0}[floor]
    surface = ground.GROUNDS[floor](rng)
    turn = rotation(up, rng.uniform(0, 6.28))
    lying = _plane(surface, -up * (below + grain * 0.8), turn @ x, turn @ -z, size, 2, grain)
    wall, shown = _nowhere(rng), ""
    if kind == "wall" or (kind in ("held", "lying") and rng.random() < 0.5):
        away = rng.uniform(150, 420) if kind == "wall" else rng.uniform(400, 2600)
        shown = behind
        deep = {"sheet": 9.0, "hedge": 14.0, "brick": 3.0}.get(behind, 0.6)
        wall = _plane(ground.WALLS[behind](rng), -z * away, x, up, 1.7 * (away + 330), 1, deep)
    return Setting(kind, snow, world, light, lying, wall, (floor, shown))
