"""Photos a second, side by side in one run: the product's way against the plain way with the same networks.

The plain way decodes every photo whole, shrinks it with torchvision, and runs the same two networks on one
photo at a time. The product decodes at reduced scale while the networks work, and runs them in batches.
"""

from __future__ import annotations

import argparse
import io
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image

from data_tools.scoring import score_files
from model.examine import examine
from model.photo import Photo, open_photo
from model.predict import DECODE_SIDE, Classifier
from model.vocabulary import Outcome

TWELVE_MEGAPIXELS = (4000, 3000)


@dataclass(frozen=True)
class Timing:
    """Seconds for ``photos`` photos each way, for decoding alone, and on how many the answers agree."""

    photos: int
    product_seconds: float
    plain_seconds: float
    decode_seconds: float
    first_verdict_seconds: float
    same_label: int

    def text(self) -> str:
        """Return the result in one paragraph."""
        ratio = self.plain_seconds / self.product_seconds
        return (
            f"{self.photos} photos: product {self.photos / self.product_seconds:.2f} a second, plain way "
            f"{self.photos / self.plain_seconds:.2f} a second, ratio {ratio:.2f}. Decoding alone would take "
            f"{self.decode_seconds / self.product_seconds:.0%} of the product's time on one thread. First "
            f"verdict, with loading the model, after {self.first_verdict_seconds:.1f} s. Same label on "
            f"{self.same_label} of {self.photos}."
        )


def as_phone_photo(path: Path, size: tuple[int, int] = TWELVE_MEGAPIXELS) -> bytes:
    """Return the picture at ``path`` enlarged to a 12-megapixel JPEG, upright, like a phone's."""
    with Image.open(path) as image:
        wide = image.width >= image.height
        picture = image.convert("RGB").resize(size if wide else size[::-1], Image.Resampling.BICUBIC)
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=90)
    return buffer.getvalue()


def plain_labels(classifier: Classifier, files: Sequence[Path]) -> list[str]:
    """Judge one photo at a time from a full decode and a torchvision resize."""
    from torchvision.io import ImageReadMode, decode_image
    from torchvision.transforms import v2

    shrink = v2.Resize(DECODE_SIDE - 1, max_size=DECODE_SIDE, antialias=True)
    labels = []
    for path in files:
        full = decode_image(str(path), ImageReadMode.RGB)
        small = np.ascontiguousarray(shrink(full).permute(1, 2, 0).numpy())
        height, width = full.shape[1:]
        photo = Photo(small, width, height, small.shape[1] / width, None, "JPEG", "")
        judgement = classifier.read(photo, examine(classifier.model, [photo])[0])
        labels.append(_label(judgement.outcome, judgement.label))
    return labels


def _label(outcome: Outcome, label: object) -> str:
    return str(label) if outcome is Outcome.SCORED else "cannot judge"


def run(files: Sequence[Path], model: Path | None = None) -> Timing:
    """Time both ways on the same files, one after the other, in this process."""
    start = time.perf_counter()
    classifier = Classifier.load(model)
    classifier.judge(open_photo(files[0], max_side=DECODE_SIDE))
    first = time.perf_counter() - start
    start = time.perf_counter()
    ours = [_label(j.outcome, j.label) for _, j in score_files(classifier, files)]
    product = time.perf_counter() - start
    start = time.perf_counter()
    plain = plain_labels(classifier, files)
    plainly = time.perf_counter() - start
    start = time.perf_counter()
    for path in files:
        open_photo(path, max_side=DECODE_SIDE)
    decode = time.perf_counter() - start
    same = sum(a == b for a, b in zip(ours, plain, strict=True))
    return Timing(len(files), product, plainly, decode, first, same)


def main() -> None:
    """Command line: ``python -m data_tools.benchmark FOLDER [--count 100]``."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("folder", type=Path, help="photos, enlarged to 12 megapixels for the run")
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--model", type=Path)
    arguments = parser.parse_args()
    found = sorted(p for p in arguments.folder.rglob("*") if p.suffix.lower() in {".jpg", ".jpeg", ".png"})
    with tempfile.TemporaryDirectory() as folder:
        files = [Path(folder) / f"{number:04d}.jpg" for number in range(arguments.count)]
        for number, file in enumerate(files):
            file.write_bytes(as_phone_photo(found[number % len(found)]))
        print(run(files, arguments.model).text())


if __name__ == "__main__":
    main()
