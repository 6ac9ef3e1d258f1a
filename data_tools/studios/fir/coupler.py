"""The coupler as real parts: shell, insert with sleeves, contacts, gaskets, latch, body, handle and cable."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import manifold3d as m3
import numpy as np

from data_tools.studios.fir import latch
from data_tools.studios.fir.make import Finish, Make
from data_tools.studios.fir.solids import (
    Floats,
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
from model.families import TYPE2, Contact
from model.vocabulary import Place

_FINE_MM, _MIDDLE_MM, _COARSE_MM = 0.75, 1.2, 4.0
"""Lengths of triangles: sleeves, what is near the face, what is far behind it."""
_BASE_MM = 3.0
"""Thickness of the insert's base plate."""
_OUTLINE_SIDES = 120


@dataclass(frozen=True)
class Part:
    """One moulded or turned part. ``soft`` parts melt; ``cutters`` are the ids of what broke it."""

    name: str
    body: Any
    finish: Finish
    edge: float
    soft: bool = True
    cutters: frozenset[int] = field(default=frozenset())


Cut = Callable[[Any], tuple[Any, frozenset[int]]]
"""Breaks a solid, and says by the ids of which cutters."""


def nose_outline(make: Make) -> Floats:
    """Return the outline of the shell at its rim: a circle, with a flat top for Type 2."""
    family = make.family
    centre_x, centre_y = family.nose_centre
    radius = family.nose_width / 2
    if family is not TYPE2:
        return circle(radius, _OUTLINE_SIDES)
    bottom = centre_y - family.nose_height / 2
    disc = m3.CrossSection.circle(radius, 160).translate((centre_x, bottom + radius))
    flat = disc ^ rectangle(-40, -40, 40, bottom + family.nose_height)
    return resampled(rounded(flat, 3.0 + 3.0 * make.lead), _OUTLINE_SIDES)


def build(make: Make, breaks: Mapping[Place, Cut]) -> list[Part]:
    """Return the parts of a coupler of this make, some places broken."""
    rng = np.random.default_rng(make.seed)
    outline = nose_outline(make)
    parts = [
        Part("shell", _shell(make, outline), make.shell, _MIDDLE_MM),
        _insert(make, outline, breaks, rng),
        *(_contact(make, contact, rng) for contact in make.family.contacts),
        *_seals(make, outline),
        *_behind(make),
    ]
    if make.hook is not None:
        parts += [
            Part(name, body, finish, _MIDDLE_MM if name == "lever" else _COARSE_MM / 2, True, cutters)
            for name, body, finish, cutters in latch.build(make, make.hook, breaks.get(Place.LATCH))
        ]
    return parts


def _shell(make: Make, outline: Floats) -> Any:
    wall, rim, edge = make.wall, make.rim, min(make.rim_edge, make.wall * 0.45)
    outside = [(0.0, make.flange_z - 4), *fillet(0, rim, edge)]
    inside = [(-a - 2 * (wall / 2), z) for a, z in reversed(fillet(0, rim, edge * 0.7))]
    section = [*outside, *[(-2 * wall - o, z) for o, z in inside], (-wall, make.flange_z - 4)]
    body = loft(outline, section, ring=True)
    cuts = []
    for k in range(make.tabs):  # windows that the insert's snap tabs click into
        turn = 2 * np.pi * (k + 0.5) / make.tabs + np.pi / 2
        window = m3.Manifold.cube((7, 80, 3.2), True).translate((0, 40, -12))
        cuts.append(window.rotate((0, 0, np.degrees(turn))))
    if make.ledge > 1.6:  # a mould line all round
        cuts.append(loft(outline, [(0.4, -9), (0.4, -8.4), (-0.25, -8.5), (-0.25, -8.9)], ring=True))
    return without(body, cuts)


def _insert(make: Make, outline: Floats, breaks: Mapping[Place, Cut], rng: np.random.Generator) -> Part:
    floor, out = make.floor, -make.wall - make.gap
    plate = loft(outline, [(out, floor - _BASE_MM), (out, floor - 0.5), (out - 0.5, floor)])
    if make.ledge < 1.3:  # a raised collar along the parting gap
        high = floor + (2.0 - floor * 0.25) * make.ledge
        plate += loft(
            outline,
            [
                (out, floor - 1),
                (out, high - 0.3),
                (out - 0.3, high),
                (out - 1.3, high),
                (out - 1.6, floor - 1),
            ],
            ring=True,
        )
    plate = joined([plate, *_ribs(make), *_bosses(make, outline, rng)])
    bores = [_bore(make, contact) for contact in make.family.contacts]
    plate = without(plate, bores)
    sleeves, cutters = [], frozenset[int]()
    for contact, bore in zip(make.family.contacts, bores, strict=True):
        sleeve = _sleeve(make, contact) - bore
        if contact.place in breaks:
            sleeve, ids = breaks[contact.place](sleeve)
            cutters |= ids
        sleeves.append(sleeve)
    return Part("insert", joined([plate, *sleeves]), make.insert, _FINE_MM, True, cutters)


def sleeve_radius(make: Make, contact: Contact) -> float:
    """Return the outer radius of a sleeve, mm."""
    return contact.sleeve_diameter / 2 + make.swell


def bore_radius(make: Make, contact: Contact) -> float:
    """Return the radius of a sleeve's bore, mm."""
    return contact.bore_diameter / 2 + make.bore


def _sleeve(make: Make, contact: Contact) -> Any:
    radius, floor, size = sleeve_radius(make, contact), make.floor, make.mouth_size
    size = min(size, 0.55 * (radius - bore_radius(make, contact)))
    top = {
        "chamfer": [(0.0, -1.4 * size), (-size, 0.0)],
        "round": fillet(0, 0, size, 5),
        "step": [(0.0, -2.2), (-0.4, -2.1), *fillet(-0.4, 0, 0.25, 2)],
    }.get(make.mouth, fillet(0, 0, 0.3, 3))
    foot = [(0.9, floor - 1.0), (0.9, floor), (0.35, floor + 0.4), (0.05, floor + 1.1)]
    body = loft(circle(radius), [*foot, *top])
    cuts = []
    if make.mouth == "slotted":
        for k in range(make.slots):
            slot = m3.Manifold.cube((2 * radius, 0.7 + 0.5 * size, 2 + 3 * size)).translate(
                (0, -0.4, -2 - 2 * size)
            )
            cuts.append(slot.rotate((0, 0, 360 * k / make.slots + 90 * (1 + make.slots % 2))))
    return without(body, cuts).translate((contact.x, contact.y, 0))


def _bore(make: Make, contact: Contact) -> Any:
    radius, size = bore_radius(make, contact), make.mouth_size
    size = min(size, 0.5 * (sleeve_radius(make, contact) - radius))
    top = {
        "flare": [(0.0, -2.2 * size), (size, 0.0), (size, 1.0)],
        "step": [(0.0, -2.5), (0.6 * size, -2.4), (0.6 * size, 1.0)],
    }.get(make.mouth, [(0.0, -0.35), (0.3, 0.0), (0.3, 1.0)])
    return loft(circle(radius), [(0.0, make.floor - 9.0), *top]).translate((contact.x, contact.y, 0))


def _contact(make: Make, contact: Contact, rng: np.random.Generator) -> Part:
    """A turned socket with a lead-in and spring slots, deep in the bore."""
    radius = bore_radius(make, contact) - 0.25
    hole, top = radius * (0.6 + 0.12 * make.lead), -make.contact_depth - rng.uniform(0, 0.5)
    outer = loft(circle(radius, 40), [(0.0, make.floor - 8), *fillet(0, top, 0.25, 2)])
    inner = loft(circle(hole, 40), [(0.0, top - 9), (0.0, top - 0.5), (0.35 * radius * 0.6, top + 0.2)])
    slots = [
        m3.Manifold.cube((2 * radius, 0.5, 8)).translate((0, -0.25, top - 7)).rotate((0, 0, 360 * k / n + 45))
        for n in (make.contact_slots,)
        for k in range(n)
    ]
    stain = rng.uniform(0.75, 1.1)
    red, green, blue = (c * stain for c in make.contact.colour)
    finish = Finish((red, green, blue), make.contact.rough, make.contact.metal)
    body = without(outer, [inner, *slots]).translate((contact.x, contact.y, 0))
    return Part("contact", body, finish, _MIDDLE_MM, soft=False)


def _ribs(make: Make) -> list[Any]:
    """Webs between sleeves, low on the floor."""
    spots, high = make.family.contact_centres(), make.floor * 0.75
    pairs = [
        (a, b)
        for i, a in enumerate(spots)
        for b in spots[i + 1 :]
        if make.ribs and np.linalg.norm(a - b) < 13.0 + 1.5 * make.ribs
    ]
    webs = []
    for a, b in pairs:
        length, turn = float(np.linalg.norm(b - a)), np.degrees(np.arctan2(*(b - a)[::-1]))
        web = m3.Manifold.cube((length, 1.2, high - make.floor + 1)).translate((0, -0.6, make.floor - 1))
        webs.append((web.rotate((0, 0, turn)).translate((*a, 0))) - _all_bores(make))
    return webs


def _all_bores(make: Make) -> Any:
    return joined([_bore(make, contact) for contact in make.family.contacts])


def _bosses(make: Make, outline: Floats, rng: np.random.Generator) -> list[Any]:
    """Screw bosses with a cross recess, where there is room between sleeves and wall."""
    made: list[Any] = []
    room = [(p, c) for p in _free_spots(make, outline) for c in [rng.random()]]
    for (x, y), chance in room[: make.bosses + 1] if make.bosses else []:
        top = make.floor + 1 + 3 * chance
        head = loft(
            circle(2.1, 32), [(0.6, make.floor - 1), (0.2, make.floor + 0.6), *fillet(0, top, 0.3, 2)]
        )
        cross = [
            m3.Manifold.cube((2.6, 0.6, 2), True).rotate((0, 0, a)).translate((0, 0, top)) for a in (20, 110)
        ]
        made.append(without(head, cross).translate((x, y, 0)))
    return made


def _free_spots(make: Make, outline: Floats) -> list[tuple[float, float]]:
    spots = make.family.contact_centres()
    sizes = np.array([c.sleeve_diameter / 2 for c in make.family.contacts])
    grid = np.stack(np.meshgrid(np.arange(-26, 27, 2.0), np.arange(-28, 23, 2.0)), -1).reshape(-1, 2)
    clear = (np.linalg.norm(grid[:, None] - spots, axis=-1) - sizes).min(1)
    edge = np.linalg.norm(grid[:, None] - outline, axis=-1).min(1)
    inside = np.linalg.norm(grid - outline.mean(0), axis=1) < make.family.nose_width / 2 - 5
    good = grid[inside & (clear > 3.2) & (edge > make.wall + 4.0)]
    return [(float(x), float(y)) for x, y in good[:: max(1, len(good) // 4)]]


def _seals(make: Make, outline: Floats) -> list[Part]:
    seals = []
    if make.seal in ("collar", "both"):
        z = make.flange_z + 2.5
        ring = [
            (-0.5, z - 2.4),
            (2.2, z - 2.4),
            (2.6, z - 1.2),
            (1.2, z - 0.2),
            (2.0, z + 0.6),
            (-0.5, z + 1.2),
        ]
        seals.append(Part("seal", loft(outline, ring, ring=True), make.gasket, _MIDDLE_MM * 2))
    if make.seal in ("inner", "both"):
        out, z = -make.wall + 0.1, max(make.floor + 1.2, -9.0)
        ring = [(out, z - 1.8), (out, z), (out - 0.7, z + 0.1), (out - 1.1, z - 0.9), (out - 0.7, z - 1.8)]
        seals.append(Part("seal", loft(outline, ring, ring=True), make.gasket, _MIDDLE_MM))
    return seals


def _behind(make: Make) -> list[Part]:
    """Flange, body, grip and cable."""
    family, z = make.family, make.flange_z
    half, (_, centre) = family.nose_width / 2 + make.flange, family.nose_centre
    box = rectangle(-half, centre - half * 1.02, half, centre + half * 0.98)
    corner = min(make.flange_corner, half - 1)
    front = resampled(rounded(box, corner), 96)
    flange = loft(front, [(-1.5, z - 9), (0, z - 7), *fillet(0, z, 1.2, 3)])
    barrel = loft(front, [(-12, z - 62), (-9, z - 52), (-4, z - 26), (-1.2, z - 9), (-1.2, z - 6)])
    smooth = grip_path(make)
    grip = tube(smooth, list(np.interp(np.linspace(0, 1, 30), [0, 0.4, 0.9, 1], [23, 19, 17, 15])), 28)
    last = smooth[-1] - smooth[-3]
    cable_way = _smoothed(np.array([smooth[-2], smooth[-1] + 3 * last, smooth[-1] + [12, -160, -20]]), 24)
    cable = tube(cable_way, [8.5] * 24, 18)
    rubber = Finish((0.012, 0.012, 0.013), 0.55)
    return [
        Part("flange", flange, make.body, _MIDDLE_MM * 2),
        Part("barrel", joined([barrel, grip]), make.body, _COARSE_MM),
        Part("cable", cable, rubber, _COARSE_MM, soft=False),
    ]


def grip_path(make: Make) -> Floats:
    """Return the middle of the grip (N x 3), from the body to the cable."""
    way = np.array([[0, 0, 0], [0, -10, -26], [0, -32, -52], [0, -66, -74], [0, -98, -86], [0, -130, -92.0]])
    way[:, 1] *= make.droop
    return _smoothed(way + [0, make.family.nose_centre[1], make.flange_z - 36], 30)


def _smoothed(points: Floats, count: int) -> Floats:
    """Return a path through smoothed corners."""
    fine = np.linspace(0, len(points) - 1, 8 * count)
    path = np.stack([np.interp(fine, np.arange(len(points)), points[:, k]) for k in range(3)], 1)
    for _ in range(30):
        path[1:-1] = (path[:-2] + 2 * path[1:-1] + path[2:]) / 4
    return np.asarray(path[np.linspace(0, len(path) - 1, count).round().astype(int)])
