"""A coupler's specification turned into painted meshes, the same on every machine.

Every mesh carries per-vertex ``albedo`` (N x 3 linear RGB), ``roughness`` (N x 1) and ``metallic``
(N x 1), all 0..1. All colour lives there; ``material`` is ``glass`` for water drops and an opaque word
for everything else.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from data_tools.rendering.body import build_handle, build_head, build_pivot
from data_tools.rendering.breakage import Break, broken
from data_tools.rendering.canvas import Canvas
from data_tools.rendering.damage_paint import paint_breaks, paint_latch, paint_melts
from data_tools.rendering.insulator import Solid, build_insulator, insulator_solid
from data_tools.rendering.latch import build_latch
from data_tools.rendering.latch_failure import LatchFailure, failure_of
from data_tools.rendering.loose import build_drops, build_loose
from data_tools.rendering.melting import Melt, melted
from data_tools.rendering.paint import paint_age, paint_new
from data_tools.rendering.shell import build_contact, build_nose
from data_tools.rendering.soiling import paint_dust, paint_soiling
from data_tools.rendering.spec import CouplerSpec, Mesh
from model.families import family


def build_coupler(spec: CouplerSpec) -> list[Mesh]:
    """Return every mesh of one coupler in face-plane mm (x right, y up, z towards the viewer).

    A function of ``spec`` alone. Without its ``damages`` the same spec gives the intact twin: all else,
    dirt included, stays the same.

    Raises:
        UnknownFamilyError: no such family in the table.
    """
    return _finished(_painted(spec, _shaped(spec)), spec)


def build_with_twin(spec: CouplerSpec) -> tuple[list[Mesh], list[Mesh]]:
    """Return the meshes of a coupler and of its intact twin; what no damage touches is shaped only once.

    Raises:
        UnknownFamilyError: no such family in the table.
    """
    hurt, intact = _shaped(spec), replace(spec, damages=())
    canvas = _painted(spec, hurt)
    twin = _painted(intact, _shaped(intact, like=hurt), like=canvas)
    return _finished(canvas, spec), _finished(twin, intact)


@dataclass(frozen=True)
class _Shaped:
    """Unpainted meshes by what can change them: breaks and melts, melts alone, the latch's failure; and
    the insulator before it broke."""

    solid: Solid
    insulator: list[Mesh]
    heated: list[Mesh]
    latch: list[Mesh]
    rest: list[Mesh]
    melts: list[Melt]
    breaks: list[Break]
    failure: LatchFailure | None


def _shaped(spec: CouplerSpec, like: _Shaped | None = None) -> _Shaped:
    """Shape a coupler; for the twin of ``like`` take over what that one's damages left alone."""
    shape = family(spec.family)
    melts, breaks, failure = melted(spec), broken(spec), failure_of(spec)
    solid = like.solid if like and not like.melts else insulator_solid(spec, melts)
    if like and not like.melts and not like.breaks:
        insulator = like.insulator
    else:
        insulator = build_insulator(spec, solid, breaks)
    if like and not like.melts:
        heated = like.heated
    else:
        heated = [build_contact(spec, index, melts) for index in range(len(shape.contacts))]
        heated.append(build_nose(spec, melts))
    latch = like.latch if like and like.failure is None else build_latch(spec, failure)
    rest = like.rest if like else [build_head(spec), *build_pivot(spec), *build_handle(spec)]
    return _Shaped(solid, insulator, heated, latch, rest, melts, breaks, failure)


def _painted(spec: CouplerSpec, shaped: _Shaped, like: Canvas | None = None) -> Canvas:
    """Paint a coupler; for the twin of ``like`` what does not depend on paint is taken over."""
    meshes = [replace(mesh) for mesh in (*shaped.insulator, *shaped.heated, *shaped.rest, *shaped.latch)]
    loose = build_loose(spec, shaped.breaks)
    canvas = Canvas([mesh for mesh in meshes + [piece for piece, _, _ in loose] if len(mesh.faces)], like)
    paint_new(canvas, spec)
    _paint_loose(canvas, [(colour, rough) for _, colour, rough in loose], len(canvas.meshes) - len(loose))
    paint_age(canvas, spec)
    paint_soiling(canvas, spec)
    paint_breaks(canvas, spec, shaped.breaks)
    paint_latch(canvas, spec, shaped.failure)
    paint_melts(canvas, spec, shaped.melts)
    paint_dust(canvas, spec)
    return canvas


def _finished(canvas: Canvas, spec: CouplerSpec) -> list[Mesh]:
    return canvas.finish() + [_clear(mesh) for mesh in build_drops(spec)]


def _paint_loose(canvas: Canvas, looks: list[tuple[tuple[float, ...], float]], first: int) -> None:
    for number, (colour, rough) in enumerate(looks):
        part = slice(int(canvas.starts[first + number]), int(canvas.starts[first + number + 1]))
        canvas.albedo[part], canvas.roughness[part], canvas.metallic[part] = colour, rough, 0.0


def _clear(mesh: Mesh) -> Mesh:
    count = len(mesh.vertices)
    mesh.attributes = {
        "albedo": np.full((count, 3), 0.9, np.float32),
        "roughness": np.full((count, 1), 0.06, np.float32),
        "metallic": np.zeros((count, 1), np.float32),
    }
    return mesh
