"""Write down what is true of one photo, as a line of the manifest."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from data_tools.rendering import ground_truth as truth
from data_tools.rendering import plan
from data_tools.rendering.camera import Array, Camera, blur_on_face_mm
from data_tools.rendering.directions import Floats
from data_tools.rendering.latch_failure import failure_of
from data_tools.rendering.light import Lighting, Surroundings
from data_tools.rendering.phone import Pixels
from data_tools.rendering.phone_look import PhoneLook
from data_tools.rendering.renderer import FirstHits
from data_tools.rendering.spec import CouplerSpec
from data_tools.rendering.subject import Model
from model.families import Family, family
from model.manifest import LabelledFinding, LabelledPhoto
from model.quality import measure
from model.vocabulary import Place, Reason


@dataclass(frozen=True)
class Take:
    """Everything that went into one photo."""

    assignment: plan.Assignment
    photo: plan.PhotoPlan
    model: Model
    camera: Camera
    place: Surroundings
    lighting: Lighting
    look: PhoneLook


@dataclass(frozen=True)
class Evidence:
    """What the renderer saw on the small grid of ``camera``: first hits; of a damaged coupler also the
    damaged and intact pair and, where the latch is missing, the intact twin's first hits."""

    camera: Camera
    hits: FirstHits
    pair: tuple[Floats, Floats] | None
    twin_hits: FirstHits | None = None


def entry(take: Take, pixels: Pixels, evidence: Evidence) -> LabelledPhoto:
    """Return the manifest line of a photo whose final picture is ``pixels``."""
    file = plan.photo_file(take.assignment, take.photo.number)
    name = take.assignment.name
    scale = np.array([pixels.shape[1] / take.camera.width, pixels.shape[0] / take.camera.height])
    facts = attributes(take, pixels, float(scale[0]))
    if take.model.spec is None:
        return LabelledPhoto(
            file, name, None, reason=Reason.NO_FACE, split=take.assignment.split, attributes=facts
        )
    shape = family(take.assignment.family)
    matrix = np.diag([*scale, 1.0]) @ take.camera.homography(shape)
    matrix = matrix / matrix[2, 2]
    places = truth.places_in_view(take.model.points, evidence.camera, evidence.hits)
    facts["quality"] = _quality(pixels, matrix, shape)
    return LabelledPhoto(
        file=file,
        coupler=name,
        family=shape.key,
        findings=_findings(take, take.model.spec, evidence, float(scale[0]), places, facts),
        reason=_reason(take, places, facts),
        homography=tuple(float(value) for value in matrix.ravel()),
        places=places,
        split=take.assignment.split,
        attributes=facts,
    )


def _findings(
    take: Take,
    spec: CouplerSpec,
    evidence: Evidence,
    scale: float,
    places: dict[Place, float],
    facts: dict[str, Any],
) -> tuple[LabelledFinding, ...]:
    """Return the findings with their visibility; note how much undamaged places differ, as a control."""
    shares = {damage.place: 0.0 for damage in spec.damages}
    if evidence.pair is not None:
        points = take.model.points
        grown = scale * take.camera.width / evidence.camera.width
        regions: dict[Place, truth.Region] = {}
        if evidence.twin_hits is not None:
            regions[Place.LATCH] = truth.hook_region(
                evidence.hits, evidence.twin_hits, evidence.camera, places[Place.LATCH]
            )
        found = truth.visibility(points, evidence.pair, evidence.camera, take.look, points, grown, regions)
        elsewhere = {place: share for place, share in zip(points, found, strict=True) if place not in shares}
        facts["visible_elsewhere"] = max(elsewhere.values(), default=0.0)
        # Heat softens more than the record names: such a place is neither damaged nor good to learn from.
        facts["changed"] = [place.value for place, share in elsewhere.items() if share >= truth.CHANGED_FROM]
        shares = dict(zip(points, found, strict=True))
    failure = failure_of(spec)
    if failure is not None and failure.passes_for_intact:
        shares[Place.LATCH] = min(shares[Place.LATCH], truth.PASSES_FOR_INTACT)
    return tuple(
        LabelledFinding(
            damage.kind,
            damage.place,
            round(damage.severity, 4),
            truth.of_damage(damage, shares[damage.place], spec.damages),
        )
        for damage in spec.damages
    )


def _quality(pixels: Pixels, matrix: Array, shape: Family) -> dict[str, Any]:
    report = measure(pixels, matrix, shape)
    measures: dict[str, Any] = {name: round(float(value), 3) for name, value in report.measures.items()}
    return measures | {"reason": report.reason.value if report.reason else None}


def _reason(take: Take, places: dict[Place, float], facts: dict[str, Any]) -> Reason | None:
    """Return why the photo is unusable. Size and light are judged by the product's own limits on the true
    face, blur and cover by what the generator knows."""
    measured = facts["quality"]["reason"]
    outside = min(truth.share_in_frame(points, take.camera) for points in take.model.points.values()) < 0.7
    return truth.first_reason(
        [
            (take.photo.fault is Reason.SEVERAL_FACES, Reason.SEVERAL_FACES),
            (measured == Reason.OUT_OF_FRAME or outside, Reason.OUT_OF_FRAME),
            (measured == Reason.TOO_SMALL, Reason.TOO_SMALL),
            (measured == Reason.TOO_DARK, Reason.TOO_DARK),
            (measured == Reason.TOO_BRIGHT, Reason.TOO_BRIGHT),
            (truth.is_hidden(places), Reason.HIDDEN),
            (facts["blur_sd_mm"] > truth.BLUR_LIMIT_MM, Reason.TOO_BLURRED),
        ]
    )


def attributes(take: Take, pixels: Pixels, scale: float) -> dict[str, Any]:
    """Return the facts reports slice by: where the photo comes from, light, camera, build, confounders."""
    camera, look, shape = take.camera, take.look, family(take.assignment.family)
    defocus = blur_on_face_mm(camera, shape)
    facts: dict[str, Any] = {
        "generator": plan.GENERATOR_VERSION,
        "domain": take.assignment.domain.value,
        "seed": take.assignment.seed,
        "index": take.assignment.index,
        "photo": take.photo.number,
        "subject": take.model.kind,
        "fault": take.photo.fault.value if take.photo.fault else None,
        "surroundings": take.place.key,
        "light": take.place.kind,
        "flash_share": round(take.lighting.flash_share, 3),
        "photographer": round(take.lighting.photographer, 3),
        "width": int(pixels.shape[1]),
        "height": int(pixels.shape[0]),
        "focal_mm": round(camera.focal_equivalent_mm, 1),
        "distance_mm": round(camera.distance_mm, 1),
        "tilt_deg": round(camera.tilt_deg, 1),
        "roll_deg": round(camera.roll_deg, 1),
        "aperture_mm": round(camera.aperture_mm, 2),
        "distortion": round(camera.distortion, 4),
        "px_per_mm": round(camera.px_per_mm * scale, 3),
        "defocus_mm": round(defocus, 3),
        "motion_px": round(look.motion_px, 2),
        "blur_sd_mm": round(truth.blur_sd_mm(defocus, look.motion_px, camera.px_per_mm), 3),
        "exposure_ev": round(look.exposure_ev, 2),
        "noise": round(look.noise, 4),
        "sharpen": round(look.sharpen, 2),
        "curve": look.curve,
        "codec": look.codec,
        "quality_setting": look.quality,
        "cover": take.photo.cover,
        "style": take.photo.style,
        "confounders": confounders(take),
    }
    if take.model.spec is not None:
        facts |= _coupler_facts(take.model.spec)
    return facts


def _coupler_facts(spec: CouplerSpec) -> dict[str, Any]:
    return {
        "coupler_seed": spec.seed,
        "build": _plain(spec.build),
        "finish": _plain(spec.finish),
        "modes": [damage.mode for damage in spec.damages],
    }


def _plain(record: dict[str, Any]) -> dict[str, Any]:
    """Keep what slices well: words, whole numbers and rounded lengths, no long lists."""
    kept: dict[str, Any] = {}
    for key, value in record.items():
        if isinstance(value, bool | str | int):
            kept[key] = value
        elif isinstance(value, float):
            kept[key] = round(value, 3)
        elif isinstance(value, list | tuple) and len(value) == 3 and all(isinstance(v, float) for v in value):
            kept[key] = [round(v, 4) for v in value]
    return kept


def confounders(take: Take) -> list[str]:
    """Name what could be mistaken for damage, or hide it, in this photo."""
    spec = take.model.spec if take.photo.style != "flat" else None
    found = _soiling(spec.soiling) if spec is not None else []
    if spec is not None:
        found += sorted({f"mouth_{design['kind']}" for design in spec.build.get("mouths", ())})
        found += [name for name, trait in (("tips", "tip"), ("flakes", "flakes")) if spec.finish.get(trait)]
    found += [
        name for name, amount in (("wet", take.photo.wetness), ("fresh_dust", take.photo.dust)) if amount
    ]
    if take.photo.cover != "none":
        found.append(f"props_{take.photo.cover}")
    if take.lighting.flash_share > 0.5:
        found.append("flash")
    if take.place.kind in ("clear", "low_sun"):
        found.append("sun")
    return found


def _soiling(soiling: dict[str, Any]) -> list[str]:
    """Name the kinds of soiling that are there: amounts over 0.05, and lists that are not empty."""
    found = []
    for key, value in sorted(soiling.items()):
        amount = value.get("amount", 0.0) if isinstance(value, dict) else value
        if key == "marks":
            found += sorted({f"mark_{mark[0]}" for mark in value})
        elif isinstance(amount, list):
            found += [] if key.endswith("_rgb") or not amount else [key]
        elif not key.endswith("_up") and amount > 0.05:
            found.append(key)
    return found
