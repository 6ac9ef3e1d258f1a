"""Colours and sheen of the plastics, new and after heat."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.cedar.meshes import Array
from data_tools.studios.cedar.voxels import Noise

PLASTICS = (
    (0.018, 0.018, 0.019),
    (0.03, 0.03, 0.032),
    (0.06, 0.062, 0.066),
    (0.2, 0.2, 0.21),
    (0.75, 0.75, 0.72),
    (0.02, 0.08, 0.3),
    (0.03, 0.2, 0.07),
    (0.65, 0.2, 0.02),
    (0.45, 0.03, 0.025),
    (0.4, 0.38, 0.33),
)
CHANCES = (0.26, 0.2, 0.15, 0.1, 0.08, 0.05, 0.05, 0.04, 0.04, 0.03)


@dataclass
class Look:
    """Colours (linear albedo) and roughness of the plastics."""

    shell: Array
    insert: Array
    lever: Array
    accent: Array
    shell_rough: float
    insert_rough: float


def _plastic(rng: np.random.Generator) -> Array:
    base = np.array(PLASTICS[int(rng.choice(len(PLASTICS), p=CHANCES))], np.float32)
    return np.asarray(
        (base * rng.uniform(0.75, 1.3, 1) * rng.uniform(0.94, 1.06, 3)).clip(0.01, 0.85), np.float32
    )


def draw_look(rng: np.random.Generator) -> Look:
    """Draw the plastics; four in ten inserts have another colour than the shell."""
    shell = _plastic(rng)
    insert = _plastic(rng) if rng.random() < 0.4 else shell * rng.uniform(0.7, 1.3)
    lever = _plastic(rng) if rng.random() < 0.3 else shell
    return Look(
        shell,
        np.asarray(insert, np.float32).clip(0.01, 0.85),
        lever,
        _plastic(rng),
        float(rng.uniform(0.22, 0.75)),
        float(rng.uniform(0.22, 0.75)),
    )


def melt_colour(
    colour: Array, heat: Array, rng: np.random.Generator, noise: Noise, at: Array
) -> tuple[Array, float]:
    """Return colours (Nx3) after heat, and the new roughness; a third keep their colour."""
    way = int(rng.choice(4, p=[0.34, 0.22, 0.22, 0.22]))
    rough = float(rng.choice([0.15, 0.3, 0.8]))
    if way == 0:
        return colour, rough
    target = np.array(
        [(0, 0, 0), (0.14, 0.075, 0.03), (0.012, 0.011, 0.01), (0.3, 0.25, 0.17)][way], np.float32
    )
    share = np.clip(heat * 1.2 + 0.3 * noise.rough(at, 3.0) - 0.25, 0, 1) * rng.uniform(0.5, 1.0)
    return (colour + (target - colour) * share[:, None]).astype(np.float32), rough
