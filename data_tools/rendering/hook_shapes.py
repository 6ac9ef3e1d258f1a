"""How the hooks of the training world differ in outline: with a window, a groove, slanted flanks, a round
back, a step, or wider than their lever. What they share is a whole, clean edge: that is what an intact hook
is to be known by, not by being a plain block.

Forked hooks, cut through from top to bottom, stay out of training (``domains``).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from data_tools.rendering.sdf import Array, rectangle, smooth_max

PLAIN = 0.45
"""Share of hooks that stay plain blocks."""
KINDS = ("window", "groove", "slanted", "round", "step", "wide")


def draw_hook_shape(rng: np.random.Generator) -> dict[str, Any] | None:
    """Draw an outline, or none: ``kind``, and how ``wide`` (0.2 to 0.6 of the hook) and ``deep`` (0.15 to
    0.5 of its height) what sets it apart is."""
    if rng.random() < PLAIN:
        return None
    return {
        "kind": str(rng.choice(KINDS)),
        "wide": round(float(rng.uniform(0.2, 0.6)), 3),
        "deep": round(float(rng.uniform(0.15, 0.5)), 3),
        "side": int(rng.choice([-1, 1])),
    }


def widened(half: float, shape: dict[str, Any] | None) -> float:
    """Return half the width of a hook of that shape, mm."""
    if shape is None or shape["kind"] != "wide":
        return half
    return half * (1.0 + float(shape["wide"]))


def carve(
    hook: Array, x: Array, y: Array, low: float, high: float, half: float, shape: dict[str, Any] | None
) -> Array:
    """Return the hook's signed distance, mm, with that shape; it reaches from ``low`` to ``high`` and
    ``half`` to each side."""
    if shape is None or shape["kind"] == "wide":
        return hook
    middle, tall = (low + high) / 2, high - low
    wide, deep, side = float(shape["wide"]), float(shape["deep"]), float(shape["side"])
    if shape["kind"] == "window":
        hole = rectangle(x, y - middle, half * wide, tall * deep * 0.6, 0.4)
        return smooth_max(hook, -hole, 0.3)
    if shape["kind"] == "groove":
        cut = np.abs(x) - np.float32(half * wide * 0.5) + np.float32(0.4) * (np.float32(high) - y)
        cut = np.maximum(cut, np.float32(high - tall * deep) - y)
        return smooth_max(hook, -cut, 0.4)
    if shape["kind"] == "slanted":
        lean = 0.9 * wide * half / tall
        flank = np.abs(x) - np.float32(half) + np.float32(lean) * (y - np.float32(low))
        return smooth_max(hook, (flank / np.hypot(1.0, lean)).astype(np.float32), 0.4)
    if shape["kind"] == "round":
        arch = np.hypot(x / np.float32(half), (y - np.float32(low)) / np.float32(tall)) - 1
        return smooth_max(hook, (arch * np.float32(min(half, tall) * 0.8)).astype(np.float32), 0.4)
    corner = np.maximum(
        np.float32(half * (1 - 2 * wide)) - np.float32(side) * x, np.float32(high - tall * deep) - y
    )
    return smooth_max(hook, -corner, 0.4)
