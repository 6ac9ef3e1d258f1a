"""Mouths of intact pin housings as makers mould them: steps, grooves, waves, ledges, ribs and the like.

What is regular, smooth and alike on all sleeves of a make is its design; what is ragged and alone is damage.
A network can learn that only from many designs. Invented; no such product is known to us. The training
domain alone draws them: four notches across the mouth stay the local make's, key slots the stress domain's.

``lowered`` kinds take material off the rim (a height over the plane of the sleeve), ``proud`` kinds add to
the outer flank. No detail is finer than about two steps of the insulator's grid, or it would break up.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from data_tools.rendering.domains import Domain, choice
from data_tools.rendering.noise import smoothstep
from data_tools.rendering.sdf import Array, Grid, length, smooth_max
from model.families import Family

_COUNT_ODDS: dict[Domain, tuple[float, float, float]] = {
    Domain.TRAIN: (0.45, 0.43, 0.12),
    Domain.STRESS: (1.0, 0.0, 0.0),
    Domain.LOCAL: (1.0, 0.0, 0.0),
}
"""Odds of no design, one and two on a coupler."""
LOWERED = ("step", "groove", "wave", "dimples", "ledge", "slots", "crown")
PROUD = ("lobes", "ribs", "collar")
_KIND_ODDS = {
    "step": 0.18,
    "groove": 0.12,
    "wave": 0.14,
    "dimples": 0.12,
    "ledge": 0.18,
    "lobes": 0.1,
    "ribs": 0.1,
    "collar": 0.06,
    "slots": 0.2,
    "crown": 0.12,
}
_RULES = ("same", "mirrored", "outward")
"""How a design is turned from sleeve to sleeve: not at all, mirrored left to right, away from the middle."""
_LEAST_LOWERED = 0.4
_CUTS = (1, 2, 3, 5, 6, 8)
"""How many slots or merlons a mouth has; four stay the local make's."""
_SHORT_OF_CONTACT = 0.25
"""A rim lowered all the way through stays so far above the metal socket inside it, mm."""
_FREE_FLANK = 2.5
"""A body that hugs the sleeves nearer below the mouths than this hides what their flanks show, mm."""
_EDGE = 0.35
"""How far beyond the outer wall a rim is still lowered, so that no rind of a flush body stays there, mm."""
_BLEND = 0.3


def sample_mouths(rng: np.random.Generator, shape: Family, build: dict[str, Any]) -> dict[str, Any]:
    """Return ``{"mouths": designs}`` (mm, radians) for a drawn build, or nothing for plain mouths."""
    count = int(rng.choice(3, p=choice(_COUNT_ODDS)))
    designs: list[dict[str, Any]] = []
    every = list(range(len(shape.contacts)))
    large = [index for index in every if shape.contacts[index].bore_diameter >= 4]
    for _ in range(count):
        small = [index for index in every if index not in large]
        on = (every, large, small)[int(rng.choice(3, p=[0.72, 0.18, 0.1]))]
        room = min(float(build["contact_recess"][index]) for index in on) - _SHORT_OF_CONTACT
        odds = dict(_KIND_ODDS)
        for kind in _impossible(build, room) | {design["kind"] for design in designs}:
            del odds[kind]
        weights = np.array(list(odds.values()))
        kind = str(rng.choice(list(odds), p=weights / weights.sum()))
        design = {"kind": kind, "on": on, "rule": str(rng.choice(_RULES))}
        designs.append(design | {"turn": float(rng.uniform(-np.pi, np.pi))} | _sizes(rng, kind, room))
    return {"mouths": designs} if designs else {}


def _impossible(build: dict[str, Any], room: float) -> set[str]:
    """Return the kinds that would not show, or would bare the metal socket, on this build."""
    kinds = set()
    if build["style"] == "body" and build["body_top"] > -_FREE_FLANK:
        kinds |= set(PROUD)
    if room < _LEAST_LOWERED:
        kinds |= {"step", "wave", "ledge", "slots", "crown"}
    return kinds


def _sizes(rng: np.random.Generator, kind: str, room: float) -> dict[str, Any]:
    """Draw the dimensions of one design, mm and radians; ``at`` is a share of the wall from the bore on."""

    def between(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    def count(low: int, high: int) -> int:
        return int(rng.integers(low, high + 1))

    if kind == "step":
        depth = between(_LEAST_LOWERED, min(2.0, room))
        return {"depth": depth, "at": between(0.35, 0.65), "inner": bool(rng.random() < 0.4)}
    if kind == "groove":
        return {"depth": between(0.3, 0.8), "at": between(0.45, 0.7), "half": between(0.36, 0.5)}
    if kind == "wave":
        return {"count": count(2, 8), "depth": 2 * between(0.15, min(0.6, 0.5 * room))}
    if kind == "dimples":
        sizes = {"count": count(2, 6), "depth": between(0.4, 1.0), "half": between(0.5, 0.68)}
        return sizes | {"at": between(0.5, 0.65)}
    if kind == "ledge":
        sizes = {"depth": between(_LEAST_LOWERED, min(2.0, room)), "half": between(0.52, 1.57)}
        return sizes | {"slope": between(0.5, 1.4)}
    if kind in ("slots", "crown"):
        sizes = {"depth": between(_LEAST_LOWERED, min(2.6, room)), "count": int(rng.choice(_CUTS))}
        if kind == "slots":
            return sizes | {"half": between(0.4, 1.1), "slope": between(0.3, 1.4)}
        return sizes | {"share": between(0.3, 0.7), "slope": between(0.3, 0.8)}
    if kind == "lobes":
        lobes = count(3, 10)
        return {"count": lobes, "proud": between(0.15, min(0.5, 2.5 / lobes))}
    if kind == "ribs":
        return {"count": count(2, 6), "proud": between(0.4, 0.7), "half": between(0.8, 1.5)} | {
            "start": between(-0.5, 1.5)
        }
    return {"proud": between(0.35, 0.7), "start": between(1.0, 3.0), "length": between(1.2, 2.6)}


def most_proud(designs: Sequence[dict[str, Any]]) -> float:
    """Return how far these designs let the outer flank stand out at most beyond a plain one, mm."""
    return sum(float(design["proud"]) for design in designs if design["kind"] in PROUD)


class Mouth:
    """The designs of one sleeve, ready to shape it. x, y and z are mm from the middle of its mouth."""

    def __init__(self, shape: Family, build: dict[str, Any], index: int) -> None:
        contact = shape.contacts[index]
        self.radius = contact.sleeve_diameter / 2 + float(build["sleeve_grow"][index])
        self.bore = contact.bore_diameter / 2 + float(build["bore_grow"][index])
        self.top = -float(build["drops"][index])
        away = (contact.x - shape.nose_centre[0], contact.y - shape.nose_centre[1])
        designs = [design for design in build.get("mouths", ()) if index in design["on"]]
        turned = [design | {"turn": _turn(design, *away)} for design in designs]
        self.rim = [design for design in turned if design["kind"] in LOWERED]
        self.flank = [design for design in turned if design["kind"] in PROUD]

    def lowered(self, x: Array, y: Array) -> Array:
        """Return how far the rim lies below a plain one at each place, mm, 0 or more."""
        away, around = length(x, y), np.arctan2(y, x)
        found = np.zeros_like(away)
        for design in self.rim:
            found = found + self._lowered(design, away, around)
        return found

    def lowered_at(self, angle: float) -> float:
        """Return how far the rim lies below a plain one in one direction (radians), outside mid-wall, mm."""
        away = np.array([0.25 * self.bore + 0.75 * self.radius], np.float32)
        return float(self.lowered(away * np.float32(np.cos(angle)), away * np.float32(np.sin(angle)))[0])

    def _lowered(self, design: dict[str, Any], away: Array, around: Array) -> Array:
        depth, kind = np.float32(design["depth"]), design["kind"]
        if kind == "wave":
            wave: Array = depth * (
                0.5 + 0.5 * np.cos(design["count"] * (around - np.float32(design["turn"])))
            )
            return wave
        if kind == "ledge":
            turn = np.abs(_wrapped(around - np.float32(design["turn"]), 1))
            side = (np.float32(design["half"]) - turn) * np.maximum(away, np.float32(0.7 * self.bore))
            return depth * smoothstep(-0.5 * design["slope"], 0.5 * design["slope"], side)
        if kind in ("slots", "crown"):
            turn = np.abs(_wrapped(around - np.float32(design["turn"]), design["count"]))
            if kind == "slots":
                side = np.float32(design["half"]) - away * np.sin(turn)
            else:
                side = (np.float32(np.pi * design["share"] / design["count"]) - turn) * away
            cut: Array = depth * smoothstep(-0.5 * design["slope"], 0.5 * design["slope"], side)
            return cut
        at = np.float32(self.bore + design["at"] * (self.radius - self.bore))
        if kind == "step":
            inner = smoothstep(0.3, -0.3, away - at)
            return depth * (inner if design["inner"] else 1.0 - inner)
        if kind == "groove":
            return depth * smoothstep(design["half"] + 0.25, design["half"] - 0.25, np.abs(away - at))
        turn = _wrapped(around - np.float32(design["turn"]), design["count"])
        off = length(away * np.cos(turn) - at, away * np.sin(turn))
        return depth * smoothstep(design["half"] + 0.25, design["half"] - 0.25, off)

    def shaped(self, outline: Array, x: Array, y: Array, z: Array) -> Array:
        """Return a plain flank's signed distance with what stands out of it (up to 0.5 mm less for lobes)."""
        if self.flank:
            below, around = np.float32(self.top) - z, np.arctan2(y, x)
            for design in self.flank:
                outline = outline - self._proud(design, around, below)
        return outline

    def _proud(self, design: dict[str, Any], around: Array, below: Array) -> Array:
        proud, kind = np.float32(design["proud"]), design["kind"]
        if kind == "lobes":
            lobes: Array = proud * np.cos(design["count"] * (around - np.float32(design["turn"])))
            return lobes
        begin = smoothstep(design["start"] - 0.35, design["start"] + 0.35, below)
        if kind == "collar":
            end = design["start"] + design["length"]
            return proud * begin * smoothstep(end + 0.5, end - 0.5, below)
        across = np.abs(_wrapped(around - np.float32(design["turn"]), design["count"])) * np.float32(
            self.radius
        )
        return proud * smoothstep(design["half"], 0.0, across) * begin

    def lower(self, field: Array, grid: Grid, x: Array, y: Array, z: Array, cx: float, cy: float) -> None:
        """Take the lowered rim out of a solid, in place; grid coordinates as for the whole insulator."""
        if not self.rim:
            return
        moved = max(x.shape[1], y.shape[0]) > 1
        where = grid.window((cx, cy), self.radius + (8.0 if moved else 1.2))
        first, second = (
            where if moved else (where[0], slice(None)),
            where if moved else (slice(None), where[1]),
        )
        lx, ly = x[first] - np.float32(cx), y[second] - np.float32(cy)
        deepest = sum(float(design["depth"]) for design in self.rim)
        lz = z[where] if moved else z
        rows = np.flatnonzero((lz > np.float32(self.top - deepest - 1.0)).any(axis=(0, 1)))
        high = slice(int(rows[0]), None)
        if moved:
            lx, ly = lx[..., high], ly[..., high]
        cut = lz[..., high] - np.float32(self.top) + self.lowered(lx, ly)
        cut = np.minimum(cut, np.float32(self.radius + most_proud(self.flank) + _EDGE) - length(lx, ly))
        part = field[where[0], where[1], high]
        field[where[0], where[1], high] = smooth_max(part, cut, _BLEND)


def _wrapped(angle: Array, count: int) -> Array:
    """Return the angle to the nearest of ``count`` even directions, radians."""
    span = np.float32(2 * np.pi / count)
    result: Array = angle - span * np.round(angle / span)
    return result


def _turn(design: dict[str, Any], away_x: float, away_y: float) -> float:
    """Return the direction of a design on the sleeve that lies there from the middle of the face, radians."""
    turn = float(design["turn"])
    if design["rule"] == "mirrored":
        if abs(away_x) < 0.5:
            return float(np.copysign(np.pi / 2, np.sin(turn)))
        return float(np.pi - turn) if away_x < 0 else turn
    if design["rule"] == "outward":
        inward = abs(turn) > np.pi / 2
        return float(np.arctan2(away_y, away_x) + (np.pi if inward else 0.0))
    return turn
