"""Things that are not the face of a handheld Type 1 or Type 2 coupler, which the locator must refuse.

``build_other`` makes one of ``OTHER_KINDS`` around the origin, facing +z, in mm. To add a kind, write a
maker ``(rng, noise) -> list[Mesh]`` and add a row to one of the tables.
"""

from __future__ import annotations

import numpy as np

from data_tools.rendering.coats import Noise
from data_tools.rendering.fittings import cable_loops
from data_tools.rendering.hands import THUMB
from data_tools.rendering.others import inlets, plugs, sockets, street
from data_tools.rendering.props import pointing_hand
from data_tools.rendering.spec import Mesh

__all__ = ["OTHER_KINDS", "build_other", "sample_kind"]

_MAKERS = {**inlets.MAKERS, **sockets.MAKERS, **plugs.MAKERS, **street.MAKERS}
OTHER_KINDS: tuple[str, ...] = tuple(_MAKERS)
_LOOK_ALIKES = frozenset(
    {*inlets.MAKERS, *sockets.MAKERS, *plugs.MAKERS} - {"shut_flap", "empty_hand", "pipe_ends"}
)
_LOOK_ALIKE_ODDS = 3.0
_HAND_SHARE, _LOOP_SHARE = 0.12, 0.15


def sample_kind(rng: np.random.Generator) -> str:
    """Return a kind; what is easily taken for a coupler comes three times as often as plain clutter."""
    odds = np.array([_LOOK_ALIKE_ODDS if kind in _LOOK_ALIKES else 1.0 for kind in OTHER_KINDS])
    return OTHER_KINDS[int(rng.choice(len(OTHER_KINDS), p=odds / odds.sum()))]


def build_other(rng: np.random.Generator, kind: str) -> list[Mesh]:
    """Return the meshes of one thing of ``kind`` (a name of ``OTHER_KINDS``), at most 120,000 triangles.

    Now and then a hand points at it or a cable hangs behind it, as with couplers, so that neither tells
    a coupler from anything else. The background is left to the caller.

    Raises:
        ValueError: unknown ``kind``.
    """
    if kind not in _MAKERS:
        message = f"kind must be one of {', '.join(OTHER_KINDS)}; came {kind!r}"
        raise ValueError(message)
    noise = Noise(rng)
    meshes = _MAKERS[kind](rng, noise)
    if "hand" not in {m.part for m in meshes} and rng.random() < _HAND_SHARE:
        target = [rng.normal(0, 25), rng.normal(0, 25), _top(meshes) + 9.0]
        meshes += pointing_hand(rng, target, int(rng.choice([0, 0, 1, THUMB])), step=2.5)
    if rng.random() < _LOOP_SHARE:
        meshes += cable_loops(rng, [rng.normal(0, 120), rng.normal(0, 120), -rng.uniform(60, 200)], noise)
    return meshes


def _top(meshes: list[Mesh]) -> float:
    """Return how far the thing stands out near its middle, mm."""
    points = np.concatenate([m.vertices for m in meshes])
    near = points[np.linalg.norm(points[:, :2], axis=1) < 40.0]
    return float(near[:, 2].max()) if len(near) else 0.0
