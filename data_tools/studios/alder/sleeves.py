"""Pin housings: the plastic sleeve around each contact as a distance field, whole, broken or melted.

All three go through the same grid and the same marching cubes, so that nothing but shape tells them apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.studios.alder.breaks import Break
from data_tools.studios.alder.fields import Grid, smooth_max, smooth_min, surface
from data_tools.studios.alder.melts import Melt
from data_tools.studios.alder.mesh import Array, Mesh, Rgb, merged, plain
from data_tools.studios.alder.noise import noise
from model.families import Contact

State = Break | Melt | None


@dataclass(frozen=True)
class SleeveStyle:
    """How this maker moulds its sleeves: lengths in mm, ``slots`` in number, angles in radians.

    ``depth`` is how far the floor of the recess lies below the mouths (z = 0).
    """

    depth: float
    fillet: float
    chamfer: float
    draft: float
    slots: int
    slot_width: float
    slot_depth: float
    slot_turn: float
    collar: float
    bore_extra: float
    cell: float
    colour: Rgb
    rough: float


def draw_style(rng: np.random.Generator, colour: Rgb, rough: float) -> SleeveStyle:
    """Draw a style of sleeves."""
    slotted = rng.random() < 0.3
    return SleeveStyle(
        depth=float(rng.choice([rng.uniform(7, 12), rng.uniform(10, 17)])),
        fillet=float(rng.uniform(0.15, 1.1)),
        chamfer=float(rng.choice([0.0, rng.uniform(0.2, 1.3)])),
        draft=float(rng.uniform(0, 0.03)),
        slots=int(rng.integers(1, 5)) if slotted else 0,
        slot_width=float(rng.uniform(0.7, 1.8)),
        slot_depth=float(rng.uniform(1.0, 6.0)),
        slot_turn=float(rng.uniform(0, 2 * np.pi)),
        collar=float(rng.uniform(2.5, 6.0)) if rng.random() < 0.25 else 0.0,
        bore_extra=float(rng.uniform(-0.25, 0.25)),
        cell=float(rng.uniform(0.28, 0.34)),
        colour=colour,
        rough=rough,
    )


def whole(p: Array, contact: Contact, style: SleeveStyle, narrow: Array | float, soft: float) -> Array:
    """Return the field of one whole sleeve at ...x3 points relative to its centre.

    ``narrow`` (0..1) closes the bore, ``soft`` (mm) rounds the edges more than the mould did.
    """
    z = p[..., 2]
    across = np.hypot(p[..., 0], p[..., 1])
    outer = contact.sleeve_diameter / 2 - style.draft * np.minimum(z, 0)
    if style.collar:
        outer = outer + 0.5 * np.clip((-style.collar - z) * 3, 0, 1)
    bore = (contact.bore_diameter / 2 + style.bore_extra) * (1 - narrow)
    bore = bore + np.clip(z + style.chamfer, 0, 3)
    wall = smooth_max(across - outer, bore - across, 0.25 + soft * 0.6)
    field = smooth_max(wall, z, style.fillet + soft)
    turn = np.arctan2(p[..., 1], p[..., 0])
    for k in range(style.slots):
        away = turn - style.slot_turn - 2 * np.pi * k / style.slots
        aside = np.abs(across * np.sin(away)) - style.slot_width / 2
        slot = np.maximum(np.maximum(aside, -z - style.slot_depth), -np.cos(away) * 5)
        field = smooth_max(field, -slot, 0.2)
    return field


def one(p: Array, contact: Contact, style: SleeveStyle, state: State) -> tuple[Array, Array | None]:
    """Return the field of a sleeve in its state and, for a break, the field of the cut."""
    if isinstance(state, Melt):
        bent = state.warped(p, style.depth)
        narrow = state.narrowing(p, style.depth)
        field = whole(bent, contact, style, narrow, state.soft)
        return state.lumped(field, p, contact, style.depth), None
    if isinstance(state, Break):
        loosened = state.opened(p, style.depth)
        cut = state.cut(p, contact, style.depth)
        return np.maximum(whole(loosened, contact, style, 0.0, 0.0), -cut), cut
    return whole(p, contact, style, 0.0, 0.0), None


def _grid(contacts: list[Contact], style: SleeveStyle, margin: float) -> Grid:
    reach = [c.sleeve_diameter / 2 + margin for c in contacts]
    low = [
        min(c.x - r for c, r in zip(contacts, reach, strict=True)),
        min(c.y - r for c, r in zip(contacts, reach, strict=True)),
        -style.depth - 0.6,
    ]
    high = [
        max(c.x + r for c, r in zip(contacts, reach, strict=True)),
        max(c.y + r for c, r in zip(contacts, reach, strict=True)),
        0.9,
    ]
    return Grid.over(np.array(low), np.array(high), style.cell)


def group(
    contacts: list[Contact], states: list[State], style: SleeveStyle, places: list[int]
) -> tuple[Mesh, list[float]]:
    """Return the mesh of one sleeve, or of several fused ones, and each one's lost share (0..1).

    ``places`` are the indices that the faces carry.
    """
    margin = max([1.0, *(s.spread for s in states if isinstance(s, Melt))])
    grid = _grid(contacts, style, margin)
    field, cuts, lost = None, [], []
    for contact, state in zip(contacts, states, strict=True):
        p = grid.points - np.array([contact.x, contact.y, 0], np.float32)
        mine, cut = one(p, contact, style, state)
        lost.append(_lost(p, contact, style, mine) if isinstance(state, Break) else 0.0)
        field = mine if field is None else smooth_min(field, mine, 1.6)
        cuts.append(cut)
    assert field is not None
    points, faces = surface(grid, field)
    mesh = plain(points, faces, style.colour, style.rough)
    middle = points[faces].mean(axis=1) if len(faces) else np.zeros((0, 3))
    gaps = [np.hypot(middle[:, 0] - c.x, middle[:, 1] - c.y) - c.sleeve_diameter / 2 for c in contacts]
    nearest = np.argmin(gaps, axis=0) if len(faces) else np.zeros(0, int)
    mesh.place[:] = np.asarray(places)[nearest]
    for contact, state, cut in zip(contacts, states, cuts, strict=True):
        mesh = _coloured(mesh, contact, state, style, None if cut is None else grid.at(cut, points))
    shards = [s for c, state in zip(contacts, states, strict=True) for s in _shards(c, state, style, places)]
    return merged([mesh, *shards]), lost


def _lost(p: Array, contact: Contact, style: SleeveStyle, mine: Array) -> float:
    top = p[..., 2] > -min(6.0, style.depth)
    was = (whole(p, contact, style, 0.0, 0.0) < 0) & top
    return float(1 - ((mine < 0) & was).sum() / max(was.sum(), 1))


def _coloured(mesh: Mesh, contact: Contact, state: State, style: SleeveStyle, cut: Array | None) -> Mesh:
    if isinstance(state, Melt):
        local = mesh.points - np.array([contact.x, contact.y, 0])
        near = np.hypot(local[:, 0], local[:, 1]) < contact.sleeve_diameter / 2 + 4
        colour, rough = state.coloured(local, mesh.colour, mesh.rough, style.depth)
        return mesh.painted(np.where(near[:, None], colour, mesh.colour), np.where(near, rough, mesh.rough))
    if isinstance(state, Break) and cut is not None and len(cut):
        colour, rough = state.coloured(mesh.points, cut, mesh.colour, mesh.rough)
        return mesh.painted(colour, rough)
    return mesh


def _shards(contact: Contact, state: State, style: SleeveStyle, places: list[int]) -> list[Mesh]:
    """Return the broken-out piece that still leans in the gap or lies in the recess."""
    if not isinstance(state, Break) or state.shard is None:
        return []
    grid = _grid([contact], style, 1.0)
    p = grid.points - np.array([contact.x, contact.y, 0], np.float32)
    field = np.maximum(whole(p, contact, style, 0.0, 0.0), state.cut(p, contact, style.depth) + 0.12)
    points, faces = surface(grid, field)
    if len(points) < 30:
        return []
    moved = state.shard.placed(points, contact, style.depth)
    mesh = plain(moved, faces, style.colour, style.rough, place=places[0])
    speck = noise(points, 0.7, state.seed)
    return [mesh.painted(mesh.colour * (1 + 0.12 * speck[:, None]))]
