"""From a subject to its photos: pose, light, backdrop, hands, picture, truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from data_tools.studios.birch import hands, scene, truth
from data_tools.studios.birch.assembly import build, lever_mesh, litter
from data_tools.studios.birch.backdrops import Quad, props, quads
from data_tools.studios.birch.camera import Camera, draw_camera
from data_tools.studios.birch.lights import Light, draw_light
from data_tools.studios.birch.looks import wear_picture
from data_tools.studios.birch.meshes import Floats, Mesh, merge
from data_tools.studios.birch.nothing import draw_nothing
from data_tools.studios.birch.phone import develop
from data_tools.studios.birch.subjects import Coupler, changed, draw_coupler, findings_of, words
from data_tools.studios.shot import Shot
from model.families import Family
from model.manifest import LabelledFinding, LabelledPhoto
from model.vocabulary import Place, Reason

STUDIO = "birch"
STUDIO_SALT = 2002


@dataclass(frozen=True)
class Setting:
    """Where a photo is taken: camera, light, painted surfaces, other meshes and words for reports."""

    camera: Camera
    light: Light
    surfaces: list[Quad]
    others: list[Mesh]
    words: dict[str, Any]


def photograph(seed: int, number: int, samples: int, scale: float = 1.0) -> list[Shot]:
    """Return the 1 to 3 photos of subject ``number``; ``samples`` paths a pixel, ``scale`` shrinks them."""
    rng = np.random.default_rng([STUDIO_SALT, seed, number])
    name = f"{STUDIO}-{seed}-{number:06d}"
    if rng.uniform() < 0.08:
        return [_nothing_shot(rng, name, samples, scale)]
    coupler = draw_coupler(rng)
    real = build(coupler)
    twin = build(coupler, damaged=False) if coupler.damaged else None
    wear = wear_picture(rng)
    count = int(rng.choice([1, 2, 3], p=[0.5, 0.35, 0.15]))
    return [_shot(rng, name, coupler, real, twin, wear, samples, scale) for _ in range(count)]


def _world_up(rng: np.random.Generator) -> Floats:
    """Return where the sky is in the face frame: mostly up the face, sometimes behind the phone."""
    way = np.array([0, 1.0, 0]) if rng.uniform() < 0.7 else np.array([0, 0.3, 1.0])
    way = way + 0.3 * rng.normal(size=3)
    return np.asarray(way / np.linalg.norm(way))


def _setting(rng: np.random.Generator, target: Floats, extent: float, scale: float) -> Setting:
    camera = draw_camera(rng, target, extent, scale)
    up = _world_up(rng)
    light = draw_light(rng, camera, up, target)
    low = max(0.0, float((target - camera.position) @ up))
    kinds, distance, surfaces = quads(rng, camera.ahead, target, up, low)
    names, meshes = props(rng, distance, up)
    return Setting(camera, light, surfaces, meshes, {"light": light.kind, "behind": kinds, "props": names})


def _people(rng: np.random.Generator, coupler: Coupler) -> tuple[list[str], list[Mesh]]:
    """Return hands round the body, fingers over the face, stray cables."""
    family = coupler.family
    centre = np.array([*family.nose_centre, 0.0])
    skin, cloth, glove = hands.draw_hand_look(rng)
    names: list[str] = []
    meshes: list[Mesh] = []
    if rng.uniform() < 0.4:
        radius = family.nose_width / 2 + coupler.nose.flange * 0.8
        low = coupler.nose.depth
        held = hands.holding(rng, radius, centre - [0, 0, low * 0.3], skin, glove, cloth)
        meshes += [m.moved(m.points - [0, 0, low * 0.5]) for m in held]
        names.append("held")
    if rng.uniform() < 0.15:
        spot = _covered_spot(rng, family)
        out = np.arctan2(spot[1] - centre[1], spot[0] - centre[0]) + rng.normal(0, 0.4)
        spot = np.array([*spot, rng.uniform(8, 14) + max(coupler.nose.rim, 0.0) * 0.8])
        meshes += hands.pointing(rng, spot, skin, glove, cloth, float(out))
        names.append("finger over face")
    if rng.uniform() < 0.05:
        meshes.append(hands.stray_cable(rng, family.nose_width, coupler.looks.cable))
        names.append("cable over face")
    return names, meshes


def _covered_spot(rng: np.random.Generator, family: Family) -> Floats:
    centres = family.contact_centres()
    if family.has_latch and rng.uniform() < 0.25:
        return np.array([rng.normal(0, 4), rng.uniform(24, 34)])
    spot = centres[rng.integers(len(centres))]
    return np.asarray(spot + rng.normal(0, 4, 2) + 0.15 * spot)


def _shot(
    rng: np.random.Generator,
    name: str,
    coupler: Coupler,
    real: Mesh,
    twin: Mesh | None,
    wear: Floats,
    samples: int,
    scale: float,
) -> Shot:
    family = coupler.family
    lift = 7.0 if family.has_latch else 0.0
    target = np.array([family.nose_centre[0], family.nose_centre[1] + lift, 0.0])
    setting = _setting(rng, target, family.nose_height + 2 * lift, scale)
    names, people = _people(rng, coupler)
    others = [*people, *setting.others]
    seed = int(rng.integers(2**31))
    mesh = merge([real, *others])
    loaded, made = scene.load(mesh, wear, setting.surfaces, setting.light)
    jpeg = develop(rng, scene.render(loaded, setting.camera, samples, seed), setting.light.dim)
    view = truth.look(mesh, loaded, made, setting.camera)
    label = LabelledPhoto(
        file="",
        coupler=name,
        family=family.key,
        findings=_findings(coupler, setting.camera, view, merge([twin, *others]) if twin else None),
        homography=setting.camera.homography(),
        places=_places(coupler, setting.camera, view),
        attributes={**_attributes(coupler), **setting.words, "people": names},
    )
    return Shot(jpeg, label)


def _findings(
    coupler: Coupler, camera: Camera, view: truth.View, twin: Mesh | None
) -> tuple[LabelledFinding, ...]:
    if twin is None:
        return ()
    bare, made = scene.bare_scene(twin)
    whole = truth.look(twin, bare, made, camera)
    found = []
    for finding, number in findings_of(coupler):
        if number >= 0:
            sleeve = coupler.sleeves[number]
            visible = truth.housing_visible(finding.kind, number, sleeve, camera, view, whole)
        else:
            lever = lever_mesh(coupler)
            visible = truth.latch_visible(camera, lever, view, whole) if lever else 0.0
        found.append(replace(finding, visible=round(visible, 3)))
    return tuple(found)


def _places(coupler: Coupler, camera: Camera, view: truth.View) -> dict[Place, float]:
    places = {
        place: round(truth.sleeve_in_view(sleeve, camera, view), 3)
        for place, sleeve in zip(coupler.family.housing_places, coupler.sleeves, strict=True)
    }
    lever = lever_mesh(coupler)
    if lever is not None:
        places[Place.LATCH] = round(truth.latch_in_view(lever, camera, view), 3)
    return places


def _attributes(coupler: Coupler) -> dict[str, Any]:
    places = coupler.family.housing_places
    return {
        "studio": STUDIO,
        "how": words(coupler),
        "changed": [places[k].value for k in changed(coupler)],
        "stains": [f"{places[k].value}:{m.colour}" for k, m in sorted(coupler.stains.items())],
        "plastics": list(coupler.looks.names),
        "dirt": [dirt.kind for dirt in coupler.dirts],
        "latch": coupler.latch.kind if coupler.latch else "none",
        "drops": coupler.drops,
        "litter": litter(coupler)[0],
    }


def _nothing_shot(rng: np.random.Generator, name: str, samples: int, scale: float) -> Shot:
    kind, extent, mesh = draw_nothing(rng)
    setting = _setting(rng, np.zeros(3), extent, scale)
    seed = int(rng.integers(2**31))
    everything = merge([mesh, *setting.others])
    loaded, _ = scene.load(everything, wear_picture(rng), setting.surfaces, setting.light)
    jpeg = develop(rng, scene.render(loaded, setting.camera, samples, seed), setting.light.dim)
    attributes = {"studio": STUDIO, "how": [], "changed": [], "instead": kind, **setting.words}
    label = LabelledPhoto("", name, None, reason=Reason.NO_FACE, attributes=attributes)
    return Shot(jpeg, label)
