"""Other things that get photographed: inlets, sockets, plugs, tools, bundles of cable, and nothing at all."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import manifold3d as m3
import numpy as np

from data_tools.studios.fir.coupler import Part, nose_outline
from data_tools.studios.fir.make import Finish, Make
from data_tools.studios.fir.solids import (
    circle,
    fillet,
    joined,
    loft,
    rectangle,
    resampled,
    rounded,
    tube,
    without,
)

THINGS = ("away", "inlet", "socket", "plug", "tools", "cables", "nothing")
_EDGE_MM = 2.0


def build(rng: np.random.Generator, kind: str, make: Make) -> list[Part]:
    """Return the parts of a thing that is no coupler face."""
    makers: dict[str, Callable[[np.random.Generator, Make], list[tuple[Any, Finish]]]] = {
        "inlet": _inlet, "socket": _socket, "plug": _plug, "tools": _tools, "cables": _cables,
    }  # fmt: skip
    return [Part("thing", body, finish, _EDGE_MM) for body, finish in makers[kind](rng, make)]


def _plate(half: float, corner: float, top: float = 0.0) -> Any:
    outline = resampled(rounded(rectangle(-half, -half, half, half), corner), 96)
    return loft(outline, [(0, top - 8), *fillet(0, top, 1.5, 4)])


def _inlet(rng: np.random.Generator, make: Make) -> list[tuple[Any, Finish]]:
    """The car's side: holes that sleeves go into, pins at their bottom, behind a flap on a hinge."""
    half = make.family.nose_width / 2 + 8
    well = loft(nose_outline(make), [(1.5, -40), (1.5, 5)])
    core = loft(nose_outline(make), [(-3, -48), *fillet(-3, -rng.uniform(1, 9), 1.0)])
    holes, pins = [], []
    for c in make.family.contacts:
        at = (-c.x, c.y, 0)
        holes.append(loft(circle(c.sleeve_diameter / 2 + 0.4), [(0, -30), (0, -2), (0.8, 1)]).translate(at))
        pins.append(
            loft(circle(c.bore_diameter / 2 - 0.4, 32), [(0, -40), (0, -10), (-0.8, -8.5)]).translate(at)
        )
    back = m3.Manifold.cube((80, 80, 4), True).translate((0, 0, -30))
    flap = (
        loft(circle(half * 0.95), [(0, 0), *fillet(0, 6, 2)]).rotate((0, 75, 0)).translate((half + 14, 0, 30))
    )
    return [
        (without(_plate(half + 12, 20), [well]), make.body), (without(core, holes), make.insert),
        (joined(pins), make.contact), (flap, make.shell), (back, make.shell),
    ]  # fmt: skip


def _socket(rng: np.random.Generator, make: Make) -> list[tuple[Any, Finish]]:
    body = _plate(rng.uniform(34, 44), rng.uniform(3, 12))
    well = loft(circle(rng.uniform(18, 22)), [(0, -7.5), (0, -1), (1, 1)])
    gap = rng.uniform(7, 11)
    holes = [loft(circle(2.6), [(0, -30), (0, 5)]).translate((x, 0, 0)) for x in (-gap, gap)]
    back = m3.Manifold.cube((60, 60, 3), True).translate((0, 0, -7))
    return [(without(body, [well]), make.body), (without(back, holes), make.insert)]


def _plug(rng: np.random.Generator, make: Make) -> list[tuple[Any, Finish]]:
    count = int(rng.integers(2, 6))
    body = loft(circle(rng.uniform(17, 24)), [(-4, -50), (-1, -30), *fillet(0, -2, 2)])
    pins = [
        loft(circle(rng.uniform(1.8, 3.4), 32), [(0, -5), *fillet(0, rng.uniform(12, 19), 1.4)]).translate(
            (10 * np.cos(t), 10 * np.sin(t), 0)
        )
        for t in 2 * np.pi * np.arange(count) / count
    ]
    lead = tube(np.array([[0, 0, -45], [4, -20, -90], [10, -120, -100.0]]), [6] * 3)
    return [(body, make.body), (joined(pins), make.contact), (lead, make.gasket)]


def _tools(rng: np.random.Generator, make: Make) -> list[tuple[Any, Finish]]:
    bodies: list[tuple[Any, Finish]] = []
    for finish in (make.body, make.latch, make.shell)[: rng.integers(1, 4)]:
        grip = loft(
            circle(rng.uniform(9, 15), 36), [(-4, -50), (0, -44), (-3, -5), (0, 20), *fillet(0, 44, 6)]
        )
        blade = loft(circle(rng.uniform(2, 4), 24), [(0, 40), (0, 120), (-1.5, 124)])
        turn = (rng.uniform(50, 120), rng.uniform(-40, 40), rng.uniform(0, 360))
        at = tuple(rng.normal(0, 18, 3) - [0, 0, 30])
        bodies += [(b.rotate(turn).translate(at), f) for b, f in ((grip, finish), (blade, make.contact))]
    return bodies


def _cables(rng: np.random.Generator, make: Make) -> list[tuple[Any, Finish]]:
    turn = np.linspace(0, rng.uniform(9, 26), 110)
    size, thick = rng.uniform(35, 75), rng.uniform(5, 10)
    wander = np.cumsum(rng.normal(0, 0.8, (110, 2)), 0)
    coil = np.column_stack(
        [size * np.cos(turn) + wander[:, 0], size * np.sin(turn) + wander[:, 1], -2.2 * turn]
    )
    return [(tube(coil, [thick] * 110, 18), make.gasket if rng.random() < 0.6 else make.body)]
