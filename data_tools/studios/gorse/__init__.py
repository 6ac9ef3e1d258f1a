"""A studio of smooth over-moulded couplers in bright places: signed distances on stretched grids."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from data_tools.studios.gorse import others, truth
from data_tools.studios.gorse.camera import draw_camera, picture_size
from data_tools.studios.gorse.company import leaves
from data_tools.studios.gorse.make import (
    DAMAGED_SHARE,
    OTHER_SHARE,
    Make,
    dice,
    draw_damages,
    draw_make,
)
from data_tools.studios.gorse.phone import Processing, developed, draw_processing, exposure, stored
from data_tools.studios.gorse.places import Place, draw_place, unit
from data_tools.studios.gorse.solids import Array, Mesh
from data_tools.studios.gorse.stage import Camera, Maps, render
from data_tools.studios.gorse.subject import Subject, build_subject, draw_company
from data_tools.studios.shot import Shot
from model.manifest import LabelledFinding, LabelledPhoto
from model.vocabulary import Reason

TWO_PHOTOS, LEAF_SHADOWS = 0.25, 0.3
TWIN_SIDE = 330
"""Pixels along the longer side of the small pictures that tell what of a damage is seen."""
FINE_FROM = 0.5
"""The scale from which the fine grid is worth its time."""


@dataclass(frozen=True)
class View:
    """One photo before it is taken: all meshes but the coupler's, light, phone."""

    camera: Camera
    place: Place
    around: list[Mesh]
    work: Processing
    words: tuple[str, ...]
    seed: int


def photograph(seed: int, number: int, samples: int, scale: float) -> list[Shot]:
    """Return one or two photos of subject ``number``: see ``data_tools.studios.shot.Photograph``."""
    rng = dice(seed, number)
    name = f"gorse-{seed}-{number:06d}"
    if rng.uniform() < OTHER_SHARE:
        return [_other(rng, name, samples, scale)]
    family = "type1" if rng.uniform() < 0.5 else "type2"
    make = draw_make(rng, family)
    damages = draw_damages(rng, make.family) if rng.uniform() < DAMAGED_SHARE else ()
    subject = build_subject(make, damages, scale >= FINE_FROM)
    twin = build_subject(make, (), scale >= FINE_FROM) if damages else None
    count = 2 if rng.uniform() < TWO_PHOTOS else 1
    return [take(subject, twin, draw_view(rng, make, scale), name, samples, scale) for _ in range(count)]


def draw_view(rng: np.random.Generator, make: Make, scale: float) -> View:
    """Draw phone, place and company for one photo of a coupler."""
    camera = draw_camera(rng, make.family, picture_size(rng, scale))
    lying = rng.uniform() < 0.25
    up = unit((0.2 * rng.normal(), 0.3, 1.0) if lying else (0.15 * rng.normal(), 1.0, 0.2 * rng.normal()))
    place = draw_place(rng, up, camera.eye)
    around, words = draw_company(rng, make)
    if place.mood == "sun" and rng.uniform() < LEAF_SHADOWS:
        around = [*around, *leaves(rng, place.sun, camera)]
        words = (*words, "leaf shadows")
    work = draw_processing(rng, place.mood)
    return View(camera, place, around + place.meshes, work, words, int(rng.integers(2**31)))


def take(subject: Subject, twin: Subject | None, view: View, name: str, samples: int, scale: float) -> Shot:
    """Take one photo and tell its truth."""
    make, camera = subject.make, view.camera
    linear = _expose(subject, view, camera, samples)
    middle = camera.project(np.array([[*make.family.nose_centre, 0.0]]))[0]
    metered = exposure(linear, view.work, middle)
    shown = developed(linear, view.work, metered)
    subject_mask = truth.silhouette(subject.meshes + view.around, camera)
    jpeg, shrunk = stored(shown, view.work, subject_mask, scale)
    findings: tuple[LabelledFinding, ...] = ()
    if twin is not None:
        findings = _findings(subject, twin, view, metered, samples)
    mask = truth.covered(view.around, camera)
    matrix = np.diag([shrunk, shrunk, 1.0]) @ camera.homography()
    words = {
        "mood": view.place.mood, "material": view.place.material, "dirt": list(subject.dirt),
        "company": list(view.words), "modes": [damage.mode for damage in subject.damages],
    }  # fmt: skip
    label = LabelledPhoto(
        file="",
        coupler=name,
        family=make.family.key,
        findings=findings,
        homography=tuple(float(v) for v in matrix.ravel() / matrix[2, 2]),
        places=truth.judgeable(make, camera, mask),
        attributes={"studio": "gorse", **words},
    )
    return Shot(jpeg, label)


def _expose(subject: Subject, view: View, camera: Camera, samples: int) -> Array:
    meshes = subject.meshes + view.around
    return render(meshes, subject.maps, view.place.backdrop, view.place.sky, camera, samples, view.seed)


def _findings(
    subject: Subject, twin: Subject, view: View, metered: Any, samples: int
) -> tuple[LabelledFinding, ...]:
    """Return the damages, with what of each is seen beside the intact twin in small pictures."""
    small = view.camera.shrunk(min(1.0, TWIN_SIDE / max(view.camera.size)))
    relative = small.size[0] / view.camera.size[0]
    pair = [
        developed(_expose(one, view, small, 3 * samples), view.work, metered, relative)
        for one in (subject, twin)
    ]
    shares = truth.seen_shares(subject.make, subject.damages, pair[0], pair[1], small)
    return tuple(truth.finding(d, s) for d, s in zip(subject.damages, shares, strict=True))


def _other(rng: np.random.Generator, name: str, samples: int, scale: float) -> Shot:
    kind, meshes, camera = others.draw_other(rng, picture_size(rng, scale))
    place = draw_place(rng, unit((0.1, 1, 0.1)), camera.eye)
    work = draw_processing(rng, place.mood)
    plain = Maps(np.full((8, 8, 3), 0.1, np.float32), np.full((8, 8), 0.5, np.float32))
    seed = int(rng.integers(2**31))
    linear = render(meshes + place.meshes, plain, place.backdrop, place.sky, camera, samples, seed)
    shown = developed(linear, work, exposure(linear, work, np.array(camera.size) / 2))
    jpeg, _ = stored(shown, work, truth.silhouette(meshes, camera), scale)
    words = {"studio": "gorse", "other": kind, "mood": place.mood, "material": place.material}
    label = LabelledPhoto(file="", coupler=name, family=None, reason=Reason.NO_FACE, attributes=words)
    return Shot(jpeg, label)
