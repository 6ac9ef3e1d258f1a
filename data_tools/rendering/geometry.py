"""A coupler's specification turned into painted meshes, the same on every machine.

Every mesh carries per-vertex ``albedo`` (N x 3 linear RGB), ``roughness`` (N x 1) and ``metallic``
(N x 1), all 0..1. All colour lives there; ``material`` is ``glass`` for water drops and an opaque word
for everything else.
"""

from __future__ import annotations

import numpy as np

from data_tools.rendering.body import build_handle, build_head, build_pivot
from data_tools.rendering.breakage import broken
from data_tools.rendering.canvas import Canvas
from data_tools.rendering.damage_paint import paint_breaks, paint_latch, paint_melts
from data_tools.rendering.insulator import build_insulator
from data_tools.rendering.latch import build_latch, failure_of
from data_tools.rendering.loose import build_drops, build_loose
from data_tools.rendering.melting import melted
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
    shape = family(spec.family)
    melts, breaks, failure = melted(spec), broken(spec), failure_of(spec)
    meshes = build_insulator(spec, melts, breaks)
    meshes += [build_contact(spec, index, melts) for index in range(len(shape.contacts))]
    meshes += [build_nose(spec, melts), build_head(spec), *build_pivot(spec), *build_handle(spec)]
    meshes += build_latch(spec, failure)
    loose = build_loose(spec, breaks)
    canvas = Canvas([mesh for mesh in meshes + [piece for piece, _, _ in loose] if len(mesh.faces)])
    paint_new(canvas, spec)
    _paint_loose(canvas, [(colour, rough) for _, colour, rough in loose], len(canvas.meshes) - len(loose))
    paint_age(canvas, spec)
    paint_soiling(canvas, spec)
    paint_breaks(canvas, spec, breaks)
    paint_latch(canvas, spec, failure)
    paint_melts(canvas, spec, melts)
    paint_dust(canvas, spec)
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
