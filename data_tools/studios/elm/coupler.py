"""A coupler as parts: shell, floor, sleeves, contacts, latch, body, grip, cable; whole or damaged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.elm import damage
from data_tools.studios.elm.build import PLASTICS, Build, nose_outline
from data_tools.studios.elm.damage import Break, Melt
from data_tools.studios.elm.noise import Array, Rng, ramp, stream
from data_tools.studios.elm.solids import Kind, Part, Skin, blunt, circle, rounded, stretch, sweep, tube
from model.families import Family

_SLEEVE_BOTTOM = -18.0


@dataclass(frozen=True)
class Damages:
    """All that is wrong with one coupler; ``latch`` is how much of the latch is missing (0..1)."""

    breaks: tuple[Break, ...] = ()
    melt: Melt | None = None
    latch: float = 0.0

    def __bool__(self) -> bool:
        return bool(self.breaks or self.melt or self.latch)


def make(family: Family, build: Build, wrong: Damages, seed: int, number: int) -> list[Part]:
    """Return the parts of a coupler; the same seed and number with other damages give its twin."""
    parts = [_shell(family, build), _floor(family, build, stream(seed, number, "floor"))]
    sleeves = [_sleeve(family, build, n) for n in range(len(family.contacts))]
    metals = [_contact(family, build, n) for n in range(len(family.contacts))]
    for hit in wrong.breaks:
        _hit(sleeves[hit.contact], family, build, hit, stream(seed, number, f"break {hit.contact}"))
    parts += sleeves
    if wrong.melt is not None:
        _melt(parts, family, build, wrong.melt)
        _scorch(metals, family, build, wrong.melt)
    for metal in metals:
        parts += metal
    parts += _body(family, build, stream(seed, number, "body"))
    if family.has_latch:
        parts += _latch(build, wrong.latch, stream(seed, number, "latch"))
    return parts


def heat_peak(family: Family, build: Build, melt: Melt) -> float:
    """Return the peak of the heat field of a melt."""
    return damage.peak_for(melt, family.contact_centres()[melt.contact], build.radii[melt.contact])


def sleeve_heat(family: Family, build: Build, melt: Melt) -> list[float]:
    """Return the mean heat (0..1) of every sleeve's mouth: the severity of the melt at that place."""
    centres, peak = family.contact_centres(), heat_peak(family, build, melt)
    hot = centres[melt.contact]
    return [
        float(damage.heat_at(damage.ring(c, r), melt, hot, peak).mean())
        for c, r in zip(centres, build.radii, strict=True)
    ]


def _hit(part: Part, family: Family, build: Build, hit: Break, rng: Rng) -> None:
    contact = family.contacts[hit.contact]
    x, y = part.points[..., 0] - contact.x, part.points[..., 1] - contact.y
    deep = -build.depth * 0.97
    height = damage.remaining(x, y, hit, build.radii[hit.contact], deep, rng)
    damage.shorten(part, np.maximum(height, deep) + build.tops[hit.contact])


def _melt(parts: list[Part], family: Family, build: Build, melt: Melt) -> None:
    peak, centres = heat_peak(family, build, melt), family.contact_centres()
    for part in parts:
        own = centres[part.place] if part.kind is Kind.SLEEVE else None
        damage.soften(part, melt, centres[melt.contact], peak, -build.depth, own)


def _scorch(metals: list[list[Part]], family: Family, build: Build, melt: Melt) -> None:
    """Darken the contacts where it was hot; they do not melt."""
    peak, hot = heat_peak(family, build, melt), family.contact_centres()[melt.contact]
    for metal in metals:
        for part in metal:
            part.heat = damage.heat_at(part.points, melt, hot, peak) * 0.8


def _shell(family: Family, build: Build) -> Part:
    wall, top, deep = build.wall, build.rim, -build.depth
    corners = [(0.0, -build.nose - 1), (0.0, top), (-wall, top)]
    if build.step:
        corners += [(-wall, -1.8), (-wall - build.step, -1.8), (-wall - build.step, deep - 0.4)]
    else:
        corners += [(-wall, deep - 0.4)]
    profile, bend = rounded(corners, build.bevel, 64)
    points = sweep(nose_outline(family, build.power), profile, 640)
    return Part(points, build.shell, Kind.SHELL, edge=bend[None, :] * (profile[:, 1] > -6))


def _floor(family: Family, build: Build, rng: Rng) -> Part:
    """The insert between the sleeves: flat, or rising in collars, with drain holes or raised marks."""
    inner = -build.wall - build.step
    share = np.linspace(1, 0.004, 90)[None, :]
    x, y = nose_outline(family, build.power)(np.linspace(0, 2 * np.pi, 360, endpoint=False)[:, None], inner)
    middle = np.array(family.nose_centre)
    x, y = middle[0] + (x - middle[0]) * share, middle[1] + (y - middle[1]) * share
    z = np.full(x.shape, -build.depth)
    for (cx, cy), (_, outer) in zip(family.contact_centres(), build.radii, strict=True):
        z += build.collar * build.depth * ramp(-np.hypot(x - cx, y - cy), -outer - 1.6, -outer - 0.9)
    reach = family.nose_width / 2 + inner - 3
    for _ in range(build.vents):
        turn = rng.uniform(0, 2 * np.pi)
        away = np.hypot(x - middle[0] - reach * np.cos(turn), y - middle[1] - reach * np.sin(turn))
        z -= 5 * ramp(-away, -1.5, -1.1)
    for _ in range(build.marks):
        cx, cy = middle + rng.uniform(-0.5, 0.5, 2) * reach
        bar = np.maximum(np.abs(x - cx) / rng.uniform(0.5, 2.2), np.abs(y - cy) / rng.uniform(0.5, 1.6))
        z += 0.4 * ramp(-bar, -1.2, -0.9)
    return Part(np.stack([x, y, z], -1), build.floor, Kind.FLOOR)


def _sleeve(family: Family, build: Build, number: int) -> Part:
    contact, (inner, outer), top = family.contacts[number], build.radii[number], build.tops[number]
    corners = [(inner, _SLEEVE_BOTTOM), (inner, top), (outer, top), (outer + 0.15, -build.depth - 0.6)]
    profile, bend = rounded(corners, min(build.sleeve_bevel, (outer - inner) * 0.45), 58)
    points = sweep(circle(contact.x, contact.y), profile, 360)
    part = Part(points, build.sleeves[number], Kind.SLEEVE, number, edge=bend[None, :] * np.ones((360, 1)))
    x, y = points[..., 0] - contact.x, points[..., 1] - contact.y
    for turn in build.notches:
        along = x * np.cos(turn) + y * np.sin(turn)
        across = np.abs(-x * np.sin(turn) + y * np.cos(turn))
        keyway = np.where((across < 0.55) & (along > 0), top - 1.4, damage.UNTOUCHED)
        points[..., 2] = np.minimum(points[..., 2], keyway)
    return part


def _contact(family: Family, build: Build, number: int) -> list[Part]:
    """The metal tube deep in a bore, slotted or whole, and the dark bottom of the bore."""
    contact, inner = family.contacts[number], build.radii[number][0]
    outside = inner - 0.22
    inside, top = outside * build.boldness, build.tops[number] - build.recess
    profile, bend = rounded([(inside, -17), (inside, top), (outside, top), (outside, -17)], 0.22, 26)
    points = sweep(circle(contact.x, contact.y), profile, 160)
    turn = np.arctan2(points[..., 1] - contact.y, points[..., 0] - contact.x) + 0.7 * number
    if build.slots:
        phase = np.abs(((turn * build.slots / (2 * np.pi)) % 1) - 0.5) * 2 * np.pi / build.slots * outside
        points[..., 2] = np.where(phase < 0.2, np.minimum(points[..., 2], top - 4), points[..., 2])
    tube_part = Part(points, build.metal, Kind.METAL, number, edge=bend[None, :])
    disc, _ = rounded([(inner + 0.3, -15.0), (0.01, -15.0)], 0.1, 6)
    bottom = Part(
        sweep(circle(contact.x, contact.y), disc, 32), Skin((0.01, 0.01, 0.01), 0.8), Kind.METAL, number
    )
    return [tube_part, bottom]


def _body(family: Family, build: Build, rng: Rng) -> list[Part]:
    """What is behind the nose: flange, body, grip, cable."""
    grow, back, power = build.flange
    half = (family.nose_width / 2 + grow, family.nose_height / 2 + grow * 0.8 + 2 * family.has_latch)
    centre = (family.nose_centre[0], family.nose_centre[1] + 3 * family.has_latch)
    start = -build.nose
    corners = [
        (-grow - 4, start),
        (0.0, start),
        (0.0, start - 7),
        (-3.0, start - 8),
        (back * 0.3, start - 60),
    ]
    profile, bend = rounded([*corners, (-9.0, start - 95)], 1.4, 48)
    parts = [
        Part(sweep(blunt(centre, half, power), profile, 260), build.body, Kind.BODY, edge=bend[None, :] * 0.8)
    ]
    ends = {
        "pistol": [(0, -8, start - 50), (0, -60, start - 95), (0, -150, start - 130)],
        "straight": [(0, 0, start - 70), (0, -25, start - 180), (0, -70, start - 260)],
        "loop": [(0, -30, start - 30), (0, -95, start - 45), (0, -170, start - 120)],
    }[build.grip]
    path = stretch(ends, 70, 0.1)
    grip = tube(path, rng.uniform(15, 20), rng.uniform(17, 24), around=72, power=2.4, cap=9)
    parts.append(Part(grip, build.body, Kind.BODY))
    end, aside = np.asarray(ends[-1], dtype=float), rng.uniform(-160, 160)
    cable = stretch(
        [end + [0, 12, 6], end + [0, -60, -20], end + [aside, -300, -60], end + [2 * aside, -330, 60]],
        90,
        0.07,
    )
    sheath = Skin((0.02, 0.02, 0.022) if rng.random() < 0.75 else (0.5, 0.16, 0.03), 0.5)
    parts.append(Part(tube(cable, *[rng.uniform(7, 10)] * 2, around=40), sheath, Kind.BODY))
    return parts


def _latch(build: Build, missing: float, rng: Rng) -> list[Part]:
    """The lever above the nose, with its tooth at the tip, out of a hood on the body."""
    wide, thick, height = build.lever
    start = -build.nose
    tip = float(rng.uniform(-3.5, 1.0))
    hood = stretch([(0, height, start - 60), (0, height + 0.5, start + rng.uniform(1, 7))], 40)
    parts = [Part(tube(hood, wide + 3.2, thick + 3.4, around=96, power=4, cap=3), build.body, Kind.BODY)]
    mouth = hood[-1, 2]
    slot = stretch([(0, height, mouth - 6), (0, height, mouth + 0.7)], 12)
    dark = Skin((0.012, 0.012, 0.013), 0.7)
    parts.append(Part(tube(slot, wide + 1.3, thick + 1.1, around=80, power=5, cap=0.4), dark, Kind.BODY))
    skin = build.body if rng.random() < 0.5 else build.shell
    colour = skin if rng.random() < 0.7 else Skin(PLASTICS[str(rng.choice(list(PLASTICS)))], 0.45)
    bar = stretch([(0, height, mouth - 30), (0, height + 0.4, -8), (0, height - 1.2, tip)], 110, 0.02)
    fall = height - thick - rng.uniform(2.8, 4.2)
    tooth = stretch([(0, height + 1, tip - 3.2), (0, max(fall, 22.4), tip - 3.6)], 40)
    power = float(rng.uniform(3, 7))
    blunted = float(rng.uniform(0.7, 1.8))
    latch = [
        Part(tube(bar, wide, thick, around=120, power=power, cap=blunted), colour, Kind.LATCH, 99),
        Part(
            tube(tooth, wide * rng.uniform(0.75, 0.98), 2.3, around=90, power=power, cap=0.8),
            colour,
            Kind.LATCH,
            99,
        ),
    ]
    for part in latch:
        part.edge = _rim_of(part.points)
    if missing > 0.8:
        return parts
    if missing > 0:
        cut = np.interp(missing, [0.2, 0.8], [tip - 11, mouth + 1.2])
        latch = latch[:1]
        x, y = latch[0].points[..., 0], latch[0].points[..., 1] - height
        lean = rng.normal(0, 0.6, (4, 2))
        facets = np.max([cut - 1 + lx * x + ly * y for lx, ly in lean], axis=0)
        damage.shorten(latch[0], np.minimum(facets, cut + 1.5))
    return parts + latch


def _rim_of(points: Array) -> Array:
    """Return where a blunt tube has its front edge."""
    front = points[..., 2].max()
    return np.asarray(0.6 * (points[..., 2] > front - 0.7) * (points[..., 2] < front - 0.1))
