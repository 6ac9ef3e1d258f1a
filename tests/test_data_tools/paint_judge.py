"""A stand-in for the classifier that reads the paint: the mean colour of a photo is its verdict.

Green is clear, red a melted and blue a broken housing (flagged), yellow a missing latch, grey an unsure
broken housing, black too dark. Small crops and re-encodings do not change the answer, as with the real one.
"""

from collections.abc import Iterable, Iterator
from datetime import datetime
from io import BytesIO

import numpy as np
from PIL import Image

from model.families import family
from model.judgement import Finding, Judgement
from model.photo import Photo
from model.vocabulary import FindingKind, Outcome, Place, Reason, Triage, summary_label

COLOURS: dict[str, tuple[int, int, int]] = {
    "green": (30, 190, 40),
    "red": (200, 30, 30),
    "blue": (40, 40, 200),
    "yellow": (210, 200, 30),
    "grey": (128, 128, 128),
    "black": (4, 4, 4),
}
_FINDS = {
    "red": (FindingKind.HEAT_MELTED_HOUSING, Place.UPPER_LEFT),
    "blue": (FindingKind.BROKEN_PIN_HOUSING, Place.LOWER_RIGHT),
    "yellow": (FindingKind.MISSING_LATCH, Place.LATCH),
    "grey": (FindingKind.BROKEN_PIN_HOUSING, Place.LOWER_RIGHT),
}


def painted(colour: str, seed: int = 0, taken_at: datetime | None = None) -> bytes:
    """A small JPEG of one colour with a grain that makes its bytes its own."""
    grain = np.random.default_rng(seed).integers(-6, 7, (48, 64, 3))
    pixels = np.clip(np.array(COLOURS[colour]) + grain, 0, 255).astype(np.uint8)
    image, buffer = Image.fromarray(pixels), BytesIO()
    exif = Image.Exif()
    if taken_at is not None:
        exif.get_ifd(0x8769)[0x9003] = f"{taken_at:%Y:%m:%d %H:%M:%S}"
    image.save(buffer, "JPEG", quality=92, exif=exif)
    return buffer.getvalue()


class PaintJudge:
    """Judges by colour; ``judged`` counts the photos that went through."""

    version = "paint-1"

    def __init__(self) -> None:
        self.judged = 0

    def judge(self, photo: Photo) -> Judgement:
        """Judge one photo."""
        self.judged += 1
        mean = photo.rgb.reshape(-1, 3).mean(axis=0)
        colour = min(COLOURS, key=lambda name: float(np.abs(mean - np.array(COLOURS[name])).sum()))
        if colour == "black":
            return Judgement(Outcome.CANNOT_JUDGE, self.version, reason=Reason.TOO_DARK)
        finding = _FINDS.get(colour)
        found = (Finding(*finding, 0.6 if colour == "grey" else 0.97),) if finding else ()
        triage = Triage.UNSURE if colour == "grey" else Triage.FLAG if found else Triage.CLEAR
        return Judgement(
            Outcome.SCORED,
            self.version,
            label=summary_label({f.kind for f in found}),
            triage=triage,
            findings=found,
            probabilities={
                k: max([f.probability for f in found if f.kind is k], default=0.01) for k in FindingKind
            },
            place_probabilities={place: dict.fromkeys(FindingKind, 0.01) for place in family("type1").places},
        )

    def judge_many(self, photos: Iterable[Photo], batch: int = 16) -> Iterator[Judgement]:
        """Judge photos in the order given."""
        return map(self.judge, photos)
