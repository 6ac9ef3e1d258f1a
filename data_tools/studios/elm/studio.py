"""From a seed to labelled photos."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from data_tools.studios.elm import coupler, things
from data_tools.studios.elm.build import Build, draw_build, nose_outline
from data_tools.studios.elm.coupler import Damages
from data_tools.studios.elm.grime import draw_grime, grain, paint
from data_tools.studios.elm.noise import Array, Rng, stream
from data_tools.studios.elm.phone import draw_phone, gain, photo_of
from data_tools.studios.elm.plan import Plan, draw_camera, draw_plan
from data_tools.studios.elm.solids import Mesh, Part, union
from data_tools.studios.elm.stage import Backdrop, Camera, Light, Stage, to_world
from data_tools.studios.elm.surroundings import draw_backdrop, draw_sky
from data_tools.studios.elm.truth import LATCH, View, differing, in_view, place_points, visibility
from data_tools.studios.shot import Shot
from model.families import Family
from model.manifest import LabelledFinding, LabelledPhoto
from model.vocabulary import FindingKind, Place, Reason


def photograph(seed: int, number: int, samples: int, scale: float) -> list[Shot]:
    """Return one or two photos of a coupler, or one of something else; see ``shot.Photograph``."""
    plan = draw_plan(stream(seed, number, "plan"))
    session = Session(plan, seed, number)
    return [session.shoot(turn, samples, scale) for turn in range(plan.photos)]


class Session:
    """One subject, its twin without damage, and the place where they are photographed."""

    def __init__(self, plan: Plan, seed: int, number: int) -> None:
        self._plan, self._key = plan, (seed, number)
        self.place, self._picture, self._rough, self._span = draw_backdrop(self._rng("backdrop"))
        self.sky, self._radiance, sun = draw_sky(self._rng("sky"), self._picture.mean((0, 1)))
        rng = self._rng("light")
        self._up = np.array([0.0, 1.0, 0.0]) + [rng.normal(0, 0.5), 0, rng.uniform(-0.3, 0.9)]
        self._spin = float(rng.normal(0, 0.4))
        self._flash = rng.random() < {"garage": 0.25, "canopy": 0.45, "dusk": 0.4}.get(self.sky, 0.05)
        self._extras = self._draw_extras(sun)
        self.build: Build | None = None
        if plan.family is None:
            self.what = str(self._rng("other").choice(things.OTHERS))
            parts = things.other(self.what, self._rng("thing"))
            self._grime = draw_grime(self._rng("grime"), ())
            self._mesh = self._twin = self._finish(parts, Damages(), 0.02)
            return
        self.what, self.build = "coupler", draw_build(plan.family, self._rng("build"))
        self._grime = draw_grime(self._rng("grime"), plan.hard)
        self._mesh = self._model(plan.family, self.build, plan.wrong)
        self._twin = self._model(plan.family, self.build, Damages()) if plan.wrong else self._mesh

    def _rng(self, name: str) -> Rng:
        return stream(*self._key, name)

    def _draw_extras(self, sun: Array | None) -> list[Part]:
        """Return what the hands and the light bring along; the same for a coupler and its twin."""
        rng, hard, family = self._rng("extras"), self._plan.hard, self._plan.family
        if family is None:
            return []
        parts = []
        if "shadow" in hard:
            towards = np.array([rng.uniform(-0.7, 0.7), rng.uniform(0.2, 0.8), 0.7]) if sun is None else sun
            towards = to_world(self._up, self._spin) @ towards if sun is not None else towards
            parts.append(things.shadow_bar(rng, towards / np.linalg.norm(towards)))
        if "finger" in hard or rng.random() < 0.2:
            parts += things.fingers(rng, family.nose_width / 2 + 10, "finger" in hard)
        return parts

    def _model(self, family: Family, build: Build, wrong: Damages) -> Mesh:
        parts = coupler.make(family, build, wrong, *self._key)
        extras = list(self._extras)
        if "wet" in self._plan.hard:
            rng = self._rng("drops")
            turn, away = rng.uniform(0, 2 * np.pi, 90), rng.uniform(0, 1, 90)
            x, y = nose_outline(family, build.power)(turn, -build.wall * np.where(away < 0.4, away * 2.2, 1))
            rim = np.stack([x, y, np.full(90, build.rim)], 1)[away < 0.3]
            tops = [
                [c.x + r * np.cos(t), c.y + r * np.sin(t), z]
                for c, (i, o), z in zip(family.contacts, build.radii, build.tops, strict=True)
                for r, t in zip(rng.uniform(i + 0.8, o - 0.6, 3), rng.uniform(0, 6.3, 3), strict=True)
            ]
            under = [build.shell] * len(rim) + [skin for skin in build.sleeves for _ in range(3)]
            extras += things.drops(rng, np.concatenate([rim, tops]), under)
        return self._finish([*parts, *extras], wrong, build.grain)

    def _finish(self, parts: list[Part], wrong: Damages, roughness: float) -> Mesh:
        mesh = union(parts)
        paint(mesh, self._grime, wrong.melt, self._rng("paint"))
        grain(mesh, roughness, self._key[1])
        return mesh

    def shoot(self, turn: int, samples: int, scale: float) -> Shot:
        """Take photo number ``turn``."""
        rng = self._rng(f"shot {turn}")
        camera = draw_camera(self._plan.family, scale, rng)
        light, backdrop = self._light(camera, rng), self._backdrop(camera)
        dim = self.sky in ("canopy", "dusk", "garage")
        phone = replace(draw_phone(rng, dim), zoom=1.0) if max(camera.size) < 400 else draw_phone(rng, dim)
        view = _look(self._mesh, backdrop, light, camera, samples, turn)
        factor = gain(view.light, phone)
        jpeg = photo_of(view.light, phone, rng)
        label = self._label(camera, {"flash": light.power > 0, "shake": round(phone.shake[0], 1)})
        if self._plan.family is None or self.build is None:
            return Shot(jpeg, label)
        twin = view
        if self._plan.wrong:
            twin = _look(self._twin, backdrop, light, camera, samples, turn)
        view, twin = (replace(v, light=v.light * factor) for v in (view, twin))
        return Shot(jpeg, self._judged(label, self._plan.family, self.build, camera, view, twin))

    def _light(self, camera: Camera, rng: Rng) -> Light:
        beside = camera.origin + camera.axes.T @ np.array([rng.choice([-9.0, 9.0]), 6.0, 0.0])
        lit = float(np.clip(self._radiance, 0, 5).mean())
        power = (
            lit * rng.uniform(0.8, 3.0) * (np.linalg.norm(camera.origin) / 200) ** 2 if self._flash else 0.0
        )
        return Light(self._radiance, self._up, self._spin, beside, float(power))

    def _backdrop(self, camera: Camera) -> Backdrop:
        """Return a rectangle that fills the view behind the subject, a little aslant."""
        rng = self._rng("behind")
        gap = (
            70.0 if self._plan.family is None else rng.choice([rng.uniform(280, 420), rng.uniform(420, 1200)])
        )
        lean = rng.uniform(-0.45, 0.45, 2)
        far = gap + np.linalg.norm(camera.origin)
        middle = camera.origin + camera.axes[2] * far
        size = far * min(camera.size) / camera.focal * 4.5
        across = camera.axes[0] + lean[0] * camera.axes[2] * 0.5
        up = camera.axes[1] + lean[1] * camera.axes[2] * 0.5
        tiles = max(1, int(size / self._span))
        picture = np.tile(self._picture, (min(tiles, 4), min(tiles, 4), 1))
        return Backdrop(middle - size * (across + up) / 2, size * across, size * up, picture, self._rough)

    def _label(self, camera: Camera, more: dict[str, Any]) -> LabelledPhoto:
        family, hard = self._plan.family, list(self._plan.hard)
        away = camera.origin - [*family.nose_centre, 0] if family else camera.origin
        tilt = np.degrees(np.arccos(away[2] / np.linalg.norm(away)))
        return LabelledPhoto(
            file="",
            coupler=f"elm-{self._key[0]}-{self._key[1]:06d}",
            family=family.key if family else None,
            reason=None if family else Reason.NO_FACE,
            source="rendered",
            attributes={
                "studio": "elm", "subject": self.what, "hard": hard, "sky": self.sky, "backdrop": self.place,
                "tilt": round(float(tilt), 1), **more,
            },
        )  # fmt: skip

    def _judged(
        self, label: LabelledPhoto, family: Family, build: Build, camera: Camera, view: View, twin: View
    ) -> LabelledPhoto:
        """Return ``label`` with the truth about places and damages in this very photo."""
        views = [in_view(camera, view, p) for p in place_points(family, build.radii, self._twin)]
        seen, findings = differing(view, twin), []
        for kind, place, severity in self._damages(family, build):
            index = LATCH if place is Place.LATCH else family.housing_places.index(place)
            visible = visibility(kind, index, view, twin, seen)
            findings.append(LabelledFinding(kind, place, round(severity, 3), round(visible, 3)))
        wrong, changed = self._plan.wrong, []
        if wrong.melt:
            heat = coupler.sleeve_heat(family, build, wrong.melt)
            changed = [p.value for p, h in zip(family.housing_places, heat, strict=True) if 0.01 < h < 0.08]
        cut = min(inside for inside, _ in views) < 0.5
        return replace(
            label,
            findings=tuple(findings),
            reason=Reason.OUT_OF_FRAME if cut else None,
            homography=tuple(float(v) for v in camera.homography().ravel()),
            places={p: round(shown, 3) for p, (_, shown) in zip(family.places, views, strict=True)},
            attributes=label.attributes | {"changed": changed},
        )

    def _damages(self, family: Family, build: Build) -> list[tuple[FindingKind, Place, float]]:
        wrong, places = self._plan.wrong, family.housing_places
        found = [(FindingKind.BROKEN_PIN_HOUSING, places[b.contact], b.severity) for b in wrong.breaks]
        if wrong.melt:
            heat = coupler.sleeve_heat(family, build, wrong.melt)
            melted = [(FindingKind.HEAT_MELTED_HOUSING, p, h) for p, h in zip(places, heat, strict=True)]
            found += [m for m in melted if m[2] >= 0.08]
        if wrong.latch:
            found.append((FindingKind.MISSING_LATCH, Place.LATCH, wrong.latch))
        return found


def _look(mesh: Mesh, backdrop: Backdrop, light: Light, camera: Camera, samples: int, seed: int) -> View:
    stage = Stage(mesh, backdrop, light)
    depth, face = stage.hits(camera)
    return View(mesh, stage.render(camera, samples, seed), depth, face)
