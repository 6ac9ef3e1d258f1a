"""One subject after another: what it is, what is wrong with it, and the photos somebody takes of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.random import Generator

from data_tools.studios.dogwood.breaks import draw_break
from data_tools.studios.dogwood.build import Build, draw_build
from data_tools.studios.dogwood.camera import Camera, draw_camera
from data_tools.studios.dogwood.dirt import Layer, draw_layers, soil
from data_tools.studios.dogwood.face import Damage, coupler
from data_tools.studios.dogwood.latch import LATCH_LOSSES, LatchLoss
from data_tools.studios.dogwood.light import Light, draw_light
from data_tools.studios.dogwood.melts import draw_melts
from data_tools.studios.dogwood.mesh import FOREIGN, Floats, Part, join
from data_tools.studios.dogwood.phone import Look, develop, draw_look
from data_tools.studios.dogwood.render import build_scene, expose, ray_scene
from data_tools.studios.dogwood.setting import STRANGERS, draw_backdrop, draw_fingers, stranger
from data_tools.studios.dogwood.truth import judge, places_in_view
from data_tools.studios.shot import Shot
from model.families import FAMILIES
from model.manifest import LabelledFinding, LabelledPhoto
from model.vocabulary import FindingKind, Place, Reason

STRANGE, INTACT, HARD, TWO = 0.06, 0.4, 0.5, 0.25
"""Shares: no coupler; intact; intact and hard to tell; two damages among the damaged."""
Found = list[tuple[FindingKind, int, float]]


@dataclass(frozen=True)
class Subject:
    """One coupler: its build, what is wrong with it and what lies on it."""

    build: Build
    damage: Damage = field(default_factory=Damage)
    layers: tuple[Layer, ...] = ()

    def mesh(self) -> Part:
        """Its mesh, soiled."""
        mesh = coupler(self.build, self.damage)
        soil(mesh, self.layers)
        return mesh

    def intact_twin(self) -> Subject:
        """The same coupler, as soiled, before it was damaged."""
        return Subject(self.build, layers=self.layers)

    def found(self) -> Found:
        """Kind, number of the place and severity of all that is wrong."""
        damage = self.damage
        found = [(FindingKind.BROKEN_PIN_HOUSING, b.contact, b.severity) for b in damage.breaks]
        found += [(FindingKind.HEAT_MELTED_HOUSING, m.contact, m.severity) for m in damage.melts]
        if damage.latch is not None:
            found.append((FindingKind.MISSING_LATCH, len(self.build.sleeves), damage.latch.severity))
        return found


def photograph(seed: int, number: int, samples: int, scale: float) -> list[Shot]:
    """Return one or two photos of one subject and their truth; see ``data_tools.studios.shot``."""
    rng = np.random.default_rng([seed, number, 0xD06])
    name = f"dogwood-{seed}-{number:06d}"
    if rng.random() < STRANGE:
        return [_photo_of_stranger(rng, name, samples, scale)]
    subject = draw_subject(rng)
    mesh = subject.mesh()
    intact = subject.intact_twin().mesh() if subject.found() else mesh
    photos = 1 + int(rng.random() < 0.4)
    return [_photo(rng.spawn(1)[0], name, subject, (intact, mesh), samples, scale) for _ in range(photos)]


def draw_subject(rng: Generator) -> Subject:
    """Draw a coupler of any family."""
    family = list(FAMILIES.values())[rng.integers(len(FAMILIES))]
    build = draw_build(rng, family)
    if rng.random() < INTACT:
        return Subject(build, layers=draw_layers(rng, build, rng.random() < HARD))
    return Subject(build, draw_damage(rng, build), draw_layers(rng, build, rng.random() < 0.35))


def draw_damage(rng: Generator, build: Build) -> Damage:
    """Draw one or two kinds of damage, most of them small."""
    weights = [0.5 if build.latch else 0.0, 0.25, 0.25]  # half of the families have no latch to lose
    odds = np.divide(weights, np.sum(weights))
    chosen = {str(k) for k in rng.choice(list(FindingKind), 1 + int(rng.random() < TWO), False, odds)}
    order = [int(n) for n in rng.permutation(len(build.sleeves))]
    damage = Damage()
    if FindingKind.BROKEN_PIN_HOUSING in chosen:
        broken = [order.pop() for _ in range(rng.choice([1, 2, 3], p=[0.7, 0.2, 0.1]))]
        damage = Damage(breaks=tuple(draw_break(rng, n, draw_severity(rng)) for n in broken))
    if FindingKind.HEAT_MELTED_HOUSING in chosen:
        first = build.sleeves[order[0]]
        order.sort(key=lambda n: np.hypot(build.sleeves[n].x - first.x, build.sleeves[n].y - first.y))
        hot = order[: rng.choice([1, 2, 3], p=[0.5, 0.3, 0.2])]
        damage = Damage(damage.breaks, draw_melts(rng, hot, draw_severity(rng)))
    if FindingKind.MISSING_LATCH in chosen:
        style = str(rng.choice(list(LATCH_LOSSES), p=[0.35, 0.3, 0.2, 0.15]))
        loss = LatchLoss(float(rng.uniform(*LATCH_LOSSES[style])), style, int(rng.integers(1 << 31)))
        damage = Damage(damage.breaks, damage.melts, loss)
    return damage


def draw_severity(rng: Generator) -> float:
    """Draw how bad: mostly small but visible."""
    low, high = ((0.12, 0.3), (0.3, 0.6), (0.6, 1.0))[rng.choice(3, p=[0.2, 0.55, 0.25])]
    return float(rng.uniform(low, high))


def _photo(
    rng: Generator, name: str, subject: Subject, meshes: tuple[Part, Part], samples: int, scale: float
) -> Shot:
    intact, mesh = meshes
    build = subject.build
    family = build.family
    camera, tilt = draw_camera(rng, family.nose_centre, family.nose_height, scale)
    hand = str(rng.choice(["none", "holding", "near"], p=[0.65, 0.23, 0.12]))
    hand_parts = []
    if hand != "none":
        hand_parts = draw_fingers(rng, family.nose_width / 2, family.nose_centre, hand == "near")
        mesh = join([mesh, *hand_parts])
    place = _draw_surroundings(rng, camera)
    scene, look, shown = place.take(rng, mesh, samples)
    places = places_in_view(family, intact, mesh, scene, camera)
    findings: tuple[LabelledFinding, ...] = ()
    if found := subject.found():
        twin_scene = place.scene(join([intact, *hand_parts]))
        before = look.show(place.radiance(twin_scene, samples))
        bare = ray_scene(intact) if hand_parts else twin_scene
        findings = judge(found, family, (intact, mesh), (bare, scene), camera, (before, shown))
    attributes = {
        "tilt": round(tilt, 1),
        "light": place.light.mood,
        "hand": hand,
        "dirt": [layer.kind for layer in subject.layers if layer.amount >= 0.5],
        "breaks": [b.style for b in subject.damage.breaks],
    }
    homography = tuple(float(v) for v in camera.homography().ravel())
    label = LabelledPhoto(
        "",
        name,
        family.key,
        findings,
        _reason(places, camera, intact),
        homography,
        places,
        attributes=attributes,
    )
    return Shot(develop(rng, shown, place.light.mood), label)


def _reason(places: dict[Place, float], camera: Camera, intact: Part) -> Reason | None:
    """Why the photo cannot be judged: less than half of the places can be seen."""
    if sum(share >= 0.5 for share in places.values()) * 2 >= len(places):
        return None
    pixels = camera.project(intact.points[intact.points[:, 2] > -1.0])
    inside = ((pixels >= 0) & (pixels < (camera.width, camera.height))).all(axis=1)
    return Reason.HIDDEN if inside.mean() > 0.7 else Reason.OUT_OF_FRAME


@dataclass(frozen=True)
class Surroundings:
    """Where a photo is taken: all of it but the subject, so that a twin can be photographed alike."""

    camera: Camera
    light: Light
    backdrop: Floats
    behind: float
    stretch: float
    lens: float
    grain: int

    def scene(self, mesh: Part) -> Any:
        """The scene with ``mesh`` in it."""
        return build_scene(mesh, self.light, self.camera, self.backdrop, self.behind, self.stretch)

    def radiance(self, scene: Any, samples: int) -> Floats:
        """What reaches the camera (H, W, 3); the same paths for the same place."""
        return expose(scene, self.camera, samples, self.lens, self.grain)

    def take(self, rng: Generator, mesh: Part, samples: int) -> tuple[Any, Look, Floats]:
        """The scene, how the phone shows it and what it shows (H, W, 3)."""
        scene = self.scene(mesh)
        radiance = self.radiance(scene, samples)
        look = draw_look(rng, radiance, _metering(self.camera), samples)
        return scene, look, look.show(radiance)


def _draw_surroundings(rng: Generator, camera: Camera) -> Surroundings:
    tipped = -camera.axes[1] if rng.random() < 0.6 else np.array([0.0, 1.0, 0.0])
    up = tipped + rng.normal(0, 0.25, 3) + np.array([0, 0, rng.choice([0.0, 0.7], p=[0.6, 0.4])])
    return Surroundings(
        camera,
        draw_light(rng, up.astype(np.float32)),
        draw_backdrop(rng),
        float(rng.choice([rng.uniform(90, 200), rng.uniform(200, 1200)])),
        float(rng.uniform(0.8, 4)),
        float(rng.uniform(0.2, 2.2)),
        int(rng.integers(1 << 30)),
    )


def _metering(camera: Camera) -> Floats:
    """Weights (H, W) round the face, where the phone measures the light."""
    middle = camera.project(np.zeros((1, 3)))[0]
    y, x = np.mgrid[: camera.height, : camera.width].astype(np.float32)
    reach = 30.0 / np.linalg.norm(camera.position) * camera.focal
    return np.asarray(np.exp(-((x - middle[0]) ** 2 + (y - middle[1]) ** 2) / reach**2), np.float32)


def _photo_of_stranger(rng: Generator, name: str, samples: int, scale: float) -> Shot:
    kind = STRANGERS[rng.integers(len(STRANGERS))]
    camera, tilt = draw_camera(rng, (0.0, 0.0), 60.0, scale)
    parts = stranger(rng, kind)
    if not parts:  # a wall: something far outside the picture keeps the scene's structure
        parts = draw_fingers(rng, 9000.0, (0.0, 0.0), near=False)
    mesh = join(parts)
    mesh.owner[:] = FOREIGN
    place = _draw_surroundings(rng, camera)
    _, _, shown = place.take(rng, mesh, samples)
    attributes = {"tilt": round(tilt, 1), "light": place.light.mood, "thing": kind}
    jpeg = develop(rng, shown, place.light.mood)
    return Shot(jpeg, LabelledPhoto("", name, None, reason=Reason.NO_FACE, attributes=attributes))
