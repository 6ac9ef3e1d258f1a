"""A labelled set of photos as a JSON-lines file: what the generator writes and training reads.

One line a photo, keys sorted, so that the same set gives the same bytes and one SHA-256 names it.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from model.errors import ManifestError
from model.families import FAMILIES
from model.vocabulary import FindingKind, Place, Reason


@dataclass(frozen=True)
class LabelledFinding:
    """One true damage. ``severity`` 0 (barely there) to 1 (gross); ``visible`` 0..1: how much of the
    damaged place differs from its undamaged twin in this very photo (0 = nobody can see it). For breaks 1
    is reached at 40 % of the place; what a person could not tell without the twin is capped at 0.1."""

    kind: FindingKind
    place: Place
    severity: float = 1.0
    visible: float = 1.0


@dataclass(frozen=True)
class LabelledPhoto:
    """One photo with its truth.

    ``file`` is a POSIX path relative to the manifest's folder. ``coupler`` names the physical coupler:
    splits never cut through it. ``family`` is ``None`` where no coupler face is to be found; ``reason``
    then, or for an unusable photo of a face, says why. ``homography`` maps face-plane mm to pixels of the
    upright photo (nine numbers, row-major, pixel centres at .5). ``places`` gives for each place the
    fraction of it that is in view and not hidden (0..1). ``attributes`` are for slicing reports only.
    """

    file: str
    coupler: str
    family: str | None
    findings: tuple[LabelledFinding, ...] = ()
    reason: Reason | None = None
    homography: tuple[float, ...] | None = None
    places: dict[Place, float] = field(default_factory=dict)
    split: str | None = None
    source: str = "rendered"
    attributes: dict[str, Any] = field(default_factory=dict)

    @property
    def teaches(self) -> bool:
        """Whether a network can learn from it: of a face that ought to be judged one must know where it
        lies."""
        return self.family is None or self.reason is not None or self.homography is not None

    def to_json(self) -> dict[str, Any]:
        """Return the JSON form of one manifest line."""
        return {
            "file": self.file,
            "coupler": self.coupler,
            "family": self.family,
            "findings": [
                {"kind": f.kind.value, "place": f.place.value, "severity": f.severity, "visible": f.visible}
                for f in self.findings
            ],
            "reason": self.reason.value if self.reason else None,
            "homography": list(self.homography) if self.homography is not None else None,
            "places": {place.value: value for place, value in self.places.items()},
            "split": self.split,
            "source": self.source,
            "attributes": self.attributes,
        }

    @classmethod
    def from_json(cls, line: dict[str, Any]) -> LabelledPhoto:
        """Build one entry from its JSON form; raises ``KeyError`` or ``ValueError`` on a bad line, such as
        one with a damage that its family cannot have: it would be learnt as none."""
        homography = line.get("homography")
        photo = cls(
            file=line["file"],
            coupler=line["coupler"],
            family=line["family"],
            findings=tuple(
                LabelledFinding(
                    FindingKind(f["kind"]), Place(f["place"]), f.get("severity", 1.0), f.get("visible", 1.0)
                )
                for f in line.get("findings", ())
            ),
            reason=Reason(line["reason"]) if line.get("reason") else None,
            homography=tuple(homography) if homography is not None else None,
            places={Place(k): v for k, v in line.get("places", {}).items()},
            split=line.get("split"),
            source=line.get("source", "rendered"),
            attributes=line.get("attributes", {}),
        )
        _check(photo)
        return photo


def _check(photo: LabelledPhoto) -> None:
    if photo.family is not None and photo.family not in FAMILIES:
        raise ValueError(f"no family {photo.family!r}")
    places = FAMILIES[photo.family].places if photo.family is not None else ()
    for finding in photo.findings:
        latch = finding.kind is FindingKind.MISSING_LATCH
        if finding.place not in places or latch != (finding.place is Place.LATCH):
            raise ValueError(f"{finding.kind} at {finding.place} of {photo.family or 'no face'}")
    numbers = photo.homography
    if numbers is not None and not (len(numbers) == 9 and all(map(math.isfinite, numbers))):
        raise ValueError("a homography that is not nine numbers")


def _encode(photo: LabelledPhoto) -> str:
    return json.dumps(photo.to_json(), sort_keys=True, ensure_ascii=False) + "\n"


def write_manifest(path: Path, photos: Iterable[LabelledPhoto]) -> str:
    """Write ``photos`` to ``path`` (JSON lines, UTF-8) and return the SHA-256 of the file."""
    text = "".join(_encode(photo) for photo in photos)
    path.write_text(text, encoding="utf-8")
    return hashlib.sha256(text.encode()).hexdigest()


def read_manifest(path: Path) -> list[LabelledPhoto]:
    """Read a manifest.

    Raises:
        ManifestError: the file is missing, a line is not a labelled photo (the line is named), or a coupler
            is in two splits.
    """
    photos = list(_lines(path))
    splits: dict[str, set[str]] = {}
    for photo in photos:
        splits.setdefault(photo.coupler, set()).add(photo.split or "none")
    for coupler, names in splits.items():
        if len(names) > 1:
            raise ManifestError(
                "each coupler in one split",
                f"{coupler} in {', '.join(sorted(names))} of {path.name}",
                "Give all its photos one split: those that were learnt from make the others no test.",
            )
    return photos


def _lines(path: Path) -> Iterator[LabelledPhoto]:
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ManifestError(f"a manifest at {path}", str(error), "Check the path.") from error
    for number, line in enumerate(text.split("\n"), 1):  # splitlines would also cut at U+2028 and the like
        if not line.strip():
            continue
        try:
            yield LabelledPhoto.from_json(json.loads(line))
        except (KeyError, ValueError, TypeError, AttributeError) as error:
            raise ManifestError(
                "a labelled photo on each line",
                f"line {number} of {path.name}: {error!r}",
                "Correct that line.",
            ) from error
