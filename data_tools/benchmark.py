"""Photos a second, side by side in one run: the product's way against the plain way with the same networks.

The plain way decodes every photo whole, shrinks it with torchvision, and runs the networks as they were
trained, layer by layer, at the sizes they were taught at, on one photo at a time with PyTorch's own threads.
The product's way is ``score_files``: reduced decoding, joined layers, trimmed glances, photos spread over the
cores. Both ways take turns, block by block, so that whatever else the machine does hits both.
"""

from __future__ import annotations

import argparse
import io
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

import cv2
import numpy as np
import torch
from PIL import Image

from data_tools.scoring import score_files
from model.errors import BadRequestError, told_plainly
from model.examine import examine, look_at_conditions
from model.judgement import Judgement
from model.locate import AS_TAUGHT, locate
from model.photo import Photo, open_photo
from model.predict import DECODE_SIDE, Classifier
from model.serving import CPU_BATCH, work_alone
from model.vocabulary import Outcome

TWELVE_MEGAPIXELS = (4000, 3000)
BLOCKS = 2


@dataclass
class Way:
    """One way of judging: wall and processor seconds of each repeat, and the last repeat's labels."""

    wall: list[float] = field(default_factory=list)
    processor: list[float] = field(default_factory=list)
    labels: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Timing:
    """What was measured: both ways over ``photos`` photos, the ``shares`` of the product's work by part
    (seconds on one core for one photo), and the seconds until a new process gives its first verdict."""

    photos: int
    product: Way
    plain: Way
    shares: dict[str, float]
    cold_start: float

    def ratios(self) -> list[float]:
        """Return how many times the plain way's photos a second the product does, for each repeat."""
        return [a / b for a, b in zip(self.plain.wall, self.product.wall, strict=True)]

    def text(self) -> str:
        """Return the result in one paragraph."""
        ratios, whole = self.ratios(), sum(self.shares.values())
        work = median(self.plain.processor) / median(self.product.processor)
        same = sum(a == b for a, b in zip(self.product.labels, self.plain.labels, strict=True))
        parts = ", ".join(f"{name} {1000 * s:.0f} ms ({s / whole:.0%})" for name, s in self.shares.items())
        return (
            f"{self.photos} photos, {len(ratios)} repeats, {os.cpu_count()} cores: product "
            f"{self.photos / median(self.product.wall):.1f} a second, plain way "
            f"{self.photos / median(self.plain.wall):.1f}; ratio {median(ratios):.2f} "
            f"(from {min(ratios):.2f} to {max(ratios):.2f}), of processor time {work:.2f}. "
            f"On one core a photo takes: {parts}. "
            f"First verdict of a new process after {self.cold_start:.1f} s. "
            f"Same label on {same} of {self.photos}."
        )


def as_phone_photo(path: Path, size: tuple[int, int] = TWELVE_MEGAPIXELS) -> bytes:
    """Return the picture at ``path`` enlarged to a 12-megapixel JPEG, upright, like a phone's."""
    with Image.open(path) as image:
        wide = image.width >= image.height
        picture = image.convert("RGB").resize(size if wide else size[::-1], Image.Resampling.BICUBIC)
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=90)
    return buffer.getvalue()


def judge_plainly(classifier: Classifier, files: Sequence[Path]) -> list[Judgement]:
    """Judge one photo at a time: decoded whole, shrunk by torchvision, and shown to the networks as trained.

    OpenCV decodes, because it takes half of Pillow's time: the plain way is not made slower than it need be.
    """
    from torchvision.transforms import v2

    shrink = v2.Resize(DECODE_SIDE - 1, max_size=DECODE_SIDE, antialias=True)
    judgements = []
    for path in files:
        full = torch.from_numpy(cv2.imread(str(path), cv2.IMREAD_COLOR_RGB)).permute(2, 0, 1)
        small = np.ascontiguousarray(shrink(full).permute(1, 2, 0).numpy())
        height, width = full.shape[1:]
        photo = Photo(small, width, height, small.shape[1] / width, None, "JPEG", "")
        judgements.append(classifier.read(photo, examine(classifier.model, [photo], AS_TAUGHT)[0]))
    return judgements


def judge_by_product(classifier: Classifier, files: Sequence[Path]) -> list[Judgement]:
    """Judge as ``rounds score`` does."""
    return [judgement for _, judgement in score_files(classifier, files)]


def run(files: Sequence[Path], model: Path | None = None, repeats: int = 3) -> Timing:
    """Time both ways on the same files, in turns, in this process; then the parts and a new process."""
    classifier = Classifier.load(model)
    product, plain = Way(), Way()
    ways = ((product, judge_by_product), (plain, judge_plainly))
    for _, judge in ways:
        judge(classifier, files[:2])
    for _ in range(repeats):
        for way, _ in ways:
            way.wall.append(0.0)
            way.processor.append(0.0)
            way.labels.clear()
        for block in _blocks(files, -(-len(files) // BLOCKS)):
            for way, judge in ways:
                _time(way, judge, classifier, block)
    with ThreadPoolExecutor(1, initializer=work_alone) as one_core:
        shares = one_core.submit(parts_of_work, classifier, files).result()
    return Timing(len(files), product, plain, shares, cold_start(files[0], model))


def _blocks(files: Sequence[Path], size: int) -> list[Sequence[Path]]:
    return [files[start : start + size] for start in range(0, len(files), size)]


def _time(
    way: Way,
    judge: Callable[[Classifier, Sequence[Path]], list[Judgement]],
    classifier: Classifier,
    files: Sequence[Path],
) -> None:
    wall, processor = time.perf_counter(), time.process_time()
    judgements = judge(classifier, files)
    way.wall[-1] += time.perf_counter() - wall
    way.processor[-1] += time.process_time() - processor
    way.labels += [str(j.label) if j.outcome is Outcome.SCORED else "cannot judge" for j in judgements]


def parts_of_work(classifier: Classifier, files: Sequence[Path]) -> dict[str, float]:
    """Return the calling thread's processor seconds a photo: to decode, locate, classify, the rest."""
    spent = dict.fromkeys(("decode", "locate", "classify", "measure and read"), 0.0)
    serving = classifier.serving()
    for group in _blocks(files, CPU_BATCH):
        marks = [time.thread_time()]
        photos = [open_photo(path, max_side=DECODE_SIDE) for path in group]
        marks.append(time.thread_time())
        faces = locate(serving.locator, [photo.rgb for photo in photos])
        marks.append(time.thread_time())
        look_at_conditions(serving, photos, faces)
        marks.append(time.thread_time())
        for _ in classifier.judge_many(photos):
            pass
        marks.append(time.thread_time())
        decode, located, classified, whole = np.diff(marks)
        for part, seconds in zip(
            spent, (decode, located, classified, whole - located - classified), strict=True
        ):
            spent[part] += seconds / len(files)
    return spent


def cold_start(file: Path, model: Path | None = None) -> float:
    """Return the seconds until a new process has printed the verdict on ``file``."""
    command = [sys.executable, "-m", "data_tools.cli", "score", str(file), "--json"]
    start = time.perf_counter()
    with subprocess.Popen(
        command + (["--model", str(model)] if model else []), stdout=subprocess.PIPE
    ) as new:
        assert new.stdout is not None
        new.stdout.readline()
        return time.perf_counter() - start


@told_plainly()
def main() -> None:
    """Command line: ``python -m data_tools.benchmark FOLDER [--count 100]``."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("folder", type=Path, help="photos, enlarged to 12 megapixels for the run")
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--model", type=Path)
    arguments = parser.parse_args()
    found = sorted(p for p in arguments.folder.rglob("*") if p.suffix.lower() in {".jpg", ".jpeg", ".png"})
    if not found:
        raise BadRequestError("photos (.jpg, .jpeg or .png) in the folder", "none", "Name another folder.")
    with tempfile.TemporaryDirectory() as folder:
        files = [Path(folder) / f"{number:04d}.jpg" for number in range(arguments.count)]
        for number, file in enumerate(files):
            file.write_bytes(as_phone_photo(found[number % len(found)]))
        print(run(files, arguments.model, arguments.repeats).text())


if __name__ == "__main__":
    main()
