"""Heat damage: a heat field round a contact, in which moulded parts sag, shrink, round off and blister."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import manifold3d as m3
import numpy as np
from numpy.typing import NDArray

from data_tools.studios.fir.coupler import Cut, bore_radius, sleeve_radius
from data_tools.studios.fir.make import Make
from data_tools.studios.fir.noise import Noise
from data_tools.studios.fir.solids import Floats, Skin, joined, tube
from model.families import Contact
from model.vocabulary import Place

COLOURINGS = ("none", "brown", "char", "yellow", "soot")
_SOFT, _WELD_MM = 0.06, 1e-4


@dataclass(frozen=True)
class Melt:
    """One melted contact: how badly (0..1), how far the heat reached (mm), which way hot plastic ran
    (3-vector), and how its parts gave way."""

    contact: Contact
    severity: float
    reach: float
    depth: float
    down: Floats
    slump: float
    shrink: float
    close: float
    oval: float
    oval_turn: float
    flow: int
    blisters: float
    wobble: Noise
    bubble: Noise
    colouring: str
    glaze: float
    off: Floats

    def heat(self, points: Floats) -> Floats:
        """Return the heat (0..1) at N x 3 points."""
        aside = points[:, :2] - [self.contact.x, self.contact.y] - self.off
        away = np.linalg.norm(aside, axis=1) / self.reach * (1 + 0.18 * self.wobble(points * 0.4))
        deep = np.clip(-points[:, 2], 0, None) / self.depth
        return np.asarray(np.exp(-(away**4) - deep**2))

    def moved(self, points: Floats, floor: float, radius: float, bore: float) -> Floats:
        """Return where the heat moves N x 3 points of the parts."""
        heat, s = self.heat(points), self.severity**0.8
        high = np.clip((points[:, 2] - floor) / -floor, 0, 1.3)
        x, y = points[:, 0] - self.contact.x, points[:, 1] - self.contact.y
        away, turn = np.hypot(x, y), np.arctan2(y, x)
        middle, wall = (radius + bore) / 2, radius - bore
        lumpy = self.wobble(points)
        squeeze = 1 - self.close * s * heat * high**3 * (
            1 + 0.5 * np.cos(turn - self.oval_turn * 1.7) + 0.3 * lumpy
        )
        oval = 1 + self.oval * s * heat * high**1.5 * np.cos(2 * (turn - self.oval_turn))
        factor = np.where(away < radius + 1.5, squeeze * oval, 1.0)
        out = points.copy()
        out[:, 0] += x * (factor - 1)
        out[:, 1] += y * (factor - 1)
        on_wall = np.clip(np.abs(away - middle) / (wall / 2), 0, 1.2)
        rounding = 1.2 * s * heat * on_wall**2 * np.exp(points[:, 2] / 1.5)
        uneven = 1 + 0.45 * np.cos(turn - self.oval_turn) + 0.5 * lumpy
        out[:, 2] -= rounding + self.shrink * s * heat * high * -floor * np.clip(uneven, 0.1, 2)
        out += (self.slump * s * heat * high**1.6 * (1 + 0.4 * lumpy))[:, None] * self.down
        return np.asarray(out + 0.35 * s * (heat * lumpy)[:, None] * [0.7, 0.7, 1.0])


def draw_melt(rng: np.random.Generator, make: Make, contact: Contact, severity: float) -> Melt:
    """Draw how one contact's housing melted."""
    hung = rng.choice(3, p=(0.5, 0.25, 0.25))
    aside = rng.normal(size=2) * [0.7, 0.7] + ([0, -1.0] if hung == 0 else [0, 0])
    down = np.array([*aside, (0.2 * rng.normal(), 0.9, -0.5)[hung]])
    wide = rng.random() < 0.25
    colour = COLOURINGS[rng.choice(5, p=(0.46, 0.18, 0.16, 0.1, 0.1))]
    return Melt(
        contact=contact, severity=severity,
        reach=sleeve_radius(make, contact) * (rng.uniform(1.6, 2.4) if wide else rng.uniform(1.0, 1.5)),
        depth=rng.uniform(6, 16), down=down / np.linalg.norm(down), slump=rng.uniform(2.0, 5.5),
        shrink=rng.uniform(0.05, 0.4), close=rng.uniform(-0.2, 0.55), oval=rng.uniform(0.12, 0.5),
        oval_turn=rng.uniform(0, 2 * np.pi), flow=int(3 + 26 * severity * rng.uniform(0.5, 1)),
        blisters=rng.uniform(0.1, 0.9) * severity if rng.random() < 0.55 else 0.0,
        wobble=Noise(rng, rng.uniform(3, 6), 2), bubble=Noise(rng, rng.uniform(1.0, 2.2), 1),
        colouring=colour, glaze=rng.random(), off=rng.normal(size=2) * 0.18 * contact.sleeve_diameter,
    )  # fmt: skip


def softened(rng: np.random.Generator, make: Make, melt: Melt) -> Cut:
    """Return what the heat adds to and takes from the sleeve as solids: drips and burst bubbles."""
    contact, s = melt.contact, melt.severity
    radius, bore = sleeve_radius(make, contact), bore_radius(make, contact)
    drips = (
        [_drip(rng, melt, radius, bore) for _ in range(rng.integers(0, 1 + int(4 * s)))] if s > 0.35 else []
    )
    holes = []
    if rng.random() < 0.5:
        for _ in range(int(rng.integers(1, 3 + int(18 * s)))):
            turn, size = rng.uniform(0, 2 * np.pi), rng.uniform(0.2, 0.35 + 0.6 * s)
            away, z = (rng.uniform(bore, radius), 0.0) if rng.random() < 0.6 else (radius, -rng.uniform(0, 5))
            ball = m3.Manifold.sphere(size, 14).scale((1, 1, rng.uniform(0.6, 1.2)))
            holes.append(ball.translate((away * np.cos(turn), away * np.sin(turn), z)))

    def cut(body: Any) -> tuple[Any, frozenset[int]]:
        for solids, add in ((drips, True), (holes, False)):
            if solids:
                tool = joined(solids).translate((contact.x, contact.y, 0))
                body = body + tool if add else body - tool
        return body, frozenset()

    return cut


def _drip(rng: np.random.Generator, melt: Melt, radius: float, bore: float) -> Any:
    flat = melt.down[:2] / (np.linalg.norm(melt.down[:2]) + 1e-6)
    turn = np.arctan2(flat[1], flat[0]) + rng.normal(0, 0.7)
    rim = np.array([np.cos(turn), np.sin(turn), 0]) * (radius + bore) / 2
    way = melt.down * np.array([1, 1, 0.6])
    length = rng.uniform(1.2, 1.8 + 3.8 * melt.severity)
    along = np.linspace(0, 1, 9)[:, None]
    path = rim + way * length * along + rng.normal(size=3) * 0.5 * along**2 - [0, 0, 1.0] * (1 - along)
    thick = rng.uniform(0.5, 1.3)
    return tube(path, [thick * f for f in (1.5, 1.2, 0.95, 0.8, 0.75, 0.8, 0.95, 1.0, 0.45)], 14)


def melted(skin: Skin, melts: list[Melt], make: Make) -> Skin:
    """Return the surface after the heat: displaced, rounded by its own tension, blistered."""
    points, down = skin.points, skin.triangles
    heat = np.max([m.heat(points) for m in melts], axis=0) if melts else np.zeros(len(points))
    if heat.max(initial=0) < _SOFT:
        return skin
    for melt in melts:
        contact = melt.contact
        points = melt.moved(points, make.floor, sleeve_radius(make, contact), bore_radius(make, contact))
    hot = np.flatnonzero(heat > _SOFT)
    _, weld = np.unique(np.round(skin.points[hot] / _WELD_MM).astype(np.int64), axis=0, return_inverse=True)
    group = np.full(len(points), -1)
    group[hot] = weld.ravel()
    faces = group[down]
    faces = faces[(faces >= 0).all(1)]
    spots = np.zeros((weld.max() + 1, 3))
    spots[group[hot]] = points[hot]
    warmth = np.zeros(len(spots))
    warmth[group[hot]] = heat[hot]
    strength = max(m.severity for m in melts)
    spots = _tension(spots, faces, 0.8 * np.clip(warmth * 1.6 - 0.15, 0, 1) * strength**0.5,
                     max(m.flow for m in melts))  # fmt: skip
    facing = _normals(spots, faces)
    swell = sum(m.blisters * np.clip(m.bubble(spots) - 0.25, 0, None) for m in melts)
    spots = spots + facing * (0.9 * swell * warmth)[:, None]
    points = points.copy()
    points[hot] = spots[group[hot]]
    part = np.clip((heat[hot, None] - _SOFT) * 6, 0, 1)
    normals = _normals(points, down)
    normals[hot] = (1 - part) * normals[hot] + part * _normals(spots, faces)[group[hot]]
    normals /= np.linalg.norm(normals, axis=1, keepdims=True) + 1e-9
    return Skin(points, normals, down, skin.fresh)


def _tension(spots: Floats, faces: NDArray[np.int64], pull: Floats, rounds: int) -> Floats:
    ends = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    count = np.maximum(np.bincount(ends[:, 0], minlength=len(spots)), 1)
    for _ in range(rounds):
        mean = np.stack([np.bincount(ends[:, 0], spots[ends[:, 1], k], len(spots)) for k in range(3)], 1)
        spots = spots + pull[:, None] * (mean / count[:, None] - spots)
    return spots


def _normals(points: Floats, faces: NDArray[np.int64]) -> Floats:
    a, b, c = (points[faces[:, k]] for k in range(3))
    across = np.cross(b - a, c - a)
    total = np.stack(
        [np.bincount(faces.ravel(), np.repeat(across[:, k], 3), len(points)) for k in range(3)], 1
    )
    return np.asarray(total / (np.linalg.norm(total, axis=1, keepdims=True) + 1e-12))


def hottest(melts: list[Melt], points: Floats) -> dict[str, Floats]:
    """Return the heat (0..1, weighed by severity) at N x 3 points for each colouring, and as ``glaze``."""
    found = {name: np.zeros(len(points)) for name in (*COLOURINGS, "glaze")}
    for melt in melts:
        warm = melt.heat(points) * (0.35 + 0.65 * melt.severity)
        found[melt.colouring] = np.maximum(found[melt.colouring], warm)
        found["glaze"] = np.maximum(found["glaze"], warm * melt.glaze)
    return found


def neighbours(make: Make, place: Place) -> list[Contact]:
    """Return the contacts by their distance to that of a place, nearest first, itself left out."""
    own = next(c for c in make.family.contacts if c.place is place)
    rest = [c for c in make.family.contacts if c is not own]
    return sorted(rest, key=lambda c: float(np.hypot(c.x - own.x, c.y - own.y)))
