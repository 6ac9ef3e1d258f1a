"""The studio's door: one to three photos of one subject, with their truth."""

from __future__ import annotations

from typing import Any

import numpy as np

from data_tools.studios.alder import grounds, hands, others, weather
from data_tools.studios.alder.camera import Camera, face_camera
from data_tools.studios.alder.coupler import Coupler, build
from data_tools.studios.alder.mesh import Mesh, merged
from data_tools.studios.alder.phone import developed, draw_phone
from data_tools.studios.alder.scene import Backdrop, Solid, grain, render
from data_tools.studios.alder.skies import Light, draw_light
from data_tools.studios.alder.truth import differing, in_view
from data_tools.studios.shot import Shot
from model.families import TYPE1, TYPE2
from model.manifest import LabelledFinding, LabelledPhoto
from model.vocabulary import FindingKind, Reason

STUDIO_SALT = 1001


def photograph(seed: int, number: int, samples: int, scale: float = 1.0) -> list[Shot]:
    """Return one to three photos of subject ``number``; see ``data_tools.studios.shot.Photograph``."""
    rng = np.random.default_rng([STUDIO_SALT, seed, number])
    name = f"alder-{seed}-{number:06d}"
    if rng.random() < 0.08:
        return [_other(rng, name, samples, scale)]
    coupler = build(rng, TYPE1 if rng.random() < 0.48 else TYPE2)
    count = int(rng.choice([1, 2, 3], p=[0.6, 0.3, 0.1]))
    extras = _extras(rng, coupler)
    bump = grain(int(rng.integers(1 << 30)), float(rng.uniform(0.2, 1.5)), int(rng.integers(0, 14)))
    return [_shot(rng, name, coupler, extras, bump, samples, scale) for _ in range(count)]


def _extras(rng: np.random.Generator, coupler: Coupler) -> list[Mesh]:
    """Draw what sits on the coupler and stays there: webs, caps and mud in undamaged bores."""
    extras = []
    if rng.random() < 0.05:
        extras.append(weather.web(rng, coupler.family.nose_height / 2 - 2, coupler.rim))
    damaged = {d.place for d in coupler.damages}
    free = [c for c in coupler.family.contacts if c.place not in damaged]
    if free and rng.random() < 0.08:
        kind = str(rng.choice(["mud", "cap"]))
        for spot in rng.choice(len(free), int(rng.integers(1, min(3, len(free)) + 1)), replace=False):
            extras.append(weather.plug(rng, free[int(spot)], kind))
    return extras


def backdrop(rng: np.random.Generator) -> tuple[Backdrop, float, str]:
    """Draw what is behind and below; also how far the phone looks down (radians) and a word for it."""
    kind = str(rng.choice(["floor", "wall", "far", "lying"], p=[0.3, 0.34, 0.26, 0.1]))
    painter = grounds.WALLS[int(rng.integers(len(grounds.WALLS)))]
    if kind == "far":
        painter = (grounds.car_park, grounds.car_side, grounds.grass, grounds.brick)[int(rng.integers(4))]
    wall, side = painter(rng)
    ground, ground_side = grounds.FLOORS[int(rng.integers(len(grounds.FLOORS)))](rng)
    gap = {"far": rng.uniform(1500, 5000), "wall": rng.uniform(110, 700)}.get(kind, rng.uniform(600, 2500))
    pitch = {"floor": rng.uniform(0.5, 1.25), "lying": rng.uniform(0.15, 0.7)}.get(
        kind, rng.normal(0.12, 0.15)
    )
    top = float(rng.uniform(200, 900)) if kind == "far" and rng.random() < 0.5 else 1e5
    drop = float(rng.uniform(34, 60)) if kind == "lying" else float(rng.uniform(450, 1300))
    if kind == "far" and side:
        side *= 1.5
    return (
        Backdrop(wall, side, float(gap), top, float(rng.normal(0, 0.25)), ground, ground_side, drop),
        float(pitch),
        f"{kind}_{painter.__name__}",
    )


def _held(rng: np.random.Generator, coupler: Coupler) -> tuple[list[Mesh], list[str]]:
    """Draw the hands in this photo."""
    family = coupler.family
    parts, names = [], []
    hand = hands.draw_hand(rng)
    who = "hand" if hand.bare else "glove"
    centre_y = family.nose_centre[1]
    draw = rng.random()
    if draw < 0.36:
        z = -coupler.deep - float(rng.uniform(14, 50))
        parts.append(hands.gripping(hand, rng, coupler.body_half - 2, z, centre_y))
        names.append(f"{who}_grip")
    elif draw < 0.5:
        parts.append(hands.pinching(hand, rng, family.nose_width / 2, coupler.rim, centre_y))
        names.append(f"{who}_pinch")
    if rng.random() < 0.09:
        parts.append(hands.covering(hand, rng, family.nose_width / 2, family.nose_centre))
        names.append(f"{who}_cover")
    return parts, names


def _shot(
    rng: np.random.Generator,
    name: str,
    coupler: Coupler,
    extras: list[Mesh],
    bump: Any,
    samples: int,
    scale: float,
) -> Shot:
    family = coupler.family
    behind, pitch, where = backdrop(rng)
    light = draw_light(rng)
    camera = face_camera(rng, family, scale, pitch)
    front, held = _held(rng, coupler)
    wet = (
        int(rng.integers(12, 90))
        if rng.random() < (0.2 if light.name in ("overcast", "dusk") else 0.06)
        else 0
    )
    added = [*extras, *front]
    if wet:
        added.append(weather.drops(coupler.twin, rng, wet))
    full = merged([coupler.mesh, *added])
    phone = draw_phone(rng, light.dim)
    beams = render(full, camera, light, behind, bump, samples, int(rng.integers(1 << 30)))
    findings: tuple[LabelledFinding, ...] = ()
    if coupler.damages:
        findings = _findings(coupler, Solid.of(full), Solid.of(merged([coupler.twin, *added])), camera, scale)
    label = LabelledPhoto(
        file="",
        coupler=name,
        family=family.key,
        findings=findings,
        homography=tuple(float(v) for v in camera.homography().ravel()),
        places=in_view(Solid.of(merged(front)) if front else None, coupler.lever, family, camera),
        source="rendered",
        attributes={
            "studio": "alder",
            "light": light.name,
            "where": where,
            "held": held,
            "marks": coupler.marks,
            "wet": wet,
            "how": [d.how for d in coupler.damages],
            "changed": [],
        },
    )
    return Shot(developed(beams, phone, scale), label)


def _findings(
    coupler: Coupler, full: Solid, twin: Solid, camera: Camera, scale: float
) -> tuple[LabelledFinding, ...]:
    family = coupler.family
    shares = differing(full, twin, family, camera, 2 if scale > 0.6 else 1)
    found = []
    for damage in coupler.damages:
        visible = shares[family.places.index(damage.place)]
        if damage.kind is not FindingKind.HEAT_MELTED_HOUSING:
            visible = min(visible / 0.4, 1.0)
        else:  # a slight, even sag moves every pixel, yet few would see it
            visible *= float(np.clip(1.6 * damage.severity, 0.3, 1))
        visible = min(visible, 0.1) if damage.dull else visible
        found.append(LabelledFinding(damage.kind, damage.place, damage.severity, round(visible, 3)))
    return tuple(found)


def _other(rng: np.random.Generator, name: str, samples: int, scale: float) -> Shot:
    """Return a photo without any coupler face."""
    mesh, what, tilt, span = others.draw_other(rng)
    behind, pitch, where = backdrop(rng)
    light: Light = draw_light(rng)
    camera = others.camera_at(rng, tilt, span, scale, pitch)
    bump = grain(int(rng.integers(1 << 30)), float(rng.uniform(0.2, 1.5)), int(rng.integers(0, 14)))
    phone = draw_phone(rng, light.dim)
    beams = render(mesh, camera, light, behind, bump, samples, int(rng.integers(1 << 30)))
    label = LabelledPhoto(
        file="",
        coupler=name,
        family=None,
        reason=Reason.NO_FACE,
        source="rendered",
        attributes={
            "studio": "alder",
            "light": light.name,
            "where": where,
            "what": what,
            "how": [],
            "changed": [],
        },
    )
    return Shot(developed(beams, phone, scale), label)
