"""Drawn coupler photos whose truth is written into their corner, and a classifier that reads it from there.

They stand in for rendered photos and the trained model, so that the screens can be tested in seconds.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from PIL import Image, ImageDraw

from data_tools.records import TrueFinding
from model.families import TYPE1, Family
from model.judgement import Finding, Judgement, LocatedFace
from model.photo import Photo
from model.vocabulary import FindingKind, Outcome, Place, Reason, Triage, summary_label

WIDTH, HEIGHT = 1200, 900
SCALE = 9.0
CENTRE = (600.0, 520.0)
_BLOCK = 50
_LEVELS = 12
_PAINT = {FindingKind.HEAT_MELTED_HOUSING: "#4a3328", FindingKind.BROKEN_PIN_HOUSING: "#cfcabc"}


_UNSEEN = 4
"""Stands where the kind of a finding would: the place after it is not in view."""


@dataclass(frozen=True)
class Scene:
    """What a drawn photo shows, and how sure the fake is of it; ``named``: it names what it is unsure of."""

    findings: tuple[TrueFinding, ...] = ()
    triage: Triage = Triage.CLEAR
    reason: Reason | None = None
    named: bool = False
    unseen: Place | None = None

    @classmethod
    def of(
        cls, kind: FindingKind, place: Place = Place.LATCH, triage: Triage = Triage.FLAG, named: bool = False
    ) -> Scene:
        """Return a scene with one damage."""
        return cls((TrueFinding(kind, place),), triage, named=named)


def draw_photo(scene: Scene, seed: int, family: Family = TYPE1, taken_at: datetime | None = None) -> bytes:
    """Return a JPEG of 1200 x 900 px that shows ``scene``; ``seed`` makes every photo another."""
    random = np.random.default_rng(seed)
    # Grains of four pixels: drawn, packed, read and searched for a code in a fraction of the time.
    grains = random.normal(128 + seed % 40, 9, (HEIGHT // 4, WIDTH // 4, 1)) + np.array([4, 0, -6])
    small = Image.fromarray(np.clip(grains, 0, 255).astype(np.uint8))
    image = small.resize((WIDTH, HEIGHT), Image.Resampling.NEAREST)
    pen = ImageDraw.Draw(image)
    _draw_face(pen, family, scene)
    for index, level in enumerate(_code(scene)):
        shade = int(round(level * 255 / (_LEVELS - 1)))
        left = 20 + index * _BLOCK
        pen.rectangle((left, HEIGHT - 70, left + _BLOCK - 1, HEIGHT - 21), fill=(shade,) * 3)
    exif = Image.Exif()
    if taken_at is not None:
        exif.get_ifd(0x8769)[0x9003] = f"{taken_at:%Y:%m:%d %H:%M:%S}"
        exif.get_ifd(0x8769)[0x9011] = "+00:00"
    buffer = io.BytesIO()
    image.save(buffer, "JPEG", quality=88, exif=exif)
    return buffer.getvalue()


def _spot(x: float, y: float, radius: float) -> tuple[float, float, float, float]:
    px, py = CENTRE[0] + SCALE * x, CENTRE[1] - SCALE * y
    return (px - SCALE * radius, py - SCALE * radius, px + SCALE * radius, py + SCALE * radius)


def _draw_face(pen: ImageDraw.ImageDraw, family: Family, scene: Scene) -> None:
    pen.ellipse(_spot(*family.nose_centre, family.nose_width / 2 + 3), fill="#1d1f21")
    pen.ellipse(_spot(*family.nose_centre, family.nose_width / 2), fill="#2b2e31", outline="#4b5055", width=4)
    kinds = {finding.kind for finding in scene.findings}
    if family.latch_zone and FindingKind.MISSING_LATCH not in kinds:
        zone = family.latch_zone
        left, top = _spot(zone.left + 5, zone.top - 4, 0)[:2]
        right, bottom = _spot(zone.right - 5, zone.bottom, 0)[:2]
        pen.rounded_rectangle((left, top, right, bottom), 12, fill="#55595d", outline="#8a8f94", width=3)
    damage = {finding.place: finding.kind for finding in scene.findings}
    for contact in family.contacts:
        kind = damage.get(contact.place)
        pen.ellipse(
            _spot(contact.x, contact.y, contact.sleeve_diameter / 2), fill=_PAINT.get(kind, "#3d4145")
        )
        pen.ellipse(_spot(contact.x, contact.y, contact.bore_diameter / 2), fill="#b9a36b")
        if kind is FindingKind.HEAT_MELTED_HOUSING:
            pen.ellipse(_spot(contact.x + 2, contact.y - 2, contact.bore_diameter / 2 + 1), fill="#1a0f0a")


def _code(scene: Scene) -> list[int]:
    """Return the truth as levels: reason, triage, then kind and place of up to three findings."""
    reasons, triages = [None, *Reason], list(Triage)
    code = [reasons.index(scene.reason), triages.index(scene.triage) + len(triages) * scene.named]
    for finding in scene.findings:
        code += [1 + list(FindingKind).index(finding.kind), list(Place).index(finding.place)]
    if scene.unseen is not None:
        code += [_UNSEEN, list(Place).index(scene.unseen)]
    return code + [0] * (8 - len(code))


def _read(rgb: np.ndarray) -> Scene:
    scale_y, scale_x = rgb.shape[0] / HEIGHT, rgb.shape[1] / WIDTH
    levels = []
    for index in range(8):
        y, x = (HEIGHT - 45) * scale_y, (20 + (index + 0.5) * _BLOCK) * scale_x
        patch = rgb[int(y) - 4 : int(y) + 5, int(x) - 4 : int(x) + 5]
        levels.append(int(round(float(patch.mean()) * (_LEVELS - 1) / 255)))
    findings = tuple(
        TrueFinding(list(FindingKind)[kind - 1], list(Place)[place])
        for kind, place in zip(levels[2::2], levels[3::2], strict=True)
        if 1 <= kind <= 3
    )
    named, triage = divmod(levels[1], len(Triage))
    unseen = [
        list(Place)[place] for kind, place in zip(levels[2::2], levels[3::2], strict=True) if kind == _UNSEEN
    ]
    reason = [None, *Reason][min(levels[0], len(Reason))]
    return Scene(findings, list(Triage)[triage], reason, bool(named), unseen[0] if unseen else None)


class FakeClassifier:
    """Reads the truth that ``draw_photo`` wrote; other pictures show no coupler face."""

    version = "fake-1"
    decode_side = 1600

    def judge(self, photo: Photo) -> Judgement:
        """Judge one drawn photo."""
        if abs(photo.full_width / photo.full_height - WIDTH / HEIGHT) > 0.01:
            return Judgement(Outcome.CANNOT_JUDGE, self.version, reason=Reason.NO_FACE)
        scene = _read(photo.rgb)
        if scene.reason is not None:
            return Judgement(Outcome.CANNOT_JUDGE, self.version, reason=scene.reason)
        return scored(scene, photo.full_width / WIDTH, self.version)

    def judge_many(self, photos: Iterable[Photo], batch: int = 16) -> Iterator[Judgement]:
        """Judge photos in the order given."""
        return (self.judge(photo) for photo in photos)


def scored(scene: Scene, enlarged: float, version: str, family: Family = TYPE1) -> Judgement:
    """Return the judgement of a scene whose photo is ``enlarged`` times 1200 px wide."""
    sure = {Triage.CLEAR: 0.02, Triage.UNSURE: 0.42, Triage.FLAG: 0.93}[scene.triage]
    at = {(f.kind, f.place): sure for f in scene.findings}
    kinds: Sequence[FindingKind] = list(FindingKind)
    places = {
        place: {
            k: at.get((k, place), 0.01)
            for k in kinds
            if (k is FindingKind.MISSING_LATCH) == (place is Place.LATCH)
        }
        for place in family.places
    }
    shown = scene.findings if scene.triage is Triage.FLAG or scene.named else ()
    flagged = {f.kind for f in shown} if scene.triage is Triage.FLAG else set()
    s = SCALE * enlarged
    return Judgement(
        Outcome.SCORED,
        version,
        label=summary_label(flagged),
        triage=scene.triage,
        findings=tuple(Finding(f.kind, f.place, sure) for f in shown),
        probabilities={k: max([p.get(k, 0.0) for p in places.values()]) for k in kinds},
        place_probabilities=places,
        face=LocatedFace(
            family.key,
            0.97,
            (s, 0.0, CENTRE[0] * enlarged, 0.0, -s, CENTRE[1] * enlarged, 0.0, 0.0, 1.0),
            {place: place is not scene.unseen for place in family.places},
        ),
        quality={"sharpness": 1.0},
    )
