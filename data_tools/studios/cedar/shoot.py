"""From a seed to photos: subject, setting, views, hands; render, develop, label."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from data_tools.studios.cedar import body as bodies
from data_tools.studios.cedar import dirt, elsewhere, hands, phone, stage, truth
from data_tools.studios.cedar.camera import View, draw_view
from data_tools.studios.cedar.meshes import Mesh, tube
from data_tools.studios.cedar.setting import Setting, draw_setting
from data_tools.studios.cedar.subject import Subject, draw_subject
from data_tools.studios.shot import Shot
from model.families import TYPE1, Family
from model.manifest import LabelledFinding, LabelledPhoto
from model.vocabulary import Place, Reason

Picture = NDArray[np.uint8]
NAME = "cedar"
CAST = 0.5
"""Rays for the truth are cast at this share of the picture's size."""


@dataclass(frozen=True)
class _Moment:
    """One photo's camera, hands and phone."""

    view: View
    cover: list[Mesh]
    phone: phone.Phone
    hands: list[str]
    noise: int


def _cover(rng: np.random.Generator, s: Subject, skin: hands.Skin) -> tuple[list[Mesh], list[str]]:
    """Draw hands and cables round the coupler."""
    parts: list[Mesh] = []
    names: list[str] = []
    cx, cy = s.family.nose_centre
    lift = 5.0 if s.family.has_latch else 0.0
    half = np.array(
        [s.family.nose_width / 2 + s.body.flange, s.family.nose_height / 2 + s.body.flange + lift]
    )
    chance = rng.random()
    if chance < 0.38:
        near = rng.random() < 0.3
        axes = np.array([s.family.nose_width, s.family.nose_height]) / 2 if near else half
        front = -3.0 if near and not s.family.has_latch else -s.body.nose
        centre = np.array([cx, cy + (0 if near else lift)])
        parts.append(hands.hand(hands.holding(rng, centre, axes, front), skin, rng))
        names.append("holding")
    if rng.random() < 0.15:
        target = np.array([cx, cy, max(s.body.rim, 0.0)])
        if s.latch is not None and rng.random() < 0.3:
            target = np.array([rng.uniform(-6, 6), s.latch.height, s.latch.front + 1])
        elif rng.random() < 0.7:
            sleeve = s.sleeves[int(rng.integers(len(s.sleeves)))]
            target[:2] = (sleeve.x + rng.normal(0, 5), sleeve.y + rng.normal(0, 5))
        else:
            angle = rng.uniform(0, 6.28)
            target[:2] += half * [np.cos(angle), np.sin(angle)] * rng.uniform(0.7, 1.0)
        parts.append(hands.hand(hands.pointing(rng, target, int(rng.choice([1, 1, 2]))), skin, rng))
        names.append("pointing")
    if rng.random() < 0.05:
        parts.append(dirt.lying_cable(rng, float(rng.uniform(16, 34) * rng.choice([-1, 1])), 14.0))
        names.append("cable in front")
    return parts, names


def _cable(rng: np.random.Generator, s: Subject, up: np.ndarray) -> Mesh:
    path = bodies.cable_path(s.body, s.family, -up)
    colour = ((0.02, 0.02, 0.02), (0.65, 0.3, 0.02), (0.3, 0.3, 0.3), (0.03, 0.1, 0.35))[int(rng.integers(4))]
    radius = np.full(len(path), rng.uniform(6, 11), np.float32)
    return tube(path, radius, 20, colour, float(rng.uniform(0.4, 0.8)), 4)


def _face_in_pixels(view: View, family: Family) -> tuple[float, float, float]:
    centre = np.array([*family.nose_centre, 0.0])
    ends = view.project(np.stack([centre, centre + [family.nose_width / 2, 0, 0]]))
    return float(ends[0, 0]), float(ends[0, 1]), float(np.linalg.norm(ends[1] - ends[0]))


def _light_attributes(place: Setting, moment: _Moment) -> dict[str, Any]:
    return {
        "studio": NAME,
        "light": place.light.kind,
        "flash": place.light.flash > 0,
        "setting": place.kind,
        "ground": place.names[0],
        "behind": place.names[1],
        "snow": place.snow,
        "hands": moment.hands,
        "tilt": round(float(np.degrees(np.arccos(np.clip(-moment.view.axes()[2][2], -1, 1)))), 1),
        "quality": moment.phone.quality,
    }


def _findings(
    s: Subject, view: View, pair: tuple[stage.Cast, stage.Cast], places: dict[Place, float], picture: Picture
) -> tuple[LabelledFinding, ...]:
    result = []
    for f in s.findings:
        share = truth.how_visible(view, s.family, f, pair, s.style.floor, places[f.place], picture)
        result.append(LabelledFinding(f.kind, f.place, f.severity, round(share, 3)))
    return tuple(result)


def _fixed(place: Setting, s: Subject | elsewhere.Thing) -> dict[str, Any]:
    """Return the shapes that all photos of a subject share."""
    parts = (s.plastic, s.metal)
    plastic, metal = (part if isinstance(part, Mesh) else elsewhere.joined(part) for part in parts)
    return {
        "plastic": stage.solid("plastic", plastic, 0.0, 0.5),
        "metal": stage.solid("metal", metal, 1.0, 0.5),
        "drops": stage.glass(s.drops if isinstance(s, Subject) else dirt.no_drops()),
        "ground": stage.sheet("ground", place.ground),
        "wall": stage.sheet("wall", place.wall),
    }


def _shoot(
    s: Subject, place: Setting, fixed: dict[str, Any], moment: _Moment, coupler: str, samples: int
) -> Shot:
    cover = stage.solid("cover", elsewhere.joined(moment.cover), 0.0, 0.45)
    scene = stage.lit({**fixed, "cover": cover}, place.light, place.world, moment.view)
    radiance = stage.render(scene, moment.view, samples, moment.noise)
    face = _face_in_pixels(moment.view, s.family)
    picture = phone.develop(radiance, moment.phone, face, np.random.default_rng(moment.noise))
    small = moment.view.resized(CAST)
    seen = stage.cast(scene, small)
    places = truth.places_in_view(small, s.family, s.lever_points, seen)
    findings: tuple[LabelledFinding, ...] = ()
    if s.findings:
        whole = stage.solid("plastic", s.twin, 0.0, 0.5)
        twin = stage.bare({**fixed, "plastic": whole, "cover": cover})
        findings = _findings(s, small, (seen, stage.cast(twin, small)), places, picture)
    changed = sorted({p.value for p in s.changed} - {f.place.value for f in findings})
    label = LabelledPhoto(
        file="",
        coupler=coupler,
        family=s.family.key,
        findings=findings,
        homography=moment.view.homography(),
        places=places,
        attributes={**_light_attributes(place, moment), "how": s.how, "changed": changed},
    )
    return Shot(phone.jpeg(picture, moment.phone.quality), label)


def _shoot_thing(
    kind: str, shapes: dict[str, Any], place: Setting, moment: _Moment, coupler: str, samples: int
) -> Shot:
    scene = stage.lit(shapes, place.light, place.world, moment.view)
    radiance = stage.render(scene, moment.view, samples, moment.noise)
    face = (moment.view.width / 2, moment.view.height / 2, min(moment.view.width, moment.view.height) / 3)
    picture = phone.develop(radiance, moment.phone, face, np.random.default_rng(moment.noise))
    label = LabelledPhoto(
        file="",
        coupler=coupler,
        family=None,
        reason=Reason.NO_FACE,
        attributes={**_light_attributes(place, moment), "how": [kind], "changed": []},
    )
    return Shot(phone.jpeg(picture, moment.phone.quality), label)


def photographs(rng: np.random.Generator, coupler: str, samples: int, scale: float) -> list[Shot]:
    """Return the photos of one subject drawn from ``rng``."""
    place = draw_setting(rng, 36.0)
    count = int(rng.choice([1, 2, 3], p=[0.4, 0.4, 0.2]))
    skin = hands.draw_skin(rng)
    lowest = -20.0 if place.kind == "lying" else -280.0
    dark = place.light.kind in ("dusk", "night lamps", "garage")
    if rng.random() < 0.08:
        kind, thing = elsewhere.draw_thing(rng, place.up, place.snow)
        moments = [
            _Moment(
                draw_view(rng, TYPE1, place.up, scale, lowest),
                [],
                phone.draw_phone(rng, dark),
                [],
                int(rng.integers(2**31)),
            )
            for _ in range(count)
        ]
        cover = stage.solid("cover", elsewhere.joined(thing.cover), 0.0, 0.45)
        shapes = {**_fixed(place, thing), "cover": cover}
        return [_shoot_thing(kind, shapes, place, m, coupler, samples) for m in moments]
    s = draw_subject(rng, place.up, place.snow)
    cable, fixed, shots = _cable(rng, s, place.up), _fixed(place, s), []
    for _ in range(count):
        cover, names = _cover(rng, s, skin)
        view = draw_view(rng, s.family, place.up, scale, lowest)
        moment = _Moment(view, [cable, *cover], phone.draw_phone(rng, dark), names, int(rng.integers(2**31)))
        shots.append(_shoot(s, place, fixed, moment, coupler, samples))
    return shots
