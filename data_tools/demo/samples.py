"""Photos for the demo from a labelled set: which photo shows what is wished, and honest variants of it.

A variant is the same photo slightly cropped, a little lighter or darker, and encoded again: what a phone
might have made of the same view a moment later. Its capture time is the one of the story. The labels of the
set tell what it truly shows; verdicts are for the model to compute.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from io import BytesIO
from pathlib import Path

import numpy as np
from PIL import Image, ImageEnhance

from model.errors import ManifestError
from model.manifest import LabelledPhoto, read_manifest
from model.photo import open_photo
from model.vocabulary import FindingKind, Place, Reason

MANIFEST = "manifest.jsonl"
MIN_VISIBLE = 0.15
"""A damage of which less than this can be seen counts as not shown."""
MAX_CROP = 0.025
_EXIF, _TIME_ORIGINAL = 0x8769, 0x9003


@dataclass(frozen=True)
class Shown:
    """A physical coupler of the labelled set (or no coupler) with its photos, all of the same truth."""

    photos: tuple[LabelledPhoto, ...]

    @property
    def name(self) -> str:
        """Return the name of the physical coupler."""
        return self.photos[0].coupler

    @property
    def truth(self) -> frozenset[tuple[FindingKind, Place]]:
        """Return what is damaged on it, and where."""
        return frozenset(
            (f.kind, f.place) for photo in self.photos for f in photo.findings if f.visible >= MIN_VISIBLE
        )


class SampleBook:
    """The labelled set, sorted by what its photos show."""

    def __init__(self, folder: Path) -> None:
        """Read the manifest in ``folder``.

        Raises:
            ManifestError: it is missing or unreadable, names a photo that is not there, or holds no
                intact Type 1 coupler.
        """
        self.folder = folder
        good: dict[str, list[LabelledPhoto]] = defaultdict(list)
        bad: list[LabelledPhoto] = []
        for photo in read_manifest(folder / MANIFEST):
            if not (folder / photo.file).is_file():
                raise ManifestError(
                    "every photo of the samples", f"no {photo.file}", "Make the samples again."
                )
            if photo.reason is not None or photo.family is None:
                bad.append(photo)
            else:
                good[photo.coupler].append(photo)
        self._couplers = [Shown(tuple(photos)) for _, photos in sorted(good.items())]
        self._unusable = sorted(bad, key=lambda photo: photo.file)
        self._cache: dict[str, Image.Image] = {}
        if not self.intact("type1"):
            raise ManifestError(
                "an intact Type 1 coupler among the samples", f"none in {folder}", "Make the samples again."
            )

    def intact(self, family: str) -> list[Shown]:
        """Return the undamaged couplers of a family."""
        return [c for c in self._couplers if c.photos[0].family == family and not _any_finding(c)]

    def damaged(self, family: str, kind: FindingKind) -> list[Shown]:
        """Return the couplers of a family that show damage of ``kind`` and of no other kind."""
        return [
            c
            for c in self._couplers
            if c.photos[0].family == family and {k for k, _ in c.truth} == {kind} and _all_visible(c, kind)
        ]

    def unusable(self) -> list[LabelledPhoto]:
        """Return the photos of couplers that nobody can judge (of anything else where there are none)."""
        couplers = [photo for photo in self._unusable if photo.reason is not Reason.NO_FACE]
        return couplers or self._unusable

    def variant(self, photo: LabelledPhoto, seed: Sequence[int], taken_at: datetime) -> bytes:
        """Return a JPEG of ``photo`` as if taken again at ``taken_at`` (local time); the seed fixes it."""
        random = np.random.default_rng(seed)
        image = self._opened(photo)
        image = _cropped(image, random)
        image = ImageEnhance.Brightness(image).enhance(random.uniform(0.96, 1.04))
        exif = Image.Exif()
        exif.get_ifd(_EXIF)[_TIME_ORIGINAL] = f"{taken_at:%Y:%m:%d %H:%M:%S}"
        buffer = BytesIO()
        image.save(buffer, "JPEG", quality=int(random.integers(84, 92)), exif=exif)
        return buffer.getvalue()

    def _opened(self, photo: LabelledPhoto) -> Image.Image:
        if photo.file not in self._cache:
            self._cache[photo.file] = Image.fromarray(open_photo(self.folder / photo.file).rgb)
        return self._cache[photo.file]


def common_place(candidates: Iterable[Shown], kind: FindingKind) -> Place | None:
    """Return the place at which most candidates show ``kind`` (the first in the order of places)."""
    counts = {place: sum((kind, place) in shown.truth for shown in candidates) for place in Place}
    best = max(counts, key=lambda place: counts[place])
    return best if counts[best] else None


def _any_finding(shown: Shown) -> bool:
    return any(photo.findings for photo in shown.photos)


def _all_visible(shown: Shown, kind: FindingKind) -> bool:
    return all(
        any(f.kind is kind and f.visible >= MIN_VISIBLE for f in photo.findings) for photo in shown.photos
    )


def _cropped(image: Image.Image, random: np.random.Generator) -> Image.Image:
    left, top, right, bottom = random.uniform(0, MAX_CROP, 4)
    width, height = image.size
    return image.crop(
        (int(left * width), int(top * height), int((1 - right) * width), int((1 - bottom) * height))
    )
