"""What stands before the camera: the coupler or whatever else, its undamaged twin, the props around it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.rendering import plan
from data_tools.rendering.camera import Array, Camera
from data_tools.rendering.geometry import build_coupler, build_with_twin
from data_tools.rendering.ground_truth import place_points
from data_tools.rendering.light import Lighting
from data_tools.rendering.others import build_other, sample_kind
from data_tools.rendering.props import sample_background, sample_props
from data_tools.rendering.sampling import sample_coupler
from data_tools.rendering.sampling_damage import sample_damages
from data_tools.rendering.scene import Creases, Merged, Stage, combine, flattened, merge, moved, soiled
from data_tools.rendering.spec import CouplerSpec, Mesh
from model.families import family
from model.vocabulary import Place, Reason


@dataclass(frozen=True)
class Model:
    """A subject ready for the stage. ``twin`` is the undamaged coupler's (opaque, glass) where there is
    damage, ``spec`` is ``None`` for what is no coupler, ``points`` lie on the places (see ground_truth)."""

    opaque: Merged
    glass: Merged
    twin: tuple[Merged, Merged] | None
    spec: CouplerSpec | None
    points: dict[Place, Array]
    kind: str


def build(assignment: plan.Assignment) -> Model:
    """Build the subject of an assignment.

    Raises:
        ValueError: a mesh that cannot be rendered (no faces, not finite).
    """
    if assignment.subject is plan.Subject.COUPLER:
        return _coupler(assignment)
    if assignment.subject is plan.Subject.OTHER:
        rng = assignment.random(3)
        kind = sample_kind(rng)
        return Model(*merge(build_other(rng, kind)), None, None, {}, kind)
    return Model(*merge([]), None, None, {}, "place")


def _coupler(assignment: plan.Assignment) -> Model:
    intact = sample_coupler(assignment.random(3), assignment.family)
    spec = sample_damages(assignment.random(4), intact, set(assignment.kinds)) if assignment.kinds else intact
    known: Creases = {}
    if spec.damages:
        meshes, bare = build_with_twin(spec)
        twin = merge(bare, known)
    else:
        meshes = bare = build_coupler(spec)
        twin = None
    return Model(
        *merge(meshes, known), twin, spec, place_points(family(assignment.family), bare), assignment.family
    )


def props_for(assignment: plan.Assignment, photo: plan.PhotoPlan, camera: Camera) -> list[Mesh]:
    """Return the props of one photo; they do not depend on the damages."""
    rng = assignment.random(5, photo.number)
    meshes = sample_background(rng) if photo.backdrop else []
    if photo.style != "phone" and photo.cover == "none":
        return meshes
    if assignment.subject is plan.Subject.COUPLER:
        meshes = meshes + sample_props(rng, assignment.family, cover=photo.cover)
    elif assignment.subject is plan.Subject.PLACE:
        meshes = meshes + sample_background(rng)
    if photo.fault is Reason.SEVERAL_FACES:
        meshes = meshes + _second_coupler(rng, assignment, camera)
    return meshes


def _second_coupler(rng: np.random.Generator, assignment: plan.Assignment, camera: Camera) -> list[Mesh]:
    """Another coupler beside the first, on the side where the frame has more room."""
    other = sample_coupler(rng, "type1" if rng.random() < 0.6 else "type2")
    centre = np.array([[*family(assignment.family).nose_centre, 0.0]])
    room = np.array([camera.width, camera.height]) / 2 - camera.project(centre)[0]
    direction = (room[0] * camera.axes[0] - room[1] * camera.axes[1]) * [1, 1, 0]
    direction = direction / max(float(np.linalg.norm(direction)), 1e-6)
    turn, lean = rng.uniform(-0.6, 0.6), rng.uniform(-0.2, 0.2)
    spin = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    tip = np.array([[1, 0, 0], [0, np.cos(lean), -np.sin(lean)], [0, np.sin(lean), np.cos(lean)]])
    shift = direction * rng.uniform(66, 85) + np.array([0, 0, rng.uniform(-25, 5)])
    return [moved(mesh, spin @ tip, shift) for mesh in build_coupler(other)]


def stages(
    model: Model, props: list[Mesh], photo: plan.PhotoPlan, lighting: Lighting, camera: Camera
) -> list[Stage]:
    """Return the stage of the photo and, where there is damage, the same one with the undamaged twin."""
    around = merge(props)
    made = []
    for opaque, glass in [(model.opaque, model.glass), *([model.twin] if model.twin else [])]:
        bare = flattened(opaque) if photo.style == "flat" else soiled(opaque, photo.wetness, photo.dust)
        surface = combine(bare, around[0])
        made.append(
            Stage(
                opaque=surface,
                glass=combine(glass, around[1]),
                surroundings=lighting.radiance,
                sky_to_face=lighting.sky_to_face,
                flash=lighting.flash,
                camera=camera,
                flash_ratio=lighting.flash_share / (1 - lighting.flash_share),
            )
        )
    return made
