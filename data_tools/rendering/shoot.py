"""Take the photos of one subject: build it, set the stage, render, develop, write down the truth."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from data_tools.rendering import light, phone, phone_look, plan, record
from data_tools.rendering.camera import Camera, blur_on_face_mm, sample_camera
from data_tools.rendering.directions import Floats
from data_tools.rendering.domains import using
from data_tools.rendering.ground_truth import places_in_view
from data_tools.rendering.renderer import Renderer
from data_tools.rendering.scene import Stage
from data_tools.rendering.subject import Model, build, props_for, stages
from model.families import family
from model.manifest import LabelledPhoto
from model.vocabulary import Place, Reason

PINHOLE_MM = 0.02
"""Aperture of a plain picture: everything is sharp."""


@dataclass(frozen=True)
class ShootSettings:
    """How pictures are made: samples a pixel, size (1 = full), further panoramas, cache of painted ones."""

    samples: int = 32
    scale: float = 1.0
    panoramas: Path | None = None
    cache: Path | None = None


@dataclass
class Clock:
    """Seconds spent in each step."""

    seconds: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def __call__(self, step: str) -> Iterator[None]:
        """Count the time inside the ``with`` block towards ``step``."""
        start = time.perf_counter()
        try:
            yield
        finally:
            self.seconds[step] = self.seconds.get(step, 0.0) + time.perf_counter() - start


@dataclass(frozen=True)
class Shot:
    """One photo: the bytes of its file and its manifest line."""

    data: bytes
    entry: LabelledPhoto


def shoot(
    assignment: plan.Assignment, renderer: Renderer, settings: ShootSettings, clock: Clock
) -> Iterator[Shot]:
    """Yield the photos of one subject.

    Raises:
        ValueError: geometry that cannot be rendered, or a picture that is not finite.
    """
    for as_it_was, numbers in zip((assignment, assignment.undamaged), assignment.numbers, strict=True):
        if as_it_was is None:
            return
        with clock("geometry"), using(assignment.domain):
            model = build(as_it_was)
        for number in numbers:
            with using(assignment.domain):
                shot = _take(as_it_was, plan.plan_photo(assignment, number), model, renderer, settings, clock)
            yield replace(shot, entry=_dated(shot.entry)) if as_it_was is not assignment else shot


def _dated(entry: LabelledPhoto) -> LabelledPhoto:
    """Mark a photo of a coupler as taken before it was damaged."""
    return replace(entry, attributes=entry.attributes | {"before": True})


def _take(
    assignment: plan.Assignment,
    photo: plan.PhotoPlan,
    model: Model,
    renderer: Renderer,
    settings: ShootSettings,
    clock: Clock,
) -> Shot:
    rng = assignment.random(2, photo.number)
    with clock("stage"):
        take = set_up(rng, assignment, photo, model, settings)
        scenes = stages(model, props_for(assignment, photo, take.camera), photo, take.lighting, take.camera)
    seed = int(assignment.random(6, photo.number).integers(1 << 30))
    radiance, evidence = _render(scenes, model, renderer, settings.samples, seed, clock)
    with clock("phone"):
        pixels = phone.shrunk(phone.develop(radiance, take.camera, take.look, rng), take.look)
        data = phone.encode_file(pixels, take.look)
    with clock("truth"):
        return Shot(data, record.entry(take, pixels, evidence))


def set_up(
    rng: np.random.Generator,
    assignment: plan.Assignment,
    photo: plan.PhotoPlan,
    model: Model,
    settings: ShootSettings,
) -> record.Take:
    """Choose camera, surroundings, light and phone for one photo."""
    camera = _scaled(_aim(rng, assignment, photo), settings.scale)
    plain = photo.style != "phone"
    if plain:
        camera = replace(camera, aperture_mm=PINHOLE_MM, focus_mm=camera.distance_mm, distortion=0.0)
    key = light.sample_studio_key(rng) if plain else light.sample_key(rng, settings.panoramas)
    place = light.surroundings(key, settings.panoramas, settings.cache)
    lighting = light.light_up(rng, place, camera)
    taken = phone_look.plain_look(rng) if plain else phone_look.sample_look(rng, place.dimness)
    look = _spoilt(rng, taken, assignment, photo, camera)
    return record.Take(assignment, photo, model, camera, place, lighting, look)


def _aim(rng: np.random.Generator, assignment: plan.Assignment, photo: plan.PhotoPlan) -> Camera:
    camera = sample_camera(rng, family(assignment.family), photo.framing)
    if assignment.subject is plan.Subject.PLACE:
        return replace(camera, focus_mm=float(rng.uniform(400, 4000)))
    if photo.fault is Reason.TOO_BLURRED and rng.random() < 0.6:
        # Focused far behind: the blur on the face is the aperture times (1 - depth / focus).
        blur, miss = rng.uniform(3.2, 6.5), rng.uniform(0.7, 0.95)
        return replace(camera, aperture_mm=blur / miss, focus_mm=camera.distance_mm / (1 - miss))
    return camera


def _scaled(camera: Camera, scale: float) -> Camera:
    if scale == 1.0:
        return camera
    return camera.resized(round(camera.width * scale / 4) * 4, round(camera.height * scale / 4) * 4)


def _spoilt(
    rng: np.random.Generator,
    look: phone_look.PhoneLook,
    assignment: plan.Assignment,
    photo: plan.PhotoPlan,
    camera: Camera,
) -> phone_look.PhoneLook:
    """Let go wrong what the plan says goes wrong in the phone."""
    if photo.fault is Reason.TOO_BLURRED and blur_on_face_mm(camera, family(assignment.family)) < 3.0:
        return replace(look, motion_px=float(rng.uniform(3.0, 7.0) * camera.px_per_mm))
    if photo.fault is Reason.TOO_DARK:
        return replace(look, exposure_ev=-float(rng.uniform(4.5, 7.0)), local_tone=0.1 * look.local_tone)
    if photo.fault is Reason.TOO_BRIGHT:
        return replace(
            look,
            exposure_ev=float(rng.uniform(3.5, 6.0)),
            highlight_guard=0.0,
            local_tone=0.1 * look.local_tone,
        )
    return look


def _render(
    scenes: list[Stage], model: Model, renderer: Renderer, samples: int, seed: int, clock: Clock
) -> tuple[Floats, record.Evidence]:
    camera = scenes[0].camera
    half = camera.resized(camera.width // 2, camera.height // 2)
    with clock("load"):
        loaded = renderer.load(scenes[0])
    with clock("render"):
        radiance = loaded.radiance(camera, samples, seed)
        hits = loaded.first_hits(half)
    damages = model.spec.damages if model.spec is not None else ()
    in_view = places_in_view({d.place: model.points[d.place] for d in damages}, half, hits)
    if not any(in_view.values()):
        return radiance, record.Evidence(half, hits, None)
    with clock("twin"):
        few = max(8, samples // 2)
        damaged = loaded.radiance(half, few, seed)
        whole = renderer.load(scenes[1])
        twin_hits = whole.first_hits(half) if Place.LATCH in in_view else None
        return radiance, record.Evidence(half, hits, (damaged, whole.radiance(half, few, seed)), twin_hits)
