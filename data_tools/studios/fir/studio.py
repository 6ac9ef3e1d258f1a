"""One subject from the first draw to its photos: what it is, what happened to it, where, and its truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from data_tools.studios.film import expose
from data_tools.studios.fir import coupler, others, paint
from data_tools.studios.fir.breaks import latch_break, sleeve_break
from data_tools.studios.fir.coupler import Cut
from data_tools.studios.fir.heat import Melt, draw_melt, neighbours, softened
from data_tools.studios.fir.make import Make, draw_make
from data_tools.studios.fir.phone import Phone, calmed, draw_phone, finger_mask, metered, photo, seen
from data_tools.studios.fir.scene import assemble, coupler_mesh, loaded
from data_tools.studios.fir.view import View, draw_view, in_view, outlines, projected
from data_tools.studios.fir.world import World, draw_world
from data_tools.studios.shot import Shot
from model.families import TYPE1, TYPE2
from model.manifest import LabelledFinding, LabelledPhoto
from model.vocabulary import FindingKind, Place, Reason

_SALT = 0xF1125
_OTHER, _DAMAGED, _TWO_DAMAGES, _TWO_PHOTOS = 0.1, 0.5, 0.2, 0.25
_TOLD_APART, _SURE = 0.03, 0.09
"""Differences (sRGB, 0..1) that nobody and that everybody sees between a photo and its undamaged twin."""
_HALF_TOLD = 0.4
"""Share of a place that a break must change to count as wholly visible."""
_BLUR = 1.6
"""Width (pixels of the small pictures) of what takes the noise out before photo and twin are compared."""
_SUBTLE, _PLAIN_BREAK, _PLAIN_MELT = 0.12, 3.0, 1.3
"""Up to which severity nobody tells a damage without the twin, and how fast that changes above it."""
_FLASH = 9e3
"""Strength of a phone's flash; mm are the unit of length."""


@dataclass(frozen=True)
class Damage:
    """What happened to a coupler: findings (of unknown visibility), cuts, melts, and words for reports."""

    findings: tuple[LabelledFinding, ...] = ()
    cuts: tuple[tuple[Place, Cut], ...] = ()
    melts: tuple[Melt, ...] = ()
    ways: tuple[str, ...] = ()


def draw_damage(rng: np.random.Generator, make: Make) -> Damage:
    """Draw nothing, one damage or two."""
    damage = Damage()
    if rng.random() >= _DAMAGED:
        return damage
    kinds = [FindingKind.BROKEN_PIN_HOUSING, FindingKind.HEAT_MELTED_HOUSING]
    kinds += [FindingKind.MISSING_LATCH] if make.hook else []
    chosen = rng.permutation(len(kinds))[: 2 if rng.random() < _TWO_DAMAGES else 1]
    for k in chosen:
        damage = damaged(rng, make, damage, kinds[k], rng.uniform(0.1, 1.0))
    return damage


def damaged(
    rng: np.random.Generator,
    make: Make,
    before: Damage,
    kind: FindingKind,
    severity: float,
    place: Place | None = None,
) -> Damage:
    """Return the damage with one more kind of it, at a place or at one that is drawn."""
    severity = round(severity, 3)
    free = [c for c in make.family.contacts if c.place not in {f.place for f in before.findings}]
    contact = next((c for c in free if c.place is place), free[rng.integers(len(free))])
    if kind is FindingKind.MISSING_LATCH and make.hook is not None:
        snapped = latch_break(rng, make, make.hook, severity)
        return _plus(
            before,
            [LabelledFinding(kind, Place.LATCH, severity)],
            [(Place.LATCH, snapped.cut)],
            [],
            snapped.way,
        )
    if kind is FindingKind.BROKEN_PIN_HOUSING:
        broken = sleeve_break(rng, make, contact, severity)
        return _plus(
            before,
            [LabelledFinding(kind, contact.place, severity)],
            [(contact.place, broken.cut)],
            [],
            broken.way,
        )
    melt = draw_melt(rng, make, contact, severity)
    findings, cuts, melts = (
        [LabelledFinding(kind, contact.place, severity)],
        [(contact.place, softened(rng, make, melt))],
        [melt],
    )
    taken = {f.place for f in before.findings}
    for other in neighbours(make, contact.place)[: rng.integers(0, 3) if severity > 0.45 else 0]:
        less = round(severity * rng.uniform(0.35, 0.95), 3)
        if less > 0.1 and other.place not in taken:
            also = replace(draw_melt(rng, make, other, less), down=melt.down, colouring=melt.colouring)
            findings.append(LabelledFinding(kind, other.place, less))
            cuts.append((other.place, softened(rng, make, also)))
            melts.append(also)
    return _plus(before, findings, cuts, melts, f"melt {melt.colouring}")


def _plus(
    before: Damage,
    findings: list[LabelledFinding],
    cuts: list[tuple[Place, Cut]],
    melts: list[Melt],
    way: str,
) -> Damage:
    return Damage(
        (*before.findings, *findings), (*before.cuts, *cuts), (*before.melts, *melts), (*before.ways, way)
    )


def photograph(seed: int, number: int, samples: int, scale: float) -> list[Shot]:
    """Return the photos of one subject; see ``data_tools.studios.shot``."""
    rng = np.random.default_rng([_SALT, seed, number])
    name = f"fir-{seed}-{number:06d}"
    make = draw_make(rng, TYPE1 if rng.random() < 0.5 else TYPE2)
    if rng.random() < _OTHER:
        return _other_thing(rng, make, name, samples, scale)
    damage = draw_damage(rng, make)
    coat = paint.draw_coat(rng, make.family.contact_centres(), make.grain)
    world = draw_world(rng, coupler.grip_path(make))
    subject = Subject(make, damage, coat, world)
    views = [draw_view(rng, make.family, scale) for _ in range(2 if rng.random() < _TWO_PHOTOS else 1)]
    shots = []
    for view in views:
        phone = draw_phone(rng, world.light)
        shots.append(subject.shot(view, phone, name, samples, int(rng.integers(2**31))))
    return shots


@dataclass
class Subject:
    """A coupler in its place, to be photographed."""

    make: Make
    damage: Damage
    coat: paint.Coat
    world: World

    def __post_init__(self) -> None:
        self._around = [loaded(mesh) for mesh in self.world.meshes]
        self.true = self._coupler(self.damage)
        self.twin = self._coupler(Damage()) if self.damage.findings else None

    def _coupler(self, damage: Damage) -> Any:
        parts = coupler.build(self.make, dict(damage.cuts))
        return loaded(coupler_mesh(self.make, parts, list(damage.melts), self.coat))

    def light(self, mesh: Any, view: View, samples: int, seed: int) -> NDArray[np.float32]:
        """Return the light (linear, H x W x 3) that a view gets with this mesh for the coupler."""
        return _light(self.world, [mesh, *self._around], view, samples, seed)

    def shot(self, view: View, phone: Phone, name: str, samples: int, seed: int) -> Shot:
        """Take one photo and say what is true of it."""
        light = self.light(self.true, view, samples, seed)
        gain = metered(light, phone)
        places = in_view(view, self.make.family, self.world.near, finger_mask(phone, view.size))
        findings = self.judged(view, phone, gain, samples, seed) if self.twin is not None else ()
        matrix = view.homography()
        label = LabelledPhoto(
            file="", coupler=name, family=self.make.family.key, findings=findings,
            homography=tuple(float(v) for v in (matrix / matrix[2, 2]).ravel()), places=places,
            attributes={"studio": "fir", "light": self.world.light, "ways": list(self.damage.ways),
                        "mouth": self.make.mouth, "hook": self.make.hook.front if self.make.hook else None},
        )  # fmt: skip
        return Shot(photo(light, phone, gain), label)

    def judged(
        self, view: View, phone: Phone, gain: float, samples: int, seed: int
    ) -> tuple[LabelledFinding, ...]:
        """Return the findings with how much of each this view shows, by comparison with the twin."""
        small = view.smaller(0.6)
        true, twin = (
            cv2.GaussianBlur(seen(self.light(mesh, small, samples, seed), phone, gain), (0, 0), _BLUR)
            for mesh in (self.true, self.twin)
        )
        # In the dark smaller differences are seen; most of the picture is the same in both: that is noise.
        apart = np.abs(true - twin).max(2) * 0.6 / (0.25 + twin.mean(2))
        floor = phone.noise / 2 + 2 * float(np.median(apart))
        told = np.clip((apart - _TOLD_APART - floor) / (_SURE - _TOLD_APART), 0, 1)
        return tuple(replace(f, visible=self._visible(f, small, told)) for f in self.damage.findings)

    def _visible(self, finding: LabelledFinding, view: View, told: NDArray[np.float32]) -> float:
        outline = outlines(self.make.family)[finding.place]
        matrix, mask = view.homography(), np.zeros(told.shape, np.uint8)
        latch, hook = self.make.family.latch_surroundings, self.make.hook
        at_latch = finding.place is Place.LATCH and latch is not None and hook is not None
        reach = latch.corners() if at_latch and latch else outline
        cv2.fillPoly(mask, [np.round(projected(matrix, reach) * 16).astype(np.int32)], 1, shift=4)
        area = abs(cv2.contourArea(projected(matrix, outline).astype(np.float32)))
        if at_latch and hook is not None:  # the hook fills only part of its zone
            area *= hook.width * (hook.thick + hook.barb) / 400
        broken = finding.kind is not FindingKind.HEAT_MELTED_HOUSING
        share = float((told * mask).sum()) / max(area * (_HALF_TOLD if broken else 1.0), 1.0)
        told_alone = 0.1 + (_PLAIN_BREAK if broken else _PLAIN_MELT) * max(finding.severity - _SUBTLE, 0)
        return round(min(share, told_alone, 1.0), 2)


def _light(world: World, meshes: list[Any], view: View, samples: int, seed: int) -> NDArray[np.float32]:
    flash = (view.eye + 9 * np.cross(view.ahead, view.up), _FLASH) if world.light == "flash" else None
    return calmed(
        expose(assemble(meshes, world.sky, world.turn, flash), view.sensor(), view.size, samples, seed)
    )


def _other_thing(rng: np.random.Generator, make: Make, name: str, samples: int, scale: float) -> list[Shot]:
    coat = paint.draw_coat(rng, make.family.contact_centres(), make.grain)
    kind = others.THINGS[rng.integers(len(others.THINGS))]
    whole = kind == "away"
    world = draw_world(rng, coupler.grip_path(make) if whole or kind == "nothing" else None)
    parts = coupler.build(make, {}) if whole else others.build(rng, kind, make) if kind != "nothing" else []
    meshes = [loaded(coupler_mesh(make, parts, [], coat))] if parts else []
    view, phone = draw_view(rng, make.family, scale, away=whole), draw_phone(rng, world.light)
    light = _light(
        world, [*meshes, *(loaded(m) for m in world.meshes)], view, samples, int(rng.integers(2**31))
    )
    label = LabelledPhoto(
        file="", coupler=name, family=None, reason=Reason.NO_FACE,
        attributes={"studio": "fir", "light": world.light, "thing": kind},
    )  # fmt: skip
    return [Shot(photo(light, phone, metered(light, phone)), label)]
