"""The latch of Type 1: a lever with a hook, hollow and ribbed underneath, in the slot of a hood."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import manifold3d as m3
import numpy as np

from data_tools.studios.fir.make import Finish, Hook, Make
from data_tools.studios.fir.solids import block, joined, polygon, rectangle, rounded, without

_PLAY_MM = 0.9
"""Room between the lever and its slot."""
_END_MM = -82.0
"""z of the lever's far end."""

Built = tuple[str, Any, Finish, frozenset[int]]


def build(
    make: Make, hook: Hook, breaking: Callable[[Any], tuple[Any, frozenset[int]]] | None
) -> list[Built]:
    """Return hood, button and lever (name, solid, finish, ids of what broke it); a lever that is gone is left
    out."""
    body, cutters = lever(hook), frozenset[int]()
    if breaking is not None:
        body, cutters = breaking(body)
    built: list[Built] = [("hood", _hood(make, hook), make.body, frozenset())]
    if not body.is_empty():
        built.append(("lever", body, make.latch, cutters))
    if hook.button > 0.4:
        high = hook.base + hook.thick
        pad = rounded(rectangle(-hook.width / 2, -78, hook.width / 2, -60), 2.5)
        built.append(("button", pad.extrude(5 + 5 * hook.button).translate((0, 0, 0)).rotate((90, 0, 0))
                      .mirror((0, 1, 0)).translate((0, high + 2, 0)), make.latch, frozenset()))  # fmt: skip
    return built


def lever(hook: Hook) -> Any:
    """Return the whole lever."""
    body = block(_front(hook), rounded(_side(hook), 0.35), rounded(_plan(hook), hook.corner))
    return without(body, _pockets(hook))


def _top(hook: Hook) -> float:
    return hook.base + hook.thick + (hook.barb if hook.side in ("barb", "head", "wedge") else 0)


def _front(hook: Hook) -> Any:
    half, low, high = hook.width / 2, hook.base - hook.barb - 0.1, _top(hook)
    box = rectangle(-half, low, half, high)
    middle = hook.base + hook.thick * 0.5
    shapes = {
        "trapezoid": polygon([(-half, low), (half, low), (half * 0.68, high), (-half * 0.68, high)]),
        "keystone": polygon([(-half * 0.72, low), (half * 0.72, low), (half, high), (-half, high)]),
        "tee": rectangle(-half * 0.6, low, half * 0.6, high) + rectangle(-half, middle, half, high),
        "bevelled": polygon(
            [
                (-half, low),
                (half, low),
                (half, high - 2),
                (half - 2.2, high),
                (2.2 - half, high),
                (-half, high - 2),
            ]
        ),
        "dome": box ^ m3.CrossSection.circle(1.0, 90).scale((half * 1.12, high - low)).translate((0, low)),
    }
    return rounded(shapes.get(hook.front, box), min(hook.corner, 0.9))


def _side(hook: Hook) -> Any:
    low, high, tip, barb = hook.base, hook.base + hook.thick, hook.tip, hook.barb
    tails = {
        "barb": [(tip - 3, low), (tip, low + 1.2), (tip, high - 0.6), (tip - 5.5, high + barb),
                 (tip - 8.0, high + barb), (tip - 9.0, high)],
        "under": [(tip - 10, low), (tip - 9, low - barb), (tip - 6.5, low - barb), (tip, low + 0.8),
                  (tip, high - 1), (tip - 2, high)],
        "head": [(tip - 1.5, low), (tip, low + 1.5), (tip, high + barb - 1.2), (tip - 1.2, high + barb),
                 (tip - 11, high + barb), (tip - 13, high)],
        "wedge": [(tip - 2, low), (tip, low + 0.6), (tip, low + hook.thick * 0.55), (tip - 14, high + barb),
                  (tip - 17, high + barb), (tip - 17.5, high)],
        "plain": [(tip - 1, low), (tip, low + 1), (tip, high - 1), (tip - 1, high)],
    }  # fmt: skip
    return polygon([(_END_MM, low), *tails[hook.side], (_END_MM, high)])


def _plan(hook: Hook) -> Any:
    half, tip = hook.width / 2, hook.tip
    waist = half * (0.7 if hook.button > 0.6 else 1.0)
    return polygon(
        [(-waist, _END_MM), (waist, _END_MM), (waist, -34), (half, -28), (half, tip - 2.0), (half - 1.2, tip),
         (1.2 - half, tip), (-half, tip - 2.0), (-half, -28), (-waist, -34)]
    )  # fmt: skip


def _pockets(hook: Hook) -> list[Any]:
    """What is hollow underneath, between ribs; a hollow front shows it to the viewer."""
    half = hook.width / 2 - 1.5
    front = hook.tip + 1 if hook.front == "hollow" else hook.tip - 2.2
    ends = np.linspace(-40, front, hook.ribs + 2)
    low = hook.base - hook.barb - 1
    high = hook.base + hook.thick * (0.62 if hook.front == "hollow" else 0.5)
    return [
        m3.Manifold.cube((2 * half, high - low, b - a - 1.2)).translate((-half, low, a + 0.6))
        for a, b in zip(ends[:-1], ends[1:] + (0.7 if hook.front == "hollow" else 0), strict=True)
    ]


def _hood(make: Make, hook: Hook) -> Any:
    """What the lever comes out of: the body's raised back with a slot through it."""
    half, high = hook.width / 2 + _PLAY_MM, _top(hook) + _PLAY_MM
    low = hook.base - (hook.barb if hook.side == "under" else 0) - 0.7
    wall = 2.0 + 3.0 * hook.hood
    nose = make.flange_z + 1.5 + 8 * max(0.0, hook.hood - 0.6)
    outside = rounded(
        rectangle(-half - wall, 14, half + wall, high + wall * 0.8), 1.0 + 2.5 * hook.corner / 1.8
    )
    body = outside.extrude(nose + 72).translate((0, 0, -72))
    bevel = outside.offset(-0.7).extrude(0.6).translate((0, 0, nose - 0.01))
    body = joined([body, bevel]) - m3.Manifold.cube((2 * half, high - low, 60)).translate((-half, low, -56))
    if hook.hood > 0.25:
        return body
    return body - m3.Manifold.cube((80, 60, 200), True).translate(
        (0, hook.base + 31.2, 0)
    )  # open above: two rails
