"""One coupler: what it is made of, what happened to it, and its meshes with and without the damage."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from data_tools.studios.cedar import body as bodies
from data_tools.studios.cedar import breaks, dirt, latch, melts
from data_tools.studios.cedar.body import Body
from data_tools.studios.cedar.insert import Sleeve, Style, draw_sleeves, draw_style, voxel_insert
from data_tools.studios.cedar.latch import Latch
from data_tools.studios.cedar.look import Look, draw_look, melt_colour
from data_tools.studios.cedar.meshes import INSERT, LATCH, METAL, Array, Mesh, loft, merged, mesh
from data_tools.studios.cedar.voxels import Grid, Noise
from model.families import TYPE1, TYPE2, Family
from model.manifest import LabelledFinding
from model.vocabulary import FindingKind, Place


@dataclass
class Subject:
    """One coupler; ``plastic`` as it is, ``twin`` as it would be undamaged (the same object if intact)."""

    family: Family
    sleeves: list[Sleeve]
    style: Style
    body: Body
    latch: Latch | None
    look: Look
    findings: list[LabelledFinding]
    how: list[str]
    changed: list[Place]
    plastic: Mesh = field(init=False)
    twin: Mesh = field(init=False)
    metal: Mesh = field(init=False)
    drops: Mesh = field(init=False)
    lever_points: Array | None = None


def _draw_kinds(rng: np.random.Generator, family: Family) -> set[FindingKind]:
    if rng.random() < 0.40:
        return set()
    names = [FindingKind.BROKEN_PIN_HOUSING, FindingKind.HEAT_MELTED_HOUSING]
    odds = [0.25, 0.20]
    if family.has_latch:
        names, odds = [*names, FindingKind.MISSING_LATCH], [0.25, 0.20, 0.24]
    p = np.array(odds) / sum(odds)
    kinds = {names[int(rng.choice(len(names), p=p))]}
    if rng.random() < 0.18:
        kinds.add(names[int(rng.choice(len(names), p=p))])
    return kinds


@dataclass
class _Worked:
    grid: Grid
    fracture: Array
    heat: Array


def _damage_insert(s: Subject, kinds: set[FindingKind], grid: Grid, rng: np.random.Generator) -> _Worked:
    worked = _Worked(grid, np.full(grid.value.shape, 9.0, np.float32), np.zeros(grid.value.shape, np.float32))
    order = list(rng.permutation(len(s.sleeves)))
    if FindingKind.BROKEN_PIN_HOUSING in kinds:
        for index in order[: int(rng.choice([1, 2, 3], p=[0.66, 0.24, 0.1]))]:
            mode = breaks.MODES[int(rng.integers(len(breaks.MODES)))]
            severity = breaks.break_sleeve(grid, worked.fracture, s.sleeves[index], s.style, mode, rng)
            s.findings.append(
                LabelledFinding(FindingKind.BROKEN_PIN_HOUSING, s.sleeves[index].place, round(severity, 3))
            )
            s.how.append(f"break {mode}")
        order = order[::-1]
    if FindingKind.HEAT_MELTED_HOUSING in kinds:
        first = s.sleeves[order[0]]
        near = sorted(s.sleeves, key=lambda o: np.hypot(o.x - first.x, o.y - first.y))
        count = int(rng.choice([1, 2, 3, 4], p=[0.55, 0.27, 0.1, 0.08]))
        broken = {f.place for f in s.findings}
        hot = [melts.Hot(o, float(rng.uniform(0.6, 1.0))) for o in near[:count] if o.place not in broken]
        hot = hot or [melts.Hot(first, 0.8)]
        flow = melts.draw_flow(rng)
        for place, severity in melts.melt(grid, worked.heat, hot, s.style, flow, rng).items():
            s.findings.append(
                LabelledFinding(FindingKind.HEAT_MELTED_HOUSING, Place(place), round(severity, 3))
            )
        s.how.append(
            "melt " + max(("sink", "sag", "roll", "oval", "wobble"), key=lambda n: abs(getattr(flow, n)))
        )
    return worked


def _insert_mesh(s: Subject, grid: Grid) -> Mesh:
    vertices, faces = grid.surface()
    part = mesh(vertices, faces, s.look.insert, s.look.insert_rough, INSERT)
    reach = bodies.outline(s.family, -s.body.wall + 0.3)
    angle = np.arctan2(vertices[:, 1] - s.family.nose_centre[1], vertices[:, 0] - s.family.nose_centre[0])
    ring = reach - np.array(s.family.nose_centre)
    edge = np.interp(angle, *_sorted_polar(ring))
    r = np.hypot(*(vertices[:, :2] - np.array(s.family.nose_centre)).T)
    part.faces = part.faces[(r < edge)[part.faces].all(1)]
    return part


def _sorted_polar(ring: Array) -> tuple[Array, Array]:
    angle = np.arctan2(ring[:, 1], ring[:, 0])
    order = np.argsort(angle)
    turns = np.concatenate([angle[order][-1:] - 2 * np.pi, angle[order], angle[order][:1] + 2 * np.pi])
    r = np.hypot(ring[:, 0], ring[:, 1])[order]
    return turns, np.concatenate([r[-1:], r, r[:1]])


def _colour_damage(part: Mesh, worked: _Worked, rng: np.random.Generator) -> None:
    noise = Noise(rng)
    fresh = worked.grid.sample(worked.fracture, part.vertices, 9.0) < 0.28
    pale = float(rng.choice([0.0, 0.0, 0.12, 0.3]))
    part.colour[fresh] = part.colour[fresh] * (1 - pale * 0.5) + pale * 0.6
    part.rough[fresh] = 0.85
    heat = worked.grid.sample(worked.heat, part.vertices)
    if heat.max() > 0:
        colour, rough = melt_colour(part.colour, heat, rng, noise, part.vertices)
        part.colour = colour
        part.rough += (rough - part.rough) * np.clip(heat * 1.5, 0, 1)


def _lever(s: Subject, kinds: set[FindingKind], rng: np.random.Generator) -> tuple[list[Mesh], list[Mesh]]:
    """Return the lever's meshes as it is and undamaged."""
    if s.latch is None:
        return [], []
    w, nose = s.latch.width / 2 + 0.9, -s.body.nose + 0.06
    low, high = s.latch.height - s.latch.thickness / 2 - 0.9, s.latch.height + s.latch.thickness / 2 + 0.9
    box = np.array([(w, high), (-w, high), (-w, low), (w, low)], np.float32)
    slot_ring = np.stack(
        [np.concatenate([box, np.full((4, 1), nose + d, np.float32)], 1) for d in (-1.0, 0.0)]
    )
    slot = loft(slot_ring, (0.006, 0.006, 0.006), 0.9, 0)
    whole = latch.whole(s.latch)
    vertices, faces = whole.surface()
    part = mesh(vertices, faces, s.look.lever, s.look.shell_rough, LATCH)
    s.lever_points = vertices[vertices[:, 2] > s.latch.front - 12][::7]
    if FindingKind.MISSING_LATCH not in kinds:
        return [part, slot], [part, slot]
    way = latch.WAYS[int(rng.integers(len(latch.WAYS)))]
    grid, cut, severity = latch.torn(s.latch, way, -s.body.nose, rng)
    s.how.append(f"latch {way}")
    s.findings.append(LabelledFinding(FindingKind.MISSING_LATCH, Place.LATCH, severity))
    if not ((grid.value < 0).any()):
        return [slot], [part, slot]
    vertices, faces = grid.surface()
    stub = mesh(vertices, faces, s.look.lever, s.look.shell_rough, LATCH)
    pale = float(rng.choice([0.0, 0.0, 0.15, 0.35]))
    fresh = grid.sample(cut, vertices, 9.0) < 0.3
    stub.colour[fresh] = stub.colour[fresh] * (1 - pale * 0.5) + pale * 0.6
    stub.rough[fresh] = 0.85
    return [stub, slot], [part, slot]


def _strewn(s: Subject, rng: np.random.Generator, snow: bool) -> list[Mesh]:
    """Return lumps, plugs, webs and stickers that lie on this coupler."""
    parts: list[Mesh] = []
    if rng.random() < 0.10:
        parts += dirt.cobweb(rng, s.sleeves)
    if rng.random() < 0.06:
        chosen = rng.choice(len(s.sleeves), int(rng.integers(1, 3)), replace=False)
        parts += [dirt.plug(rng, s.sleeves[i]) for i in chosen if s.sleeves[i].place not in _hurt(s)]
    if rng.random() < 0.16:
        colour = (
            (0.85, 0.9, 0.95)
            if snow
            else ((0.14, 0.1, 0.06), (0.25, 0.2, 0.12), (0.05, 0.09, 0.02))[int(rng.integers(3))]
        )
        for _ in range(int(rng.integers(1, 7))):
            sleeve = s.sleeves[int(rng.integers(len(s.sleeves)))]
            size = rng.uniform(0.6, 3.0) * rng.uniform(0.7, 1.3, 3)
            mouth = rng.random() < 0.35
            far = sleeve.bore * 0.3 if mouth else sleeve.radius + 1.5
            angle, z = rng.uniform(0, 6.28), -rng.uniform(0.5, 4) if mouth else s.style.floor + 0.4
            if mouth and size.max() > 1.8 and sleeve.place not in _hurt(s):
                s.changed.append(sleeve.place)
            at = (sleeve.x + far * np.cos(angle), sleeve.y + far * np.sin(angle), z)
            parts.append(dirt.clump(rng, at, tuple(size), colour, 0.9, INSERT))
    if rng.random() < 0.2:
        cx, cy = s.family.nose_centre
        half = (s.family.nose_width / 2 + s.body.flange * 0.6, s.family.nose_height / 2 + s.body.flange * 0.6)
        parts.append(dirt.sticker(rng, (cx, cy), half, -s.body.nose + 0.05, s.body.flange))
    return parts


def _hurt(s: Subject) -> set[Place]:
    return {f.place for f in s.findings}


def draw_subject(rng: np.random.Generator, up: np.ndarray, snow: bool) -> Subject:
    """Draw one coupler with everything on it; ``up``: the unit vector against gravity."""
    family = TYPE1 if rng.random() < 0.5 else TYPE2
    s = Subject(
        family,
        draw_sleeves(rng, family),
        draw_style(rng),
        bodies.draw_body(rng),
        latch.draw_latch(rng) if family.has_latch else None,
        draw_look(rng),
        [],
        [],
        [],
    )
    # the floor lies in the nose, before the body's front
    s.style = replace(s.style, floor=max(s.style.floor, 1.5 - s.body.nose))
    kinds = _draw_kinds(rng, family)
    whole = voxel_insert(s.sleeves, s.style, 0.40 if family.has_latch else 0.43)
    twin_insert = _insert_mesh(s, whole)
    hurt_insert = twin_insert
    if kinds - {FindingKind.MISSING_LATCH}:
        worked = _damage_insert(s, kinds, whole, rng)
        hurt_insert = _insert_mesh(s, worked.grid)
        _colour_damage(hurt_insert, worked, rng)
    lever, twin_lever = _lever(s, kinds, rng)
    _finish(s, rng, up, snow, ([hurt_insert, *lever], [twin_insert, *twin_lever]))
    return s


def _finish(
    s: Subject, rng: np.random.Generator, up: np.ndarray, snow: bool, pair: tuple[list[Mesh], list[Mesh]]
) -> None:
    """Add what both the coupler and its twin have, then dirt on all of it."""
    inner = s.look.insert if rng.random() < 0.4 else s.look.shell
    shared = [
        bodies.nose(s.family, s.body, s.style, (s.look.shell, inner, s.look.insert), s.look.shell_rough),
        bodies.housing(s.family, s.body, s.look.shell, s.look.shell_rough),
    ]
    metal, wells = bodies.contacts(s.sleeves, s.body, s.style)
    extras = bodies.extras(s.family, s.body, s.look.shell, s.look.accent, rng)
    shared += [wells, *(p for p in extras if p.part[0] != METAL), *_strewn(s, rng, snow)]
    s.metal = merged([metal, *(p for p in extras if p.part[0] == METAL)])
    tint = np.array(
        [(0.75, 0.73, 0.7), (0.8, 0.65, 0.35), (0.45, 0.3, 0.22), (0.3, 0.32, 0.38)][
            int(rng.choice(4, p=[0.6, 0.2, 0.1, 0.1]))
        ]
    )
    s.metal.colour = (s.metal.colour * 0 + tint).astype(np.float32)
    s.metal.rough += float(rng.uniform(-0.1, 0.3))
    stained = [s.sleeves[i] for i in rng.permutation(len(s.sleeves))[: int(rng.choice([0, 0, 0, 1, 2]))]]
    grime = dirt.draw_dirt(rng, s.sleeves, up, snow, stained)
    s.changed += [
        t.place
        for t, stain in zip(stained, grime.stains, strict=True)
        if stain.strength > 0.85 and stain.reach > 6 and t.place not in _hurt(s)
    ]
    noise = Noise(rng)
    s.plastic, s.twin = merged([*shared, *pair[0]]), merged([*shared, *pair[1]])
    dirt.paint(s.plastic, grime, noise, s.body.rim)
    dirt.paint(s.twin, grime, noise, s.body.rim)
    wet = dirt.drops(rng, s.sleeves, s.style, s.body.rim) if rng.random() < 0.12 else []
    s.drops = merged([dirt.no_drops(), *wet])
