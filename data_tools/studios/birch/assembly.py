"""From a drawn coupler to its mesh, with or without its damages."""

from __future__ import annotations

import numpy as np

from data_tools.studios.birch import latches
from data_tools.studios.birch.breaks import both, freshness, loose
from data_tools.studios.birch.housing import body, floor_sheet, shell
from data_tools.studios.birch.litter import scatter
from data_tools.studios.birch.looks import darker, edge_wear, scorch, soil
from data_tools.studios.birch.melts import Melt, flood, flow, heat, sag
from data_tools.studios.birch.meshes import CONTACT, SHARD, SHELL, Floats, Look, Mesh, ball, merge
from data_tools.studios.birch.sleeves import Sleeve, angles_of, contact, wall, whole
from data_tools.studios.birch.subjects import Coupler, Looks


def build(coupler: Coupler, damaged: bool = True) -> Mesh:
    """Return the coupler's mesh; ``damaged=False`` gives the undamaged twin, meshed and soiled alike."""
    rng = np.random.default_rng([coupler.seed, 1])
    parts = [_housing(coupler, k, damaged) for k in range(len(coupler.sleeves))]
    parts += [piece for k in coupler.breaks for piece in _piece(coupler, k) if damaged]
    parts.append(_floor(rng, coupler, damaged))
    insert = soil(merge(parts), list(coupler.dirts))
    if damaged and coupler.sagging:
        soft = ~np.isin(np.arange(len(insert.points)), insert.faces[insert.part == CONTACT])
        sunk = sag(insert.points, coupler.sagging.centre, coupler.sagging.level, coupler.sagging.wide)
        insert = insert.moved(np.where(soft[:, None], sunk, insert.points))
    rim = edge_wear(
        shell(coupler.family, coupler.nose, coupler.looks.shell), coupler.nose.rim, coupler.wear, 5
    )
    rest = [rim, *body(rng, coupler.family, coupler.nose, coupler.looks.body, coupler.looks.cable)]
    if coupler.latch is not None:
        crack = coupler.latch_break if damaged else None
        rest += latches.hood(coupler.latch, coupler.looks.body, crack)
        lever = lever_mesh(coupler, damaged)
        rest += [lever] if lever is not None else []
    rest += _drops(coupler)
    rest += litter(coupler)[1]
    return merge([insert, soil(merge(rest), list(coupler.dirts))])


def litter(coupler: Coupler) -> tuple[list[str], list[Mesh]]:
    """Return names and meshes of what lies on the coupler without being damage."""
    rng = np.random.default_rng([coupler.seed, 8])
    return scatter(rng, coupler.family, coupler.nose, coupler.sleeves, coupler.looks.cable)


def lever_mesh(coupler: Coupler, damaged: bool = False) -> Mesh | None:
    """Return lever and hook alone; ``None`` without a latch."""
    if coupler.latch is None:
        return None
    crack = coupler.latch_break if damaged else None
    look = coupler.looks.lever
    fresh = _fresh(look, coupler.looks.fresh_change)
    return latches.lever(coupler.latch, crack, look, fresh)


def _fresh(look: Look, change: float) -> Look:
    """Return the look of a fracture: paler and rougher by ``change`` 0..1."""
    colour = np.array(look.colour)
    pale = colour + (0.28 + 0.5 * colour - colour) * 0.5 * change
    rgb = (float(pale[0]), float(pale[1]), float(pale[2]))
    return Look(rgb, rgb, float(min(1.0, look.rough + 0.4 * change)))


def _neighbour(coupler: Coupler, number: int) -> Sleeve | None:
    """Return the nearest other melted sleeve within reach."""
    me = coupler.sleeves[number]
    others = [coupler.sleeves[k] for k in coupler.melts if k != number]
    near = [s for s in others if np.hypot(s.x - me.x, s.y - me.y) < s.outer + me.outer + 5]
    return min(near, key=lambda s: float(np.hypot(s.x - me.x, s.y - me.y))) if near else None


def _housing(coupler: Coupler, number: int, damaged: bool) -> Mesh:
    """Return one sleeve with its contact."""
    sleeve, looks = coupler.sleeves[number], coupler.looks
    rng = np.random.default_rng([coupler.seed, 2, number])
    crack = coupler.breaks.get(number) if damaged else None
    melt = coupler.melts.get(number) if damaged else None
    bends = coupler.breaks[number].bends if number in coupler.breaks else rng.uniform(0, 2 * np.pi, 8)
    height = both(sleeve, crack) if crack else whole(sleeve)
    angle = angles_of(np.random.default_rng([coupler.seed, 3, number]), bends)
    mesh = merge(wall(sleeve, angle, height, None, looks.sleeve, number + 1))
    mesh = edge_wear(mesh, sleeve.top, coupler.wear, coupler.seed + number)
    if crack:
        mesh = _refresh(mesh, freshness(sleeve, crack, mesh.points), looks)
    mesh = _marked(coupler, number, mesh, melt)
    if melt:
        mesh = mesh.moved(flow(melt, sleeve, mesh.points, coupler.nose.floor, _neighbour(coupler, number)))
    socket = contact(
        np.random.default_rng([coupler.seed, 4, number]),
        sleeve,
        coupler.recess[number],
        looks.contact[number],
    )
    return merge([mesh, socket])


def _refresh(mesh: Mesh, share: Floats, looks: Looks) -> Mesh:
    fresh = _fresh(looks.sleeve, looks.fresh_change)
    part = share[:, None]
    rough = mesh.rough * (1 - share) + fresh.rough * share
    return mesh.painted(mesh.colour * (1 - part) + np.array(fresh.colour) * part, rough)


def _marked(coupler: Coupler, number: int, mesh: Mesh, melt: Melt | None) -> Mesh:
    """Return the mesh coloured by its own melt or by a stain that it bears either way."""
    sleeve = coupler.sleeves[number]
    if melt:
        mesh = scorch(mesh, heat(melt, sleeve, mesh.points), melt.colour, melt.seed)
    stain = coupler.stains.get(number)
    if stain:
        mesh = scorch(mesh, heat(stain, sleeve, mesh.points), stain.colour, stain.seed)
    return mesh


def _piece(coupler: Coupler, number: int) -> list[Mesh]:
    crack, sleeve = coupler.breaks[number], coupler.sleeves[number]
    if crack.piece == "none":
        return []
    rng = np.random.default_rng([coupler.seed, 6, number])
    angle = np.append(angles_of(rng, crack.bends), 2 * np.pi)
    low = crack.height(angle, np.full_like(angle, (sleeve.outer + sleeve.bore) / 2))
    gone = low < sleeve.top - 0.35
    if gone.all() or not gone.any():
        return []
    start = int(np.argmin(gone))
    order = np.roll(np.arange(len(angle) - 1), -start)
    kept = angle[order][gone[order]]
    kept = np.unwrap(kept)
    cut = np.where(np.diff(kept) > 0.5)[0]
    kept = kept[: cut[0] + 1] if len(cut) else kept
    if len(kept) < 8:
        return []
    faces = wall(sleeve, kept, whole(sleeve), crack.height, coupler.looks.sleeve, SHARD)
    piece = loose(rng, sleeve, crack, faces, coupler.nose.floor)
    return [piece]


def _floor(rng: np.random.Generator, coupler: Coupler, damaged: bool) -> Mesh:
    mesh = floor_sheet(rng, coupler.family, coupler.nose, coupler.looks.insert)
    points = mesh.points.copy()
    marks = {**coupler.stains, **(coupler.melts if damaged else {})}
    for number, melt in marks.items():
        sleeve = coupler.sleeves[number]
        warm = heat(melt, sleeve, mesh.points) * 0.7
        mesh = scorch(mesh, warm, melt.colour, melt.seed)
        inside = np.hypot(points[:, 0] - sleeve.x, points[:, 1] - sleeve.y) < (sleeve.outer + sleeve.bore) / 2
        points[:, 2] += np.where(inside, 0.0, flood(melt, sleeve, mesh.points))
    return mesh.moved(points)


def _drops(coupler: Coupler) -> list[Mesh]:
    """Return water drops on the rim and the hood as glossy domes in the colour beneath."""
    rng = np.random.default_rng([coupler.seed, 7])
    made = []
    for _ in range(coupler.drops):
        size = rng.uniform(0.3, 1.3)
        if rng.uniform() < 0.5:
            s = coupler.sleeves[rng.integers(len(coupler.sleeves))]
            turn, off = rng.uniform(0, 2 * np.pi), rng.uniform(s.bore + 0.4, s.outer - 0.3)
            spot, look = (
                np.array([s.x + off * np.cos(turn), s.y + off * np.sin(turn), s.top]),
                coupler.looks.sleeve,
            )
            size *= 0.6
        else:
            x, y = (
                np.array(coupler.family.nose_centre)
                + rng.uniform(-0.75, 0.75, 2) * coupler.family.nose_width / 2
            )
            spot, look = np.array([x, y, coupler.nose.floor]), coupler.looks.insert
            if min(np.hypot(s.x - x, s.y - y) - s.bore for s in coupler.sleeves) < 0.8:
                continue
        axes = np.diag([size, size * rng.uniform(0.8, 1.3), size * 0.6])
        made.append(ball(spot, axes, darker(look, 0.8, 0.06), SHELL, 14))
    return made
