"""Flat drawings of coupler faces with exact truth: quick stand-ins for photos in tests."""

from pathlib import Path

import cv2
import numpy as np

from model.families import FAMILIES, Family
from model.geometry import project
from model.manifest import LabelledFinding, LabelledPhoto, write_manifest
from model.vocabulary import FindingKind, Place

CIRCLE = np.stack([np.cos(np.linspace(0, 2 * np.pi, 60)), np.sin(np.linspace(0, 2 * np.pi, 60))], axis=1)


def face_matrix(rng: np.random.Generator, width: int, height: int) -> np.ndarray:
    """A random view: mm to pixels, turned and slightly tilted."""
    scale, angle = rng.uniform(3, 6), rng.normal(0, 0.3)
    cos, sin = np.cos(angle) * scale, np.sin(angle) * scale
    x, y = width / 2 + rng.normal(0, 20), height / 2 + rng.normal(0, 20)
    return np.array([[cos, sin, x], [sin, -cos, y], [*rng.normal(0, 1e-3, 2), 1.0]])


def draw_face(
    family: Family, matrix: np.ndarray, size: tuple[int, int], damage: FindingKind | None
) -> np.ndarray:
    """RGB uint8 drawing; the damage is a brown blotch, a missing sector, or no latch."""
    picture = np.full((size[1], size[0], 3), 150, np.uint8)

    def fill(points: np.ndarray, colour: tuple[int, int, int]) -> None:
        cv2.fillPoly(picture, [np.round(project(matrix, points) - 0.5).astype(np.int32)], colour)

    fill(CIRCLE * [family.nose_width / 2, family.nose_height / 2] + family.nose_centre, (30, 30, 30))
    if family.has_latch and damage is not FindingKind.MISSING_LATCH:
        fill(np.array([[-5, 20], [5, 20], [5, 32], [-5, 32]]), (80, 80, 90))
    for contact in family.contacts:
        centre = np.array([contact.x, contact.y])
        fill(CIRCLE * contact.sleeve_diameter / 2 + centre, (70, 70, 70))
        fill(CIRCLE * contact.bore_diameter / 2 + centre, (200, 180, 90))
    first = np.array([family.contacts[0].x, family.contacts[0].y])
    if damage is FindingKind.HEAT_MELTED_HOUSING:
        fill(CIRCLE * 3 + first + [2, 0], (120, 60, 20))
    if damage is FindingKind.BROKEN_PIN_HOUSING:
        fill(np.array([first, first + [6, 0], first + [0, 6]]), (230, 230, 230))
    return picture


def write_drawn_set(folder: Path, count: int = 12, seed: int = 0) -> Path:
    """Write ``count`` drawings with truth into ``folder``; returns the manifest's path."""
    rng = np.random.default_rng(seed)
    kinds = [None, *FindingKind]
    photos = []
    for number in range(count):
        key = list(FAMILIES)[number % 2]
        family = FAMILIES[key]
        damage = kinds[number // 2 % 4]
        if damage is FindingKind.MISSING_LATCH and not family.has_latch:
            damage = None
        width, height = ((320, 240), (240, 320))[number % 3 == 0]
        matrix = face_matrix(rng, width, height) * [[0.6], [0.6], [1.0]]
        picture = draw_face(family, matrix, (width, height), damage)
        cv2.imwrite(str(folder / f"{number}.png"), picture[..., ::-1])
        place = Place.LATCH if damage is FindingKind.MISSING_LATCH else family.contacts[0].place
        findings = () if damage is None else (LabelledFinding(damage, place, 0.8, 0.5),)
        photos.append(
            LabelledPhoto(
                file=f"{number}.png",
                coupler=f"drawn-{number}",
                family=key,
                findings=findings,
                homography=tuple(float(v) for v in (matrix / matrix[2, 2]).ravel()),
                places=dict.fromkeys(family.places, 1.0),
                split="train",
            )
        )
    path = folder / "manifest.jsonl"
    write_manifest(path, photos)
    return path
