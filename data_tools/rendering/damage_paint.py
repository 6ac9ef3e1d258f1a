"""What damage does to colour and gloss: fresh fracture faces, heat, soot, burnt contacts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from data_tools.rendering.breakage import Break
from data_tools.rendering.canvas import Canvas
from data_tools.rendering.latch_failure import LatchFailure
from data_tools.rendering.melting import Melt
from data_tools.rendering.noise import smoothstep
from data_tools.rendering.soiling import mark, scorch
from data_tools.rendering.spec import CouplerSpec


def paint_breaks(canvas: Canvas, spec: CouplerSpec, breaks: Sequence[Break]) -> None:
    """Lay bare plastic on fracture faces: rougher, often a little lighter, soiled again with age."""
    plastic = canvas.where(lambda part: part.startswith("sleeve:") or part == "floor")
    for hit in breaks:
        near = plastic & (np.hypot(canvas.x - hit.centre[0], canvas.y - hit.centre[1]) < hit.reach)
        fresh = np.zeros(len(canvas.x), np.float32)
        fresh[near] = hit.fresh(canvas.x[near], canvas.y[near], canvas.z[near])
        _bare(canvas, fresh, np.array(spec.finish["sleeve"]), hit.lighter, hit.old, hit.damage.seed)


def paint_latch(canvas: Canvas, spec: CouplerSpec, failure: LatchFailure | None) -> None:
    """Lay bare plastic on the latch's fracture face or worn hook."""
    if failure is None:
        return
    latch = canvas.where(lambda part: part.startswith("latch"))
    fresh = np.zeros(len(canvas.x), np.float32)
    if failure.wear == 0.0:
        fresh[latch] = failure.fresh(canvas.x[latch], canvas.y[latch], canvas.z[latch])
    else:
        start = spec.build["latch_tip"] - spec.build["hook_length"]
        fresh = (
            latch
            * smoothstep(start, start + 2.0, canvas.z)
            * failure.wear
            * smoothstep(-0.4, 0.3, canvas.noise(2.0, failure.damage.seed + 7, 2))
        ).astype(np.float32)
    if spec.build.get("hook_metal"):
        canvas.metallic *= 1 - fresh
    own = spec.finish["latch"] if failure.core is None else failure.core
    _bare(canvas, fresh, np.array(own), failure.lighter, failure.old, failure.damage.seed)


def _bare(canvas: Canvas, fresh: np.ndarray, own: np.ndarray, lighter: float, old: float, seed: int) -> None:
    tone = 1 + 0.2 * canvas.noise(1.0, seed + 21, 2, fresh > 0)
    colour = (own + lighter * (0.55 - own))[None, :] * tone[:, None]
    canvas.blend(colour.astype(np.float32), fresh * np.float32(1 - 0.65 * old), 0.8 - 0.2 * old)


def paint_melts(canvas: Canvas, spec: CouplerSpec, melts: Sequence[Melt]) -> None:
    """Paint what heat did: a change of colour or none, a change of gloss or none, soot, a burnt contact."""
    for melt in melts:
        look, seed = melt.look, melt.damage.seed
        hot = np.zeros(len(canvas.x), np.float32)
        near = np.hypot(canvas.x - melt.hot[0], canvas.y - melt.hot[1]) < max(1.6 * melt.reach, melt.ran_to)
        hot[near] = melt.heat(canvas.x[near], canvas.y[near], canvas.z[near])
        on_plastic = hot * (1 - canvas.metallic)
        strength = float(look["strength"]) * (0.6 + 0.4 * melt.damage.severity)
        core = smoothstep(0.45, 0.9, hot + 0.25 * canvas.noise(2.2, seed + 31, 2, near)) * on_plastic
        ring = on_plastic * smoothstep(0.1, 0.6, hot + 0.2 * canvas.noise(3.0, seed + 32, 2, near))
        colour = str(look["colour"])
        if colour in ("brown", "brown_core"):
            mark(canvas, "yellow", 0.6 * strength * ring, 0.0, seed + 33)
            mark(canvas, "brown", strength * core, 0.0, seed + 34)
        if colour == "white":
            mark(canvas, "white", 0.7 * strength * ring, 0.0, seed + 35)
        if colour == "dark":
            mark(canvas, "grey", 0.4 * strength * ring, 0.0, seed + 36)
            mark(canvas, "soot", 0.8 * strength * core, 0.0, seed + 36)
        if colour in ("char", "brown_core"):
            mark(
                canvas,
                "soot",
                strength
                * smoothstep(0.2, 0.65, hot + 0.3 * canvas.noise(1.6, seed + 37, 3, near))
                * on_plastic,
                0.2,
                seed + 37,
            )
        if look["gloss"] == "glossy":
            canvas.roughness += on_plastic * np.float32(0.85) * (np.float32(0.16) - canvas.roughness)
        elif look["gloss"] == "matte":
            canvas.roughness += on_plastic * np.float32(0.8) * (np.float32(0.92) - canvas.roughness)
        if look["soot"]:
            away = np.hypot(canvas.x - melt.hot[0], canvas.y - melt.hot[1]) + 0.4 * np.abs(canvas.z)
            far = float(look["soot_reach"]) * melt.reach
            cloud = 1 - smoothstep(
                0.2 * far, far, away + 0.35 * far * canvas.noise(4.0, seed + 38, 2, away < 1.5 * far)
            )
            mark(canvas, "soot", 0.85 * float(look["soot"]) * cloud, 0.15, seed + 38)
        burn = float(look["contact_burn"])
        if burn > 0.3:
            scorch(canvas, melt.damage.place.value, burn, seed + 41)
